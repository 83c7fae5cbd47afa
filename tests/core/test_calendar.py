"""Months that clamp, seasons, local days: against printed examples and against python-dateutil."""

from datetime import UTC, date, datetime, time, timedelta
from itertools import islice
from zoneinfo import ZoneInfo

import pytest
from dateutil.relativedelta import relativedelta
from dateutil.rrule import MONTHLY, YEARLY, rrule
from hypothesis import given
from hypothesis import strategies as st

from fieldworthy.core.base.calendar import Period, SeasonDates, add_months, in_year, local_day, month_end

D = date


@pytest.mark.parametrize(
    ("start", "months", "wanted"),
    [
        (D(2000, 3, 30), 1, D(2000, 4, 30)),  # XML Schema 1.0, appendix E
        (D(2000, 1, 12), -3, D(1999, 10, 12)),  # the same, of a month
        (D(2012, 1, 31), 1, D(2012, 2, 29)),  # js-joda manual, Period
        (D(2012, 5, 31), 1, D(2012, 6, 30)),  # the same
        (D(2003, 1, 31), 1, D(2003, 2, 28)),  # dateutil documentation
        (D(2003, 1, 31), 2, D(2003, 3, 31)),
        (D(2003, 1, 27), 1, D(2003, 2, 27)),
        (D(2000, 2, 29), 12, D(2001, 2, 28)),
        (D(1999, 3, 1), 12, D(2000, 3, 1)),
        (D(2023, 12, 31), 2, D(2024, 2, 29)),  # worked out
        (D(2024, 12, 31), 2, D(2025, 2, 28)),
        (D(2024, 8, 31), 6, D(2025, 2, 28)),
        (D(2025, 1, 31), 0, D(2025, 1, 31)),
    ],
)
def test_printed_examples(start: date, months: int, wanted: date) -> None:
    assert add_months(start, months) == wanted


def test_the_order_of_days_and_months_matters() -> None:
    """XML Schema 1.0, appendix E: 30 March, a day and a month, is 30 April; a month and a day is 1 May."""
    start = D(2000, 3, 30)
    assert add_months(start + timedelta(days=1), 1) == D(2000, 4, 30)
    assert add_months(start, 1) + timedelta(days=1) == D(2000, 5, 1)


def test_step_from_the_first_day_never_from_a_clamped_one() -> None:
    start = D(2025, 1, 31)
    assert add_months(start, 2) == D(2025, 3, 31)
    assert add_months(add_months(start, 1), 1) == D(2025, 3, 28)  # what chaining would make of it


days = st.dates(D(1900, 1, 1), D(2200, 12, 31))


@given(days, st.integers(-1200, 1200))
def test_months_are_those_of_dateutil(start: date, months: int) -> None:
    assert add_months(start, months) == start + relativedelta(months=months)


@given(days, st.integers(-1200, 1200))
def test_month_ends_are_those_of_dateutil(start: date, months: int) -> None:
    assert month_end(start, months) == start + relativedelta(months=months, day=31)


@given(days, st.integers(0, 600), st.integers(0, 600))
def test_more_months_are_never_earlier(start: date, a: int, b: int) -> None:
    assert (add_months(start, a) <= add_months(start, b)) == (a <= b)


@pytest.mark.parametrize(
    ("done", "months", "through"),
    [
        (D(2014, 6, 6), 12, D(2015, 6, 30)),  # calendar months of inspections: pilotsofamerica.com threads 82950, 110527 (weak)
        (D(2020, 7, 22), 24, D(2022, 7, 31)),
        (D(2017, 5, 29), 12, D(2018, 5, 31)),
        (D(2018, 6, 1), 12, D(2019, 6, 30)),
        (D(2023, 2, 28), 12, D(2024, 2, 29)),  # worked out
        (D(2022, 2, 28), 24, D(2024, 2, 29)),
    ],
)
def test_to_the_end_of_the_month(done: date, months: int, through: date) -> None:
    assert month_end(done, months) == through


def rule(start: date, count: int, freq: int = MONTHLY, **more: int) -> list[date]:
    """RFC 5545 as python-dateutil reads it."""
    return [d.date() for d in islice(rrule(freq, dtstart=datetime.combine(start, time()), count=count, **more), count)]


def ours(start: date, count: int, every: int = 1) -> list[date]:
    return [add_months(start, every * n) for n in range(count)]


def test_r19_a_calendar_rule_skips_short_months_and_we_clamp() -> None:
    """RFC 5545 leaves out days that a month lacks; a service that is due each month must not be left out in February."""
    start = D(2025, 1, 31)
    assert rule(start, 6) == [D(2025, m, 31) for m in (1, 3, 5, 7, 8, 10)]
    assert ours(start, 6) == [D(2025, 1, 31), D(2025, 2, 28), D(2025, 3, 31), D(2025, 4, 30), D(2025, 5, 31), D(2025, 6, 30)]


def test_r20_the_rule_that_says_last_day_is_what_clamping_from_the_31st_gives() -> None:
    start = D(2025, 1, 31)
    assert ours(start, 24) == rule(start, 24, bymonthday=-1) == [month_end(start, n) for n in range(24)]


def test_r21_leap_day_yearly_is_every_fourth_year_there_and_each_year_here() -> None:
    start = D(2024, 2, 29)
    assert rule(start, 4, YEARLY) == [D(y, 2, 29) for y in (2024, 2028, 2032, 2036)]
    assert ours(start, 5, 12) == [D(2024, 2, 29), D(2025, 2, 28), D(2026, 2, 28), D(2027, 2, 28), D(2028, 2, 29)]


def test_r22_the_last_of_february_agrees() -> None:
    start = D(2024, 2, 29)
    assert rule(start, 4, YEARLY, bymonth=2, bymonthday=-1) == ours(start, 4, 12) == [in_year((2, 29), y) for y in range(2024, 2028)]


def test_r23_the_30th_is_left_out_in_february_there_and_is_its_last_day_here() -> None:
    start = D(2007, 1, 15)
    there = [d.date() for d in rrule(MONTHLY, dtstart=datetime.combine(start, time()), count=5, bymonthday=(15, 30))]
    assert there == [D(2007, 1, 15), D(2007, 1, 30), D(2007, 2, 15), D(2007, 3, 15), D(2007, 3, 30)]
    here = sorted([*ours(start, 3), *ours(D(2007, 1, 30), 3)])
    assert here == [D(2007, 1, 15), D(2007, 1, 30), D(2007, 2, 15), D(2007, 2, 28), D(2007, 3, 15), D(2007, 3, 30)]


def test_r24_every_six_months_from_the_31st_of_august_stays_every_six_months() -> None:
    """The trap: read as a calendar rule, it silently becomes yearly."""
    start = D(2025, 8, 31)
    assert rule(start, 4, interval=6) == [D(y, 8, 31) for y in (2025, 2026, 2027, 2028)]
    assert ours(start, 4, 6) == [D(2025, 8, 31), D(2026, 2, 28), D(2026, 8, 31), D(2027, 2, 28)]


@given(st.dates(D(1900, 1, 1), D(2100, 12, 28)).filter(lambda d: d.day <= 28), st.integers(1, 24))
def test_up_to_the_28th_both_agree(start: date, every: int) -> None:
    assert ours(start, 5, every) == rule(start, 5, interval=every)


def test_in_year() -> None:
    assert in_year((2, 29), 2024) == D(2024, 2, 29)
    assert in_year((2, 29), 2023) == D(2023, 2, 28)
    assert in_year((2, 29), 1900) == D(1900, 2, 28)  # no leap year
    assert in_year((11, 15), 2023) == D(2023, 11, 15)


SILAGE = SeasonDates((5, 10), (9, 25))
WINTER = SeasonDates((11, 15), (2, 28))


def test_a_season_within_a_year() -> None:
    assert list(SILAGE.periods(2025, 2026)) == [Period(D(2025, 5, 10), D(2025, 9, 25)), Period(D(2026, 5, 10), D(2026, 9, 25))]


def test_a_season_over_the_new_year_begins_in_its_year() -> None:
    assert list(WINTER.periods(2023, 2024)) == [Period(D(2023, 11, 15), D(2024, 2, 28)), Period(D(2024, 11, 15), D(2025, 2, 28))]


def test_a_season_to_the_leap_day() -> None:
    season = SeasonDates((11, 15), (2, 29))
    assert [p.last for p in season.periods(2022, 2023)] == [D(2023, 2, 28), D(2024, 2, 29)]


def test_a_season_of_one_day_and_one_of_a_whole_year() -> None:
    assert list(SeasonDates((6, 1), (6, 1)).periods(2025, 2025)) == [Period(D(2025, 6, 1), D(2025, 6, 1))]
    assert list(SeasonDates((6, 1), (5, 31)).periods(2025, 2025)) == [Period(D(2025, 6, 1), D(2026, 5, 31))]


def test_the_sites_own_dates_replace_a_season_in_the_years_in_which_they_begin() -> None:
    own = SeasonDates((11, 15), (2, 28), (Period(D(2024, 12, 1), D(2025, 3, 5)), Period(D(2024, 1, 3), D(2024, 1, 9))))
    assert list(own.periods(2023, 2025)) == [
        Period(D(2023, 11, 15), D(2024, 2, 28)),
        Period(D(2024, 1, 3), D(2024, 1, 9)),
        Period(D(2024, 12, 1), D(2025, 3, 5)),
        Period(D(2025, 11, 15), D(2026, 2, 28)),
    ]


LONDON, NEW_YORK = ZoneInfo("Europe/London"), ZoneInfo("America/New_York")


@pytest.mark.parametrize(
    ("at", "zone", "starts", "wanted"),
    [
        (datetime(2026, 7, 14, 23, 30, tzinfo=UTC), LONDON, time(0), D(2026, 7, 15)),  # summer time: 00:30
        (datetime(2026, 1, 14, 23, 30, tzinfo=UTC), LONDON, time(0), D(2026, 1, 14)),
        (datetime(2026, 7, 15, 2, 59, tzinfo=UTC), LONDON, time(4), D(2026, 7, 14)),  # 03:59 still belongs to the night before
        (datetime(2026, 7, 15, 3, 0, tzinfo=UTC), LONDON, time(4), D(2026, 7, 15)),
        (datetime(2007, 11, 4, 5, 30, tzinfo=UTC), NEW_YORK, time(0), D(2007, 11, 4)),  # 01:30, the first of two
        (datetime(2007, 11, 4, 6, 30, tzinfo=UTC), NEW_YORK, time(1, 30), D(2007, 11, 4)),  # 01:30, the second
        (datetime(2007, 3, 11, 7, 30, tzinfo=UTC), NEW_YORK, time(2, 30), D(2007, 3, 11)),  # 03:30: 02:30 was left out
        (datetime(2026, 3, 1, 0, 10, tzinfo=UTC), NEW_YORK, time(0), D(2026, 2, 28)),
    ],
)
def test_the_local_day(at: datetime, zone: ZoneInfo, starts: time, wanted: date) -> None:
    assert local_day(at, zone, starts) == wanted
