"""What holds for every forecast, whatever the machine did."""

from datetime import datetime, timedelta
from typing import Any

from hypothesis import assume, given
from hypothesis import strategies as st

from fieldworthy.core.forecast.outlook import Outlook, Reach
from tests.core.machines_at_work import HARVEST, SILAGE, TWICE, history_of, moment

NOW = 5 * 365
SEASONS = st.sampled_from([{}, SILAGE, HARVEST, TWICE, SILAGE | HARVEST])
STEPS = st.lists(st.tuples(st.integers(1, 60), st.integers(0, 400)), min_size=6, max_size=60)
"""Between two readings: so many days, so many hours."""


def readings_of(steps: list[tuple[int, int]], age: int, times: int = 1) -> list[tuple[datetime, float]]:
    """Readings that end `age` days before NOW; times: everything is used so many times over."""
    day = NOW - age - sum(days for days, _ in steps)
    count = 1000
    readings = [(moment(day, 20), float(count))]
    for days, hours in steps:
        day, count = day + days, count + hours * times
        readings.append((moment(day, 20), float(count)))
    return readings


def reach_of(readings: list[tuple[datetime, float]], seasons: Any, due: float) -> Reach | None:
    return Outlook(history_of(readings, seasons, moment(NOW, 6))).reach("m", round(due * 1_000_000))


@given(STEPS, SEASONS, st.integers(0, 300), st.integers(-50, 3000))
def test_the_range_is_in_order_and_never_before_today(steps: list[tuple[int, int]], seasons: Any, age: int, left: int) -> None:
    readings = readings_of(steps, age)
    reach = reach_of(readings, seasons, readings[-1][1] + left)
    assume(reach is not None)
    assert reach is not None
    today = moment(NOW).date()
    assert today.toordinal() * 2 <= reach.first <= reach.middle <= reach.last
    expected = reach.expected()
    if expected is not None:
        assert today <= expected.day <= today + timedelta(days=1096)
        assert expected.first is None or expected.last is None or expected.first <= expected.day <= expected.last


@given(STEPS, SEASONS, st.integers(0, 300), st.integers(0, 3000), st.integers(1, 500))
def test_a_later_due_point_is_never_expected_earlier(steps: list[tuple[int, int]], seasons: Any, age: int, left: int, more: int) -> None:
    readings = readings_of(steps, age)
    outlook = Outlook(history_of(readings, seasons, moment(NOW, 6)))
    near, far = (outlook.reach("m", round((readings[-1][1] + h) * 1_000_000)) for h in (left, left + more))
    assume(near is not None)
    assert near is not None
    assert far is not None
    assert all(a <= b for a, b in zip(near, far, strict=True))


@given(STEPS, SEASONS, st.integers(0, 300), st.integers(0, 3000), st.sampled_from([2, 4, 8]))
def test_a_machine_that_always_works_more_gets_there_no_later(
    steps: list[tuple[int, int]], seasons: Any, age: int, left: int, times: int
) -> None:
    """The range too: everything that makes outcomes stray grows with the use. (By powers of two: so no rounding is in the way.)"""
    less, more = readings_of(steps, age), readings_of(steps, age, times)
    slow, fast = (reach_of(readings, seasons, readings[-1][1] + left) for readings in (less, more))
    assume(slow is not None)
    assert slow is not None
    assert fast is not None
    assert all(b <= a for a, b in zip(slow, fast, strict=True))


@given(STEPS, st.integers(0, 300), st.integers(0, 3000), st.integers(1, 300))
def test_more_use_since_the_last_reading_but_one_is_never_a_later_date(
    steps: list[tuple[int, int]], age: int, left: int, more: int
) -> None:
    """
    Where no season is declared. Seasons are told apart by what was used when: there more use in one may be less in the other.

    The range has no such property: use that is out of the common makes it wider.
    """
    less = readings_of(steps, age)
    at, value = less[-1]
    due = value + left
    slow, fast = reach_of(less, {}, due), reach_of([*less[:-1], (at, value + more)], {}, due)
    assume(slow is not None)
    assert slow is not None
    assert fast is not None
    assert fast.middle <= slow.middle


@given(st.lists(st.integers(0, 90), min_size=30, max_size=160), SEASONS, st.integers(0, 30), st.integers(0, 3000), st.integers(1, 90))
def test_so_it_is_in_seasons_where_the_meter_is_read_every_week(weeks: list[int], seasons: Any, age: int, left: int, more: int) -> None:
    steps = [(7, hours) for hours in weeks]
    less = readings_of(steps, age)
    at, value = less[-1]
    slow, fast = reach_of(less, seasons, value + left), reach_of([*less[:-1], (at, value + more)], seasons, value + left)
    assume(slow is not None)
    assert slow is not None
    assert fast is not None
    assert fast.middle <= slow.middle


@given(STEPS, SEASONS, st.integers(0, 300), st.integers(0, 3000))
def test_the_order_of_asking_changes_nothing(steps: list[tuple[int, int]], seasons: Any, age: int, left: int) -> None:
    """Curves are drawn as far as they are read: what was read before must not show."""
    readings = readings_of(steps, age)
    history = history_of(readings, seasons, moment(NOW, 6))
    dues = [round((readings[-1][1] + h) * 1_000_000) for h in (left, 3 * left + 7, left // 2)]
    one, other = Outlook(history), Outlook(history)
    assert [one.reach("m", d) for d in dues] == [other.reach("m", d) for d in reversed(dues)][::-1]
