"""A condition's tests, names and truth, by walking its tree: the obvious reading, which everything else is held to.

Kleene's strong logic throughout (base.truth). A value is a state (by `names.key`), a Quantity, a bare number, or None for
not known; a fact without a value is not known. A bare number in a condition is in the fact's own unit.
INVARIANT: a Quantity is in the fact's own unit wherever a test of that fact has no unit (answer.evidence sees to it).
"""

from collections.abc import Callable, Iterable, Mapping
from fractions import Fraction
from operator import eq, ge, gt, le, lt
from typing import assert_never

from fieldworthy.core.base.names import key
from fieldworthy.core.base.quantity import UNITS, Exact, Quantity, Unit, convert
from fieldworthy.core.base.truth import Truth, all_of, any_of, implies, negate, truth
from fieldworthy.core.condition.ast import Condition, IfThen, Joined, Not, NumberTest, StateTest

Value = str | Quantity | Fraction | int | None
Test = StateTest | NumberTest
_COMPARE: Mapping[str, Callable[[Exact, Exact], bool]] = {"<": lt, "<=": le, ">": gt, ">=": ge, "=": eq}


def tests_of(c: Condition) -> Iterable[Test]:
    """Every test in it, in the order of the text."""
    match c:
        case StateTest() | NumberTest():
            yield c
        case Not(part):
            yield from tests_of(part)
        case Joined(_, parts):
            for part in parts:
                yield from tests_of(part)
        case IfThen(given, then):
            yield from tests_of(given)
            yield from tests_of(then)
        case _:
            assert_never(c)


def names_of(c: Condition) -> tuple[str, ...]:
    """The facts it names (names.key), in order, once each."""
    return tuple(dict.fromkeys(key(test.fact) for test in tests_of(c)))


def evaluate(c: Condition, values: Mapping[str, Value]) -> Truth:
    """
    The truth of a checked condition. values: by names.key of the fact. A value that its test can't read (a number for a
    state, another dimension) is not known; nothing is raised.
    """
    match c:
        case StateTest() | NumberTest():
            return judge(c, values.get(key(c.fact)))
        case Not(part):
            return negate(evaluate(part, values))
        case Joined("and", parts):
            return all_of([evaluate(part, values) for part in parts])
        case Joined(_, parts):
            return any_of([evaluate(part, values) for part in parts])
        case IfThen(given, then):
            return implies(evaluate(given, values), evaluate(then, values))
        case _:
            assert_never(c)


def judge(test: Test, value: Value) -> Truth:
    """The truth of one test for the value of its fact."""
    if isinstance(test, StateTest):
        return truth((value == key(test.state)) != test.negated) if isinstance(value, str) else Truth.UNKNOWN
    number = number_in(value, unit_of(test))
    return truth(None if number is None else _COMPARE[test.op](number, test.number))


def unit_of(test: NumberTest) -> Unit | None:
    return None if test.unit is None else UNITS.get(test.unit)


def number_in(value: Value, unit: Unit | None) -> Exact | None:
    """The value as a number in `unit` (None: as it stands); None where it is not known or can't be read so."""
    if isinstance(value, Quantity):
        if unit is None or value.unit is unit:
            return value.value
        return convert(value.value, value.unit, unit) if value.unit.dimension == unit.dimension else None
    return value if isinstance(value, (int, Fraction)) and unit is None else None
