"""Takes each guard of the demo's rulebooks away, one at a time, and sees whether the exploration before publishing notices.

    python tests/benchmarks/mutate_guards.py [NAME ...]

A guard is one part of an `and` in what a task, a step or an action needs, or in what a task or a step holds. It is noticed where the
exploration finds an error without it. One that is not noticed is explained: no hazard turns on its fact; or other guards cover it (named:
without it and them a task leads to a hazard, without them alone it does not); or no declared hazard comes of it. That last kind is for a
person to look at: a hazard may be missing. Looked at, and why each is asked all the same:

* the work itself is the exposure (oil, filters, tines, nuts): no fact says where hands are, so no hazard can; while the work is open, its
  holds withhold what would start the machine, and that is the guard;
* what the machine could not do otherwise: the engine runs before it lifts, the key is in the lock before it starts, a prop that bears can't
  be stowed;
* where a part stands so that it can be got at, or so that a measurement counts;
* a step that asks once more what its task holds, so that it stands beside the work.
"""

import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, TypeVar
from unittest.mock import patch

TOP = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(TOP), str(TOP / "service")]

from fieldworthy.core.base.finding import Finding, Severity, pointer  # noqa: E402
from fieldworthy.core.base.vocabulary import Fact  # noqa: E402
from fieldworthy.core.condition.ast import Condition, Joined  # noqa: E402
from fieldworthy.core.condition.explain import render  # noqa: E402
from fieldworthy.core.condition.walk import names_of  # noqa: E402
from fieldworthy.core.procedure.explore import Verdict, explore  # noqa: E402
from fieldworthy.core.procedure.model import Action, Procedure, Step, Works  # noqa: E402
from fieldworthy.core.procedure.steps import laid_out, together  # noqa: E402
from fieldworthy.core.rulebook import check_safety  # noqa: E402
from fieldworthy.core.rulebook.check import check_text  # noqa: E402
from fieldworthy.core.rulebook.model import CheckedRulebook, Task  # noqa: E402
from fieldworthy.core.rulebook.report import Report  # noqa: E402
from fieldworthy.demo.world import RULEBOOKS, load  # noqa: E402

Way = tuple[str | int, ...]
Guarded = TypeVar("Guarded", Action, Task, Step)


@dataclass(frozen=True, slots=True)
class Guard:
    """One part of a condition. way: the members that lead to the condition; part: the part."""

    way: Way
    part: Condition

    def __str__(self) -> str:
        return f"{pointer(*self.way)}  {render(self.part)}"


def book_of(text: str) -> CheckedRulebook:
    book, findings = check_text(text)
    assert book is not None, findings
    return book


def guards(book: CheckedRulebook) -> Iterator[Guard]:
    """Every guard, in the order of declaration: actions, procedures, tasks."""
    for action in book.works.actions.values():
        yield from _of(action, ("actions", action.name), ("needs",))
    for procedure in book.works.procedures.values():
        yield from _of_steps(procedure.steps, ("procedures", procedure.name))
    for task in book.tasks.values():
        yield from _of(task, ("tasks", task.name), ("needs", "holds"))
        yield from _of_steps(task.steps, ("tasks", task.name))


def _of_steps(steps: Sequence[Step], way: Way) -> Iterator[Guard]:
    for number, step in enumerate(steps):
        yield from _of(step, (*way, "steps", number), ("needs", "holds"))


def _of(thing: object, way: Way, members: tuple[str, ...]) -> Iterator[Guard]:
    for member in members:
        yield from (Guard((*way, member), part) for part in _parts(getattr(thing, member)))


def _parts(c: Condition | None) -> tuple[Condition, ...]:
    if c is None:
        return ()
    return c.parts if isinstance(c, Joined) and c.op == "and" else (c,)


def without(book: CheckedRulebook, *gone: Guard) -> CheckedRulebook:
    """The rulebook without these guards."""
    away: dict[Way, list[Condition]] = {}
    for guard in gone:
        away.setdefault(guard.way, []).append(guard.part)
    roots = {way[:2] for way in away}

    def left(thing: Guarded, way: Way, *members: str) -> Guarded:
        changed = {m: together(p for p in _parts(getattr(thing, m)) if p not in away[(*way, m)]) for m in members if (*way, m) in away}
        return replace(thing, **changed) if changed else thing  # type: ignore[arg-type]

    def steps(several: Sequence[Step], way: Way) -> tuple[Step, ...]:
        return tuple(left(step, (*way, "steps", n), "needs", "holds") for n, step in enumerate(several))

    works = book.works
    if any(root[0] != "tasks" for root in roots):
        actions = {k: left(a, ("actions", a.name), "needs") for k, a in works.actions.items()}
        procedures = {k: Procedure(p.name, steps(p.steps, ("procedures", p.name))) for k, p in works.procedures.items()}
        works = replace(works, actions=actions, procedures=procedures)
    tasks = dict(book.tasks)
    for _, name in (root for root in roots if root[0] == "tasks"):
        task = left(book.tasks[str(name)], ("tasks", name), "needs", "holds")
        tasks[task.name] = replace(task, steps=steps(task.steps, ("tasks", name)))
    return replace(book, works=works, tasks=tasks)


_VERDICTS: dict[tuple[object, ...], tuple[Works, Verdict]] = {}


def explore_once(works: Works, facts: Mapping[str, Fact], steps: Sequence[Step], **more: Any) -> Verdict:
    """The same exploration, remembered: a guard of a task changes no other task's."""
    same = (id(works), id(facts), tuple(steps), more["needs"], more["holds"], more["leaves"])
    if same not in _VERDICTS:
        _VERDICTS[same] = (works, explore(works, facts, steps, **more))  # the works are kept, so that no other can take their place
    return _VERDICTS[same][1]


def errors(book: CheckedRulebook) -> list[Finding]:
    """What the exploration finds."""
    if len(_VERDICTS) > 20_000:
        _VERDICTS.clear()
    report = Report(None, book.document)
    with patch.object(check_safety, "explore", explore_once):
        check_safety.check_safety(book, report)
    return [f for f in report.findings if f.severity is Severity.ERROR]


def noticed(book: CheckedRulebook, *gone: Guard) -> bool:
    return bool(errors(without(book, *gone)))


def reached(book: CheckedRulebook, hazard: str) -> bool:
    """Whether some procedure can lead to this hazard."""
    return any(isinstance(f.trace, dict) and f.trace["hazard"] == hazard for f in errors(book))


@dataclass(slots=True)
class Outcome:
    """Of one rulebook. killed: the guards whose absence is noticed; survivors: the others, each with why."""

    killed: list[Guard] = field(default_factory=list)
    survivors: dict[Guard, str] = field(default_factory=dict)

    @property
    def total(self) -> int:
        return len(self.killed) + len(self.survivors)


def survey(book: CheckedRulebook) -> Outcome:
    """Takes each guard away, and looks for why where that is not noticed."""
    assert errors(book) == [], "the rulebook itself must hold"
    alone = {guard: noticed(book, guard) for guard in guards(book)}
    turned_on = _turned_on(book)
    spare = [guard for guard, told in alone.items() if not told]
    outcome = Outcome([guard for guard, told in alone.items() if told])
    outcome.survivors.update((guard, _why(book, guard, list(alone), turned_on)) for guard in spare)
    return outcome


def _turned_on(book: CheckedRulebook) -> set[str]:
    """The facts that a hazard names, and those that what makes these needs, and so on."""
    found: set[str] = set()
    new = {name for hazard in book.works.hazards.values() for name in names_of(hazard.never)}
    movers = [*book.works.actions.values(), *book.works.happenings.values()]
    while new:
        found |= new
        new = {name for m in movers if m.needs is not None and found & set(m.makes) for name in names_of(m.needs)} - found
    return found


def _why(book: CheckedRulebook, guard: Guard, every: list[Guard], turned_on: set[str]) -> str:
    """Looks at each task that it bears on and each hazard there: whether it keeps that out once other guards that do are gone."""
    names = set(names_of(guard.part))
    if not names & turned_on:
        return f"no hazard turns on {_list(names)}"
    for task in _bears_on(book, guard):
        others = [other for other in every if other is not guard and (other.way[0] != "tasks" or other.way[1] == task.name)]
        others.sort(key=lambda other: (names.isdisjoint(names_of(other.part)), other.part != guard.part, other.way[:2] != guard.way[:2]))
        for hazard in sorted(_met(book, task, guard, *others)):
            gone = _most(lambda some, task=task, hazard=hazard: hazard not in _met(book, task, *some), others)  # type: ignore[misc]
            if hazard in _met(book, task, guard, *gone):
                few = _fewest(lambda some, task=task, hazard=hazard: hazard in _met(book, task, guard, *some), gone)  # type: ignore[misc]
                more = f" and {len(few) - 1} more" if len(few) > 1 else ""
                return f"covered by {few[0]}{more}, against `{hazard}` in `{task.name}`"
    return f"no declared hazard comes of it: {_list(names)} is asked for another reason"


def _bears_on(book: CheckedRulebook, guard: Guard) -> Iterator[Task]:
    """The task itself, or those that follow the procedure, or (for an action, which anybody may do) all of them; alike ones once."""
    seen = set()
    for task in book.tasks.values():
        same = (task.needs, task.holds, task.leaves, task.steps)
        at = {"tasks": guard.way[1] == task.name, "actions": same not in seen}.get(str(guard.way[0]))
        follows = any(step.follow == guard.way[1] for step in task.steps)
        if at or (at is None and follows):
            seen.add(same)
            yield task


def _met(book: CheckedRulebook, task: Task, *gone: Guard) -> set[str]:
    """The hazards that a task can lead to without these guards."""
    changed = without(book, *gone)
    task, facts, works = changed.tasks[task.name], book.vocabulary.facts, changed.works
    verdict = explore(works, facts, laid_out(task.steps, works.procedures), needs=task.needs, holds=task.holds, leaves=task.leaves)
    return {reached.hazard.name for reached in verdict.hazards}


def _most(still: Callable[[list[Guard]], bool], some: list[Guard]) -> list[Guard]:
    """As many of these as can go together, the first ones first; large pieces are tried first."""
    gone: list[Guard] = []
    ahead = [some]
    while ahead:
        piece = ahead.pop()
        if still([*gone, *piece]):
            gone += piece
        elif len(piece) > 1:
            ahead += [piece[len(piece) // 2 :], piece[: len(piece) // 2]]
    return gone


def _fewest(enough: Callable[[list[Guard]], bool], some: list[Guard]) -> list[Guard]:
    """Some of these, which are enough all together, of which none can be left out; large pieces are tried first."""
    size = max(1, len(some) // 2)
    while True:
        for begin in range(0, len(some), size):
            rest = some[:begin] + some[begin + size :]
            if rest and enough(rest):
                some = rest
                break
        else:
            if size == 1:
                return some
            size //= 2


def _list(names: set[str]) -> str:
    return " and ".join(f"`{name}`" for name in sorted(names))


def main(names: list[str]) -> None:
    killed = total = 0
    for name in names or list(RULEBOOKS):
        begun = time.perf_counter()
        outcome = survey(book_of(load().texts[name]))
        killed, total = killed + len(outcome.killed), total + outcome.total
        print(f"{name}: {len(outcome.killed)} of {outcome.total} noticed ({time.perf_counter() - begun:.0f} s)")  # noqa: T201
        for guard in outcome.killed:
            print(f"  noticed: {guard}")  # noqa: T201
        for guard, why in outcome.survivors.items():
            print(f"  {guard}\n      {why}")  # noqa: T201
        kinds = Counter(why.split(" ")[0] + " " + why.split(" ")[1] for why in outcome.survivors.values())
        print("  " + ", ".join(f"{n} {what} …" for what, n in kinds.most_common()))  # noqa: T201
    print(f"{killed} of {total} guards are noticed when they are gone")  # noqa: T201


if __name__ == "__main__":
    main(sys.argv[1:])
