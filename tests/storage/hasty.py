"""A store that waits for nothing long, and what the tests of trouble do with it."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import pytest
from sqlalchemy.ext.asyncio import AsyncConnection

from fieldworthy.storage.engine import SqlStore, open_engine
from fieldworthy.storage.kept import SqlKept
from fieldworthy.usecases.database_limits import DatabaseLimits
from fieldworthy.usecases.kept import HOME, Kept

HASTY = DatabaseLimits(pool=1, overflow=1, pool_wait=1, connect=2, statement=2, lock=1, idle=1)

postgresql_only = pytest.mark.postgres


@asynccontextmanager
async def hasty(address: str) -> AsyncIterator[SqlStore]:
    """A store over two connections at most that waits a second for anything."""
    store = SqlStore(open_engine(address, HASTY), wait=HASTY.lock)
    try:
        yield store
    finally:
        await store.close()


def at_once(address: str) -> SqlStore:
    return SqlStore(open_engine(address))


def connection_of(kept: Kept) -> AsyncConnection:
    assert isinstance(kept, SqlKept)
    return kept.connection


async def add(store: SqlStore, id: str) -> None:
    async with store.keep(HOME) as kept:
        await kept.machines.add(id, await kept.moment(), "baler", None)


async def ids(store: SqlStore) -> list[str]:
    async with store.look(HOME) as kept:
        return [m.id for m in await kept.machines.page(None, 1000)]


def held(store: SqlStore) -> int:
    """Connections that are given out and not given back."""
    out: int = store.engine.pool.checkedout()  # type: ignore[attr-defined]  # every pool but the null pool has it
    return out
