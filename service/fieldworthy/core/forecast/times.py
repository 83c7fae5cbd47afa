"""The days of a season and those outside it, as stretches of one kind of day.

Time is a `float` of days: the whole part is a local day's ordinal, the rest the share of that day's work that is done (`Clock`). An hour
more or less on the days on which clocks are set is let be: it moves no forecast.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Mapping, Sequence
from datetime import date, datetime
from functools import lru_cache
from operator import itemgetter
from typing import NamedTuple

from fieldworthy.core.base.calendar import SeasonDates

Kind = str | int
"""A season by `names.key`, a month of the calendar by its number, or OUTSIDE."""

OUTSIDE = ""
"""The kind of the days that no season holds."""

_WORK_BEGINS, _WORK_ENDS = 6 * 3600, 20 * 3600  # seconds of the site's day in which its work is done (common practice, no source)


class Times(NamedTuple):
    """Days `since` to `until` (excluded) of one kind."""

    since: float
    until: float
    kind: Kind


class Clock:
    """From instants to days, by the beginning of one local day and that day's date."""

    __slots__ = ("_base", "_day")

    def __init__(self, start: datetime, day: date) -> None:
        self._base, self._day = start, day.toordinal()

    def days(self, moments: Sequence[datetime]) -> list[float]:
        """The instants in days: before a day's work its beginning, after it its end."""
        base, today, found = self._base, self._day, []
        for at in moments:
            since = at - base
            work = (since.seconds - _WORK_BEGINS) / (_WORK_ENDS - _WORK_BEGINS)
            found.append(today + since.days + (0.0 if work < 0 else 1.0 if work > 1 else work))
        return found


def by_season(seasons: Mapping[str, SeasonDates], since: float, until: float) -> list[Times]:
    """The whole time from `since` to `until`, cut where a season begins or ends. A day of two seasons is of the one that began last."""
    if until <= since:
        return []
    whole = _by_season(tuple(seasons.items()), date.fromordinal(int(since)).year, date.fromordinal(int(until)).year)
    found = list(whole[bisect_right(whole, since, key=_until) : bisect_left(whole, until, key=_since)])
    found[0] = Times(since, *found[0][1:])
    found[-1] = Times(found[-1].since, until, found[-1].kind)
    return found


_since, _until = itemgetter(0), itemgetter(1)


@lru_cache(maxsize=256)  # the same few seasons are asked for with every question
def _by_season(seasons: tuple[tuple[str, SeasonDates], ...], first: int, last: int) -> Sequence[Times]:
    """All of these years, both included."""
    told: list[tuple[float, float, Kind]] = [
        (period.first.toordinal(), period.last.toordinal() + 1, name)
        for name, dates in seasons
        for period in dates.periods(first - 1, last)
    ]
    told.sort()
    until = date(last + 1, 1, 1).toordinal()
    told.append((until, until, OUTSIDE))
    found: list[Times] = []
    begun: list[tuple[float, float, Kind]] = []  # the one that began last stands last
    at: float = date(first, 1, 1).toordinal()
    for period in told:
        begins = period[0]
        while begun and at < begins:
            _, ends, kind = begun[-1]
            at = _add(found, at, min(ends, begins), kind)
            if ends <= begins:
                begun.pop()
        at = _add(found, at, begins, OUTSIDE)
        begun.append(period)
    return tuple(found)


def by_month(since: float, until: float) -> list[Times]:
    """The whole time from `since` to `until` in months of the calendar."""
    found: list[Times] = []
    at, day = since, date.fromordinal(int(since))
    year, month = day.year, day.month
    while at < until:
        year, after = (year + 1, 1) if month == 12 else (year, month + 1)
        at = _add(found, at, min(date(year, after, 1).toordinal(), until), month)
        month = after
    return found


def _add(found: list[Times], since: float, until: float, kind: Kind) -> float:
    if until <= since:
        return since
    found.append(Times(since, until, kind))
    return until
