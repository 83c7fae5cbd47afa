"""Actions, hazards, happenings, procedures and steps against each other and against the declared facts.

What a condition says for itself (its names, states, units) is condition.check's; what can be reached is explored elsewhere.
"""

from collections.abc import Iterable, Mapping, Sequence

from fieldworthy.core.base.finding import Finding, did_you_mean, pointer
from fieldworthy.core.base.names import key
from fieldworthy.core.base.vocabulary import Fact, state_of
from fieldworthy.core.condition.ast import Condition, Joined, StateTest
from fieldworthy.core.procedure.model import Procedure, Step, Works

MOST_STEPS = 500
MOST_DEEP = 20
"""So many procedures may follow each other, one inside the other."""


def makes_of(condition: Condition, facts: Mapping[str, Fact] | None = None) -> Mapping[str, str] | Finding:
    """
    A `makes` or `leaves` as fact (names.key) -> state, in the order of the text.

    It is one `fact is state`, or several joined by `and`; a fact stands in it once. facts: where given, states come back as
    declared, and a fact or a state that is not declared, or a number fact, is a finding too.
    """
    made: dict[str, str] = {}
    for part in _flat(condition):
        if not isinstance(part, StateTest) or part.negated:
            mend = "write it as `fact is state`, several of them joined by `and`, without `not`, `or`, `if` and numbers"
            return Finding(
                "procedure.makes_not_plain", "this says which states come about, and can be nothing but such", mend, span=part.span
            )
        name = key(part.fact)
        if name in made and key(made[name]) != key(part.state):
            message = f"`{part.fact}` can't be `{made[name]}` and `{part.state}` at once"
            return Finding("procedure.makes_twice", message, "keep one of the two", span=part.span)
        state: str | None = part.state
        if facts is not None:
            declared = facts.get(name)
            if declared is None:
                mend = did_you_mean(part.fact, [f.name for f in facts.values()], "declare it under `facts`")
                return Finding("condition.unknown_fact", f"no fact is called `{part.fact}`", mend, span=part.span)
            if declared.is_number:
                mend = "leave it out: an action makes states, and a number is reported"
                return Finding("condition.number_needed", f"`{declared.name}` is a number and has no states", mend, span=part.span)
            state = state_of(declared.states, part.state)
            if state is None:
                mend = did_you_mean(part.state, declared.states, f"declare it among the states of `{declared.name}`")
                return Finding("condition.unknown_state", f"`{declared.name}` has no state `{part.state}`", mend, span=part.span)
        made[name] = state or part.state
    return made


def _flat(c: Condition) -> Iterable[Condition]:
    if isinstance(c, Joined) and c.op == "and":
        for part in c.parts:
            yield from _flat(part)
    else:
        yield c


def check_works(works: Works, tasks: Mapping[str, Sequence[Step]], facts: Mapping[str, Fact]) -> list[Finding]:
    """
    Every finding about how the pieces fit together, with its path in the document.

    tasks: the steps of each task, by its declared name. Errors: a made fact or state that is not declared, a step that
    names no declared action or procedure, procedures that follow each other in a circle, a procedure without steps.
    """
    found: list[Finding] = []
    for where, things in (("actions", works.actions), ("happenings", works.happenings)):
        for thing in things.values():
            found += _check_made(thing.makes, facts, pointer(where, thing.name, "makes"))
    for procedure in works.procedures.values():
        if not procedure.steps:
            message, mend = f"the procedure `{procedure.name}` has no steps", "give it a step, or leave it out"
            found.append(Finding("procedure.no_steps", message, mend, path=pointer("procedures", procedure.name)))
        found += _check_steps(procedure.steps, works, ("procedures", procedure.name, "steps"))
    for name, steps in tasks.items():
        found += _check_steps(steps, works, ("tasks", name, "steps"))
    circles = list(_check_circles(works.procedures))
    return found + (circles or _check_lengths(works.procedures, tasks))


def _check_made(makes: Mapping[str, str], facts: Mapping[str, Fact], path: str) -> Iterable[Finding]:
    for name, state in makes.items():
        made = makes_of(StateTest(name, state), facts)
        if isinstance(made, Finding):
            yield made.at(path)


def _check_steps(steps: Sequence[Step], works: Works, where: tuple[str, ...]) -> Iterable[Finding]:
    for number, step in enumerate(steps):
        if step.action is not None and key(step.action) not in works.actions:
            mend = did_you_mean(
                step.action, [a.name for a in works.actions.values()], "declare it under `actions`, or write `do:` before it"
            )
            yield Finding("procedure.unknown_action", f"no action is called `{step.action}`", mend, path=pointer(*where, number))
        if step.follow is not None and key(step.follow) not in works.procedures:
            mend = did_you_mean(step.follow, [p.name for p in works.procedures.values()], "declare it under `procedures`")
            yield Finding(
                "procedure.unknown_procedure", f"no procedure is called `{step.follow}`", mend, path=pointer(*where, number, "follow")
            )


def _check_circles(procedures: Mapping[str, Procedure]) -> Iterable[Finding]:
    """One finding for each circle of procedures, at the first of them in the order of declaration; no recursion, whatever the length."""
    follows = {
        name: [key(s.follow) for s in p.steps if s.follow is not None and key(s.follow) in procedures] for name, p in procedures.items()
    }
    done: set[str] = set()
    for first in procedures:
        path: list[str] = []
        ahead = [(first, iter(follows[first]))] if first not in done else []
        path += [first] if ahead else []
        while ahead:
            _, rest = ahead[-1]
            following = next(rest, None)
            if following is None:
                ahead.pop()
                done.add(path.pop())
            elif following in path:
                yield _circle([procedures[n].name for n in path[path.index(following) :]])
            elif following not in done:
                ahead.append((following, iter(follows[following])))
                path.append(following)


def _check_lengths(procedures: Mapping[str, Procedure], tasks: Mapping[str, Sequence[Step]]) -> list[Finding]:
    """Procedures that follow others several times over grow fast: a task or procedure may have so many steps, laid out, and no more."""
    counts: dict[str, int] = {}

    def count(steps: Sequence[Step]) -> int | None:
        """The steps laid out, at most one more than may be; None while those of a procedure that they follow are not known."""
        many = 0
        for step in steps:
            name = None if step.follow is None else key(step.follow)
            if name in procedures and name not in counts:
                return None
            many += counts.get(name or "", 1)
        return min(many, MOST_STEPS + 1)

    def next_level() -> dict[str, int]:
        return {name: many for name, p in procedures.items() if name not in counts and (many := count(p.steps)) is not None}

    for _ in range(MOST_DEEP):
        counts |= next_level()
    found = []
    for name in next_level():
        message = f"more than {MOST_DEEP} procedures follow each other from `{procedures[name].name}` on, one inside the other"
        mend = f"write the steps of the inner ones into `{procedures[name].name}`"
        found.append(Finding("procedure.too_deep", message, mend, path=pointer("procedures", procedures[name].name)))
    message = f"it has more than {MOST_STEPS} steps when its procedures are laid out"
    of_procedures = [("procedures", p.name, p.steps, "split the procedure") for p in procedures.values()]
    of_tasks = [("tasks", name, steps, "split the task") for name, steps in tasks.items()]
    for where, name, steps, split in (*of_tasks, *of_procedures):
        inner = [counts.get(key(step.follow), 0) for step in steps if step.follow is not None]
        if (count(steps) or 0) > MOST_STEPS >= max(inner, default=0):  # where the inner one is too long already, that is told
            mend = f"{split}, or shorten the procedures that it follows"
            found.append(Finding("procedure.too_many_steps", message, mend, path=pointer(where, name, "steps")))
    return found


def _circle(names: list[str]) -> Finding:
    shown = [f"`{name}`" for name in names]
    if len(shown) > 8:
        shown[5:-1] = [f"{len(shown) - 6} more"]
    message = f"{', '.join(shown[:-1])} and {shown[-1]} follow each other in a circle"
    if len(names) == 1:
        message = f"the procedure `{names[0]}` follows itself"
    mend = f"take `follow: {names[0]}` out of `{names[-1]}`"
    return Finding("procedure.circle", message, mend, path=pointer("procedures", names[0]))
