"""What bears on one procedure: the hazards it is checked against, the facts that these hang on, and what can move those.

Whatever is left out can neither bring one of these hazards about nor keep a step from starting, so leaving it out changes no verdict.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from fieldworthy.core.base.names import key
from fieldworthy.core.base.vocabulary import Fact
from fieldworthy.core.condition.ast import Condition
from fieldworthy.core.condition.walk import names_of
from fieldworthy.core.procedure.model import Action, Happening, Hazard, Procedure, Step, Works

MOST_FACTS = 400
"""So many facts of two states or more have more states than anybody looks at: then nothing is gained by looking for the rest."""


@dataclass(frozen=True, slots=True)
class Cone:
    """
    facts: in the order of declaration. others: the actions that matter where somebody else does them. conditions: all of theirs.

    whole: False where there are more than MOST_FACTS facts, and not all of them were looked for.
    """

    facts: tuple[Fact, ...]
    hazards: tuple[Hazard, ...]
    happenings: tuple[Happening, ...]
    others: tuple[Action, ...]
    conditions: tuple[Condition, ...]
    whole: bool


class Bearings:
    """What hangs on what in a rulebook, made ready once for all of its procedures. facts: all declared ones, by names.key."""

    def __init__(self, works: Works, facts: Mapping[str, Fact]) -> None:
        self.works, self.facts = works, facts
        self.order = {name: n for n, name in enumerate(facts)}
        self.hazards = list(works.hazards.values())
        self.movers: list[Happening | Action] = [*works.happenings.values(), *works.actions.values()]
        self.hurt_by: dict[str, list[int]] = {}  # fact -> the hazards that name it
        for n, hazard in enumerate(self.hazards):
            for name in names_of(hazard.never):
                self.hurt_by.setdefault(name, []).append(n)
        self.made_by: dict[str, list[int]] = {}  # fact -> the happenings and actions that make it
        self.needed_by: dict[str, list[int]] = {}  # fact -> those that need something of it
        for n, mover in enumerate(self.movers):
            for name in mover.makes:
                self.made_by.setdefault(name, []).append(n)
            for name in () if mover.needs is None else names_of(mover.needs):
                self.needed_by.setdefault(name, []).append(n)

    def hazards_over(self, named: Iterable[str]) -> list[int]:
        """The hazards that name one of these facts, or one that is made, by however long a way, by what needs something of these."""
        reached = set(named)
        ahead = list(reached)
        while ahead:
            for n in self.needed_by.get(ahead.pop(), ()):
                new = set(self.movers[n].makes) - reached
                reached |= new
                ahead += new
        return sorted({n for name in reached for n in self.hurt_by.get(name, ())})


def action_of(step: Step, works: Works) -> Action | None:
    return None if step.action is None else works.actions[key(step.action)]


def cone_of(bearings: Bearings, steps: Sequence[Step], of_task: Iterable[Condition | None], everything: bool = False) -> Cone:
    """
    The cone of a procedure. steps: laid out. of_task: what the task needs, holds and leaves.

    Its hazards are those over the facts of the task, the steps and their actions (`Bearings.hazards_over`). Its facts are those and the
    hazards' own, and what is needed by each happening and action that makes one of them. everything: all facts, happenings and actions,
    for the same hazards.
    """
    over = [c for c in of_task if c is not None]
    made: set[str] = set()
    for step in steps:
        action = action_of(step, bearings.works)
        conditions = (step.needs, step.holds, step.wait_until, *((action.needs, action.confirm) if action is not None else ()))
        over += [c for c in conditions if c is not None]
        made |= set(action.makes) if action is not None else set()
    named = made | _names(over)
    hazards = [bearings.hazards[n] for n in bearings.hazards_over(named)]
    over += [h.never for h in hazards]
    within = set(bearings.facts) if everything else named | _names(h.never for h in hazards)
    movers: set[int] = set()
    ahead, many = list(within), 0
    while ahead and many <= MOST_FACTS:
        name = ahead.pop()
        many += len(bearings.facts[name].states) != 1
        for n in bearings.made_by.get(name, ()):
            needs = bearings.movers[n].needs
            if n not in movers and needs is not None:
                over.append(needs)
                ahead += _names([needs]) - within
                within |= _names([needs])
            movers.add(n)
    moving = [bearings.movers[n] for n in sorted(movers)]
    return Cone(
        tuple(bearings.facts[name] for name in sorted(within, key=bearings.order.__getitem__)),
        tuple(hazards),
        tuple(m for m in moving if isinstance(m, Happening)),
        tuple(m for m in moving if isinstance(m, Action)),
        tuple(over),
        whole=not ahead,
    )


def _names(conditions: Iterable[Condition]) -> set[str]:
    return {name for c in conditions for name in names_of(c)}


def not_followed(works: Works, steps_of_tasks: Iterable[Sequence[Step]]) -> tuple[Procedure, ...]:
    """The declared procedures that no task follows, directly or through another procedure; in the order of declaration."""
    ahead = [key(s.follow) for steps in steps_of_tasks for s in steps if s.follow is not None]
    followed: set[str] = set()
    while ahead:
        name = ahead.pop()
        if name not in followed and name in works.procedures:
            followed.add(name)
            ahead += [key(s.follow) for s in works.procedures[name].steps if s.follow is not None]
    return tuple(p for name, p in works.procedures.items() if name not in followed)
