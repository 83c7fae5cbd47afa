"""When a meter showed a value: the way back along the line between two readings, exact."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fieldworthy.core.base.micros import HOUR, at_micros, micros_of
from fieldworthy.core.meter.series import build_series
from fieldworthy.core.meter.when import Dial, between, when_shown

H = 1_000_000  # ticks in an hour

CASES = [
    # what was shown (hour, h), the value, the hour at which it was shown
    ("on a reading", [(0, 100), (10, 110)], 100, 0),
    ("between two", [(0, 100), (10, 110)], 105, 5),
    ("on the first of several alike", [(0, 100), (5, 110), (9, 110), (12, 120)], 110, 5),
    ("on the last", [(0, 100), (10, 110)], 110, 10),
    ("before the first", [(1, 100), (10, 110)], 99, None),
    ("after the last", [(0, 100), (10, 110)], 111, None),
    ("the first time, where it ran back", [(0, 100), (4, 108), (6, 104), (10, 112)], 106, 3),
    ("above the highest so far, where it ran back", [(0, 100), (4, 108), (6, 104), (10, 112)], 110, 9),
    ("nothing is known", [], 110, None),
    ("one reading, and its value", [(3, 100)], 100, 3),
    ("one reading, and another value", [(3, 100)], 101, None),
    ("it stood still between", [(0, 100), (100, 100), (101, 101)], Fraction(201, 2), 100.5),
]


@pytest.mark.parametrize(("showed", "value", "expected"), [c[1:] for c in CASES], ids=[c[0] for c in CASES])
def test_the_first_instant_at_which_the_count_reached_it(showed: list[tuple[int, int]], value: float, expected: float | None) -> None:
    dial = Dial([(hour * HOUR, shown * H) for hour, shown in showed])
    assert when_shown({"work": [dial]}, {"work": int(value * H)}) == (None if expected is None else int(expected * HOUR))


def test_it_is_rounded_to_the_microsecond_half_to_even() -> None:
    assert between((0, 0), (1, 2), 1) == 0  # half a microsecond
    assert between((1, 0), (2, 2), 1) == 2
    assert between((0, 0), (10, 3), 1) == 3  # 10/3
    assert between((0, 0), (10, 3), 2) == 7  # 20/3


@given(
    st.lists(st.tuples(st.integers(0, 10**12), st.integers(0, 10**9)), min_size=2, max_size=30, unique_by=lambda p: p[0]),
    st.integers(0, 10**9),
)
def test_it_is_the_inverse_of_the_value_between_readings(points: list[tuple[int, int]], value: int) -> None:
    times, counts = sorted(at for at, _ in points), sorted(count for _, count in points)
    at = when_shown({"work": [Dial(zip(times, counts, strict=True))]}, {"work": value})
    if not counts[0] <= value <= counts[-1]:
        assert at is None
        return
    assert at is not None
    series = build_series([(at_micros(t), c, False) for t, c in zip(times, counts, strict=True)])
    before, shown, after = (series.at(at_micros(max(t, times[0]))) for t in (at - 1, at, min(at + 1, times[-1])))
    assert before is not None
    assert shown is not None
    assert after is not None
    assert before <= value <= after  # to the microsecond
    if shown == value:
        assert at == times[0] or before < value  # and the first such instant
    assert micros_of(at_micros(at)) == at


@given(st.lists(st.integers(0, 10**6), min_size=2, max_size=8), st.lists(st.integers(0, 10**6), min_size=1, max_size=12))
def test_what_is_placed_never_makes_a_meter_run_backward(counts: list[int], values: list[int]) -> None:
    rising = sorted(counts)
    showed = [(i * 977, count) for i, count in enumerate(rising)]
    dials = {"work": [Dial(showed)]}
    placed = [(at, value) for value in values if (at := when_shown(dials, {"work": value})) is not None]
    assert len(placed) == sum(rising[0] <= v <= rising[-1] for v in values)
    assert build_series([(at_micros(at), shown, False) for at, shown in (*showed, *placed)]).backward is None


def two(engine: list[tuple[int, int]], drum: list[tuple[int, int]]) -> dict[str, list[Dial]]:
    return {"engine": [Dial([(t * HOUR, v * H) for t, v in engine])], "drum": [Dial([(t * HOUR, v * H) for t, v in drum])]}


def test_of_two_meters_the_one_that_is_known_more_closely_tells_the_instant() -> None:
    dials = two([(0, 100), (100, 200)], [(0, 50), (38, 60), (42, 62), (100, 90)])
    assert when_shown(dials, {"engine": 145 * H, "drum": 61 * H}) == 40 * HOUR


def test_it_is_moved_into_the_time_that_the_other_allows() -> None:
    dials = two([(0, 100), (10, 110)], [(0, 50), (20, 50), (24, 60)])
    # the engine alone: between 0 and 10; the drum showed 50 from 0 to 24: both can have been
    assert when_shown(dials, {"engine": 105 * H, "drum": 50 * H}) == 5 * HOUR
    # the drum showed 55 after 20 alone, and the engine 105 before 10 alone: they were never shown together
    assert when_shown(dials, {"engine": 106 * H, "drum": 55 * H}) is None


def test_a_meter_without_readings_says_nothing_and_one_beyond_its_readings_only_the_side() -> None:
    dials = two([(0, 100), (10, 110)], [(4, 50)])
    assert when_shown(dials, {"engine": 105 * H, "bales": 7 * H}) == 5 * HOUR
    assert when_shown(dials, {"engine": 102 * H, "drum": 60 * H}) == 4 * HOUR  # the drum says: after its only reading
    assert when_shown(dials, {"bales": 7 * H}) is None
    assert when_shown(dials, {}) is None


def test_a_value_that_two_dials_may_have_shown_is_not_placed() -> None:
    old = Dial([(0, 100 * H), (10 * HOUR, 110 * H)], ends=True)
    new = Dial([(10 * HOUR, 0), (200 * HOUR, 105 * H)], begins=True)
    assert when_shown({"work": [old, new]}, {"work": 104 * H}) is None  # on either of them
    assert when_shown({"work": [old, new]}, {"work": 108 * H}) == 8 * HOUR
    assert when_shown({"work": [old, new]}, {"work": 42 * H}) == 86 * HOUR
