"""What a newer version lets through that an older one withheld, and the reverse: decided over all states, each with a state that shows it.

Compared are the needs and holds of tasks, the needs, holds and waits of steps, the needs and confirmations of actions that both versions
have, and the hazards. The search is exact: over every state of the facts named, and over every interval between the thresholds named.
Where it would take too long, or where a fact was declared in a way that can't be set beside the other, it says "not compared".
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from difflib import SequenceMatcher
from typing import Any, Literal

from fieldworthy.core.base.names import key
from fieldworthy.core.base.quantity import Quantity, number_json
from fieldworthy.core.base.truth import Truth, all_of, negate
from fieldworthy.core.base.vocabulary import Fact, state_of
from fieldworthy.core.condition.ast import Condition
from fieldworthy.core.condition.explain import render
from fieldworthy.core.condition.search import Effort, State, TooLarge, by_fact, find_state, values_of, with_units
from fieldworthy.core.condition.walk import Value, evaluate
from fieldworthy.core.procedure.model import Hazard, Signal, Step
from fieldworthy.core.rulebook.model import CheckedRulebook

MOST_EFFORT = 200_000
"""Tests judged for one condition that changed; so a search ends within a fraction of a second."""
MOST_EFFORT_IN_ALL = 2_000_000
MOST_STEPS_ALIGNED = 500

Member = Literal["needs", "holds", "until", "confirm"]


@dataclass(frozen=True, slots=True)
class Difference:
    """
    weaker:   a state that the older text refuses and the newer one lets through (None: there is none, or it was not compared).
    stronger: the reverse. not_compared: why not; None where both were decided.
    States are JSON values by the fact's declared name: a state, or {value, unit}, or a bare number.
    """

    weaker: Mapping[str, Any] | None
    stronger: Mapping[str, Any] | None
    not_compared: str | None

    def to_json(self) -> dict[str, Any]:
        return {"weaker": self.weaker, "stronger": self.stronger, "not_compared": self.not_compared}


@dataclass(frozen=True, slots=True)
class GuardChange:
    """A condition that guards a task, one of its steps, a step of a procedure or an action, and how it differs.

    step: its place in the newer version, step_before in the older, from 1. before, after: canonical; None for none, which lets all through.
    """

    member: Member
    before: str | None
    after: str | None
    difference: Difference
    task: str | None = None
    procedure: str | None = None
    action: str | None = None
    step: int | None = None
    step_before: int | None = None

    def to_json(self) -> dict[str, Any]:
        place = {name: getattr(self, name) for name in ("task", "procedure", "action", "step", "step_before")}
        return {**place, "member": self.member, "before": self.before, "after": self.after, **self.difference.to_json()}


@dataclass(frozen=True, slots=True)
class HazardChange:
    """A hazard that was removed, added or changed. Its difference: weaker, a state that was a hazard before and is none now."""

    hazard: str
    change: Literal["removed", "added", "changed"]
    before: str | None
    after: str | None
    signal_before: Signal | None
    signal_after: Signal | None
    difference: Difference

    def to_json(self) -> dict[str, Any]:
        members = ("hazard", "change", "before", "after", "signal_before", "signal_after")
        return {**{name: getattr(self, name) for name in members}, **self.difference.to_json()}


@dataclass(frozen=True, slots=True)
class SafetyComparison:
    """In the order of the newer version; removed hazards last."""

    changes: tuple[GuardChange, ...]
    hazards: tuple[HazardChange, ...]

    def to_json(self) -> dict[str, Any]:
        """Plain JSON values."""
        return {"changes": [c.to_json() for c in self.changes], "hazards": [h.to_json() for h in self.hazards]}


def compare_safety(before: CheckedRulebook, after: CheckedRulebook) -> SafetyComparison:
    """What differs from `before` to `after` in what may start and in what must never be."""
    look = _Look(before.vocabulary.facts, after.vocabulary.facts)
    return SafetyComparison(tuple(_guards(before, after, look)), tuple(_hazards(before, after, look)))


def _guards(before: CheckedRulebook, after: CheckedRulebook, look: "_Look") -> Iterator[GuardChange]:
    for name, new in after.tasks.items():
        old = before.tasks.get(name)
        if old is not None:
            yield from look.changes([("needs", old.needs, new.needs), ("holds", old.holds, new.holds)], task=name)
            yield from _steps(old.steps, new.steps, look, task=name)
    for at, procedure in after.works.procedures.items():
        if at in before.works.procedures:
            yield from _steps(before.works.procedures[at].steps, procedure.steps, look, procedure=procedure.name)
    for at, action in after.works.actions.items():
        was = before.works.actions.get(at)
        if was is not None:
            yield from look.changes([("needs", was.needs, action.needs), ("confirm", was.confirm, action.confirm)], action=action.name)


def _steps(old: Sequence[Step], new: Sequence[Step], look: "_Look", **place: str) -> Iterator[GuardChange]:
    if old == new:
        return
    for i, j in _aligned([_what(step) for step in old], [_what(step) for step in new]):
        a, b = old[i], new[j]
        members: list[tuple[Member, Condition | None, Condition | None]] = [
            ("needs", a.needs, b.needs),
            ("holds", a.holds, b.holds),
            ("until", a.wait_until, b.wait_until),
        ]
        yield from look.changes(members, step=j + 1, step_before=i + 1, **place)


def _what(step: Step) -> tuple[str, str]:
    """What kind of step it is, and which: what makes it the same step in both versions."""
    if step.action is not None:
        return "action", key(step.action)
    if step.follow is not None:
        return "follow", key(step.follow)
    return ("do", " ".join(step.do.split())) if step.do is not None else ("wait", str(step.wait))


def _aligned(old: list[tuple[str, str]], new: list[tuple[str, str]]) -> Iterator[tuple[int, int]]:
    """The steps that both have, as pairs of places from 0: the same ones, and those between them that are of one kind, in their order."""
    if max(len(old), len(new)) > MOST_STEPS_ALIGNED:
        yield from ((n, n) for n, (a, b) in enumerate(zip(old, new, strict=False)) if a[0] == b[0])
        return
    for tag, i, i_end, j, j_end in SequenceMatcher(None, old, new, autojunk=False).get_opcodes():
        if tag == "equal" or (tag == "replace" and i_end - i == j_end - j):
            yield from ((i + n, j + n) for n in range(i_end - i) if old[i + n][0] == new[j + n][0])


def _hazards(before: CheckedRulebook, after: CheckedRulebook, look: "_Look") -> Iterator[HazardChange]:
    for at, new in after.works.hazards.items():
        old = before.works.hazards.get(at)
        if old is None:
            yield _hazard(new.name, "added", None, new, look)
        elif old.signal != new.signal or not _same(old.never, new.never):
            yield _hazard(new.name, "changed", old, new, look)
    for at, old in before.works.hazards.items():
        if at not in after.works.hazards:
            yield _hazard(old.name, "removed", old, None, look)


def _hazard(
    name: str, change: Literal["removed", "added", "changed"], old: Hazard | None, new: Hazard | None, look: "_Look"
) -> HazardChange:
    never_before, never_after = (None if each is None else each.never for each in (old, new))
    return HazardChange(
        name,
        change,
        _text(never_before),
        _text(never_after),
        None if old is None else old.signal,
        None if new is None else new.signal,
        look.difference(never_before, never_after, hazard=True),
    )


def _same(a: Condition | None, b: Condition | None) -> bool:
    if a is None or b is None:
        return a is b
    return a == b or render(a).casefold() == render(b).casefold()


def _text(c: Condition | None) -> str | None:
    return None if c is None else render(c)


class _Look:
    """Sets conditions of two versions beside each other; what its searches may do in all is bounded."""

    def __init__(self, before: Mapping[str, Fact], after: Mapping[str, Fact]) -> None:
        self.before, self.after = before, after
        self.left = MOST_EFFORT_IN_ALL

    def changes(self, members: Iterable[tuple[Member, Condition | None, Condition | None]], **place: Any) -> Iterator[GuardChange]:
        for member, old, new in members:
            if not _same(old, new):
                yield GuardChange(member, _text(old), _text(new), self.difference(old, new), **place)

    def difference(self, old: Condition | None, new: Condition | None, hazard: bool = False) -> Difference:
        """hazard: the conditions say what must never be: absent, nothing is a hazard, and a state is let through where they are false."""
        given = [c for c in (old, new) if c is not None]
        tests = by_fact(given)
        odd = next((why for name in tests if (why := self._odd(name)) is not None), None)
        if odd is not None:
            return Difference(None, None, odd)
        a = None if old is None else with_units(old, self.before)
        b = None if new is None else with_units(new, self.after)
        cost = sum(map(len, tests.values()))
        told = by_fact([c for c in (a, b) if c is not None])  # the thresholds of both, each with its unit

        def passes(c: Condition | None, state: State) -> Truth:
            if c is None:
                return Truth.YES
            return negate(evaluate(c, state)) if hazard else evaluate(c, state)

        def search(facts: Mapping[str, Fact], others: Mapping[str, Fact], refuses: Condition | None, lets: Condition | None) -> Any:
            declared = {name: facts.get(name) or others[name] for name in tests}
            choices = {name: values_of(fact, told[name]) for name, fact in declared.items()}
            effort = Effort(min(MOST_EFFORT, max(0, self.left)))
            had = effort.left
            try:
                found = find_state(lambda s: all_of((negate(passes(refuses, s)), passes(lets, s))), choices, cost, effort)
            finally:
                self.left -= had - max(0, effort.left)
            return None if found is None else {fact.name: _json(fact, found[name]) for name, fact in declared.items()}

        weaker = stronger = why = None
        try:
            weaker = search(self.after, self.before, a, b)
        except TooLarge:
            why = "not compared: it would take too long"
        try:
            stronger = search(self.before, self.after, b, a)
        except TooLarge:
            why = "not compared: it would take too long"
        return Difference(weaker, stronger, why)

    def _odd(self, name: str) -> str | None:
        """Why a fact of the two versions can't be compared; None where it can."""
        old, new = self.before.get(name), self.after.get(name)
        if old is None or new is None:
            return None
        if old.is_number is not new.is_number:
            was, now = ("a number", "states") if old.is_number else ("states", "a number")
            return f"not compared: `{new.name}` had {was} and has {now} now"
        if old.is_number and (old.unit and old.unit.dimension) != (new.unit and new.unit.dimension):
            was, now = (f"in `{f.unit.name}`" if f.unit is not None else "without a unit" for f in (old, new))
            return f"not compared: `{new.name}` was {was} and is {now} now"
        return None


def _json(fact: Fact, value: Value) -> Any:
    match value:
        case Quantity(number, unit):
            return {"value": number_json(number), "unit": unit.name}
        case str():
            return state_of(fact.states, value) or value
        case None:
            return None
        case _:
            return number_json(value)
