"""Conditions and values for properties."""

from fractions import Fraction

from hypothesis import strategies as st

from fieldworthy.core.base.quantity import UNITS, Quantity
from fieldworthy.core.base.vocabulary import Fact
from fieldworthy.core.condition.ast import Condition, IfThen, Joined, Not, NumberTest, StateTest

STATES = {
    "gate": ("closed", "raised", "between"),
    "lock": ("released", "engaged"),
    "engine": ("stopped", "running"),
    "side panel": ("on", "off"),
}
NUMBERS = {"oil temperature": "degC", "tank pressure": "bar"}
UNITLESS = "tilt"
FACTS = {
    **{name: Fact(name, states) for name, states in STATES.items()},
    **{name: Fact(name, unit=UNITS[unit]) for name, unit in NUMBERS.items()},
    UNITLESS: Fact(UNITLESS),
}
_TEMPERATURES, _PRESSURES = (None, "degC", "degF", "K"), (None, "bar", "kPa", "psi")
_OPS = st.sampled_from(["<", "<=", ">", ">=", "="])
_NUMBERS = st.one_of(st.integers(-40, 120).map(Fraction), st.decimals(-50, 150, places=2).map(Fraction))


def single_tests() -> st.SearchStrategy[Condition]:
    states = st.sampled_from([(f, s) for f, several in STATES.items() for s in several])
    state = st.builds(lambda fs, negated: StateTest(*fs, negated), states, st.booleans())
    warm = st.builds(NumberTest, st.just("oil temperature"), _OPS, _NUMBERS, st.sampled_from(_TEMPERATURES))
    tight = st.builds(NumberTest, st.just("tank pressure"), _OPS, _NUMBERS, st.sampled_from(_PRESSURES))
    bare = st.builds(NumberTest, st.just(UNITLESS), _OPS, _NUMBERS, st.none())
    return st.one_of(state, state, warm, tight, bare)


def conditions(leaves: int = 12) -> st.SearchStrategy[Condition]:
    def more(inner: st.SearchStrategy[Condition]) -> st.SearchStrategy[Condition]:
        joined = st.builds(
            lambda op, parts: Joined(op, tuple(parts)), st.sampled_from(["and", "or"]), st.lists(inner, min_size=2, max_size=4)
        )
        return st.one_of(joined, joined, st.builds(Not, inner), st.builds(IfThen, inner, inner))

    return st.recursive(single_tests(), more, max_leaves=leaves)


def values(known_only: bool = False) -> st.SearchStrategy[dict[str, object]]:
    """A value, or none, for every fact: numbers in the fact's own unit."""
    one: dict[str, st.SearchStrategy[object]] = {name: st.sampled_from(several) for name, several in STATES.items()}
    for name, unit in NUMBERS.items():
        one[name] = st.builds(Quantity, _NUMBERS, st.just(UNITS[unit]))
    one[UNITLESS] = _NUMBERS
    return st.fixed_dictionaries({name: each if known_only else st.one_of(st.none(), each, each) for name, each in one.items()})
