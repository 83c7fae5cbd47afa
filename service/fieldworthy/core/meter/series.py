"""One meter through time: what it has counted at any moment, across replaced counters.

A series counts on when a meter is replaced: `count` is the running count, `shown` what the dial in place shows. All values are ticks
(base/quantity.py). Between two points a value is interpolated; after the last point it is the last one's; before the first it is not known.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from fractions import Fraction
from typing import NamedTuple

from fieldworthy.core.base.quantity import Exact, whole

Reading = tuple[datetime, Exact, bool]
"""The moment, what the dial showed then [ticks], and whether it is a baseline: an in-service value, which is never a current one.

A plain tuple because a question may bring thousands, and each lives only until its series is built.
"""


class DayReading(NamedTuple):
    """What the dial showed at some moment from `at`, the beginning of a day, until its end, which is at most now [ticks]."""

    at: datetime
    shown: Exact
    until: datetime


@dataclass(frozen=True, slots=True)
class Replacement:
    """A meter was replaced: what the old dial showed last and what the new one showed first [ticks]."""

    at: datetime
    old: Exact
    new: Exact


@dataclass(frozen=True, slots=True)
class Backward:
    """A value below an earlier one, without a declared replacement between them [ticks, as counted]."""

    at: datetime
    count: Exact
    earlier: Exact


@dataclass(slots=True)
class Series:
    """Points of one meter, oldest first. offset: count = shown + offset, for the dial in place now. current: the newest reading's count."""

    times: list[datetime]
    counts: list[Exact]
    replaced: tuple[Replacement, ...]
    offset: Exact
    current: Exact | None
    current_at: datetime | None
    backward: Backward | None

    def count_of(self, shown: Exact, at: datetime) -> Exact:
        """The running count of what the dial showed at `at`."""
        return shown + _offset(self.replaced, at)

    def as_of(self, when: datetime) -> "Series":
        """The series as it stood at `when`: no later point, and the count of that moment as the current one."""
        i = bisect_right(self.times, when)
        current = self.at(when) if self.current is not None else None
        return Series(self.times[:i], self.counts[:i], self.replaced, self.offset, current, when, self.backward)

    def since(self, when: datetime) -> Exact:
        """What was counted from the first point at or after `when` to the last one; 0 where there is none."""
        i = bisect_left(self.times, when)
        return self.counts[-1] - self.counts[i] if i < len(self.times) else 0

    def at(self, when: datetime) -> Exact | None:
        """The running count at `when`; None before the first point, or where there is no point at all."""
        i = bisect_right(self.times, when)
        if i == 0:
            return None
        if i == len(self.times) or self.times[i - 1] == when:
            return self.counts[i - 1]
        t0, t1 = self.times[i - 1], self.times[i]
        c0, c1 = self.counts[i - 1], self.counts[i]
        if c0 == c1:
            return c0
        return whole(c0 + (c1 - c0) * Fraction(_micros(when - t0), _micros(t1 - t0)))


def _micros(span: timedelta) -> int:
    return span // timedelta(microseconds=1)


def _offset(replaced: Sequence[Replacement], at: datetime) -> Exact:
    total: Exact = 0
    for r in replaced:
        if r.at > at:
            break
        total += r.old - r.new
    return total


def _within_their_days(dated: Iterable[DayReading], readings: Sequence[Reading], swaps: Sequence[Replacement]) -> list[Reading]:
    """Each put as early in its day as the lower values of that day allow: so none makes a meter run backward by itself."""
    timed = sorted((at, shown + _offset(swaps, at)) for at, shown, _ in readings)
    placed = []
    for day in dated:
        at, count = day.at, day.shown + _offset(swaps, day.at)
        for then, lower in timed[bisect_left(timed, (day.at, 0)) :]:
            if then >= day.until or _offset(swaps, then) != _offset(swaps, day.at):
                break
            if lower < count:
                at = then
        placed.append((at, day.shown, False))
    return placed


def build_series(
    readings: Sequence[Reading],
    replaced: Iterable[Replacement] = (),
    until: datetime | None = None,
    dated: Iterable[DayReading] = (),
) -> Series:
    """The series of one meter from its readings, in any order, repeated ones included.

    until: later points are left out (None: none is). dated: readings of which only the day is known.
    Raises nothing: a value that runs backward is told in `backward`.
    """
    swaps = tuple(sorted((r for r in replaced if until is None or r.at <= until), key=lambda r: r.at))
    if dated:
        readings = (*readings, *_within_their_days(dated, readings, swaps))
    points = [*reversed(readings)]  # those of the records came last, nearly always in one run: sorting begins with it
    points.sort()
    if until is not None:
        while points and points[-1][0] > until:
            points.pop()
    base: Exact = 0
    if swaps:
        points = [(at, shown + _offset(swaps, at), baseline) for at, shown, baseline in points]
        for swap in swaps:
            points.append((swap.at, swap.old + base, False))
            base += swap.old - swap.new
        points.sort()
    times, counts = [p[0] for p in points], [p[1] for p in points]
    newest = next((p for p in reversed(points) if not p[2]), None)
    current, current_at = (None, None) if newest is None else (newest[1], newest[0])
    return Series(times, counts, swaps, base, current, current_at, _backward(times, counts))


def _backward(times: Sequence[datetime], counts: Sequence[Exact]) -> Backward | None:
    """The first count below an earlier one, and the highest of those."""
    if counts == sorted(counts):  # nearly always, and quick to see
        return None
    high = counts[0]
    for at, count in zip(times, counts, strict=True):
        if count < high:
            return Backward(at, count, high)
        high = count
    return None
