"""Kleene's strong three-valued logic, against its published table and its laws.

Source of the table: Kleene's K3 as tabulated at logic.dougowings.net (k3), computed with F=0, U=1/2, T=1: not = 1-x, and = min, or = max.
"""

from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fieldworthy.core.base.truth import Truth, all_of, any_of, implies, negate, truth

LETTER = {"F": Truth.NO, "U": Truth.UNKNOWN, "T": Truth.YES}
TABLE = """
T T F T T T T
T U F U T U U
T F F F T F F
U T U U T T U
U U U U U U U
U F U F U U U
F T T F T T F
F U T F U T U
F F T F F T T
"""
ROWS = [[LETTER[letter] for letter in line.split()] for line in TABLE.strip().splitlines()]
TRUTHS = st.sampled_from(Truth)


@pytest.mark.parametrize(("a", "b", "not_a", "both", "either", "if_then", "same"), ROWS)
def test_table(a: Truth, b: Truth, not_a: Truth, both: Truth, either: Truth, if_then: Truth, same: Truth) -> None:
    assert negate(a) is not_a
    assert all_of((a, b)) is both
    assert any_of((a, b)) is either
    assert implies(a, b) is if_then
    assert all_of((implies(a, b), implies(b, a))) is same


def test_the_table_is_whole() -> None:
    assert {(row[0], row[1]) for row in ROWS} == set(product(Truth, Truth))


@given(TRUTHS, TRUTHS)
def test_de_morgan(a: Truth, b: Truth) -> None:
    assert negate(all_of((a, b))) is any_of((negate(a), negate(b)))
    assert negate(any_of((a, b))) is all_of((negate(a), negate(b)))
    assert negate(negate(a)) is a


@given(st.lists(TRUTHS), st.lists(TRUTHS))
def test_monotone(parts: list[Truth], learnt: list[Truth]) -> None:
    """Putting yes or no for not known never turns a definite result round."""
    known = [t for t in learnt if t is not Truth.UNKNOWN]
    after = [known.pop() if part is Truth.UNKNOWN and known else part for part in parts]
    for judge in (all_of, any_of):
        if judge(parts) is not Truth.UNKNOWN:
            assert judge(after) is judge(parts)


def test_no_excluded_middle() -> None:
    assert any_of((Truth.UNKNOWN, negate(Truth.UNKNOWN))) is Truth.UNKNOWN
    assert all_of((Truth.UNKNOWN, negate(Truth.UNKNOWN))) is Truth.UNKNOWN


def test_it_is_not_weak_kleene() -> None:
    """There U and F is U: one thing not known would hide that another stands against it."""
    assert all_of((Truth.UNKNOWN, Truth.NO)) is Truth.NO
    assert any_of((Truth.UNKNOWN, Truth.YES)) is Truth.YES


def test_of_nothing() -> None:
    assert all_of([]) is Truth.YES
    assert any_of([]) is Truth.NO


@pytest.mark.parametrize("value", list(Truth))
def test_a_truth_is_no_bool(value: Truth) -> None:
    with pytest.raises(TypeError):
        bool(value)


def test_from_a_plain_answer() -> None:
    assert [truth(x) for x in (True, False, None)] == [Truth.YES, Truth.NO, Truth.UNKNOWN]
