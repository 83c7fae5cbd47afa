"""Whether the store can be used, and how busy the way to it is."""

import asyncio
from collections.abc import Callable

from sqlalchemy.ext.asyncio import AsyncEngine
from sqlalchemy.pool import QueuePool

from fieldworthy.storage.engine import READY_SECONDS, SqlStore
from fieldworthy.storage.tables import REVISION
from fieldworthy.usecases.database_limits import DatabaseLimits
from fieldworthy.usecases.ports import StoreUnavailable
from fieldworthy.usecases.watch import Pool


async def hindrance(store: SqlStore) -> str | None:
    """What keeps a store from being read, without secrets; None where it answers, with the schema of this release. Raises nothing."""
    try:
        async with asyncio.timeout(READY_SECONDS):
            found = await store.revision()
    except StoreUnavailable as trouble:
        return trouble.detail
    except TimeoutError:
        return f"the database has not answered for {READY_SECONDS} s"
    if found == REVISION:
        return None
    return f"the database is at revision {found or 'none (it is empty)'}, and this release needs {REVISION}"


def pool_of(engine: AsyncEngine, limits: DatabaseLimits) -> Callable[[], Pool | None]:
    """Tells of the engine's connections at any time; a database in memory has no pool."""

    def now() -> Pool | None:
        pool = engine.pool
        return Pool(pool.checkedout(), pool.checkedin(), limits.pool + limits.overflow) if isinstance(pool, QueuePool) else None

    return now
