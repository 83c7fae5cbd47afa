"""One machine's forecasts: a curve for each meter, made when it is first asked for, and days in which to say when."""

from bisect import bisect_left
from collections.abc import Sequence
from datetime import date, datetime, timedelta
from math import ceil
from typing import NamedTuple

from fieldworthy.core.base.quantity import Exact
from fieldworthy.core.forecast.curve import Curve
from fieldworthy.core.forecast.fit import LEAST_SPAN, LEAST_STRETCHES, Use, ends_of_stretches, fit, least_stretch
from fieldworthy.core.forecast.stretches import Stretches
from fieldworthy.core.forecast.times import Clock, Times, by_month, by_season
from fieldworthy.core.interval.evaluate.context import History

SHARE = 0.8
AHEAD = 1096
"""No forecast looks further than these days ahead: three years."""

STALE = timedelta(days=365)
"""An older newest reading tells nothing of today."""

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


class _Known(NamedTuple):
    """Readings between which the stretches lie, by their moments: the kinds of days, and how far all that tells."""

    moments: Sequence[datetime]
    times: Sequence[Times]
    stretches: Stretches
    until: float


class _Machine(NamedTuple):
    """What the readings of one meter tell."""

    use: Use
    times: Sequence[Times]
    start: float
    counted: Exact
    until: float


class Outlook:
    """What one machine's readings tell of the days ahead. A meter of which too little is known costs a look at how many readings it has."""

    __slots__ = ("_clock", "_curves", "_history", "_known", "_today", "_told")

    def __init__(self, history: History) -> None:
        self._history, self._today = history, history.today.toordinal()
        self._told: dict[str, _Machine | None] = {}
        self._curves: dict[tuple[str, str | None], tuple[Curve, Exact]] = {}
        self._clock: Clock | None = None
        self._known: list[_Known] = []  # meters are nearly always read together

    def tells(self, meter: str) -> bool:
        """Whether there may be enough readings of a meter: a quick look, before anything is computed."""
        series = self._history.series.get(meter)
        return series is not None and len(series.times) > LEAST_STRETCHES

    def reach(self, meter: str, due: Exact, during: str | None = None) -> Reach | None:
        """When a meter's count reaches `due` [ticks]; None where its readings do not tell.

        during: a season, by `names.key`, outside of which the task rests: what is used there does not count.
        """
        try:
            curve, counted = self._curves[meter, during]
        except KeyError:
            if meter not in self._told:
                self._told[meter] = self._tell(meter) if self.tells(meter) else None
            told = self._told[meter]
            if told is None:
                return None
            curve, counted = self._curves[meter, during] = self._curve(meter, told, during), told.counted
        days, today = curve.reached(float(due - counted)), self._today
        first, middle, last = days
        if first is None or middle is None or last is None:
            return Reach(*[_half(day, today, curve.days[-1]) for day in days])
        a, b, c = ceil(first) - 1, ceil(middle) - 1, ceil(last) - 1  # nearly always all three are known
        return _reach(Reach, (2 * (a if a > today else today), 2 * (b if b > today else today), 2 * (c if c > today else today)))

    def _tell(self, meter: str) -> _Machine | None:
        history = self._history
        series = history.series[meter]
        moments, counts = series.times, series.counts
        if series.current is None or series.backward is not None or history.now - moments[-1] > STALE:
            return None
        span = (moments[-1] - moments[0]) / _DAY
        if span < LEAST_SPAN:
            return None
        ends = ends_of_stretches(moments, timedelta(days=least_stretch(span)))
        known, base = self._cut([moments[i] for i in ends]), counts[0]
        use = fit(known.stretches, [float(counts[i] - base) for i in ends])
        return None if use is None else _Machine(use, known.times, known.stretches.ends[-1], counts[-1], known.until)

    def _cut(self, moments: Sequence[datetime]) -> _Known:
        """The stretches between readings of these moments."""
        for known in self._known:
            if known.moments == moments:
                return known
        history = self._history
        if self._clock is None:
            self._clock = Clock(history.start_of(history.today), history.today)
        days = self._clock.days(moments)
        since, start = days[0], days[-1]
        until = float(self._today + AHEAD)
        if history.seasons:
            times = by_season(history.seasons, since, until)
        else:
            times = by_month(since, until)
            if start - since < _YEAR:  # then nobody knows what other months bring: all count as alike, and not for long
                times = [Times(t.since, t.until, 0) for t in times]
                until = min(until, float(int(start + (start - since) * _SHORT)))
        self._known.append(_Known(moments, times, Stretches(days, times), until))
        return self._known[-1]

    def _curve(self, meter: str, told: _Machine, during: str | None) -> Curve:
        stated = self._history.usage.get(meter)
        times = told.times
        if during is not None:  # its days even where another season began later
            begin = bisect_left(times, told.start, key=lambda t: t.until)
            since = times[begin].since if begin < len(times) else told.start
            times = by_season({during: self._history.seasons[during]}, since, told.until)
        return Curve(told.use, times, told.start, told.until, during, None if stated is None else float(stated))


_reach = tuple.__new__
"""Makes a Reach of its three, past the class's own constructor, which takes twice as long."""


def _half(day: float | None, today: int, ends: float) -> int:
    """A day of the curves in half days, today at the earliest; None: later than the last whole day of which they tell."""
    if day is None:
        return max(int(ends) - 1, today) * 2 + 1
    whole = ceil(day) - 1
    return (whole if whole > today else today) * 2
