"""A condition as canonical text, which reads back as the same condition, and aloud in plain words."""

from typing import assert_never

from fieldworthy.core.base.names import CONDITION_WORDS, well_formed
from fieldworthy.core.base.quantity import UNITS, number_text
from fieldworthy.core.condition.ast import Condition, IfThen, Joined, Not, NumberTest, StateTest

_SAID = {"<": "below", "<=": "at most", ">": "above", ">=": "at least", "=": "exactly"}


def render(c: Condition) -> str:
    """The canonical text: lower-case keywords, single blanks, our units, brackets only where they are needed."""
    match c:
        case StateTest(fact, state, negated):
            return f"{_name(fact)} is {'not ' if negated else ''}{_name(state)}"
        case NumberTest(fact, op, number, unit):
            return f"{_name(fact)} {op} {number_text(number, 12)}" + (f" {unit}" if unit else "")
        case Not(part):
            return f"not {_inside(part)}"
        case Joined(op, parts):
            return f" {op} ".join(_inside(part) for part in parts)
        case IfThen(given, then):
            return f"if {_inside(given) if isinstance(given, IfThen) else render(given)} then {_inside(then)}"
        case _:
            assert_never(c)


def _inside(c: Condition) -> str:
    return f"({render(c)})" if isinstance(c, (Joined, IfThen)) else render(c)


def _name(name: str) -> str:
    plain = well_formed(name) and not CONDITION_WORDS & set(name.casefold().split())
    return name if plain else f'"{name}"'


def aloud(c: Condition) -> str:
    """The condition in plain words, for reading out: `the tailgate is closed, the engine is stopped and the key is removed`."""
    match c:
        case StateTest(fact, state, negated):
            return f"the {fact} is {'not ' if negated else ''}{state}"
        case NumberTest(fact, op, number, unit):
            known = UNITS.get(unit or "")
            words = (known.one if number == 1 else known.many) if known else unit
            return f"the {fact} is {_SAID[op]} {number_text(number, 12)}" + (f" {words}" if words else "")
        case Not(part):
            return f"it is not so that {_said_inside(part)}"
        case Joined(op, parts):
            said = [_said_inside(part) for part in parts]
            listed = ", ".join(said[:-1]) + f" {op} {said[-1]}"
            return listed if op == "and" else f"either {listed}"
        case IfThen(given, then):
            return f"if {_said_inside(given)}, then {_said_inside(then)}"
        case _:
            assert_never(c)


def _said_inside(c: Condition) -> str:
    """A part that is joined itself is marked at both ends, so that the ear hears where it stops."""
    if isinstance(c, Joined):
        return f"({'both ' if c.op == 'and' and len(c.parts) == 2 else 'all of ' if c.op == 'and' else ''}{aloud(c)})"
    return f"({aloud(c)})" if isinstance(c, IfThen) else aloud(c)
