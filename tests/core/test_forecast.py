"""What readings tell of the days ahead, piece by piece."""

from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from math import exp, lgamma, log, pi

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fieldworthy.core.base.calendar import Period, SeasonDates
from fieldworthy.core.forecast import fit as fitting
from fieldworthy.core.forecast.fit import ends_of_stretches, fit, least_stretch
from fieldworthy.core.forecast.outlook import Expected, Outlook, Reach, earliest, latest
from fieldworthy.core.forecast.stretches import Stretches
from fieldworthy.core.forecast.times import OUTSIDE, Clock, Times, by_month, by_season
from fieldworthy.core.interval.evaluate.context import History
from fieldworthy.core.meter.series import Replacement, build_series
from tests.core.machines_at_work import SILAGE, TWICE, history_of, moment

TODAY = 4 * 365  # 2023-12-31


def days(first: str, after: int = 0) -> float:
    return float(date.fromisoformat(first).toordinal() + after)


def test_a_year_is_cut_where_seasons_begin_and_end() -> None:
    since, until = days("2023-04-01"), days("2024-06-01")
    assert by_season(TWICE, since, until) == [
        Times(since, days("2023-05-01"), OUTSIDE),
        Times(days("2023-05-01"), days("2023-07-01"), "grass"),
        Times(days("2023-07-01"), days("2023-09-10"), OUTSIDE),
        Times(days("2023-09-10"), days("2023-11-11"), "maize"),
        Times(days("2023-11-11"), days("2024-05-01"), OUTSIDE),
        Times(days("2024-05-01"), until, "grass"),
    ]


def test_a_season_may_run_over_the_new_year() -> None:
    winter = {"winter": SeasonDates((11, 15), (2, 28))}
    assert by_season(winter, days("2024-01-10"), days("2024-12-01")) == [
        Times(days("2024-01-10"), days("2024-02-29"), "winter"),
        Times(days("2024-02-29"), days("2024-11-15"), OUTSIDE),
        Times(days("2024-11-15"), days("2024-12-01"), "winter"),
    ]


def test_of_two_seasons_at_once_the_one_that_began_last_has_the_day() -> None:
    seasons = {"long": SeasonDates((5, 1), (9, 30)), "short": SeasonDates((6, 1), (6, 10)), "late": SeasonDates((9, 20), (10, 10))}
    assert [(t.kind, t.until - t.since) for t in by_season(seasons, days("2023-05-01"), days("2023-10-20"))] == [
        ("long", 31),
        ("short", 10),
        ("long", 101),
        ("late", 21),
        (OUTSIDE, 9),
    ]


def test_a_sites_own_dates_stand_for_their_year() -> None:
    own = {"silage": SeasonDates((5, 10), (9, 25), (Period(date(2023, 6, 1), date(2023, 6, 30)),))}
    found = by_season(own, days("2023-01-01"), days("2024-07-01"))
    assert [t.since for t in found if t.kind == "silage"] == [days("2023-06-01"), days("2024-05-10")]


@pytest.mark.parametrize("seasons", [{}, SILAGE, TWICE, {**SILAGE, **TWICE}])
def test_no_day_is_left_out_and_none_stands_twice(seasons: dict[str, SeasonDates]) -> None:
    since, until = days("2020-02-11") + 0.25, days("2026-10-01")
    for times in (by_season(seasons, since, until), by_month(since, until)):
        assert times[0].since == since
        assert times[-1].until == until
        assert all(a.until == b.since for a, b in pairwise(times))
        assert all(t.since < t.until for t in times)


DAYS_OF_2023 = st.integers(0, 364).map(lambda n: date(2023, 1, 1) + timedelta(days=n))
PERIODS = st.lists(st.tuples(DAYS_OF_2023, st.integers(0, 500)), max_size=6).map(
    lambda told: tuple(Period(day, day + timedelta(days=length)) for day, length in told)
)


@given(st.lists(st.tuples(DAYS_OF_2023, DAYS_OF_2023, PERIODS), max_size=4), DAYS_OF_2023, st.integers(1, 900))
def test_each_day_is_of_the_season_that_began_last(told: list[tuple[date, date, tuple[Period, ...]]], since: date, length: int) -> None:
    """Day by day, as slowly as it is said."""
    seasons = {f"s{i}": SeasonDates((a.month, a.day), (b.month, b.day), own) for i, (a, b, own) in enumerate(told)}
    first = float(since.toordinal())
    found = by_season(seasons, first, first + length)
    periods = sorted((p.first, p.last, name) for name, dates in seasons.items() for p in dates.periods(2022, 2026))
    for n in range(length):
        day = since + timedelta(days=n)
        held = [name for begin, end, name in periods if begin <= day <= end]
        (kind,) = [t.kind for t in found if t.since <= first + n < t.until]
        assert kind == (held[-1] if held else OUTSIDE)


def test_months_are_those_of_the_calendar() -> None:
    found = by_month(days("2023-11-20"), days("2024-03-10"))
    assert [(t.kind, t.until - t.since) for t in found] == [(11, 11), (12, 31), (1, 31), (2, 29), (3, 9)]


@pytest.mark.parametrize(
    ("hour", "share"), [(0, 0.0), (5.5, 0.0), (6, 0.0), (9.5, 0.25), (13, 0.5), (20, 1.0), (23.9, 1.0), (24, 1.0), (30, 1.0), (37, 1.5)]
)
def test_a_days_work_is_done_by_day(hour: float, share: float) -> None:
    begins = datetime(2024, 5, 1, tzinfo=UTC)
    assert Clock(begins, date(2024, 5, 1)).days([begins + timedelta(hours=hour)]) == [days("2024-05-01") + share]


def t_below(x: float, free: int) -> float:
    """The distribution of Student's t by its density, summed up by Simpson's rule from 0."""
    scale = exp(lgamma((free + 1) / 2) - lgamma(free / 2)) / (free * pi) ** 0.5
    n = 2000
    ys = [scale * exp(-(free + 1) / 2 * log(1 + (x * i / n) ** 2 / free)) for i in range(n + 1)]
    return 0.5 + x / n / 3 * (ys[0] + ys[-1] + 4 * sum(ys[1:-1:2]) + 2 * sum(ys[2:-1:2]))


@pytest.mark.parametrize("free", range(1, 31))
def test_the_table_of_students_t_is_right(free: int) -> None:
    assert abs(t_below(fitting._T90[free], free) - 0.9) < 0.0002


def test_stretches_are_a_week_or_a_part_of_a_short_time_or_two_weeks_of_a_long_one() -> None:
    assert [least_stretch(span) for span in (14, 24, 60, 84, 365, 700, 1000, 1400, 4000)] == [14 / 12, 2, 5, 7, 7, 7, 10, 14, 14]


def test_a_stretch_ends_at_a_reading() -> None:
    times = [moment(0), moment(3), moment(4), moment(11), moment(30), moment(31)]
    assert ends_of_stretches(times, timedelta(days=7)) == [2, 3, 5]


def test_use_in_a_season_and_outside_is_told_apart() -> None:
    """Read every 25 days, so that hardly a stretch lies in one of them alone; 6 a day in silage, 1 outside, nothing strays."""
    since, until = days("2020-01-01"), days("2024-01-01")
    times = by_season(SILAGE, since, until)

    def count(at: float) -> float:
        return sum((min(at, t.until) - t.since) * (6 if t.kind == "silage" else 1) for t in times if t.since < at)

    ends = [since + 25 * i for i in range(58)]
    use = fit(Stretches(ends, times), [count(day) for day in ends])
    assert use is not None
    assert use.rates["silage"].a_day == pytest.approx(6, rel=0.03)
    assert use.rates[OUTSIDE].a_day == pytest.approx(1, rel=0.06)


def weekly(weeks: int, hours: float = 40.0, until: int = TODAY) -> list[tuple[datetime, float]]:
    """Readings each week, the last on the day `until`; a little more and less used by turns."""
    found, value = [], 100.0
    for week in range(weeks + 1):
        found.append((moment(until - 7 * (weeks - week), 20), value))
        value += hours + (3 if week % 2 else -3)
    return found


def outlook(readings: list[tuple[datetime, float]], seasons: dict[str, SeasonDates] | None = None, now: int = TODAY) -> Outlook:
    return Outlook(history_of(readings, seasons or {}, moment(now, 21)))


@pytest.mark.parametrize(("weeks", "told"), [(4, False), (5, True), (9, True)])
def test_six_readings_are_the_fewest(weeks: int, told: bool) -> None:
    readings = weekly(weeks)
    assert (outlook(readings).reach("m", round((readings[-1][1] + 10) * 1_000_000)) is not None) is told


def test_readings_of_thirteen_days_are_too_few_and_of_fourteen_are_not() -> None:
    for span, told in ((13, False), (14, True)):
        readings = [(moment(TODAY - span + i, 20), 100.0 + 5 * i + i % 2) for i in range(span + 1)]
        assert (outlook(readings).reach("m", 190_000_000) is not None) is told


def test_many_readings_of_one_day_are_no_stretches() -> None:
    readings = [(moment(TODAY - 30), 100.0), *((moment(TODAY) + timedelta(minutes=i), 200.0 + i) for i in range(50))]
    assert outlook(readings).reach("m", 260_000_000) is None


def test_a_machine_that_never_ran_is_expected_never() -> None:
    assert outlook([(at, 100.0) for at, _ in weekly(30)]).reach("m", 101_000_000) is None


def test_a_year_without_a_reading_tells_nothing_of_today() -> None:
    readings = weekly(30, until=TODAY - 366)
    assert outlook(readings, SILAGE).reach("m", round((readings[-1][1] + 10) * 1_000_000)) is None


def test_a_meter_that_ran_backward_tells_nothing() -> None:
    readings = weekly(30)
    assert outlook([*readings, (moment(TODAY, 20), 5.0)]).reach("m", 2_000_000_000) is None


def test_no_meter_and_no_reading_tell_nothing() -> None:
    assert outlook(weekly(30)).reach("other", 1) is None
    assert not outlook(weekly(30)).tells("other")
    assert outlook(weekly(30)).tells("m")


def test_a_replaced_meter_counts_on() -> None:
    """The same machine with one meter all through and with a new one on the way is expected on the same day."""
    readings = weekly(60)
    old, new = readings[:30], [(at, value - readings[29][1]) for at, value in readings[30:]]
    swap = Replacement(moment(TODAY - 7 * 31 + 1), round(readings[29][1] * 1_000_000), 0)
    whole = history_of(readings, {}, moment(TODAY, 21))
    due = round((readings[-1][1] + 100) * 1_000_000)
    swapped = build_series([(at, round(v * 1_000_000), False) for at, v in (*old, *new)], [swap])
    assert swapped.current == whole.series["m"].current
    split = History(whole.vocabulary, whole.now, whole.now, whole.today, whole.day_of, whole.start_of, {"m": swapped})
    assert Outlook(split).reach("m", due) == Outlook(whole).reach("m", due) != None  # noqa: E711


def test_what_was_never_seen_is_not_forecast() -> None:
    """Only days of silage were seen: beyond the season's end nothing is told."""
    readings = weekly(12, until=(date(2023, 8, 20) - date(2020, 1, 1)).days)
    told = outlook(readings, SILAGE, now=(date(2023, 8, 21) - date(2020, 1, 1)).days)
    near, far = (told.reach("m", round((readings[-1][1] + left) * 1_000_000)) for left in (50, 900))
    assert near is not None
    assert near.expected() is not None
    assert far is not None
    assert far.expected() is None


def test_without_a_season_and_a_year_of_readings_it_looks_no_further_than_a_quarter_of_the_time_seen() -> None:
    readings = weekly(16)
    near, far = (outlook(readings).reach("m", round((readings[-1][1] + left) * 1_000_000)) for left in (60, 240))
    assert near is not None
    assert near.expected() is not None
    assert far is not None
    assert far.expected() is None


def reach(*half_days: int) -> Reach:
    return Reach(*half_days)


@pytest.mark.parametrize(
    ("one", "other", "first", "last"),
    [
        (reach(20, 40, 60), reach(30, 30, 30), reach(20, 30, 30), reach(30, 40, 60)),
        (reach(20, 40, 61), reach(50, 50, 50), reach(20, 40, 50), reach(50, 50, 61)),  # 61: some day later than the 30th
        (reach(20, 40, 61), reach(80, 80, 80), reach(20, 40, 61), reach(80, 80, 81)),  # and not known whether later than the 40th
        (reach(20, 41, 61), reach(40, 61, 80), reach(20, 41, 61), reach(40, 61, 81)),
    ],
)
def test_the_first_and_the_last_of_two(one: Reach, other: Reach, first: Reach, last: Reach) -> None:
    assert earliest(one, other) == earliest(other, one) == first
    assert latest(one, other) == latest(other, one) == last


def test_a_range_is_told_whole_or_not_at_all() -> None:
    n = date(2024, 5, 1).toordinal() * 2
    day = date(2024, 5, 1)
    assert reach(n - 4, n, n + 6).expected() == Expected(day, day - timedelta(days=2), day + timedelta(days=3))
    assert reach(n - 4, n, n + 7).expected() == Expected(day)
    assert reach(n - 4, n + 1, n + 7).expected() is None
    assert Reach.on(day).expected() == Expected(day, day, day)


def test_a_stated_use_takes_the_place_of_the_present_season_s() -> None:
    """Twice the use of the past weeks: the days that are left become half of them. The range stays that of such a machine."""
    readings = weekly(100, hours=42)
    history = history_of(readings, {}, moment(TODAY, 21))
    due = round((readings[-1][1] + 120) * 1_000_000)
    usual = Outlook(history).reach("m", due)
    history.usage = {"m": 12_000_000}
    stated = Outlook(history).reach("m", due)
    assert usual is not None
    assert stated is not None
    assert 19 <= usual.middle // 2 - history.today.toordinal() <= 21
    assert stated.middle // 2 - history.today.toordinal() == 10
    assert stated.first < stated.middle < stated.last


def test_a_task_of_a_season_counts_in_it_alone() -> None:
    """7 a day all the year: beyond the season's end a task that rests outside waits for the next season, another one does not."""
    until = (date(2023, 9, 15) - date(2020, 1, 1)).days
    readings = weekly(150, hours=49, until=until)
    told = outlook(readings, SILAGE, now=until)
    due = round((readings[-1][1] + 140) * 1_000_000)
    always, in_season = told.reach("m", due), told.reach("m", due, "silage")
    assert always is not None
    assert in_season is not None
    assert date.fromordinal(always.middle // 2) == date(2023, 10, 5)
    assert date.fromordinal(in_season.middle // 2) == date(2024, 5, 19)
