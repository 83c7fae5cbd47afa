"""Intervals for hypothesis: every node of the language, with names that need quotes and numbers of up to six decimals."""

from fractions import Fraction

from hypothesis import strategies as st

from fieldworthy.core.base.names import tidy
from fieldworthy.core.base.quantity import CALENDAR_UNITS, METER_UNITS
from fieldworthy.core.condition.ast import IfThen, Joined, Not, NumberTest, StateTest
from fieldworthy.core.interval.ast import (
    Allowance,
    Amount,
    Anchor,
    Combined,
    EachSeason,
    EveryAmount,
    EveryOccurrence,
    EveryWord,
    EveryWorkingDay,
    FirstThen,
    Interval,
    OnceAfter,
    OnceAt,
    Rule,
)

_WORDS = (
    "drum",
    "Belt",
    "fitted",
    "first",
    "cut",
    "of",
    "working",
    "day",
    "h",
    "bales",
    "Ölwechsel",
    "nach-satz",
    "row/unit",
    "then",
    "within",
    "at",
    "most",
    "x_1",
    "λ",
)
plain_names = st.lists(st.sampled_from(_WORDS), min_size=1, max_size=4).map(" ".join)
odd_names = (
    st.text(st.characters(exclude_characters='"\n', exclude_categories=("Cs", "Cc")), min_size=1, max_size=20).map(tidy).filter(bool)
)
names = st.one_of(plain_names, odd_names)

numbers = st.one_of(st.integers(1, 10**9).map(Fraction), st.integers(1, 10**12).map(lambda n: Fraction(n, 10**6)))
amounts = st.builds(Amount, numbers, st.sampled_from((*METER_UNITS, *CALENDAR_UNITS)))

every_amounts = st.builds(EveryAmount, amounts, st.none() | names, st.sampled_from(list(Anchor)))
singles = st.one_of(
    every_amounts,
    st.builds(EveryWord, st.sampled_from(("daily", "weekly", "monthly", "yearly"))),
    st.just(EveryWorkingDay()),
    st.builds(EveryOccurrence, names),
    st.builds(EachSeason, st.sampled_from(("before", "after", "once")), names),
)
bases = st.recursive(
    singles,
    lambda part: st.builds(Combined, st.sampled_from(("or", "and")), st.lists(part, min_size=2, max_size=3).map(tuple)),
    max_leaves=6,
)
timings = st.one_of(
    bases,
    st.builds(OnceAt, amounts),
    st.builds(OnceAfter, amounts, names),
    st.builds(FirstThen, st.lists(amounts, min_size=1, max_size=3).map(tuple), st.none() | names, bases),
)

_ways = st.sampled_from((None, "early", "late"))
allowances = st.one_of(
    st.builds(lambda percent, caps, way: Allowance(percent, tuple(caps), None, way), numbers, st.lists(amounts, max_size=3), _ways),
    st.builds(lambda amount, way: Allowance(None, (), amount, way), amounts, _ways),
)

# Of conditions only the shapes matter here; the language has tests of its own.
_tests = st.one_of(
    st.builds(StateTest, st.sampled_from(("ground", "crop", "wet, cold")), st.sampled_from(("stony", "very; dry")), st.booleans()),
    st.builds(NumberTest, st.just("crop"), st.sampled_from(("<", ">=")), st.integers(0, 99).map(Fraction), st.none()),
)
conditions = st.recursive(
    _tests,
    lambda part: st.one_of(
        st.builds(Not, part),
        st.builds(Joined, st.sampled_from(("and", "or")), st.lists(part, min_size=2, max_size=3).map(tuple)),
        st.builds(IfThen, part, part),
    ),
    max_leaves=4,
)

rules = st.builds(Rule, timings, st.none() | conditions, st.none() | names, st.lists(allowances, max_size=2).map(tuple))
intervals = st.lists(rules, min_size=1, max_size=3).map(lambda listed: Interval(tuple(listed)))
