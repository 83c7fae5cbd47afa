"""What retention asks of the database."""

from collections.abc import Collection, Sequence

from sqlalchemy import delete, select

from fieldworthy.storage.kept import SqlKept
from fieldworthy.storage.machines import chunks
from fieldworthy.storage.tables import entries, readings
from fieldworthy.usecases.kept import Entry

_FEW = 500


class SqlThinning:
    """Implements `usecases.retention.Thinning` inside one transaction, which it neither begins nor ends."""

    def __init__(self, kept: SqlKept) -> None:
        self.kept = kept

    async def states(self, machine: int) -> Sequence[Entry]:
        columns = [entries.c[name] for name in ("kind", "id", "known", "at", "about", "body", "open", "superseded")]
        query = select(*columns).where(entries.c.organisation == self.kept.organisation, entries.c.machine == machine)
        rows = await self.kept.connection.execute(query)
        return [Entry(kind, id, known, at, about, body, bool(is_open), gone) for kind, id, known, at, about, body, is_open, gone in rows]

    async def drop(self, meter: int, moments: Collection[int]) -> None:
        own = (readings.c.organisation == self.kept.organisation, readings.c.meter == meter)
        self.kept.trail.counted(None, dropped=len(moments))
        for chunk in chunks(sorted(moments), _FEW):
            await self.kept.connection.execute(delete(readings).where(*own, readings.c.at.in_(chunk)))
