"""The count that may be reached by a day, and the days by which a count may be reached."""

from bisect import bisect_left
from collections.abc import Iterator, Sequence
from itertools import pairwise
from math import inf, sqrt

from fieldworthy.core.forecast.fit import LEAST_DAYS, NORMAL90, Use
from fieldworthy.core.forecast.times import Kind, Times

# The steps between two points of a curve, at least a day: the farther into a season, and the farther off the season, the longer.
_STEP, _FAR_STEP = 1.0, 0.03


class Curve:
    """How far a count goes on from a moment: by each of `days`, the most (above it lies a tenth of the outcomes), the middle, the least.

    Along each of the three the count never falls, so each is read backward: the day on which the most may be at a count is the first day
    on which it may be reached. The curves are drawn season by season, as far as they are read.
    """

    __slots__ = ("_seasons", "days", "least", "middle", "most")

    def __init__(self, use: Use, times: Sequence[Times], start: float, until: float, only: Kind | None = None, stated: float | None = None):
        """start: the day of the newest reading. only: a kind of days, outside of which nothing counts.

        stated: the use a day in the present season, as somebody said it will be; at all times where the kinds are months.
        The curves end at `until`, or where days of a kind begin of which too little is known.
        """
        self.days, self.most, self.middle, self.least = [start], [0.0], [0.0], [0.0]
        self._seasons = self._draw(use, _known(use, times, start, until, only), only, stated)

    def reached(self, left: float) -> list[float | None]:
        """When so much more than at the start will have counted: the first, the middle and the last day; None: after the curves' end."""
        days, most, middle, least = self.days, self.most, self.middle, self.least
        while least[-1] < left and next(self._seasons, False):
            pass
        found: list[float | None] = []
        i = 0
        for counts in (most, middle, least):  # each is reached on a later day than the one before
            i = bisect_left(counts, left, i)
            if i == len(days):
                found.append(None)
                continue
            until = days[i]
            if i:
                before, since = counts[i - 1], days[i - 1]
                day = since + (left - before) / (counts[i] - before) * (until - since)
                found.append(day if day < until else until)
            else:
                found.append(until)
        return found

    def _draw(self, use: Use, ahead: Sequence[Times], only: Kind | None, stated: float | None) -> Iterator[bool]:
        """Draws one season, or the time between two, at each step."""
        turns = _turns(use, ahead) if only is None else []
        reach, quantile = NORMAL90 * use.shift, use.quantile
        start = at = self.days[0]
        middle, most, least = 0.0, 0.0, 0.0
        # of the stretches behind: the spread's variance, the standard deviations of this season and of the others, the turns' variance
        spread_by = now_by = later_by = turned = 0.0
        opens = turns[0][0] if turns else inf
        add_day, add_most, add_middle, add_least = self.days.append, self.most.append, self.middle.append, self.least.append
        for since, to, kind in ahead:
            a_day = spread = now_strays = later_strays = 0.0
            if only is None or kind == only:
                rate = use.rates[kind]
                a_day, spread = rate.a_day, rate.spread
                present = since < start
                if stated is not None and (present or type(kind) is int):
                    a_day, now_strays = stated, sqrt(use.differ + rate.error)
                elif present and kind == use.kind:
                    a_day, now_strays = use.now, sqrt(use.differ_now)
                else:
                    later_strays = sqrt(use.differ + rate.error)
            begin, base = at, middle
            short = max(1.0, (begin - start) * _FAR_STEP)
            while at < to:
                step = (at - begin) * _STEP
                ends = at + (step if step > short else short) if a_day else to
                if ends > to:
                    ends = to
                if at < opens < ends:
                    ends = opens
                at = ends
                while turns and turns[0][1] <= at:
                    moves = turns.pop(0)[2]
                    turned += moves * moves
                    opens = turns[0][0] if turns else inf
                turning = turned
                if opens < at:
                    for begins, _, moves in turns[:2]:
                        if begins >= at:
                            break
                        part = moves * (at - begins) / reach
                        turning += part * part
                used = a_day * (at - begin)
                middle = base + used
                now, later = now_by + now_strays * used, later_by + later_strays * used
                strays = quantile * sqrt(spread_by + spread * used + now * now + later * later + turning)
                if middle + strays > most:
                    most = middle + strays
                if middle - strays > least:
                    least = middle - strays
                add_day(at)
                add_most(most)
                add_middle(middle)
                add_least(least)
            used = middle - base
            spread_by += spread * used
            now_by += now_strays * used
            later_by += later_strays * used
            yield True


def _known(use: Use, times: Sequence[Times], start: float, until: float, only: Kind | None) -> list[Times]:
    """The times ahead, up to the first of which too little is known."""
    found = []
    for each in times:
        since, to, kind = each
        if to <= start:
            continue
        if since >= until:
            break
        if only is None or kind == only:
            rate = use.rates.get(kind)
            if rate is None or rate.days < LEAST_DAYS:
                break
        found.append(each if to <= until else Times(since, until, kind))
    return found


def _turns(use: Use, ahead: Sequence[Times]) -> list[tuple[float, float, float]]:
    """Where one season gives way: from when it may, its date, and by how much its shift moves the count (one standard deviation)."""
    found = []
    for before, after in pairwise(ahead):
        if type(after.kind) is not int:
            moves = (use.rates[after.kind].a_day - use.rates[before.kind].a_day) * use.shift
            found.append((after.since - NORMAL90 * use.shift, after.since, moves))
    return found
