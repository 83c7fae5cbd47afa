"""One machine's forecasts: a curve for each meter, made when it is first asked for, and days in which to say when."""

from bisect import bisect_left
from collections.abc import Sequence
from datetime import date, timedelta
from math import ceil
from typing import NamedTuple

from fieldworthy.core.base.quantity import Exact
from fieldworthy.core.forecast.curve import Curve
from fieldworthy.core.forecast.fit import LEAST_SPAN, LEAST_STRETCHES, Use, ends_of_stretches, fit, least_stretch
from fieldworthy.core.forecast.times import Clock, Times, by_month, by_season
from fieldworthy.core.interval.evaluate.context import History
from fieldworthy.core.meter.series import Series

SHARE = 0.8
AHEAD = 1096
"""No forecast looks further than these days ahead: three years."""

_STALE = timedelta(days=365)  # an older newest reading tells nothing of today
_YEAR = 365.0
_SHORT = 0.25  # without seasons and without a year of readings: no further ahead than this part of the time looked back on
_DAY = timedelta(days=1)


class Expected(NamedTuple):
    """The day on which a due point will be reached; first, last: between them lie SHARE of the outcomes (None: the range is not known)."""

    day: date
    first: date | None = None
    last: date | None = None


class Reach(NamedTuple):
    """When something will be reached: the first, the middle and the last day, in half days.

    Twice a day's ordinal is that day; one more says that it is some day later than that one, and not known which.
    """

    first: int
    middle: int
    last: int

    @classmethod
    def on(cls, day: date) -> "Reach":
        """What is sure to be reached on a day."""
        n = day.toordinal() * 2
        return cls(n, n, n)

    def expected(self) -> Expected | None:
        """As it is told: nothing where not even the middle is known, and the day alone where the range is not."""
        if self.middle % 2:
            return None
        day = date.fromordinal(self.middle // 2)
        if self.last % 2:
            return Expected(day)
        return Expected(day, date.fromordinal(self.first // 2), date.fromordinal(self.last // 2))


def earliest(one: Reach, other: Reach) -> Reach:
    """When the first of two is reached. The meters of one machine run together: they are taken to be early or late together."""
    a, b, c = one
    x, y, z = other
    return Reach(a if a < x else x, b if b < y else y, c if c < z else z)


def latest(one: Reach, other: Reach) -> Reach:
    """When the last of two is reached; later than a day that is not known is later than any."""
    a, b, c = one
    x, y, z = other
    return Reach(max(a, x) | (a | x) & 1, max(b, y) | (b | y) & 1, max(c, z) | (c | z) & 1)


class _Machine(NamedTuple):
    """What the readings of one meter tell."""

    use: Use
    times: Sequence[Times]
    start: float
    counted: Exact
    until: float


class Outlook:
    """What one machine's readings tell of the days ahead. A meter of which too little is known costs a look at how many readings it has."""

    __slots__ = ("_clock", "_curves", "_history", "_times", "_today", "_told")

    def __init__(self, history: History) -> None:
        self._history, self._today = history, history.today.toordinal()
        self._told: dict[str, _Machine | None] = {}
        self._curves: dict[tuple[str, str | None], Curve] = {}
        self._clock: Clock | None = None
        self._times: list[Times] | None = None  # by seasons: the same for every meter that was read as early

    def tells(self, meter: str) -> bool:
        """Whether there may be enough readings of a meter: a quick look, before anything is computed."""
        series = self._history.series.get(meter)
        return series is not None and len(series.times) > LEAST_STRETCHES

    def reach(self, meter: str, due: Exact, during: str | None = None) -> Reach | None:
        """When a meter's count reaches `due` [ticks]; None where its readings do not tell.

        during: a season, by `names.key`, outside of which the task rests: what is used there does not count.
        """
        try:
            told = self._told[meter]
        except KeyError:
            told = self._told[meter] = self._tell(meter) if self.tells(meter) else None
        if told is None:
            return None
        curve = self._curves.get((meter, during))
        if curve is None:
            curve = self._curves[meter, during] = self._curve(meter, told, during)
        days, today = curve.reached(float(due - told.counted)), self._today
        if days[2] is not None:  # nearly always all three are known
            return Reach(*[2 * max(ceil(day) - 1, today) for day in days if day is not None])
        return Reach(*[_half(day, today, curve.days[-1]) for day in days])

    def _tell(self, meter: str) -> _Machine | None:
        history = self._history
        series = history.series[meter]
        if series.current is None or series.backward is not None or history.now - series.times[-1] > _STALE:
            return None
        points = self._points(series)
        if points is None:
            return None
        since, start = points[0][0], points[-1][0]
        until = float(self._today + AHEAD)
        if history.seasons:
            if self._times is None or self._times[0].since > since:
                self._times = by_season(history.seasons, since, until)
            times = self._times
        else:
            times = by_month(since, until)
            if start - since < _YEAR:  # then nobody knows what other months bring: all count as alike, and not for long
                times = [Times(t.since, t.until, 0) for t in times]
                until = min(until, float(int(start + (start - since) * _SHORT)))
        use = fit(points, times)
        return None if use is None else _Machine(use, times, start, series.counts[-1], until)

    def _points(self, series: Series) -> list[tuple[float, float]] | None:
        """Day and count of the readings that the stretches lie between; None where they span too little."""
        times, counts = series.times, series.counts
        span = (times[-1] - times[0]) / _DAY
        if span < LEAST_SPAN:
            return None
        if self._clock is None:
            today = self._history.today
            self._clock = Clock(self._history.start_of(today), today)
        clock, base = self._clock, counts[0]
        ends = ends_of_stretches(times, timedelta(days=least_stretch(span)))
        return [(clock(times[i]), float(counts[i] - base)) for i in ends]

    def _curve(self, meter: str, told: _Machine, during: str | None) -> Curve:
        stated = self._history.usage.get(meter)
        times = told.times
        if during is not None:  # its days even where another season began later
            begin = bisect_left(times, told.start, key=lambda t: t.until)
            since = times[begin].since if begin < len(times) else told.start
            times = by_season({during: self._history.seasons[during]}, since, told.until)
        return Curve(told.use, times, told.start, told.until, during, None if stated is None else float(stated))


def _half(day: float | None, today: int, ends: float) -> int:
    """A day of the curves in half days, today at the earliest; None: later than the last whole day of which they tell."""
    if day is None:
        return max(int(ends) - 1, today) * 2 + 1
    whole = ceil(day) - 1
    return (whole if whole > today else today) * 2
