"""What was sent of each meter, and what is seen of it at a glance: all of it is new and fits, or all of it is kept already, just so."""

from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from operator import itemgetter
from typing import cast

from fieldworthy.core.base.micros import HOUR
from fieldworthy.core.base.quantity import Unit
from fieldworthy.core.meter.intake import SAME, Sent, all_new
from fieldworthy.usecases.kept import Kept, Machine
from fieldworthy.usecases.kept_readings import Meter
from fieldworthy.usecases.sent_readings import SentReadings

RUN = 2 * HOUR
"""Moments that lie closer are looked up as one stretch of time."""


@dataclass(slots=True)
class SentMeter:
    """What was sent of one meter. places: where in the post its readings stand, in their order there."""

    machine: Machine
    name: str
    own: Unit
    rulebook: str
    kept: Meter | None
    places: list[int]

    @property
    def last(self) -> Sent | None:
        """The newest that is kept."""
        kept = self.kept
        if kept is None or kept.last_at is None or kept.last_value is None:
            return None
        return kept.last_at, kept.last_value, kept.last_unit

    def readings(self, sent: SentReadings) -> list[Sent]:
        """In the order of the post."""
        return [(sent.ats[i], sent.values[i], sent.units[i]) for i in self.places]


Columns = tuple[str | None, Sequence[int], Sequence[int]]
"""A unit, and readings in it, oldest first: when, and millionths of it."""

Fresh = tuple[SentMeter, Sequence[Columns]]
"""What is kept of a meter."""


@dataclass(slots=True)
class Glance:
    """
    What is seen of meters one after the other. What is kept of one is given away before the next is looked at, so that it is on its way to
    the database meanwhile; of what is left, `rest` tells.

    sent: `even`; swaps: the meters that were replaced; now: the store's moment.
    """

    sent: SentReadings
    swaps: Collection[tuple[int, str]]
    now: int
    _late: list[tuple[SentMeter, Sequence[int], Sequence[int]]] = field(default_factory=list)
    _closer: list[SentMeter] = field(default_factory=list)

    def fresh(self, meters: Iterable[SentMeter]) -> Iterator[Fresh]:
        """Those of which all is kept."""
        unit = self.sent.units[0]
        for meter in meters:
            if self.swaps and (meter.machine.key, meter.name) in self.swaps:
                self._closer.append(meter)
                continue
            ats, values = _picked(meter.places, self.sent)
            last = meter.last
            if all_new(ats, values, unit, last, meter.own, self.now):
                yield meter, [(unit, ats, values)]
            elif last is not None and ats[-1] <= last[0] and 0 <= ats[-1] - ats[0] <= RUN * len(ats):
                self._late.append((meter, ats, values))
            else:
                self._closer.append(meter)

    async def rest(self, kept: Kept, outcomes: list[str]) -> Sequence[SentMeter]:
        """The meters that need a closer look; of those of which all was kept before it notes so."""
        unit = self.sent.units[0]
        spans = [(meter.kept.key, ats[0], ats[-1]) for meter, ats, _ in self._late if meter.kept is not None]
        there = await kept.readings.columns(spans, unit)
        again: list[SentMeter] = []
        closer = list(self._closer)
        for meter, ats, values in self._late:
            found = there.get(meter.kept.key) if meter.kept is not None else None
            same = found is not None and tuple(found[0]) == ats and tuple(found[1]) == values
            (again if same else closer).append(meter)
        note_again(again, outcomes)
        return closer


def _picked(places: Sequence[int], sent: SentReadings) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """The moments and the values at some places of a post in which all values are whole."""
    if len(places) == 1:
        (place,) = places
        return (sent.ats[place],), (cast(int, sent.values[place]),)
    pick = itemgetter(*places)
    return pick(sent.ats), pick(sent.values)


def note_again(again: Sequence[SentMeter], outcomes: list[str]) -> None:
    """Notes the meters of which all was kept before."""
    if sum(len(meter.places) for meter in again) == len(outcomes):
        outcomes[:] = [SAME] * len(outcomes)
        return
    for meter in again:
        for place in meter.places:
            outcomes[place] = SAME
