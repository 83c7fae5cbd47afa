"""The way to the database: addresses, engines, transactions, migrations."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, create_engine, event, inspect, make_url, text
from sqlalchemy.engine import URL, Engine
from sqlalchemy.exc import ArgumentError
from sqlalchemy.ext.asyncio import AsyncConnection, AsyncEngine, create_async_engine

from fieldworthy.storage.new_sqlite import lay_out
from fieldworthy.storage.tables import REVISION
from fieldworthy.usecases.kept import Kept
from fieldworthy.usecases.ports import Clock, Rulebooks

DRIVERS = {"sqlite": "sqlite+aiosqlite", "postgresql": "postgresql+asyncpg", "postgres": "postgresql+asyncpg"}

MIGRATION_LOCK = 728311
WRITE_LOCK = 728312

_PRAGMAS = ("journal_mode=wal", "busy_timeout=20000", "foreign_keys=on", "synchronous=full")


class AddressUnusable(ValueError):
    """The database's address is none that the service can use. The message never repeats it: it may hold a password."""


class OtherRevision(RuntimeError):
    """The database's schema is not the one that this release was made for."""

    def __init__(self, found: str | None, wanted: str | None) -> None:
        super().__init__(
            f"the database is at revision {found or 'none (it is empty)'}, and this release needs {wanted}; "
            "run `fieldworthy migrate` on it first"
        )


def database_url(address: str) -> URL:
    """The address with our driver: `sqlite:///FILE` or `postgresql://…`. Raises AddressUnusable."""
    try:
        url = make_url(address)
    except ArgumentError:
        raise AddressUnusable("the database's address can't be read; write `sqlite:///FILE` or `postgresql://USER@HOST/NAME`") from None
    kind = url.drivername.split("+")[0]
    if kind not in DRIVERS:
        raise AddressUnusable(f"a database of the kind `{kind}` is not supported; write `sqlite:///FILE` or `postgresql://USER@HOST/NAME`")
    return url.set(drivername=DRIVERS[kind])


def open_engine(address: str) -> AsyncEngine:
    """An engine with the habits of this store: on SQLite a write-ahead log, and transactions that begin when they say so."""
    url = database_url(address)
    if url.get_backend_name() == "sqlite":
        make_room(url)
        engine = create_async_engine(url)
        _sqlite_habits(engine.sync_engine)
        return engine
    return create_async_engine(url, pool_pre_ping=True)


def make_room(url: URL) -> None:
    if url.database and url.database != ":memory:":
        Path(url.database).parent.mkdir(parents=True, exist_ok=True)


def _sqlite_habits(engine: Engine) -> None:
    @event.listens_for(engine, "connect")
    def connected(dbapi: Any, _record: object) -> None:
        dbapi.isolation_level = None  # the driver begins nothing by itself
        cursor = dbapi.cursor()
        for pragma in _PRAGMAS:
            cursor.execute(f"pragma {pragma}")
        cursor.close()

    @event.listens_for(engine, "begin")
    def begun(connection: Connection) -> None:
        # a writer takes its place in the queue at once: a lock that is asked for later can't be waited for
        writes = connection.get_execution_options().get("fieldworthy_writes", False)
        connection.exec_driver_sql("begin immediate" if writes else "begin")


class SqlStore:
    """
    Implements `usecases.ports.Store` and `usecases.kept.KeepStore`: one transaction a block, committed at its end, undone when it raises.

    clock: gives the moments that are noted with what is kept; None: the database's own clock on PostgreSQL, this machine's on SQLite.
    """

    def __init__(self, engine: AsyncEngine, clock: Clock | None = None) -> None:
        self.engine = engine
        self._clock = clock if clock is not None or engine.dialect.name == "postgresql" else _now

    @asynccontextmanager
    async def read(self) -> AsyncIterator[Rulebooks]:
        async with self.engine.connect() as connection, connection.begin():
            yield _rulebooks(connection)

    @asynccontextmanager
    async def write(self) -> AsyncIterator[Rulebooks]:
        async with self.writing() as connection:
            yield _rulebooks(connection)

    @asynccontextmanager
    async def look(self, organisation: int) -> AsyncIterator[Kept]:
        """Reads one state of all: on SQLite any transaction does, PostgreSQL has to be asked."""
        async with self.engine.connect() as plain:
            connection = plain
            if plain.dialect.name == "postgresql":
                connection = await plain.execution_options(isolation_level="REPEATABLE READ")
            async with connection.begin():
                yield _kept(connection, organisation, self._clock)

    @asynccontextmanager
    async def keep(self, organisation: int) -> AsyncIterator[Kept]:
        """Writes what concerns machines: who changes the same machine waits at its lock, others go on beside (on SQLite all queue)."""
        async with self.engine.connect() as plain:
            connection = await plain.execution_options(fieldworthy_writes=True)
            async with connection.begin():
                yield _kept(connection, organisation, self._clock)

    @asynccontextmanager
    async def writing(self) -> AsyncIterator[AsyncConnection]:
        """A connection in a transaction that writes."""
        async with self.engine.connect() as plain:
            connection = await plain.execution_options(fieldworthy_writes=True)
            async with connection.begin():
                if connection.dialect.name == "postgresql":  # writers queue, as they do on SQLite: what was read stays true until the end
                    await connection.execute(text("select pg_advisory_xact_lock(:lock)"), {"lock": WRITE_LOCK})
                yield connection

    async def reachable(self) -> bool:
        """Whether the database answers, with the schema of this release."""
        try:
            async with self.engine.connect() as connection:
                found = await connection.run_sync(_revision)
        except Exception:  # whatever the driver raises, it means no
            return False
        return found == REVISION

    async def close(self) -> None:
        await self.engine.dispose()


def _rulebooks(connection: AsyncConnection) -> Rulebooks:
    from fieldworthy.storage.rulebooks import SqlRulebooks

    return SqlRulebooks(connection)


def _kept(connection: AsyncConnection, organisation: int, clock: Clock | None) -> Kept:
    from fieldworthy.storage.kept import SqlKept

    return SqlKept(connection, organisation, clock)


def _now() -> datetime:
    return datetime.now(UTC)


def _revision(connection: Connection) -> str | None:
    """The revision that a database is at; None for an empty one."""
    if not inspect(connection).has_table("alembic_version"):
        return None
    found: str | None = connection.execute(text("select version_num from alembic_version")).scalar()
    return found


async def prepare(store: SqlStore, address: str) -> None:
    """What `serve` does first: makes or migrates SQLite by itself, and refuses a PostgreSQL of another revision (raises OtherRevision)."""
    url = database_url(address)
    sqlite = url.get_backend_name() == "sqlite"
    if sqlite:
        make_room(url)
    async with store.engine.connect() as connection:
        found = await connection.run_sync(_revision)
    if found == REVISION:
        return
    if not sqlite:
        raise OtherRevision(found, REVISION)
    if found is None:
        async with store.writing() as connection:
            if await connection.run_sync(lay_out):
                return
    from fieldworthy.storage.migrating import migrate  # slow to load, and seldom needed

    await asyncio.to_thread(migrate, address)


def sqlite_engine(url: URL) -> Engine:
    """A plain engine for migrations on SQLite, with the same habits; it always writes."""
    engine = create_engine(url.set(drivername="sqlite"))
    _sqlite_habits(engine)
    return engine.execution_options(fieldworthy_writes=True)
