"""Whether a replacement of a meter can stand beside the readings that are kept of it.

From the moment of a replacement on (included) the new dial is in place. What is kept was judged without it if it is declared late; so what
lies before that moment must fit what the old dial showed last, and what lies after it what the new one showed first: a meter never
runs backward, and one of running time counts no more than the time that passed (core/meter/intake.py).

A kept reading after that moment that goes on from where the old dial ended was taken for the old dial's. Whether it was the new one's
nothing tells, unless a reading from before it, and not from before the replacement, shows what only the new dial can have shown: one that
waits counts too, for it was set aside beside the old dial. Values that records note are readings too, but nobody judged them when they were
told: of them it is only looked whether the count would jump by what the old dial showed, and whether the old dial can have counted so far
since the last one.

A correction must not put readings on one dial that were shown by two: no two that lie beside each other and agreed before may run backward
by it.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from typing import NamedTuple

from fieldworthy.core.base.micros import DAY
from fieldworthy.core.base.quantity import Exact
from fieldworthy.core.meter.intake import Dial, Point, Sent, Swap

TWICE = "twice"
OLD_SHOWED_MORE = "old-showed-more"
NEW_SHOWED_LESS = "new-showed-less"
AT_THAT_MOMENT = "at-that-moment"
TOO_FAST_BEFORE = "too-fast-before"
TOO_FAST_AFTER = "too-fast-after"
OF_THE_OLD_DIAL = "of-the-old-dial"
OF_TWO_DIALS = "of-two-dials"


class Noted(NamedTuple):
    """What a dial showed by a record.

    at: the moment, or the beginning of the day where that is all that is known; shown [ticks]; leeway [ticks]: it may have been so much
    more, for people round; beginning: when the machine went into service, and told of nothing else.
    """

    at: int
    shown: Exact
    whole_day: bool
    by: str
    leeway: Exact = 0
    beginning: bool = False


class Contradiction(NamedTuple):
    """What can't be beside a replacement.

    at, shown: the reading, as its own dial showed it [ticks]; of another replacement: its moment, and what its new dial (before this
    one) or its old dial (after it) showed. by: what noted it; None: a reading. beside: OF_TWO_DIALS: the reading just before it.
    """

    why: str
    at: int
    shown: Exact
    of_replacement: bool = False
    by: str | None = None
    beside: Point | None = None


def contradiction(
    swap: Swap,
    dial: Dial,
    kept: Sequence[Sent],
    noted: Sequence[Noted] = (),
    new_since: int | None = None,
    waiting: Sequence[Sent] = (),
    former: Dial | None = None,
) -> Contradiction | None:
    """
    What contradicts `swap`, which is one of the dial's: of the kept readings, of what is noted, and of the meter's other replacements.

    kept: oldest first. new_since: what was shown from then on is known to be the new dial's, however it goes on; None: nothing says so.
    waiting: readings that were set aside. former: the dial as it stood before a correction; None: this is none.
    """
    i = dial.swaps.index(swap)
    if sum(other.at == swap.at for other in dial.swaps) > 1:
        return Contradiction(TWICE, swap.at, swap.new, of_replacement=True)
    line = dial.counted(kept)
    times = [at for at, _ in line]
    first, behind = bisect_left(times, swap.at), bisect_right(times, swap.at)
    earlier = line[first - 1] if first else None
    later = line[behind] if behind < len(line) else None
    here = dial.points[i]
    until = dial.swaps[i + 1].at if i + 1 < len(dial.swaps) else None
    shown = [Noted(at, count - dial.offset(at), False, "") for at, count in line[first : behind + 1]]
    since = sorted(n for n in (*shown, *noted) if n.at >= swap.at and (until is None or n.at < until) and not n.beginning)
    found = (
        _before(here, earlier, dial, i) or _too_far(swap, dial, i, noted, earlier) or _at_once(swap, since) or _after(here, later, dial, i)
    )
    if found is None and not _shows_the_new(swap, dial, since, waiting):
        found = _of_the_old_dial(swap, dial, since, new_since)
    return found or (None if former is None else _of_two_dials(dial, former, kept))


def _before(here: Point, earlier: Point | None, dial: Dial, i: int) -> Contradiction | None:
    other = dial.points[i - 1] if i else None
    near = max((p for p in (earlier, other) if p is not None), default=None)
    if near is None or dial.agree(near, here):
        return None
    why = OLD_SHOWED_MORE if near[1] > here[1] else TOO_FAST_BEFORE
    return Contradiction(why, near[0], near[1] - dial.offset(near[0]), of_replacement=near != earlier)


def _too_far(swap: Swap, dial: Dial, i: int, noted: Sequence[Noted], reading: Point | None) -> Contradiction | None:
    """
    The last that was noted before, where the old dial can't have counted on from there to what it is said to have shown last. reading: the
    last one; where it is newer, it alone tells.
    """
    since = dial.swaps[i - 1].at if i else None
    earlier = [n for n in noted if (n.at + DAY if n.whole_day else n.at + 1) <= swap.at and (since is None or since <= n.at)]
    last = max(earlier, default=None)
    if (
        last is None
        or (reading is not None and last.at <= reading[0])
        or dial.reachable((last.at, last.shown + last.leeway), (swap.at, swap.old))
    ):
        return None
    return Contradiction(TOO_FAST_BEFORE, last.at, last.shown, by=last.by)


def _at_once(swap: Swap, since: Sequence[Noted]) -> Contradiction | None:
    wrong = next((n for n in since if n.at == swap.at and not n.whole_day and n.shown != swap.new), None)
    return None if wrong is None else Contradiction(AT_THAT_MOMENT, wrong.at, wrong.shown, by=wrong.by or None)


def _after(here: Point, later: Point | None, dial: Dial, i: int) -> Contradiction | None:
    other = dial.points[i + 1] if i + 1 < len(dial.points) else None
    near = min((p for p in (later, other) if p is not None), default=None)
    if near is None or dial.agree(here, near):
        return None
    why = NEW_SHOWED_LESS if near[1] < here[1] else TOO_FAST_AFTER
    if near == later:
        return Contradiction(why, near[0], near[1] - dial.offset(near[0]))
    return Contradiction(why, near[0], dial.swaps[i + 1].old, of_replacement=True)


def _shows_the_new(swap: Swap, dial: Dial, since: Sequence[Noted], waiting: Sequence[Sent]) -> bool:
    """
    Whether one that waits, from before all that was shown since, can only have been shown by the new dial: it fits between what that showed
    first and what was shown next, and the old one can't have gone on to it.
    """
    if not since:
        return False
    offset = dial.offset(swap.at)
    here, behind = (swap.at, swap.new + offset), (since[0].at, since[0].shown + offset)
    for at, count in dial.counted([w for w in waiting if swap.at <= w[0] <= behind[0]]):
        of_the_new = count == here[1] if at == swap.at else not dial.agree((swap.at, swap.old), (at, count - offset))
        if of_the_new and dial.agree(here, (at, count)) and dial.agree((at, count), behind):
            return True
    return False


def _of_the_old_dial(swap: Swap, dial: Dial, since: Sequence[Noted], new_since: int | None) -> Contradiction | None:
    """The first that was shown since, where it goes on from where the old dial ended, and nothing says that it was the new one."""
    if not since or swap.old == swap.new:
        return None
    if any(n.at == swap.at and not n.whole_day for n in since):  # it shows what the new dial began with, or was told of before
        return None
    first = since[0]
    goes_on = dial.agree((swap.at, swap.old), (first.at + (DAY if first.whole_day else 0), first.shown))
    if not goes_on or (new_since is not None and new_since <= first.at):
        return None
    return Contradiction(OF_THE_OLD_DIAL, first.at, first.shown, by=first.by or None)


def _of_two_dials(dial: Dial, former: Dial, kept: Sequence[Sent]) -> Contradiction | None:
    """The first reading that would be of one dial with the one before it, could not be, and was not before."""
    line, stood = dial.counted(kept), former.counted(kept)
    for k in range(1, len(line)):
        before, point = line[k - 1], line[k]
        if dial.offset(before[0]) == dial.offset(point[0]) and not dial.agree(before, point) and former.agree(stood[k - 1], stood[k]):
            offset = dial.offset(point[0])
            return Contradiction(OF_TWO_DIALS, point[0], point[1] - offset, beside=(before[0], before[1] - offset))
    return None
