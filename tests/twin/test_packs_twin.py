"""The choice of packs against a slow twin that tries every choice there is.

The twin follows the sentence of the rule and nothing else: among all choices that hold enough, keep those with at most a tenth
over (or, where there are none, those with the least over), then the fewest packs, then the least over, then the larger packs.
"""

from collections.abc import Sequence
from fractions import Fraction
from itertools import product
from math import ceil

from hypothesis import example, given, settings
from hypothesis import strategies as st

from fieldworthy.core.base.quantity import UNITS, Quantity
from fieldworthy.core.parts.packs import choose_packs
from tests.effort import examples

KG = UNITS["kg"]


def slowly(wanted: Fraction, sizes: Sequence[Fraction]) -> tuple[int, ...]:
    """Counts by size, as given. Tries every count of each size up to one more than would do alone."""
    order = sorted(range(len(sizes)), key=lambda i: -sizes[i])
    choices = []
    for counts in product(*(range(ceil(wanted * Fraction(11, 10) / size) + 1) for size in sizes)):
        over = sum((n * s for n, s in zip(counts, sizes, strict=True)), Fraction(0)) - wanted
        if over >= 0:
            choices.append((counts, over))
    modest = [c for c in choices if c[1] <= wanted / 10]
    if not modest:
        least = min(over for _, over in choices)
        modest = [c for c in choices if c[1] == least]
    return min(modest, key=lambda c: (sum(c[0]), c[1], [-c[0][i] for i in order]))[0]


def agree(wanted: Fraction, sizes: Sequence[Fraction]) -> None:
    found = choose_packs(Quantity(wanted, KG), [Quantity(s, KG) for s in sizes])
    assert found.counts == slowly(wanted, sizes), (wanted, sizes)
    assert found.left_over.value == sum(n * s for n, s in zip(found.counts, sizes, strict=True)) - wanted


small = st.lists(st.integers(1, 30), min_size=1, max_size=4, unique=True)


@settings(max_examples=examples(200), deadline=None)
@given(st.integers(1, 60), small)
@example(11, [4, 7])
@example(60, [30, 29, 28, 27])
@example(10, [11])  # exactly a tenth over still counts
@example(9, [10])  # more than a tenth over, but the least there is
def test_whole_numbers(wanted: int, sizes: list[int]) -> None:
    agree(Fraction(wanted), [Fraction(s) for s in sizes])


fraction = st.builds(Fraction, st.integers(1, 40), st.sampled_from([1, 2, 3, 4, 5, 7, 10]))


@settings(max_examples=examples(150), deadline=None)
@given(st.builds(Fraction, st.integers(1, 60), st.sampled_from([1, 3, 4])), st.lists(fraction, min_size=1, max_size=3, unique=True))
def test_fractions(wanted: Fraction, sizes: list[Fraction]) -> None:
    sizes = [max(s, wanted / 14) for s in sizes]  # the twin's patience
    agree(wanted, list(dict.fromkeys(sizes)))


@settings(max_examples=examples(30), deadline=None)
@given(st.integers(40, 300), st.lists(st.integers(8, 20), min_size=2, max_size=3, unique=True))
def test_amounts_far_above_the_sizes(wanted: int, sizes: list[int]) -> None:
    """Here the packs are at most a tenth or about that: the filling-up branch."""
    agree(Fraction(wanted), [Fraction(s) for s in sizes])


@settings(max_examples=examples(6), deadline=None)
@given(st.integers(1, 12), st.lists(st.integers(2, 16), min_size=5, max_size=8, unique=True))
def test_many_sizes(wanted: int, sizes: list[int]) -> None:
    agree(Fraction(wanted), [Fraction(s) for s in sizes])
