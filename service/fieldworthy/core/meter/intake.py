"""Which readings of one meter can be kept, judged beside what is kept of it already.

What is kept stands: a new reading that contradicts it is set aside. Of new ones that contradict each other, the longest row that never runs
backward is kept (one spike does not cost all that comes after it), then whatever fits beside that. So nothing depends on the order in
which readings are sent; and readings of which any two agree are kept all, however they are cut into posts.

A meter of running time can't count more than the time that passed. A dial that shows whole hours may have just turned when it is read
first, and be about to turn the second time: so between two readings it may count `TOLERANCE` more than an hour an hour, an hour and a
hundredth of the time (common practice; the hundredth is for clocks that differ).

Moments are microseconds since 1970. A count is what the dial showed and what replaced dials counted before, in ticks (base/quantity.py) of
the meter's own unit.
"""

from bisect import bisect_right
from collections.abc import Mapping, Sequence
from fractions import Fraction
from itertools import groupby
from operator import le, lt
from typing import NamedTuple

from fieldworthy.core.base.micros import AHEAD, HOUR, SECOND
from fieldworthy.core.base.quantity import TICKS, UNITS, Exact, Unit, convert, find_unit, whole

EARLIEST = 631_152_000 * SECOND
"""1990-01-01, UTC: an earlier time comes from a clock that was never set."""

MOST = 10**12 * TICKS
"""The greatest value that is kept, of any unit."""

TOLERANCE = (HOUR, 100)
"""So much more, and one in so many of the time that passed, may a meter of running time count."""

KEPT, SAME = "kept", "same"
RUNS_BACKWARD, IMPOSSIBLE_PACE, CONTRADICTS = "runs-backward", "impossible-pace", "contradicts"
LOOKS_LIKE = {"min": "looks-like-minutes", "s": "looks-like-seconds"}
FROM_THE_FUTURE, OTHER_UNIT, OUT_OF_RANGE = "from-the-future", "other-unit", "out-of-range"

_ROUNDS = 5
"""What is kept may let its neighbour in, and that one the next: so often those that did not fit are looked at again, from either end."""

Sent = tuple[int, Exact, str | None]
"""When, what the dial showed [millionths of the unit] and the unit; None: the meter's own. A Fraction is finer than what is kept."""

Point = tuple[int, Exact]
"""A moment and a count."""


class Swap(NamedTuple):
    """A meter was replaced: what the old dial showed last and the new one first [ticks]."""

    at: int
    old: Exact
    new: Exact


class Aside(NamedTuple):
    """A reading is set aside.

    before, after: the neighbours that it was judged by, as their own dials showed them [ticks]; below, above: it counts less than the
    one before, more than the one after. CONTRADICTS: before is the other one of its moment; unit: the other one's, where that no longer
    fits the meter (ticks of it then).
    """

    why: str
    before: Point | None = None
    after: Point | None = None
    below: bool = False
    above: bool = False
    unit: str | None = None


Verdict = str | Aside
"""KEPT, SAME or why it is set aside."""

_Fresh = tuple[int, Exact, int]

_MICROS: Mapping[str, int] = {u.name: int(u.factor * (HOUR // TICKS)) for u in UNITS.values() if u.dimension == "time"}
"""The microseconds of a tick, of the units of time."""


def judge(sent: Sequence[Sent], kept: Sequence[Sent], swaps: Sequence[Swap], own: Unit, now: int) -> list[Verdict]:
    """
    A verdict for each of `sent`, in their order.

    kept: what is kept of this meter, oldest first, one a moment; at least what is kept at the moments of `sent`, and the nearest before
    and after each. swaps: its replacements, oldest first. own: the meter's unit. now: the store's moment.
    """
    if not swaps:
        if sent == kept:
            return [SAME] * len(sent)
        last = kept[-1] if kept else None
        if _all_new(sent, last, own, now) or _all_new(sorted(sent, key=_when), last, own, now):
            return [KEPT] * len(sent)
        if kept and _all_same(sent, kept, own):
            return [SAME] * len(sent)
    return judge_closely(sent, kept, swaps, own, now)


def all_new(ats: Sequence[int], values: Sequence[int], unit: str | None, last: Sent | None, own: Unit, now: int) -> bool:
    """
    Whether all of these are kept, for a meter that was never replaced: quick to see where they are newer than what is kept, oldest first,
    and each agrees with the one before, as nearly always. False: `judge` tells.

    ats, values, unit: at least one reading in columns, the values in whole millionths of the unit, which is None for the meter's own.
    last: the newest that is kept.
    """
    name = own.name
    then, shown, given = last if last is not None else (EARLIEST - 1, 0, None)
    if (unit is not None and unit != name) or (given is not None and given != name):
        return False
    if not (then < ats[0] and ats[-1] <= now + AHEAD and shown <= values[0] and values[-1] <= MOST):
        return False
    if not all(map(lt, ats, ats[1:])) or not all(map(le, values, values[1:])):
        return False
    micros = _MICROS.get(name)
    if micros is None:  # whatever does not count time keeps every pace
        return True
    if last is None:
        then, shown = ats[0], values[0]
    more, share = TOLERANCE
    if (values[-1] - shown) * micros <= more:  # in all no more than may be between any two
        return True
    for at, value in zip(ats, values, strict=True):
        over = (value - shown) * micros - (at - then) - more  # beyond an hour an hour, and one hour
        if over > 0 and over * share > at - then:
            return False
        then, shown = at, value
    return True


def judge_closely(sent: Sequence[Sent], kept: Sequence[Sent], swaps: Sequence[Swap], own: Unit, now: int) -> list[Verdict]:
    """The same, one by one. `judge` tells at a glance what is all of it new or all of it kept already."""
    verdicts: list[Verdict] = [KEPT] * len(sent)
    fresh: list[tuple[int, Exact, int]] = []
    latest = now + AHEAD
    scales: dict[str | None, Exact | None] = {None: 1}
    stands = {point[0]: point for point in kept}
    for i, (at, value, unit) in enumerate(sent):
        if at in stands and just_so(sent[i], stands[at], own):  # also in a unit of before, or ahead of a clock that was set back
            verdicts[i] = SAME
        elif type(value) is not int or not 0 <= value <= MOST or at < EARLIEST:
            verdicts[i] = Aside(OUT_OF_RANGE)
        elif at > latest:
            verdicts[i] = Aside(FROM_THE_FUTURE)
        else:
            if unit not in scales:
                scales[unit] = _scale(unit, own)
            scale = scales[unit]
            if scale is None:
                verdicts[i] = Aside(OTHER_UNIT)
            else:
                fresh.append((at, value if scale == 1 else whole(value * scale), i))
    if not fresh:
        return verdicts
    dial = Dial(swaps, own)
    if swaps:
        fresh = [(at, count + dial.offset(at), i) for at, count, i in fresh]
    fresh.sort(key=lambda p: (p[0], p[1], sent[p[2]][2] or ""))  # the same said in two units: whichever was sent first decides nothing
    counted = dial.counted(kept)
    if len(counted) < len(kept):
        fresh = _beside_strange(fresh, kept, counted, verdicts)
    _settle(fresh, counted, dial, verdicts, sent)
    return verdicts


class Dial:
    """What a meter's replacements and its unit say of two of its readings."""

    def __init__(self, swaps: Sequence[Swap], own: Unit) -> None:
        self.own = own
        self.swaps = swaps
        self.swapped = [s.at for s in swaps]
        self.offsets: list[Exact] = [0]
        self.points: list[Point] = []
        for s in swaps:
            self.points.append((s.at, s.old + self.offsets[-1]))
            self.offsets.append(self.offsets[-1] + s.old - s.new)
        self._micros = _MICROS.get(own.name)

    def offset(self, at: int) -> Exact:
        """What replaced dials had counted before this moment's one, less what it began with."""
        return self.offsets[bisect_right(self.swapped, at)]

    def counted(self, kept: Sequence[Sent]) -> list[Point]:
        """The counts of kept readings, without those in units that no longer fit the meter."""
        points = []
        for at, value, unit in kept:
            if unit is not None and unit != self.own.name:
                scale = _scale(unit, self.own)
                if scale is None:
                    continue
                value = whole(value * scale)
            points.append((at, value + self.offset(at) if self.swapped else value))
        return points

    def shown(self, point: Point | None) -> Point | None:
        """What the dial showed then."""
        return None if point is None else (point[0], point[1] - self.offset(point[0]))

    def agree(self, earlier: Point | _Fresh, later: Point | _Fresh) -> bool:
        """Whether one dial can have shown both."""
        return earlier[1] <= later[1] and self.reachable(earlier, later)

    def reachable(self, earlier: Point | _Fresh, later: Point | _Fresh) -> bool:
        """Whether the time between them was long enough; always, for a meter that does not count time."""
        if self._micros is None:
            return True
        more, share = TOLERANCE
        return (later[1] - earlier[1]) * self._micros * share <= (later[0] - earlier[0]) * (share + 1) + more * share


class Line:
    """Points of one meter, oldest first, into which new ones are put where they fit."""

    def __init__(self, points: Sequence[Point], dial: Dial) -> None:
        self._dial = dial
        self._points = sorted(points)
        self._times = [p[0] for p in self._points]

    def around(self, at: int) -> tuple[Point | None, Point | None]:
        """The nearest at or before, and the nearest after a moment."""
        i = bisect_right(self._times, at)
        return (self._points[i - 1] if i else None), (self._points[i] if i < len(self._points) else None)

    def takes(self, point: Point) -> bool:
        before, after = self.around(point[0])
        agree = self._dial.agree
        return (before is None or agree(before, point)) and (after is None or agree(point, after))

    def put(self, point: Point) -> None:
        i = bisect_right(self._times, point[0])
        self._times.insert(i, point[0])
        self._points.insert(i, point)


def _all_new(sent: Sequence[Sent], last: Sent | None, own: Unit, now: int) -> bool:
    """The same of readings one by one."""
    if not sent:
        return True
    ats, values, units = zip(*sent, strict=True)
    return {*units} <= {None, own.name} and {*map(type, values)} == {int} and all_new(ats, values, None, last, own, now)


def _all_same(sent: Sequence[Sent], kept: Sequence[Sent], own: Unit) -> bool:
    """Whether each is kept already, as it is. False: look closer."""
    there = {point[0]: point for point in kept}
    for reading in sent:
        point = there.get(reading[0])
        if point is None or not just_so(reading, point, own):
            return False
    return True


def just_so(reading: Sent, kept: Sent, own: Unit) -> bool:
    """Whether one of the same moment is kept with this value and this unit."""
    if reading[1] != kept[1]:
        return False
    name, there = reading[2] or own.name, kept[2] or own.name
    if name == there:
        return True
    meant = find_unit(name)
    return meant is not None and meant.name == there


def _beside_strange(fresh: Sequence[_Fresh], kept: Sequence[Sent], counted: Sequence[Point], verdicts: list[Verdict]) -> list[_Fresh]:
    """Those whose moments no reading holds that is kept in a unit that no longer fits the meter; notes the others."""
    strange = {point[0]: point for point in kept}
    for at, _ in counted:
        del strange[at]
    for at, _, i in fresh:
        if at in strange:
            verdicts[i] = Aside(CONTRADICTS, strange[at][:2], unit=strange[at][2])
    return [point for point in fresh if point[0] not in strange]


def _settle(fresh: Sequence[_Fresh], kept: Sequence[Point], dial: Dial, verdicts: list[Verdict], sent: Sequence[Sent]) -> None:
    """Fills in the verdicts of what needs a closer look. fresh: by moment and count, with their places in `verdicts`."""
    line = Line([*kept, *dial.points], dial)
    single, alike = _one_a_moment(fresh, kept, dial, verdicts)
    free = [p for p in single if line.takes((p[0], p[1]))]
    chosen: set[int] = set()
    passes = [[*_longest(free), *free], *([single[::-1], single] * _ROUNDS)]  # the longest row, then whatever fits beside it
    for n, points in enumerate(passes):
        before = len(chosen)
        for at, count, i in points:
            if i not in chosen and line.takes((at, count)):
                line.put((at, count))
                chosen.add(i)
        if len(chosen) == len(single) or (n and len(chosen) == before):
            break
    for at, count, i in single:
        if i not in chosen:
            verdicts[i] = _why((at, count), sent[i][2], line, dial)
            for j in alike[i]:
                verdicts[j] = verdicts[i]


def _one_a_moment(
    fresh: Sequence[_Fresh], kept: Sequence[Point], dial: Dial, verdicts: list[Verdict]
) -> tuple[list[_Fresh], dict[int, list[int]]]:
    """Those that are neither kept already nor at odds with another of the same moment; and the places of those that say the same as one.

    Two values for one moment that is not kept: none of them is known to be the right one, so none is kept.
    """
    known = dict(kept)
    known.update({s.at: point[1] for s, point in zip(dial.swaps, dial.points, strict=True) if s.at not in known})
    stands = dict(kept)
    single: list[_Fresh] = []
    alike: dict[int, list[int]] = {}
    for at, together in groupby(fresh, _moment):
        group = list(together)
        if at in known:
            for _, count, i in group:
                if count != known[at]:
                    verdicts[i] = Aside(CONTRADICTS, dial.shown((at, known[at])))
                elif at in stands:
                    verdicts[i] = SAME
        if at in stands:
            continue
        group = [p for p in group if at not in known or p[1] == known[at]]
        if not group:
            continue
        first = group[0]
        others = [i for _, count, i in group[1:] if count == first[1]]
        if len(others) + 1 < len(group):
            other = group[-1]
            for _, count, i in group:
                verdicts[i] = Aside(CONTRADICTS, dial.shown((at, first[1] if count != first[1] else other[1])))
            continue
        for i in others:
            verdicts[i] = SAME
        single.append(first)
        alike[first[2]] = others
    return single, alike


def _longest(points: Sequence[_Fresh]) -> list[_Fresh]:
    """The longest row of points, oldest first, that never runs backward; of several the one whose points come first.

    So of two that can't both be, and nothing says which is wrong, the earlier one is kept: as if they had been sent when they were read.
    """
    lows: list[Exact] = []  # less than zero: the highest beginning of a row of each length, from the end backward
    lengths: list[int] = []
    for _, count, _ in reversed(points):
        length = bisect_right(lows, -count)
        lows[length : length + 1] = [-count]
        lengths.append(length + 1)
    lengths.reverse()
    row: list[_Fresh] = []
    left = len(lows)
    for point, length in zip(points, lengths, strict=True):
        if length == left and (not row or point[1] >= row[-1][1]):
            row.append(point)
            left -= 1
    return row


def _why(point: Point, unit: str | None, line: Line, dial: Dial) -> Aside:
    before, after = line.around(point[0])
    low = before is not None and point[1] < before[1]
    high = after is not None and point[1] > after[1]
    why = RUNS_BACKWARD if low or high else IMPOSSIBLE_PACE
    if before is not None and not low and _in_hours(unit, dial.own) and not dial.reachable(before, point):
        offset = dial.offset(point[0])
        for name, looks in LOOKS_LIKE.items():
            if line.takes((point[0], whole((point[1] - offset) * UNITS[name].factor) + offset)):
                why = looks
                break
    return Aside(why, dial.shown(before), dial.shown(after), low, high)


def _in_hours(unit: str | None, own: Unit) -> bool:
    meant = own if unit is None else find_unit(unit)
    return meant is not None and meant.name == "h" == own.name


def _scale(word: str | None, own: Unit) -> Exact | None:
    """What one of a unit is in the meter's own; None where it measures something else."""
    unit = None if word is None else find_unit(word)
    if unit is None or unit.dimension != own.dimension:
        return None
    return whole(Fraction(convert(1, unit, own)))


def _moment(point: _Fresh) -> int:
    return point[0]


def _when(sent: Sent) -> int:
    return sent[0]
