"""What was granted to each asker in their window of time: one row each, for all processes together."""

from sqlalchemy import delete, insert, select, update
from sqlalchemy.dialects.postgresql import insert as insert_or_leave
from sqlalchemy.ext.asyncio import AsyncConnection

from fieldworthy.storage.moments import moment
from fieldworthy.storage.tables import quotas
from fieldworthy.usecases.ports import Clock
from fieldworthy.usecases.quota import Drawn, Quota, Window, draw


class SqlQuotas:
    """Implements `usecases.quotas.QuotaBook` inside one transaction, which it neither begins nor ends. clock: see `storage.kept`."""

    def __init__(self, connection: AsyncConnection, clock: Clock | None) -> None:
        self._connection = connection
        self._clock = clock

    async def draw(self, asker: str, quota: Quota, wanted: int) -> Drawn:
        kept = await self._locked(asker)
        while kept is None and self._connection.dialect.name == "postgresql":
            # the row is there first, and can be locked: else two that come at once would both draw from nothing
            await self._connection.execute(insert_or_leave(quotas).values(asker=asker, begun=0, granted=0).on_conflict_do_nothing())
            kept = await self._locked(asker)
        # only now that nobody else draws: the clock says no less than what they said, and a window that they began is not ahead of it
        drawn = draw(kept, await moment(self._connection, self._clock), quota, wanted)
        new = {"begun": drawn.window.begun, "granted": drawn.window.granted}
        if kept is None:
            await self._connection.execute(insert(quotas).values(asker=asker, **new))
        elif drawn.window != kept:
            await self._connection.execute(update(quotas).where(quotas.c.asker == asker).values(new))
        return drawn

    async def forget(self, older: int) -> None:
        before = await moment(self._connection, self._clock) - older
        await self._connection.execute(delete(quotas).where(quotas.c.begun < before))

    async def _locked(self, asker: str) -> Window | None:
        """On SQLite whoever writes is alone anyway, and says nothing of it."""
        query = select(quotas.c.begun, quotas.c.granted).where(quotas.c.asker == asker).with_for_update()
        row = (await self._connection.execute(query)).first()
        return None if row is None else Window(row.begun, row.granted)
