"""Whether what a record notes of a meter can stand beside the readings that are kept of it.

People note whole hours, and round as they like: a value stands for whatever lies less than one unit from it (the meter's own, or the one
that it is told in, if that is more). Of a meter that does not count time it may be a hundredth of the value, if that is more: our own
tolerance, for people who estimate. It is refused where nothing within that fits between its neighbours, by the rules of readings
(core/meter/intake.py). What is older than all readings is taken: a meter may have been replaced before anybody sent one.
"""

from bisect import bisect_right
from collections.abc import Sequence
from fractions import Fraction

from fieldworthy.core.base.quantity import TICKS, UNITS, Exact, Unit, whole
from fieldworthy.core.meter.intake import IMPOSSIBLE_PACE, LOOKS_LIKE, MOST, OUT_OF_RANGE, RUNS_BACKWARD, Aside, Dial, Point, Sent

SHARE = 100
"""One in so many of its value may a meter be told wrong that does not count time."""


class Beside:
    """What is kept of one meter. kept: oldest first; at least the nearest at or before, and after, each moment that is asked for."""

    def __init__(self, kept: Sequence[Sent], dial: Dial) -> None:
        self._dial = dial
        counted = dial.counted(kept)
        self._first = counted[0][0] if counted else None
        self._points = sorted([*counted, *dial.points])
        self._times = [at for at, _ in self._points]

    def judge(self, at: int, shown: Exact, told: Unit) -> Aside | None:
        """Why a value can't be. shown: what the dial showed [ticks of the meter's own unit]; told: the unit in which it was said."""
        dial, own = self._dial, self._dial.own
        if shown > MOST:
            return Aside(OUT_OF_RANGE)
        if self._first is None or at < self._first:
            return None
        before, after = self._around(at)
        offset = dial.offset(at)
        leeway = self._leeway(shown, told)
        low, high = self._beyond((at, shown + offset), before, after, leeway)
        if low or high:
            why = RUNS_BACKWARD
        elif self._reachable((at, shown + offset), before, after, leeway):
            return None
        else:
            why = IMPOSSIBLE_PACE
        if not low and own.name == "h" == told.name and not dial.reachable(before, (at, shown + offset - leeway)):
            for name, looks in LOOKS_LIKE.items():
                meant = (at, whole(shown * UNITS[name].factor) + offset)
                if not any(self._beyond(meant, before, after, leeway)) and self._reachable(meant, before, after, leeway):
                    why = looks
                    break
        return Aside(why, dial.shown(before), dial.shown(after), low, high)

    def _around(self, at: int) -> tuple[Point, Point | None]:
        """The nearest at or before a moment that is not before the first reading, and the nearest after it."""
        i = bisect_right(self._times, at)
        return self._points[i - 1], self._points[i] if i < len(self._points) else None

    def _leeway(self, shown: Exact, told: Unit) -> Exact:
        one = leeway(told, self._dial.own)
        return one if self._dial.own.dimension == "time" else max(one, whole(Fraction(shown) / SHARE))

    def _beyond(self, point: Point, before: Point, after: Point | None, leeway: Exact) -> tuple[bool, bool]:
        """Whether it counts too much less than the one before, too much more than the one after."""
        low, high = before[1] - point[1], 0 if after is None else point[1] - after[1]
        if self._dial.own.dimension == "time":  # nothing rounded is a whole unit off
            return low >= leeway, high >= leeway
        return low > leeway, high > leeway

    def _reachable(self, point: Point, before: Point, after: Point | None, leeway: Exact) -> bool:
        """Whether the time was long enough from the one before, and to the one after."""
        at, count = point
        from_before = self._dial.reachable(before, (at, count - leeway))
        return from_before and (after is None or self._dial.reachable((at, count + leeway), after))


def leeway(told: Unit, own: Unit) -> Exact:
    """One unit [ticks of the meter's own]: the own one or, if that is more, the one in which a value was said."""
    return max(whole(Fraction(told.factor) / own.factor), 1) * TICKS
