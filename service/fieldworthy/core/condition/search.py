"""Whether there is a state in which conditions are as wanted: exact, over every state and every kind of number, up to a bound.

A number is looked at once at each threshold and once in each interval between thresholds: no test can tell more of them apart.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from typing import assert_never

from fieldworthy.core.base.names import key
from fieldworthy.core.base.quantity import Quantity, Unit, convert
from fieldworthy.core.base.truth import Truth
from fieldworthy.core.base.vocabulary import Fact
from fieldworthy.core.condition.ast import Condition, IfThen, Joined, Not, NumberTest, StateTest
from fieldworthy.core.condition.walk import Test, Value, tests_of, unit_of

State = Mapping[str, Value]
Goal = Callable[[State], Truth]


class TooLarge(Exception):
    """The search met its bound: whether there is such a state is not known."""


class Effort:
    """How much searches may still do, counted in tests judged; several searches may draw on one."""

    __slots__ = ("left",)

    def __init__(self, left: int) -> None:
        self.left = left

    def spend(self, tests: int) -> None:
        """Raises TooLarge where there is not so much left."""
        self.left -= tests
        if self.left < 0:
            raise TooLarge


def find_state(goal: Goal, choices: Mapping[str, Sequence[Value]], cost: int, effort: Effort) -> dict[str, Value] | None:
    """
    The first state in which `goal` is true, or None where there is none; every fact has a value in it.

    goal:    Kleene's logic over a state of which some facts are not known yet: what it then says holds however they turn out.
    choices: by `names.key`, in the order in which facts are settled; the first that will do is taken, so the resting state comes first.
    cost:    tests that one judging of the goal takes. Raises TooLarge.
    """
    names = list(choices)
    state: dict[str, Value] = {}

    def settle(depth: int) -> bool:
        effort.spend(cost)
        found = goal(state)
        if found is not Truth.UNKNOWN or depth == len(names):
            return found is Truth.YES
        name = names[depth]
        for value in choices[name]:
            state[name] = value
            if settle(depth + 1):
                return True
        del state[name]
        return False

    if not settle(0):
        return None
    return {name: state[name] if name in state else choices[name][0] for name in names}


def values_of(fact: Fact, tests: Iterable[Test]) -> list[Value]:
    """The values of a fact that these tests (all of this fact) can tell apart: its states, the resting one first; or numbers, rising."""
    if fact.states:
        return [key(state) for state in fact.states]
    steps = sorted({threshold(test, fact.unit) for test in tests if isinstance(test, NumberTest)}) or [Fraction(0)]
    between = [x for a, b in pairwise(steps) for x in (a, (a + b) / 2)]
    numbers = [steps[0] - 1, *between, steps[-1], steps[-1] + 1]
    return [number if fact.unit is None else Quantity(number, fact.unit) for number in numbers]


def threshold(test: NumberTest, own: Unit | None) -> Fraction:
    """What a test compares with, exactly, in the fact's own unit."""
    unit = unit_of(test)
    return test.number if unit is None or own is None else Fraction(convert(test.number, unit, own))


def by_fact(conditions: Iterable[Condition]) -> dict[str, list[Test]]:
    """Their tests by `names.key` of the fact, in the order of the texts."""
    found: dict[str, list[Test]] = {}
    for condition in conditions:
        for test in tests_of(condition):
            found.setdefault(key(test.fact), []).append(test)
    return found


def with_units(c: Condition, facts: Mapping[str, Fact]) -> Condition:
    """The same condition with the fact's own unit written at every bare number, so that it can be judged beside another declaration."""
    match c:
        case StateTest():
            return c
        case NumberTest():
            own = facts[key(c.fact)].unit
            return replace(c, unit=own.name) if c.unit is None and own is not None else c
        case Not(part):
            return Not(with_units(part, facts))
        case Joined(op, parts):
            return Joined(op, tuple(with_units(part, facts) for part in parts))
        case IfThen(given, then):
            return IfThen(with_units(given, facts), with_units(then, facts))
        case _:
            assert_never(c)
