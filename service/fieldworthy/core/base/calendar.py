"""Days: local dates, months that clamp, seasons of a year. The zone and the clock are arguments."""

from calendar import isleap
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

MonthDay = tuple[int, int]

_DAYS = (31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)


def _days_in(year: int, month: int) -> int:
    return 29 if month == 2 and isleap(year) else _DAYS[month - 1]


def add_months(day: date, months: int) -> date:
    """`day` some months on, clamped to the month's last day. Always step from the original day, never from a clamped one."""
    index = day.year * 12 + day.month - 1 + months
    year, month = divmod(index, 12)
    return date(year, month + 1, min(day.day, _days_in(year, month + 1)))


def month_end(day: date, months: int = 0) -> date:
    """The last day of the month that is `months` after that of `day`."""
    index = day.year * 12 + day.month - 1 + months
    year, month = divmod(index, 12)
    return date(year, month + 1, _days_in(year, month + 1))


def local_day(at: datetime, zone: ZoneInfo, day_starts: time = time(0)) -> date:
    """The local day that an instant falls on; a day begins at `day_starts` on the site's clock."""
    local = at.astimezone(zone)
    day = local.date()
    return day if local.time() >= day_starts else day - timedelta(days=1)


_MOST_DAYS = 4000
_UNSEEN = timedelta.max


class LocalDays:
    """`local_day` for many instants in UTC of one site, quick: an offset is looked up once for each UTC day that it holds all through."""

    __slots__ = ("_shifts", "_starts", "_zone")

    def __init__(self, zone: ZoneInfo, day_starts: time = time(0)) -> None:
        self._zone, self._starts = zone, day_starts
        self._shifts: dict[int, timedelta | None] = {}

    def __call__(self, at: datetime) -> date:
        """The local day of an instant; quick where its time zone is `timezone.utc`."""
        if at.tzinfo is not UTC:
            return local_day(at, self._zone, self._starts)
        day = at.toordinal()
        shift = self._shifts.get(day, _UNSEEN)
        if shift is _UNSEEN:
            if len(self._shifts) >= _MOST_DAYS:
                self._shifts.clear()
            shift = self._shifts[day] = self._shift_of(at)
        return local_day(at, self._zone, self._starts) if shift is None else (at + shift).date()

    def _shift_of(self, at: datetime) -> timedelta | None:
        """What to add to an instant so that its date is the local day's; None on a UTC day in which the offset changes."""
        begin = at.replace(hour=0, minute=0, second=0, microsecond=0)
        first, last = (t.astimezone(self._zone).utcoffset() for t in (begin, begin + timedelta(hours=24)))
        if first is None or first != last:
            return None
        return first - timedelta(hours=self._starts.hour, minutes=self._starts.minute, seconds=self._starts.second)


@lru_cache(maxsize=128)
def local_days(zone: ZoneInfo, day_starts: time) -> LocalDays:
    """The `LocalDays` of a site, kept for the next question."""
    return LocalDays(zone, day_starts)


def in_year(when: MonthDay, year: int) -> date:
    """A month and day in a year; 29 February is the 28th where the year has none."""
    month, day = when
    return date(year, month, min(day, _days_in(year, month)))


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
        return _periods(self, from_year, to_year)


@lru_cache(maxsize=256)  # the same few seasons are asked for with every question
def _periods(dates: SeasonDates, from_year: int, to_year: int) -> Sequence[Period]:
    own = {p.first.year for p in dates.given}
    found = [p for p in dates.given if from_year <= p.first.year <= to_year]
    for year in range(from_year, to_year + 1):
        if year not in own:
            first, last = in_year(dates.start, year), in_year(dates.end, year)
            found.append(Period(first, last if last >= first else in_year(dates.end, year + 1)))
    return tuple(sorted(found))
