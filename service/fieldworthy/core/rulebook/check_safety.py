"""A rulebook's procedures explored exhaustively (procedure.explore), as findings: what keeps it from being published, and what it warns of.

Explored is every task that has steps, or whose needs, holds or leaves name a fact of a hazard; and every procedure that no task follows.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import product

from fieldworthy.core.base.finding import Finding, Severity, pointer
from fieldworthy.core.base.names import key
from fieldworthy.core.base.truth import Truth, all_of, negate
from fieldworthy.core.base.vocabulary import Fact
from fieldworthy.core.condition.ast import Condition
from fieldworthy.core.condition.explain import render
from fieldworthy.core.condition.search import Effort, State, TooLarge, by_fact, find_state, values_of
from fieldworthy.core.condition.walk import Value, evaluate, names_of
from fieldworthy.core.procedure.explore import (
    MOST_STATES,
    WORK_PER_STATE,
    Bearings,
    LeftChanged,
    Reached,
    Stuck,
    Trace,
    Verdict,
    explore,
    not_followed,
)
from fieldworthy.core.procedure.model import Action, Happening, Hazard, Step, Works
from fieldworthy.core.procedure.steps import laid_out
from fieldworthy.core.rulebook.model import CheckedRulebook, Task
from fieldworthy.core.rulebook.report import Report

MOST_WORK_IN_ALL = 3
"""So many times the work of one procedure (explore's `most_work`) for all of them together: so that a check ends in time."""
MOST_EVENTS = 200
"""Of a trace; a longer one is told with its middle left out."""
MOST_EFFORT = 20_000
"""Tests judged to see whether one action could bring one hazard about; beyond it nothing is said."""


@dataclass(frozen=True, slots=True)
class _Explored:
    """What was explored. name: in a sentence; path: where its steps stand; needs_at: where its needs do; steps: as written."""

    name: str
    path: str
    needs_at: str
    steps: Sequence[Step]
    laid: tuple[Step, ...]
    needs: Condition | None = None
    holds: Condition | None = None
    leaves: Condition | None = None
    is_task: bool = True


def check_safety(book: CheckedRulebook, report: Report, most_states: int = MOST_STATES) -> None:
    """Every finding of the exploration, in the report. most_states: of one procedure; beyond it "not shown safe", which is an error."""
    seen: dict[tuple[object, ...], Verdict] = {}
    bearings = Bearings(book.works, book.vocabulary.facts)
    one = WORK_PER_STATE * most_states
    left = MOST_WORK_IN_ALL * one
    considered: set[str] = set()
    for each in _to_explore(book, bearings):
        same = (each.needs, each.holds, each.leaves, each.laid)
        verdict = seen.get(same)
        if verdict is None:
            verdict = seen[same] = explore(
                book.works,
                book.vocabulary.facts,
                each.laid,
                needs=each.needs,
                holds=each.holds,
                leaves=each.leaves,
                most_states=most_states,
                most_work=min(one, left),
                bearings=bearings,
            )
            left = max(0, left - verdict.figures.work)
            considered.update(verdict.considered)
        for finding in _findings(each, verdict, book, most_states):
            report.add(finding)
    for hazard in book.works.hazards.values():
        if hazard.name not in considered:
            verdict = explore(
                book.works,
                book.vocabulary.facts,
                (),
                about=(hazard.never,),
                most_states=most_states,
                most_work=min(one, left),
                bearings=bearings,
            )
            left = max(0, left - verdict.figures.work)
            for finding in _without_work(hazard, verdict, most_states):
                report.add(finding)
    for finding in _out_of_reach(book.works, book.vocabulary.facts):
        report.add(finding)


def _to_explore(book: CheckedRulebook, bearings: Bearings) -> Iterator[_Explored]:
    for task in book.tasks.values():
        named = {name for c in (task.needs, task.holds, task.leaves) if c is not None for name in names_of(c)}
        if task.steps or bearings.hazards_over(named):
            steps_at, needs_at = _places(task)
            laid = laid_out(task.steps, book.works.procedures)
            yield _Explored(f"the task `{task.name}`", steps_at, needs_at, task.steps, laid, task.needs, task.holds, task.leaves)
    for procedure in not_followed(book.works, [task.steps for task in book.tasks.values()]):
        at = pointer("procedures", procedure.name)
        written = book.document["procedures"]
        where = at if isinstance(_entry(written, procedure.name), list) else at + "/steps"
        laid = laid_out(procedure.steps, book.works.procedures)
        yield _Explored(f"the procedure `{procedure.name}`", where, at, procedure.steps, laid, is_task=False)


def _entry(declared: Mapping[str, object], name: str) -> object:
    return next(entry for raw, entry in declared.items() if key(raw) == key(name))


def _places(task: Task) -> tuple[str, str]:
    """Where findings about its steps are placed, and those about its needs; what it does not have is not pointed at."""
    said = {"needs": task.needs, "holds": task.holds, "steps": task.steps or None, "leaves": task.leaves}
    needs_at = pointer("tasks", task.name, next(member for member, value in said.items() if value is not None))
    return (pointer("tasks", task.name, "steps") if task.steps else needs_at), needs_at


# --- findings of one exploration ---------------------------------------------------------------------------------------------


def _findings(each: _Explored, verdict: Verdict, book: CheckedRulebook, most_states: int) -> Iterator[Finding]:
    if verdict.not_shown_safe:
        yield _not_shown(each, verdict, most_states)
    if verdict.no_start is not None:
        yield _no_start(each, verdict)
    for reached in verdict.hazards:
        yield _reached(each, reached, book)
    if verdict.cannot_start is not None:
        yield _stuck(each, verdict.cannot_start, book.works)
    if verdict.never_over:
        until = each.laid[-1].wait_until
        waited = "" if until is None else f" `{render(until)}`"
        message = f"{each.name} is never over: its last step waits for{waited or ' something'}, and nothing brings that about"
        mend = "let an action or a happening bring it about, or wait for something else"
        yield Finding("procedure.never_over", message, mend, path=_step_path(each, len(each.laid), book.works))
    if each.is_task:  # a procedure on its own says nothing of what it may leave: whoever follows it does
        for left in verdict.left_changed:
            yield _left(each, left)


def _not_shown(each: _Explored, verdict: Verdict, most_states: int) -> Finding:
    states = verdict.figures.states
    if states > most_states:
        message = f"{each.name} is not shown safe: it has {_many(states)} states to look at, more than {most_states:,}"
        mend = "let it, its actions and its hazards name fewer facts or states, or raise the bound (most states) of the check"
    else:
        message = f"{each.name} is not shown safe: it and the procedures before it take more work to explore than a check may do"
        mend = "let procedures be shorter and happenings fewer, split the rulebook, or raise the bound (most states) of the check"
    return Finding("procedure.not_shown_safe", message, mend, path=each.path)


def _many(number: int) -> str:
    """In words: exactly below 10^12, else the power of ten that it reaches. No `str` of it all: Python bounds how many digits it has."""
    if number < 10**12:
        return f"{number:,}"
    power = (number.bit_length() - 1) * 30_102_999_566 // 10**11  # log10(2) rounded down, so never too high, and too low by few
    while number >= 10 ** (power + 1):
        power += 1
    return f"at least 10^{power}"


def _no_start(each: _Explored, verdict: Verdict) -> Finding:
    if verdict.no_start == "needs":
        message = f"{each.name} can never start: there is no state in which what it needs is true"
        mend = "look for a need that contradicts another"
    else:
        hazards = ", ".join(f"`{name}`" for name in verdict.considered)
        message = f"{each.name} can never start: wherever what it needs is true, a hazard is there already (of {hazards})"
        mend = "let it need a state in which no hazard holds"
    return Finding("procedure.never_starts", message, mend, path=each.needs_at)


def _reached(each: _Explored, reached: Reached, book: CheckedRulebook) -> Finding:
    hazard, trace, works = reached.hazard, reached.trace, book.works
    last = trace.events[-1]
    if last.kind == "step":
        mend = f"let step {last.step} or its action need what rules that out, or let a step before it see to that"
    elif last.kind == "happening":
        needs = works.happenings[key(last.name)].needs
        when = "" if needs is None else f", which comes while `{render(needs)}`"
        mend = f"let a step before it rule out `{last.name}`{when}, or let a need keep whoever is in its way out"
    else:
        mend = f"hold (`holds`) what `{last.name}` would change, or let the action `{last.name}` need what rules that out"
    message = f"{each.name} can lead to the hazard `{hazard.name}`, at {_said(str(last))}"
    moved = [book.vocabulary.facts[name] for name in names_of(hazard.never) if name in _moved(each, works)]
    whose = next((fact.name for fact in moved if fact.per_person), None)
    if last.kind == "step" and whose is not None:
        mend += (
            f"; what a task needs of `{whose}`, which it moves itself, is read of who does the work: an action's own needs ask everybody"
        )
    return Finding("procedure.hazard_reached", message, mend, path=each.path, trace=_told(trace, hazard.name))


def _without_work(hazard: Hazard, verdict: Verdict, most_states: int) -> Iterator[Finding]:
    """What is found of a hazard that has nothing to do with any task: the machine, and whoever acts on it, are looked at by themselves."""
    path = pointer("hazards", hazard.name)
    if verdict.not_shown_safe:
        each = _Explored(f"what leads to the hazard `{hazard.name}`", path, path, (), ())
        yield _not_shown(each, verdict, most_states)
    for reached in verdict.hazards:
        if reached.hazard is not hazard:
            continue  # it is looked at by itself, or in a task
        last = str(reached.trace.events[-1])
        message = f"the hazard `{reached.hazard.name}` can come about while no task is under way, at {_said(last)}"
        mend = "let that need what rules the hazard out, or let a happening that is no danger be none of this hazard"
        trace = _told(Trace(reached.trace.start, reached.trace.events[1:], reached.trace.end), reached.hazard.name)
        yield Finding("procedure.hazard_reached", message, mend, path=path, trace=trace)


def _told(trace: Trace, hazard: str | None = None) -> dict[str, object]:
    events = [str(event) for event in trace.events]
    if len(events) > MOST_EVENTS:
        half = MOST_EVENTS // 2
        events = [*events[:half], f"… {len(events) - 2 * half:,} more …", *events[-half:]]
    return {"start": dict(trace.start), "steps": events, "hazard": hazard}


def _moved(each: _Explored, works: Works) -> set[str]:
    """The facts (names.key) that its own actions make."""
    return {name for step in each.laid if step.action is not None for name in works.actions[key(step.action)].makes}


def _said(event: str) -> str:
    return f"`{event if len(event) <= 80 else event[:77] + '…'}`"


def _stuck(each: _Explored, stuck: Stuck, works: Works) -> Finding:
    if stuck.lacks:
        why = " and ".join(f"{who} `{render(c)}`" for who, c in stuck.lacks)
        reason = f"{why}, which is true in no state in which it is its turn"
    else:
        reason = "what it needs and what is held are never true together when it is its turn"
    message = f"step {stuck.step} of {each.name}, {_said(stuck.name)}, can't start on any order: {reason}"
    mend = "let a step before it bring that about, or change what asks for it"
    path = _step_path(each, stuck.step, works)
    return Finding("procedure.step_cannot_start", message, mend, path=path, trace=_told(stuck.trace))


def _step_path(each: _Explored, number: int, works: Works) -> str:
    """Where a step, counted as laid out, stands in the task or procedure itself."""
    if not each.steps:
        return each.path
    for place, step in enumerate(each.steps):
        number -= len(laid_out((step,), works.procedures))
        if number <= 0:
            return f"{each.path}/{place}"
    return each.path


def _left(each: _Explored, left: LeftChanged) -> Finding:
    fact = left.fact.name
    message = f"{each.name} leaves `{fact}` as `{left.state}`: neither as it began nor at rest (`{left.fact.states[0]}`)"
    mend = f"put it back in a step, or say `leaves: {fact} is {left.state}`"
    if each.leaves is not None:
        mend = f"put it back in a step, or say so in `leaves`, as in `{render(each.leaves)} and {fact} is {left.state}`"
        if key(fact) in names_of(each.leaves):
            mend = "let its steps bring about what `leaves` says, on every order, or correct `leaves`"
    return Finding("procedure.left_changed", message, mend, path=each.path, trace=_told(left.trace))


# --- hazards that nothing could reach ----------------------------------------------------------------------------------------


def _out_of_reach(works: Works, facts: Mapping[str, Fact]) -> Iterator[Finding]:
    """
    A warning for each hazard that no action and no happening could bring about, even if none of them needed anything.

    Whatever the order, one move comes last: it must make a fact of the hazard so that the hazard holds then and did not before.
    """
    moves: list[Action | Happening] = [*works.actions.values(), *works.happenings.values()]
    for hazard in works.hazards.values() if moves else ():  # where nothing is declared that makes states, hazards serve clearances alone
        if not any(_can_bring(move, hazard, facts) for move in moves) and _can_be(hazard, facts):
            message = f"no action and no happening could bring about the hazard `{hazard.name}`, even if none needed anything"
            mend = "look for a wrong state in `never`, or declare the action or happening that makes it so"
            yield Finding("procedure.hazard_out_of_reach", message, mend, Severity.WARNING, path=pointer("hazards", hazard.name, "never"))


def _can_be(hazard: Hazard, facts: Mapping[str, Fact]) -> bool:
    """Whether it is true in any state; one that is in none has been told of where it was read."""
    tests = by_fact([hazard.never])
    choices = {name: values_of(facts[name], several) for name, several in tests.items()}
    try:
        return find_state(lambda state: evaluate(hazard.never, state), choices, 1, Effort(MOST_EFFORT)) is not None
    except TooLarge:
        return True


def _can_bring(move: Action | Happening, hazard: Hazard, facts: Mapping[str, Fact]) -> bool:
    """Whether there is a state in which the hazard does not hold and after the move does; also where that takes too long to tell."""
    tests = by_fact([hazard.never])
    made = {name: key(state) for name, state in move.makes.items() if name in tests}
    if not made:
        return False
    choices = {name: values_of(facts[name], several) for name, several in tests.items()}
    rest: dict[str, Sequence[Value]] = {name: values for name, values in choices.items() if name not in made}
    effort = Effort(MOST_EFFORT)
    cost = 2 * sum(map(len, tests.values()))
    try:
        for before in product(*(choices[name] for name in made)):
            was = dict(zip(made, before, strict=True))

            def comes(state: State, was: Mapping[str, Value] = was) -> Truth:
                return all_of((negate(evaluate(hazard.never, {**state, **was})), evaluate(hazard.never, {**state, **made})))

            if find_state(comes, rest, cost, effort) is not None:
                return True
    except TooLarge:
        return True
    return False
