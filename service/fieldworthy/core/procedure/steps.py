"""A task's steps as they are counted: each followed procedure laid out in its place."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from fieldworthy.core.base.names import key
from fieldworthy.core.condition.ast import Condition, Joined
from fieldworthy.core.procedure.model import Procedure, Step


def together(conditions: Iterable[Condition | None]) -> Condition | None:
    """All of these at once: one flat `and`, each part once; None where there is none."""
    parts: list[Condition] = []
    for each in conditions:
        for part in each.parts if isinstance(each, Joined) and each.op == "and" else () if each is None else (each,):
            if part not in parts:
                parts.append(part)
    if not parts:
        return None
    return parts[0] if len(parts) == 1 else Joined("and", tuple(parts))


def laid_out(steps: Sequence[Step], procedures: Mapping[str, Procedure]) -> tuple[Step, ...]:
    """
    The steps in the order of work, counted from 1 by their place here: a `follow` step is replaced by its procedure's steps.

    What the `follow` step needs is asked at the first of them, what it holds is held during all of them.
    INVARIANT: procedures do not follow each other in a circle, and each is declared (check_works found neither).
    """
    laid: list[Step] = []
    for step in steps:
        if step.follow is None:
            laid.append(step)
            continue
        inner = laid_out(procedures[key(step.follow)].steps, procedures)
        if step.needs is None and step.holds is None:
            laid += inner
            continue
        for number, each in enumerate(inner):
            needs = together((step.needs, each.needs)) if number == 0 else each.needs
            laid.append(replace(each, needs=needs, holds=together((step.holds, each.holds))))
    return tuple(laid)
