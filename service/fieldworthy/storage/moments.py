"""Now, as the store tells it."""

from sqlalchemy import text
from sqlalchemy.ext.asyncio import AsyncConnection

from fieldworthy.core.base.micros import micros_of
from fieldworthy.usecases.ports import Clock

_EPOCH_MICROS = text("select (extract(epoch from clock_timestamp()) * 1000000)::bigint")


async def moment(connection: AsyncConnection, clock: Clock | None) -> int:
    """By that clock; None: the database's own, which is PostgreSQL's."""
    if clock is not None:
        return micros_of(clock())
    return int((await connection.execute(_EPOCH_MICROS)).scalar_one())
