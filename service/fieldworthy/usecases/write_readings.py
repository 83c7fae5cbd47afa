"""What is kept of one post of readings, written: the readings meter by meter, and at the end what changed with them."""

from collections.abc import Iterable, Iterator, Sequence
from itertools import chain

from fieldworthy.usecases.kept import Kept, Machine
from fieldworthy.usecases.kept_readings import OfMeter, Row
from fieldworthy.usecases.sent_meters import Fresh, SentMeter
from fieldworthy.usecases.sent_readings import SentReadings
from fieldworthy.usecases.setting_aside import unit_name


class WriteReadings:
    """
    Keeps what is kept of one post, in one or more goes; `end` notes the newest of each meter, and that their machines changed.

    known: since when it is known.
    """

    def __init__(self, kept: Kept, sent: SentReadings, known: int) -> None:
        self._kept = kept
        self._sent = sent
        self._known = known
        self._newest: list[Row] = []
        self._touched: dict[int, Machine] = {}

    async def keep_new(self, fresh: Sequence[Fresh]) -> None:
        """The same as `keep`; of a meter there may be none yet."""
        wanted = [meter for meter, _ in fresh if meter.kept is None]
        made = await self._kept.readings.add_meters([(meter.machine.key, meter.name) for meter in wanted])
        for meter in wanted:
            meter.kept = made[meter.machine.key, meter.name]
        await self.keep(iter(sorted(fresh, key=lambda each: _key(each[0]))))

    async def keep(self, fresh: Iterator[Fresh]) -> None:
        """fresh: of meters that there are. They are asked for one after the other while those before them are taken in."""
        first = next(fresh, None)
        if first is None:
            return
        await self._kept.readings.keep(self._columns(chain((first,), fresh)), self._known, self._sent.span)

    async def end(self) -> None:
        await self._kept.readings.note_kept(self._newest, list(self._touched), self._known)

    def _columns(self, fresh: Iterable[Fresh]) -> Iterator[OfMeter]:
        """What is kept, for the store; notes the newest reading of each meter where it is newer than before, and the machines."""
        for meter, columns in fresh:
            row = meter.kept
            assert row is not None
            self._touched[meter.machine.key] = meter.machine
            ours = [OfMeter(row.key, None if unit is None else unit_name(unit), ats, values) for unit, ats, values in columns]
            last = ours[0] if len(ours) == 1 else max(ours, key=_ends)
            if row.last_at is None or last.ats[-1] > row.last_at:
                self._newest.append((row.key, last.ats[-1], last.values[-1], last.unit))
            yield from ours


def there(meters: Iterable[SentMeter]) -> list[SentMeter]:
    """Those of which something was kept before, in the order of the store's keys: it is quicker to take their readings in."""
    return sorted((meter for meter in meters if meter.kept is not None), key=_key)


def _key(meter: SentMeter) -> int:
    return 0 if meter.kept is None else meter.kept.key


def _ends(readings: OfMeter) -> int:
    return readings.ats[-1]
