"""
Row-level security on PostgreSQL, behind the store's own filters: a transaction says whose rows it is about, and the database shows it, and
takes from it, no others. To one that said nothing it shows none. SQLite has nothing of the kind.

The policies are made by migrations. Of a role that PostgreSQL lets past them (superusers, those with BYPASSRLS) `serve` says so.
"""

from functools import cache
from typing import Any

from sqlalchemy import text
from sqlalchemy.ext.asyncio import AsyncConnection, AsyncEngine

from fieldworthy.storage.trouble import reaching

ACROSS_KEYS = "set local fieldworthy.across = 'keys'"
"""For who looks for a key, and does not know yet whose it is, and for who keeps keys: all keys and organisations, and nothing else."""

ACROSS_DUE = "set local fieldworthy.across = 'due'"
"""For a worker that looks whose something is to be delivered: all organisations' deliveries, to read, and nothing else."""


@cache
def connection_class() -> type[Any]:
    """A connection of the driver that says with its next `begin`, in the same message, what the transaction is about."""
    from asyncpg import Connection  # type: ignore[import-untyped]  # here, for SQLite does without it

    class Telling(Connection):  # type: ignore[misc]  # of a driver without types
        _next = ""

        def say(self, settings: str) -> None:
            """settings: `set local …`, of our own making."""
            self._next = settings

        async def execute(self, query: str, *args: Any, **options: Any) -> Any:
            if self._next and query.startswith("BEGIN"):
                query, self._next = f"{query} {self._next}", ""
            return await super().execute(query, *args, **options)

    return Telling


async def about(connection: AsyncConnection, organisation: int | None, across: str = ACROSS_KEYS) -> None:
    """
    Says whose rows the transaction is about that begins with the connection's next statement. None: `across`.

    Nothing is sent for it: it goes with the `begin`.
    """
    if connection.dialect.name != "postgresql":
        return
    driver: Any = (await connection.get_raw_connection()).driver_connection
    driver.say(across if organisation is None else f"set local fieldworthy.organisation = '{organisation:d}'")


async def passes_by(engine: AsyncEngine) -> bool:
    """Whether the role that the store works as is one that PostgreSQL lets past row-level security. Raises StoreUnavailable."""
    if engine.dialect.name != "postgresql":
        return False
    async with reaching(), engine.connect() as connection:
        query = text("select rolsuper or rolbypassrls from pg_roles where rolname = current_user")
        return bool((await connection.execute(query)).scalar())
