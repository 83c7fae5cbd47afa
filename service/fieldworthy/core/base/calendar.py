"""Days: local dates, months that clamp, seasons of a year. The zone and the clock are arguments."""

import calendar as _calendar
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

MonthDay = tuple[int, int]


def add_months(day: date, months: int) -> date:
    """`day` some months on, clamped to the month's last day. Always step from the original day, never from a clamped one."""
    index = day.year * 12 + day.month - 1 + months
    year, month = divmod(index, 12)
    return date(year, month + 1, min(day.day, _calendar.monthrange(year, month + 1)[1]))


def month_end(day: date, months: int = 0) -> date:
    """The last day of the month that is `months` after that of `day`."""
    index = day.year * 12 + day.month - 1 + months
    year, month = divmod(index, 12)
    return date(year, month + 1, _calendar.monthrange(year, month + 1)[1])


def local_day(at: datetime, zone: ZoneInfo, day_starts: time = time(0)) -> date:
    """The local day that an instant falls on; a day begins at `day_starts` on the site's clock."""
    local = at.astimezone(zone)
    day = local.date()
    return day if local.time() >= day_starts else day - timedelta(days=1)


def in_year(when: MonthDay, year: int) -> date:
    """A month and day in a year; 29 February is the 28th where the year has none."""
    month, day = when
    return date(year, month, min(day, _calendar.monthrange(year, month)[1]))


@dataclass(frozen=True, slots=True, order=True)
class Period:
    """Days `first` to `last`, both included."""

    first: date
    last: date


@dataclass(frozen=True, slots=True)
class SeasonDates:
    """A season: its days of the year, and the site's own dates, which replace them for the years in which they begin."""

    start: MonthDay
    end: MonthDay
    given: tuple[Period, ...] = ()

    def periods(self, from_year: int, to_year: int) -> Sequence[Period]:
        """Every period that begins in these years (both included), oldest first."""
        own = {p.first.year for p in self.given}
        found = [p for p in self.given if from_year <= p.first.year <= to_year]
        for year in range(from_year, to_year + 1):
            if year not in own:
                first, last = in_year(self.start, year), in_year(self.end, year)
                found.append(Period(first, last if last >= first else in_year(self.end, year + 1)))
        return sorted(found)
