"""Whether a connection that lay in the pool is still one."""

from typing import Any

from sqlalchemy import event
from sqlalchemy.exc import InvalidatePoolError
from sqlalchemy.ext.asyncio import AsyncEngine


def pinging(engine: AsyncEngine) -> AsyncEngine:
    """
    The same engine, which asks each connection of PostgreSQL when it is taken from the pool. Where one is lost, so are all, and new ones
    are made.

    SQLAlchemy's own `pool_pre_ping` asks in a transaction, by a prepared statement: three messages and their answers for each request.
    A query of the simple protocol is one, and prepares nothing, so a pool outside that changes connections may stand between.
    """

    @event.listens_for(engine.sync_engine, "checkout")
    def taken(dbapi: Any, _record: object, _proxy: object) -> None:
        try:
            dbapi.run_async(lambda raw: raw.execute("select"))
        except Exception as trouble:
            raise InvalidatePoolError from trouble

    return engine
