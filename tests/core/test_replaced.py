"""A replacement that nothing contradicts leaves a count that never runs backward, and never counts what the old dial showed once more."""

from hypothesis import given
from hypothesis import strategies as st

from fieldworthy.core.base.micros import HOUR, at_micros
from fieldworthy.core.base.quantity import TICKS, UNITS
from fieldworthy.core.meter.intake import Dial, Swap
from fieldworthy.core.meter.replaced import AT_THAT_MOMENT, NEW_SHOWED_LESS, OF_THE_OLD_DIAL, OLD_SHOWED_MORE, TWICE, contradiction
from fieldworthy.core.meter.series import Replacement, build_series

BALES = UNITS["bales"]
START = 1_700_000_000 * 1_000_000

HOURS = st.integers(0, 40)
VALUES = st.integers(0, 60)


@st.composite
def a_line(draw: st.DrawFn) -> list[tuple[int, int, None]]:
    """Readings of one meter as they are kept: one a moment, and none below the one before."""
    times = sorted(draw(st.sets(HOURS, max_size=6)))
    values = sorted(draw(st.lists(VALUES, min_size=len(times), max_size=len(times))))
    return [(START + at * HOUR, value * TICKS, None) for at, value in zip(times, values, strict=True)]


@given(a_line(), HOURS, VALUES, VALUES)
def test_beside_what_is_kept(kept: list[tuple[int, int, None]], at: int, old: int, new: int) -> None:
    """`build_series`, which answers are computed with, is the other side."""
    swap = Swap(START + at * HOUR, old * TICKS, new * TICKS)
    found = contradiction(swap, Dial([swap], BALES), kept)
    series = build_series(
        [(at_micros(then), value, False) for then, value, _ in kept], [Replacement(at_micros(swap.at), swap.old, swap.new)]
    )
    if found is None:
        assert series.backward is None
        after = [value for then, value, _ in kept if then >= swap.at]
        # what is counted since is what the new dial made since it began, and it is not above all that the old one ever showed
        assert series.counts[-1] == swap.old + (after[-1] - swap.new if after else 0)
        assert not after or after[0] < swap.old or swap.old == swap.new or any(then == swap.at for then, _, _ in kept)
        return
    if found.why in (OLD_SHOWED_MORE, NEW_SHOWED_LESS):
        assert series.backward is not None
    else:
        assert found.why in (AT_THAT_MOMENT, OF_THE_OLD_DIAL)
    assert (found.at, found.shown, None) in kept
    assert not found.of_replacement


@given(a_line(), HOURS, VALUES, VALUES, VALUES)
def test_two_of_one_moment(kept: list[tuple[int, int, None]], at: int, old: int, new: int, other: int) -> None:
    one, two = Swap(START + at * HOUR, old, new), Swap(START + at * HOUR, other, new)
    for swap in (one, two):
        found = contradiction(swap, Dial(sorted([one, two]), BALES), kept)
        assert found is not None
        assert found.why == TWICE


@given(a_line(), HOURS, VALUES, VALUES)
def test_what_is_known_to_be_the_new_dials_may_go_on_from_the_old_one(
    kept: list[tuple[int, int, None]], at: int, old: int, new: int
) -> None:
    swap = Swap(START + at * HOUR, old * TICKS, new * TICKS)
    found = contradiction(swap, Dial([swap], BALES), kept, new_since=swap.at)
    assert found is None or found.why != OF_THE_OLD_DIAL
