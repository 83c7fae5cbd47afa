"""What a condition is worth for what is known: walked (walk.evaluate), compiled, and what would have to change.

Values are those of walk.py: a state (by `names.key`), a Quantity, a bare number, or None for not known.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from types import CodeType
from typing import assert_never

from fieldworthy.core.base.names import key
from fieldworthy.core.base.quantity import convert, number_text
from fieldworthy.core.base.truth import Truth, truth
from fieldworthy.core.base.vocabulary import Fact, WorkingCondition
from fieldworthy.core.condition.ast import Condition, IfThen, Joined, Not, NumberTest, StateTest
from fieldworthy.core.condition.walk import Test, Value, evaluate, judge, names_of, number_in, tests_of, unit_of

__all__ = [
    "Change",
    "Shortfall",
    "Value",
    "compile_condition",
    "evaluate",
    "names_of",
    "shortfall",
    "smallest_change",
    "tests_of",
    "value_text",
]

_OPPOSITE = {"<": ">=", "<=": ">", ">": "<=", ">=": "<"}

# --- the same, compiled ------------------------------------------------------------------------------------------------------

_TRUTHS = (Truth.NO, Truth.UNKNOWN, Truth.YES)
_SIGN = {"<": "<", "<=": "<=", ">": ">", ">=": ">=", "=": "=="}


def compile_condition(c: Condition, facts: Mapping[str, Fact | WorkingCondition] | None = None) -> Callable[[Mapping[str, Value]], Truth]:
    """
    The same answers as `evaluate`, as a function made once. facts: for the facts' own units, which spare a conversion.

    The author's words never enter the code: it is made of our names, numbered, and the words lie in a table beside it.
    """
    table: dict[str, object] = {"truths": _TRUTHS, "number": number_in}
    lines = ["def judge(values):", "    get = values.get"]
    places: dict[str, str] = {}
    for name in names_of(c):
        places[name] = f"v{len(places)}"
        table[f"k{len(places)}"] = name
        lines.append(f"    {places[name]} = get(k{len(places)})")

    def put(expression: str) -> str:
        lines.append(f"    t{len(lines)} = {expression}")
        return f"t{len(lines) - 1}"

    def constant(value: object) -> str:
        table[name := f"c{len(table)}"] = value
        return name

    def emit(node: Condition) -> str:
        match node:
            case StateTest(fact, state, negated):
                value = places[key(fact)]
                yes, no = (0, 2) if negated else (2, 0)
                return put(f"(({yes} if {value} == {constant(key(state))} else {no}) if {value}.__class__ is str else 1)")
            case NumberTest(fact, op, threshold):
                declared = facts.get(key(fact)) if facts else None
                own = declared.unit if isinstance(declared, Fact) else None
                unit, limit = unit_of(node), threshold
                if own is not None and unit is not None and own.dimension == unit.dimension:
                    unit, limit = own, Fraction(convert(threshold, unit, own))
                number = put(f"number({places[key(fact)]}, {constant(unit)})")
                return put(f"(1 if {number} is None else 2 if {number} {_SIGN[op]} {constant(limit)} else 0)")
            case Not(part):
                return put(f"2 - {emit(part)}")
            case Joined(joiner, parts):
                return put(f"{'min' if joiner == 'and' else 'max'}({', '.join([emit(part) for part in parts])})")
            case IfThen(given, then):
                return put(f"max(2 - {emit(given)}, {emit(then)})")
            case _:
                assert_never(node)

    lines.append(f"    return truths[{emit(c)}]")
    exec(_code("\n".join(lines)), table)  # noqa: S102  our own words only, see above  # nosec B102
    return table["judge"]  # type: ignore[return-value]


@lru_cache(256)
def _code(source: str) -> CodeType:
    """Many conditions differ in their words only, and share their code."""
    return compile(source, "<condition>", "exec")


# --- what would have to change -----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Change:
    """A fact (names.key) that stands against a condition: what it is, and what it must be, in the words of the condition."""

    fact: str
    is_: str
    must_be: str


@dataclass(frozen=True, slots=True)
class Shortfall:
    """What a condition lacks. changes: known facts that stand against it; unknown: facts not known on which it hangs (names.key)."""

    changes: tuple[Change, ...] = ()
    unknown: tuple[str, ...] = ()


def smallest_change(c: Condition, values: Mapping[str, Value]) -> tuple[Change, ...]:
    """
    The smallest set of known facts that would have to change for `c` to be true, in the order of the text.

    On the tree: negations are pushed to the tests, `and` joins its parts' sets, `or` takes the smallest, ties the first.
    () where it is true already, or where only what is not known stands in its way.
    """
    return shortfall(c, values).changes


def shortfall(c: Condition, values: Mapping[str, Value], fixed: frozenset[str] = frozenset()) -> Shortfall:
    """
    What `c` lacks to be true. fixed: facts that can't change here (an action makes them so); a way over them is taken
    only where there is no other.
    """
    tests, unknown, _ = _lacks(c, values, True, fixed)
    by_fact: dict[str, list[str]] = {}
    for test, wanted in tests:
        must = _must_be(test, wanted)
        known = by_fact.setdefault(key(test.fact), [])
        if must not in known:
            known.append(must)
    changes = [Change(fact, value_text(values.get(fact)), " and ".join(musts)) for fact, musts in by_fact.items()]
    return Shortfall(tuple(changes), tuple(dict.fromkeys(unknown)))


_Lacks = tuple[list[tuple[Test, bool]], list[str], bool]  # tests to turn and how; facts not known; whether it goes without `fixed`


def _lacks(c: Condition, values: Mapping[str, Value], wanted: bool, fixed: frozenset[str]) -> _Lacks:
    match c:
        case StateTest() | NumberTest():
            found = judge(c, values.get(key(c.fact)))
            if found is Truth.UNKNOWN:
                return [], [key(c.fact)], True
            right = found is truth(wanted)
            return ([], [], True) if right else ([(c, wanted)], [], key(c.fact) not in fixed)
        case Not(part):
            return _lacks(part, values, not wanted, fixed)
        case IfThen(given, then):
            sides = [_lacks(given, values, not wanted, fixed), _lacks(then, values, wanted, fixed)]
            return _one_of(sides) if wanted else _all_of(sides)
        case Joined(op, parts):
            sides = [_lacks(part, values, wanted, fixed) for part in parts]
            return _all_of(sides) if (op == "and") is wanted else _one_of(sides)
        case _:
            assert_never(c)


def _all_of(sides: list[_Lacks]) -> _Lacks:
    return [t for side in sides for t in side[0]], [u for side in sides for u in side[1]], all(side[2] for side in sides)


def _one_of(sides: list[_Lacks]) -> _Lacks:
    if any(not tests and not unknown for tests, unknown, _ in sides):
        return [], [], True  # one side is true
    open_sides = [side for side in sides if not side[0]]
    if open_sides:  # no fact need change: each fact not known could decide it
        return [], [u for side in open_sides for u in side[1]], True
    return min(sides, key=lambda side: (not side[2], len({key(test.fact) for test, _ in side[0]})))


def _must_be(test: Test, wanted: bool) -> str:
    if isinstance(test, StateTest):
        return test.state if wanted is not test.negated else f"not {test.state}"
    amount = number_text(test.number, 12) + (f" {test.unit}" if test.unit else "")
    if test.op == "=":
        return amount if wanted else f"not {amount}"
    return f"{test.op if wanted else _OPPOSITE[test.op]} {amount}"


def value_text(value: Value) -> str:
    """A value in words; not known is said as such."""
    if value is None:
        return "not known"
    return number_text(value) if isinstance(value, (int, Fraction)) else str(value)
