"""Intervals on the calendar against outside sources: RFC 5545 as python-dateutil reads it, ISO 8601 durations, the clock changes of tzdata.

Of the recurrence rules of RFC 5545 the language says those that repeat a day: daily, weekly, every N of days, weeks, months, years, a day
of each year and the last day of a month. Weekdays and positions in a month (BYDAY, BYSETPOS, BYWEEKNO) it does not say on purpose: a
machine's service does not wait for a Friday.
"""

from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from dateutil.relativedelta import relativedelta
from dateutil.rrule import DAILY, MONTHLY, WEEKLY, YEARLY, rrule
from hypothesis import example, given
from hypothesis import strategies as st

from tests.core.asking import ask, done

D = date


def next_due(interval: str, days: list[date], **machine: Any) -> date:
    """The due day after records on these days, asked on the last of them."""
    answer = ask(interval, f"{days[-1]}T12:00:00Z", done(*days), **machine)
    return D.fromisoformat(answer["due_at"]["date"])


def kept(interval: str, start: date, count: int) -> list[date]:
    """The days on which the task is done by somebody who does it on each due day, `start` the first."""
    days = [start]
    while len(days) < count:
        days.append(next_due(interval, days))
    return days


def rule(start: date, freq: int, count: int | None = None, **more: Any) -> list[date]:
    """RFC 5545 as python-dateutil reads it, at 09:00."""
    return [d.date() for d in rrule(freq, dtstart=datetime.combine(start, time(9)), count=count, **more)]


SEPTEMBER_2 = D(1997, 9, 2)


@pytest.mark.parametrize("interval", ["daily", "every 1 day", "every 1 day on schedule", "every 1 day since last due"])
def test_r1_daily_for_ten_times(interval: str) -> None:
    """RFC 5545 example, printed: 2 to 11 September."""
    assert kept(interval, SEPTEMBER_2, 10) == rule(SEPTEMBER_2, DAILY, 10) == [D(1997, 9, d) for d in range(2, 12)]


def test_r2_every_ten_days() -> None:
    """RFC 5545 example, printed."""
    printed = [D(1997, 9, 2), D(1997, 9, 12), D(1997, 9, 22), D(1997, 10, 2), D(1997, 10, 12)]
    assert kept("every 10 days", SEPTEMBER_2, 5) == rule(SEPTEMBER_2, DAILY, 5, interval=10) == printed


def test_r3_daily_until_the_day_before_christmas_eve() -> None:
    """RFC 5545 example, printed: the last is 23 December (the end is given in UTC)."""
    theirs = rule(SEPTEMBER_2, DAILY, until=datetime(1997, 12, 23, 19, 0))  # noqa: DTZ001  00:00Z on the 24th in New York
    assert theirs[-1] == D(1997, 12, 23)
    assert kept("daily", SEPTEMBER_2, len(theirs)) == theirs


def test_r4_weekly_for_ten_times() -> None:
    """RFC 5545 example, printed: over the end of summer time, the day of the week stays."""
    printed = [D(1997, 9, d) for d in (2, 9, 16, 23, 30)] + [D(1997, 10, d) for d in (7, 14, 21, 28)] + [D(1997, 11, 4)]
    assert kept("weekly", SEPTEMBER_2, 10) == kept("every 7 days", SEPTEMBER_2, 10) == rule(SEPTEMBER_2, WEEKLY, 10) == printed


def test_r5_seventeen_tuesdays() -> None:
    """RFC 5545 example, printed: weekly until 24 December."""
    tuesdays = kept("every 1 week", SEPTEMBER_2, 17)
    assert tuesdays == rule(SEPTEMBER_2, WEEKLY, until=datetime(1997, 12, 23, 19, 0))  # noqa: DTZ001
    assert tuesdays[-1] == D(1997, 12, 23)


@pytest.mark.parametrize("weekday", [0, 2, 4])
def test_r26_every_other_week(weekday: int) -> None:
    """Every other Monday, Wednesday or Friday, each by itself. (Of a first day that is none of them texts differ; here a record begins.)"""
    start = SEPTEMBER_2 + timedelta(days=(weekday - 1) % 7)
    assert kept("every 2 weeks on schedule", start, 8) == rule(start, WEEKLY, 8, interval=2)


def test_r12_every_eighteen_months() -> None:
    """RFC 5545 example, printed: 10 to 15 September 1997, then March 1999."""
    for day in range(10, 16):
        assert next_due("every 18 months", [D(1997, 9, day)]) == D(1999, 3, day) == rule(D(1997, 9, day), MONTHLY, 2, interval=18)[1]


def test_r13_two_days_of_each_year() -> None:
    """RFC 5545 example, printed: 10 June and 10 July of 1997 to 2001; two tasks here."""
    ours = sorted(kept("yearly", D(1997, 6, 10), 5) + kept("every 1 year", D(1997, 7, 10), 5))
    assert ours == rule(D(1997, 6, 10), YEARLY, 10, bymonth=(6, 7)) == [D(y, m, 10) for y in range(1997, 2002) for m in (6, 7)]


def test_r14_every_third_year() -> None:
    """RFC 5545 example, printed (its first day of the year)."""
    assert (
        kept("every 3 years", D(1997, 1, 1), 3)
        == rule(D(1997, 1, 1), YEARLY, 3, interval=3)
        == [D(1997, 1, 1), D(2000, 1, 1), D(2003, 1, 1)]
    )


def test_r19_monthly_from_the_31st_clamps_where_a_calendar_rule_skips() -> None:
    """On purpose: what is due each month must not be left out in February. The schedule keeps the 31st for the months that have it."""
    start = D(2025, 1, 31)
    assert rule(start, MONTHLY, 6) == [D(2025, m, 31) for m in (1, 3, 5, 7, 8, 10)]
    here = [D(2025, 1, 31), D(2025, 2, 28), D(2025, 3, 31), D(2025, 4, 30), D(2025, 5, 31), D(2025, 6, 30)]
    assert kept("every 1 month on schedule", start, 6) == here
    assert kept("every 1 month since last due", start, 6) == here


def test_since_last_counts_from_each_record_so_the_31st_is_lost() -> None:
    """`since last` knows the last record alone: 31 January, 28 February, 28 March (python-dateutil, chained)."""
    start = D(2025, 1, 31)
    chained = [start]
    while len(chained) < 6:
        chained.append(chained[-1] + relativedelta(months=1))
    assert kept("every 1 month", start, 6) == kept("monthly", start, 6) == chained
    assert chained[2] == D(2025, 3, 28)


def test_r20_the_last_day_of_each_month() -> None:
    """RFC 5545's BYMONTHDAY=-1 is `on the calendar`, from any day of the month; on the 31st it is what clamping gives as well."""
    last_days = rule(D(2025, 1, 31), MONTHLY, 12, bymonthday=-1)
    assert kept("every 1 month on the calendar", D(2025, 1, 31), 12) == last_days
    assert kept("every 1 month on schedule", D(2025, 1, 31), 12) == last_days
    assert [next_due("every 1 month on the calendar", [D(2025, 1, d)]) for d in (1, 15, 30)] == [last_days[1]] * 3


def test_r21_r22_yearly_from_the_leap_day() -> None:
    """A calendar rule waits four years (R21); its last day of February (R22) is what is due here."""
    start = D(2024, 2, 29)
    assert rule(start, YEARLY, 3) == [D(2024, 2, 29), D(2028, 2, 29), D(2032, 2, 29)]
    here = kept("every 1 year on schedule", start, 6)
    assert here == rule(start, YEARLY, 6, bymonth=2, bymonthday=-1)
    assert here[4] == D(2028, 2, 29)


def test_r22_an_occurrence_on_the_leap_day() -> None:
    book = {"book": {"occurrences": {"leap day": {"yearly": "02-29"}}}}
    for year in (2023, 2024, 2025, 2026, 2027):
        answer = ask("every leap day", f"{year + 1}-01-15T12:00:00Z", done(f"{year}-06-01"), book)
        assert answer["standing"] == "clear"  # not yet
        answer = ask("every leap day", f"{year + 1}-03-15T12:00:00Z", done(f"{year}-06-01"), book)
        assert D.fromisoformat(answer["due_at"]["date"]) == rule(D(year + 1, 1, 1), YEARLY, 1, bymonth=2, bymonthday=-1)[0]


def test_r24_every_six_months_from_the_31st_of_august_stays_half_yearly() -> None:
    start = D(2025, 8, 31)
    assert rule(start, MONTHLY, 4, interval=6) == [D(y, 8, 31) for y in (2025, 2026, 2027, 2028)]  # the trap
    assert kept("every 6 months on schedule", start, 4) == [D(2025, 8, 31), D(2026, 2, 28), D(2026, 8, 31), D(2027, 2, 28)]


def test_r25_a_winter_over_the_new_year() -> None:
    """The first days of winters from 1 November to 28 February, each met by a record on the day."""
    book = {"book": {"seasons": {"cold": {"from": "11-01", "to": "02-28"}}}}
    days = [D(2025, 11, 1)]
    while len(days) < 4:
        answer = ask("before each cold", f"{days[-1]}T12:00:00Z", done(*days), book)
        days.append(D.fromisoformat(answer["due_at"]["date"]))
    assert days == rule(D(2025, 11, 1), YEARLY, 4, bymonth=11, bymonthday=1)


UNITS = {"day": "days", "week": "weeks", "month": "months", "year": "years"}
starts = st.dates(D(1970, 1, 1), D(2090, 12, 31))


@given(starts, st.sampled_from(sorted(UNITS)), st.integers(1, 40), st.integers(1, 5))
def test_a_kept_schedule_is_the_start_and_n_times_the_interval(start: date, unit: str, every: int, steps: int) -> None:
    """Always n times the interval from the first day, never chained (ISO 8601 arithmetic as python-dateutil does it)."""
    wanted = [start + relativedelta(**{UNITS[unit]: every * n}) for n in range(steps + 1)]
    for anchor in ("on schedule", "since last due"):
        assert kept(f"every {every} {UNITS[unit]} {anchor}", start, steps + 1) == wanted


@given(starts, st.sampled_from(sorted(UNITS)), st.integers(1, 40))
def test_since_last_is_one_interval_after_the_record(start: date, unit: str, every: int) -> None:
    assert next_due(f"every {every} {UNITS[unit]}", [start]) == start + relativedelta(**{UNITS[unit]: every})


@given(starts, st.integers(1, 60))
def test_on_the_calendar_is_the_last_day_of_the_month(start: date, months: int) -> None:
    assert next_due(f"every {months} months on the calendar", [start]) == start + relativedelta(months=months, day=31)


@pytest.mark.parametrize(
    ("start", "interval", "wanted"),
    [
        (D(2000, 3, 30), "every 1 month", D(2000, 4, 30)),  # XML Schema 1.0, appendix E
        (D(2012, 1, 31), "every 1 month", D(2012, 2, 29)),  # js-joda manual, Period
        (D(2012, 5, 31), "every 1 month", D(2012, 6, 30)),  # the same
        (D(2012, 6, 30), "every 2 months", D(2012, 8, 30)),  # the same: 30 June to 31 August is two months and a day
        (D(2003, 1, 31), "every 1 month", D(2003, 2, 28)),  # dateutil documentation
        (D(2003, 1, 31), "every 2 months", D(2003, 3, 31)),
        (D(2003, 1, 27), "every 1 month", D(2003, 2, 27)),
        (D(2000, 2, 29), "every 1 year", D(2001, 2, 28)),
        (D(2000, 2, 29), "yearly", D(2001, 2, 28)),
        (D(1999, 3, 1), "every 1 year", D(2000, 3, 1)),
        (D(2023, 12, 31), "every 2 months", D(2024, 2, 29)),  # worked out, as the next three
        (D(2024, 12, 31), "every 2 months", D(2025, 2, 28)),
        (D(2024, 8, 31), "every 6 months", D(2025, 2, 28)),
        (D(2025, 1, 31), "every 2 months on schedule", D(2025, 3, 31)),
    ],
)
def test_printed_durations(start: date, interval: str, wanted: date) -> None:
    assert next_due(interval, [start]) == wanted


def test_once_at_six_months_counts_from_the_in_service_day() -> None:
    answer = ask("once at 6 months", "2024-10-01T12:00:00Z", [], in_service={"on": "2024-08-31", "as": "new"})
    assert answer["due_at"]["date"] == "2025-02-28"  # worked out from the same arithmetic


# Clock changes. tzdata through zoneinfo is the outside source; the printed rows are of RFC 5545, 3.3.5 and 3.3.10.

ZONES = (
    "Europe/Berlin",
    "Europe/London",
    "America/New_York",
    "America/Sao_Paulo",
    "Asia/Kolkata",
    "Australia/Lord_Howe",
    "Pacific/Auckland",
    "Pacific/Apia",
)


def standing(interval: str, at: datetime, last: date, zone: str, **machine: Any) -> str:
    answer: str = ask(interval, at.isoformat(), done(last), timezone=zone, **machine)["standing"]
    return answer


def begins(day: date, zone: str, starts_at: time = time(0)) -> datetime:
    """The first instant of a local day [UTC], found by looking at the zone's clock minute by minute."""
    at = datetime.combine(day, starts_at, UTC) - timedelta(hours=16)
    while (local := at.astimezone(ZoneInfo(zone)).replace(tzinfo=None)) < datetime.combine(day, starts_at):
        at += timedelta(minutes=1) if datetime.combine(day, starts_at) - local <= timedelta(hours=2) else timedelta(hours=1)
    return at


@pytest.mark.parametrize(
    ("zone", "day", "hours"),
    [
        ("Europe/Berlin", D(2025, 10, 26), 25),  # P1D from 2025-10-25 08:00 is 25 hours
        ("Europe/Berlin", D(2025, 3, 30), 23),
        ("America/New_York", D(2007, 11, 4), 25),  # 01:30 comes twice
        ("America/New_York", D(2007, 3, 11), 23),  # 02:30 is left out
        ("America/New_York", D(1997, 10, 26), 25),
        ("America/Sao_Paulo", D(2018, 11, 4), 23),  # midnight itself is left out
        ("Asia/Kolkata", D(2025, 10, 26), 24),
    ],
)
def test_the_whole_due_day_is_due_however_long_it_is(zone: str, day: date, hours: int) -> None:
    first, after = begins(day, zone), begins(day + timedelta(days=1), zone)
    assert after - first == timedelta(hours=hours)
    last = day - timedelta(days=1)
    minute = timedelta(minutes=1)
    assert standing("daily", first - minute, last, zone) == "clear"  # 10 % of a day are no whole day of notice
    assert standing("daily", first, last, zone) == "due"
    assert standing("daily", after - minute, last, zone) == "due"
    assert standing("daily", after, last, zone) == "overdue"


@example("Pacific/Apia", D(2011, 12, 29), 1, 700)
@given(st.sampled_from(ZONES), st.dates(D(2005, 1, 1), D(2026, 12, 31)), st.integers(1, 400), st.integers(0, 24 * 60 - 1))
def test_clock_changes_never_move_a_due_date(zone: str, start: date, days: int, minute: int) -> None:
    """A record at any minute of a local day: the due day is that day and N days, and on it the task is due in the morning and at night."""
    at = datetime.combine(start, time(minute // 60, minute % 60), ZoneInfo(zone))
    day = at.astimezone(UTC).astimezone(ZoneInfo(zone)).date()  # a time that the clock leaves out is a later one, or a later day
    record = [{"task": "job", "at": at.isoformat()}]
    due = day + timedelta(days=days)
    for hour in (9, 21):
        now = datetime.combine(due, time(hour), ZoneInfo(zone)).isoformat()
        answer = ask(f"every {days} days", now, record, timezone=zone)
        local = datetime.fromisoformat(now).astimezone(ZoneInfo(zone)).date()
        assert answer["due_at"]["date"] == due.isoformat()
        assert answer["standing"] == ("due" if local == due else "overdue")  # Apia left out 30 December 2011


def test_the_same_instant_in_another_offset_is_the_same_answer() -> None:
    """1997-10-28 09:00 in New York is 14:00Z (RFC 5545's weekly example, after summer time)."""
    told = [
        ask("weekly", now, done("1997-10-21"), timezone="America/New_York")
        for now in ("1997-10-28T09:00:00-05:00", "1997-10-28T14:00:00Z", "1997-10-28T23:00:00+09:00")
    ]
    assert all(t == told[0] for t in told)
    assert told[0]["standing"] == "due"


@pytest.mark.parametrize(
    ("at", "day"),
    [
        ("2026-07-15T04:59:59+01:00", "2026-07-15"),  # still the working day of the 14th: due on the 15th
        ("2026-07-15T05:00:00+01:00", "2026-07-16"),
        ("2026-07-14T23:50:00+01:00", "2026-07-15"),
        ("2026-07-15T00:10:00+01:00", "2026-07-15"),
    ],
)
def test_a_day_begins_when_the_site_says_so(at: str, day: str) -> None:
    answer = ask("daily", "2026-07-15T06:00:00+01:00", [{"task": "job", "at": at}], timezone="Europe/London", day_starts="05:00")
    assert answer["due_at"]["date"] == day


def test_a_due_day_is_due_from_the_hour_at_which_the_sites_day_begins() -> None:
    change = D(2025, 10, 26)  # Berlin: 03:00 becomes 02:00
    first, after = begins(change, "Europe/Berlin", time(5)), begins(change + timedelta(days=1), "Europe/Berlin", time(5))
    assert (first, after) == (datetime(2025, 10, 26, 4, tzinfo=UTC), datetime(2025, 10, 27, 4, tzinfo=UTC))
    before = change - timedelta(days=1)
    steps = [first - timedelta(seconds=1), first, after - timedelta(seconds=1), after]
    told = [standing("daily", at, before, "Europe/Berlin", day_starts="05:00") for at in steps]
    assert told == ["clear", "due", "due", "overdue"]


def test_due_days_of_a_schedule_rise() -> None:
    assert all(a < b for a, b in pairwise(kept("every 1 month on schedule", D(2025, 1, 31), 24)))
