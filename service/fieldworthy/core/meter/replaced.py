"""Whether a replacement of a meter can stand beside the readings that are kept of it.

From the moment of a replacement on (included) the new dial is in place. What is kept was judged without it if it is declared late; so what
lies before that moment must fit what the old dial showed last, and what lies after it what the new one showed first: a meter never
runs backward, and one of running time counts no more than the time that passed (core/meter/intake.py).

A kept reading after that moment that goes on from where the old dial ended was taken for the old dial's. Whether it was the new one's
nothing tells, unless a reading of that very moment shows what the new dial began with. Values that records note are readings too, but
nobody judged them when they were told: of them it is only looked whether the count would jump by what the old dial showed.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from typing import NamedTuple

from fieldworthy.core.base.quantity import Exact
from fieldworthy.core.meter.intake import Dial, Point, Sent, Swap

TWICE = "twice"
OLD_SHOWED_MORE = "old-showed-more"
NEW_SHOWED_LESS = "new-showed-less"
AT_THAT_MOMENT = "at-that-moment"
TOO_FAST_BEFORE = "too-fast-before"
TOO_FAST_AFTER = "too-fast-after"
OF_THE_OLD_DIAL = "of-the-old-dial"


class Noted(NamedTuple):
    """What a dial showed by a record. at: the moment, or the beginning of the day where that is all that is known; shown [ticks]."""

    at: int
    shown: Exact
    whole_day: bool
    by: str


class Contradiction(NamedTuple):
    """What can't be beside a replacement.

    at, shown: the reading, as its own dial showed it [ticks]; of another replacement: its moment, and what its new dial (before this
    one) or its old dial (after it) showed. by: what noted it; None: a reading.
    """

    why: str
    at: int
    shown: Exact
    of_replacement: bool = False
    by: str | None = None


def contradiction(
    swap: Swap, dial: Dial, kept: Sequence[Sent], noted: Sequence[Noted] = (), new_since: int | None = None
) -> Contradiction | None:
    """
    What contradicts `swap`, which is one of the dial's: of the kept readings, of what is noted, and of the meter's other replacements.

    kept: oldest first. new_since: what was shown from then on is known to be the new dial's, however it goes on; None: nothing says so.
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
    since = sorted(n for n in (*shown, *noted) if n.at >= swap.at and (until is None or n.at < until))
    return (
        _before(here, earlier, dial, i) or _at_once(swap, since) or _after(here, later, dial, i) or _of_the_old_dial(swap, since, new_since)
    )


def _before(here: Point, earlier: Point | None, dial: Dial, i: int) -> Contradiction | None:
    other = dial.points[i - 1] if i else None
    near = max((p for p in (earlier, other) if p is not None), default=None)
    if near is None or dial.agree(near, here):
        return None
    why = OLD_SHOWED_MORE if near[1] > here[1] else TOO_FAST_BEFORE
    return Contradiction(why, near[0], near[1] - dial.offset(near[0]), of_replacement=near != earlier)


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


def _of_the_old_dial(swap: Swap, since: Sequence[Noted], new_since: int | None) -> Contradiction | None:
    """The first that was shown since, where it goes on from where the old dial ended, and nothing says that it was the new one."""
    if not since or swap.old == swap.new:
        return None
    if any(n.at == swap.at and not n.whole_day for n in since):  # it shows what the new dial began with, or was told of before
        return None
    first = since[0]
    if first.shown < swap.old or (new_since is not None and new_since <= first.at):
        return None
    return Contradiction(OF_THE_OLD_DIAL, first.at, first.shown, by=first.by or None)
