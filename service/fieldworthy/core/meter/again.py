"""Readings that were kept once and withdrawn: which of them nothing is against by now."""

from collections.abc import Sequence

from fieldworthy.core.base.quantity import Unit
from fieldworthy.core.meter.intake import Dial, Line, Sent, Swap


def fitting(withdrawn: Sequence[Sent], kept: Sequence[Sent], swaps: Sequence[Swap], own: Unit) -> Sequence[Sent]:
    """
    Those of `withdrawn` (in the order in which they were kept) that fit beside all that is kept; of several of one moment the first.

    kept: all that is kept of the meter, oldest first. Whether they fit beside each other is not asked.
    """
    dial = Dial(swaps, own)
    line = Line([*dial.counted(kept), *dial.points], dial)
    taken = {point[0] for point in kept}  # in whatever unit
    found = []
    for sent in withdrawn:
        for point in dial.counted([sent]):
            if point[0] not in taken and line.takes(point):
                taken.add(point[0])
                found.append(sent)
    return found
