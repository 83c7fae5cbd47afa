"""The way to the database: addresses, engines, transactions, migrations."""

import asyncio
from collections.abc import AsyncIterator, Sequence
from contextlib import AbstractAsyncContextManager, AsyncExitStack, asynccontextmanager
from datetime import UTC, datetime
from pathlib import Path
from secrets import token_bytes
from sqlite3 import SQLITE_BUSY, OperationalError
from time import monotonic, sleep
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, ExceptionContext, create_engine, event, inspect, make_url, text
from sqlalchemy.engine import URL, Engine
from sqlalchemy.exc import ArgumentError, DBAPIError
from sqlalchemy.ext.asyncio import AsyncConnection, AsyncEngine, create_async_engine

from fieldworthy.core.base.micros import SECOND
from fieldworthy.storage.due_everywhere import due_everywhere
from fieldworthy.storage.new_sqlite import lay_out
from fieldworthy.storage.pinging import pinging
from fieldworthy.storage.row_security import ACROSS_DUE, about, connection_class
from fieldworthy.storage.tables import REVISION
from fieldworthy.storage.trouble import busy, reaching, unavailable
from fieldworthy.usecases.audit import ITSELF, Actor
from fieldworthy.usecases.database_limits import USUAL, DatabaseLimits
from fieldworthy.usecases.kept import HOME, Kept
from fieldworthy.usecases.keys import Keys
from fieldworthy.usecases.ports import Chance, Clock, Rulebooks
from fieldworthy.usecases.quotas import QuotaBook

if TYPE_CHECKING:
    from fieldworthy.storage.kept import SqlKept
    from fieldworthy.storage.keys import SqlKeys
    from fieldworthy.usecases.retention import Thinning

DRIVERS = {"sqlite": "sqlite+aiosqlite", "postgresql": "postgresql+asyncpg", "postgres": "postgresql+asyncpg"}

MIGRATION_LOCK = 728311
WRITE_LOCK = 728312
KEEP_LOCK = 728314
"""Shared by all who keep what concerns machines; whoever writes rulebooks waits for them, and they for that."""

ORGANISATIONS_LOCK = 728315
"""Held by whoever changes organisations and their keys: one at a time."""

READY_SECONDS = 5
"""After how long a database that has not answered counts as away, when it is asked whether it is there."""

_LONGEST = 600 * SECOND
"""Longer than anybody is in the middle of keeping something."""

_FIRST_TROUBLE = "fieldworthy: what failed first"
_PRAGMAS = ("foreign_keys=on", "synchronous=full")


class AddressUnusable(ValueError):
    """The database's address is none that the service can use. The message never repeats it: it may hold a password."""


class OtherRevision(RuntimeError):
    """The database's schema is not the one that this release was made for."""

    def __init__(self, found: str | None, wanted: str | None) -> None:
        self.found = found
        if found is not None and wanted is not None and found > wanted:
            way = "a newer release made it, and this one would not understand it: run that release, or restore a backup of before"
        else:
            way = "run `fieldworthy migrate` on it first"
        super().__init__(f"the database is at revision {found or 'none (it is empty)'}, and this release needs {wanted}; {way}")


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


def open_engine(address: str, limits: DatabaseLimits = USUAL) -> AsyncEngine:
    """An engine with the habits of this store: on SQLite a write-ahead log, and transactions that begin when they say so."""
    url = database_url(address)
    pool = {"pool_size": limits.pool, "max_overflow": limits.overflow, "pool_timeout": limits.pool_wait}
    if url.get_backend_name() == "sqlite":
        make_room(url)
        engine = create_async_engine(url, hide_parameters=True, **({} if url.database in (None, "", ":memory:") else pool))
        _sqlite_habits(engine.sync_engine, limits.lock)
        return engine
    told = {
        "application_name": "fieldworthy",
        "statement_timeout": f"{limits.statement}s",
        "lock_timeout": f"{limits.lock}s",
        "idle_in_transaction_session_timeout": f"{limits.idle}s",
    }
    # the server keeps these times; where it is gone without a word, the driver gives up a little later
    driver = {"timeout": limits.connect, "command_timeout": limits.statement + limits.connect, "server_settings": told}
    driver["connection_class"] = connection_class()
    return pinging(create_async_engine(url, hide_parameters=True, pool_use_lifo=True, connect_args=driver, **pool))


def make_room(url: URL) -> None:
    if url.database and url.database != ":memory:":
        Path(url.database).parent.mkdir(parents=True, exist_ok=True)


def _sqlite_habits(engine: Engine, lock: int) -> None:
    """lock: how many seconds a transaction waits for another process that writes."""

    @event.listens_for(engine, "connect")
    def connected(dbapi: Any, _record: object) -> None:
        dbapi.isolation_level = None  # the driver begins nothing by itself
        cursor = dbapi.cursor()
        try:
            cursor.execute(f"pragma busy_timeout={lock * 1000}")
            _write_ahead(cursor, lock)
            for pragma in _PRAGMAS:
                cursor.execute(f"pragma {pragma}")
        except BaseException:
            dbapi.close()  # nobody else knows it yet
            raise
        cursor.close()

    @event.listens_for(engine, "begin")
    def begun(connection: Connection) -> None:
        # a writer takes its place in the queue at once: a lock that is asked for later can't be waited for
        connection.info.pop(_FIRST_TROUBLE, None)
        writes = connection.get_execution_options().get("fieldworthy_writes", False)
        connection.exec_driver_sql("begin immediate" if writes else "begin")

    @event.listens_for(engine, "handle_error")
    def failed(context: ExceptionContext) -> None:
        # with a full disk SQLite undoes everything by itself; then going back to a savepoint fails as well, and that is what is raised
        told = unavailable(context.original_exception)
        if told is not None and context.connection is not None:
            context.connection.info.setdefault(_FIRST_TROUBLE, told)


def _write_ahead(cursor: Any, lock: int) -> None:
    """A write-ahead log for a file that has none yet; SQLite does not wait by itself where several processes ask for one at once."""
    until = monotonic() + lock
    while True:
        try:
            cursor.execute("pragma journal_mode=wal")
            return
        except OperationalError as trouble:
            if trouble.sqlite_errorcode & 0xFF != SQLITE_BUSY or monotonic() > until:
                raise
        sleep(0.01)


class SqlStore:
    """
    Implements `usecases.kept.WholeStore`, one transaction a block, committed at its end, undone when it raises. As a `Store` it is the
    shelf of the organisation that there is without keys.

    clock: gives the moments that are noted with what is kept; None: the database's own clock on PostgreSQL, this machine's on SQLite.
    wait: seconds that a writer waits for the others of this process (on SQLite, where one writes at a time). chance: makes ids.
    """

    organisation = HOME

    def __init__(self, engine: AsyncEngine, clock: Clock | None = None, wait: int = USUAL.lock, chance: Chance = token_bytes) -> None:
        self.engine = engine
        self._postgresql = engine.dialect.name == "postgresql"
        self._clock = clock if clock is not None or self._postgresql else _now
        self._wait, self._chance = wait, chance
        self._turn = asyncio.Lock()

    def shelf(self, organisation: int) -> "Shelf":
        return Shelf(self, organisation)

    async def organisations(self) -> Sequence[int]:
        async with self.look_keys() as keys:
            made = [each.id for each in await keys.organisations()]
        return made or [HOME]

    async def due(self) -> tuple[int, Sequence[int]]:
        async with reaching(), self.engine.connect() as connection, connection.begin():
            await about(connection, None, ACROSS_DUE)
            moment = await self._kept(connection, 0).moment()
            return moment, await due_everywhere(connection, moment)

    @asynccontextmanager
    async def read(self, organisation: int = HOME) -> AsyncIterator[Rulebooks]:
        async with reaching(), self.engine.connect() as connection, connection.begin():
            await about(connection, organisation)
            yield _rulebooks(connection, organisation, False)

    @asynccontextmanager
    async def write(self, actor: Actor = ITSELF, organisation: int = HOME) -> AsyncIterator[Rulebooks]:
        async with self.writing(organisation) as connection:
            if self._postgresql:
                # nothing is published before what somebody is keeping at the moment, or answers `as_of` then would change: so wait for it
                await connection.execute(text("select pg_advisory_xact_lock(:lock)"), {"lock": KEEP_LOCK})
            beside = self._kept(connection, organisation, actor)
            yield _rulebooks(connection, organisation, self._clock is None, beside)
            await beside.finish()

    @asynccontextmanager
    async def look(self, organisation: int, as_of: int | None = None) -> AsyncIterator[Kept]:
        """Reads one state of all: on SQLite any transaction does, PostgreSQL has to be asked."""
        if as_of is not None:
            await self._settle(as_of)
        async with reaching(), self.engine.connect() as plain:
            connection = plain
            if self._postgresql:
                connection = await plain.execution_options(isolation_level="REPEATABLE READ")
            async with connection.begin():
                await about(connection, organisation)
                yield self._kept(connection, organisation)

    async def _settle(self, as_of: int) -> None:
        """Lets a moment pass that is just now, and waits for whoever was keeping something by then, and has not ended."""
        async with reaching(), self.engine.connect() as connection, connection.begin():
            moment = await self._kept(connection, 0).moment()
        if not moment - _LONGEST <= as_of <= moment + SECOND:
            return
        await asyncio.sleep(max(as_of - moment + 1, 0) / SECOND)
        async with self._begun(0) as connection:  # which on SQLite waits by itself
            if self._postgresql:
                await connection.execute(text("select pg_advisory_xact_lock(:lock)"), {"lock": KEEP_LOCK})

    @asynccontextmanager
    async def keep(self, organisation: int, actor: Actor = ITSELF) -> AsyncIterator[Kept]:
        """Writes what concerns machines: who changes the same machine waits at its lock, others go on beside (on SQLite all queue)."""
        async with self._keeping(organisation) as connection:
            kept = self._kept(connection, organisation, actor)
            yield kept
            await kept.finish()

    @asynccontextmanager
    async def dispatch(self, organisation: int, actor: Actor = ITSELF) -> AsyncIterator[Kept]:
        """Implements `usecases.deliveries.AlertStore`."""
        async with self._begun(organisation) as connection:
            yield (kept := self._kept(connection, organisation, actor))
            await kept.finish()

    @asynccontextmanager
    async def thin(self, organisation: int, actor: Actor = ITSELF) -> AsyncIterator["Thinning"]:
        """Implements `usecases.retention.ThinningStore`."""
        from fieldworthy.storage.retention import SqlThinning

        async with self._keeping(organisation) as connection:
            kept = self._kept(connection, organisation, actor)
            yield SqlThinning(kept)
            await kept.finish()

    def _kept(self, connection: AsyncConnection, organisation: int, actor: Actor = ITSELF) -> "SqlKept":
        from fieldworthy.storage.kept import SqlKept

        return SqlKept(connection, organisation, self._clock, actor, self._chance)

    @asynccontextmanager
    async def _keeping(self, organisation: int) -> AsyncIterator[AsyncConnection]:
        """For whoever changes what is kept of machines: it is waited for where a moment is settled, or something published."""
        async with self._begun(organisation) as connection:
            if self._postgresql:
                await connection.execute(text("select pg_advisory_xact_lock_shared(:lock)"), {"lock": KEEP_LOCK})
            yield connection

    @asynccontextmanager
    async def look_keys(self) -> AsyncIterator[Keys]:
        async with reaching(), self.engine.connect() as connection, connection.begin():
            await about(connection, None)
            yield _keys(connection, self._clock)

    @asynccontextmanager
    async def keep_keys(self, actor: Actor = ITSELF) -> AsyncIterator[Keys]:
        """Waits for nobody who keeps machines or publishes (but on SQLite, where one writes at a time)."""
        async with self._begun(None) as connection:
            if self._postgresql:
                await connection.execute(text("select pg_advisory_xact_lock(:lock)"), {"lock": ORGANISATIONS_LOCK})
            keys = _keys(connection, self._clock, actor)
            yield keys
            await keys.trail.write()

    @asynccontextmanager
    async def keep_quotas(self) -> AsyncIterator[QuotaBook]:
        """Waits only for who draws from the same quota (but on SQLite, where one writes at a time)."""
        from fieldworthy.storage.quotas import SqlQuotas

        async with self._begun(0) as connection:  # about nobody's rows: a quota is of a key or a token
            yield SqlQuotas(connection, self._clock)

    @asynccontextmanager
    async def writing(self, organisation: int = HOME) -> AsyncIterator[AsyncConnection]:
        """A connection in a transaction that writes what is of one organisation."""
        async with self._begun(organisation) as connection:
            if self._postgresql:  # writers queue, as they do on SQLite: what was read stays true until the end
                await connection.execute(text("select pg_advisory_xact_lock(:lock)"), {"lock": WRITE_LOCK})
            yield connection

    @asynccontextmanager
    async def _begun(self, organisation: int | None) -> AsyncIterator[AsyncConnection]:
        """organisation: whose rows it is about; None: keys and organisations alone, of everybody."""
        async with reaching(), AsyncExitStack() as stack:
            if not self._postgresql:
                # those of one process wait here, in order, and without a connection: SQLite lets them try again and again, in no order
                await self._wait_for_turn()
                stack.callback(self._turn.release)
            plain = await stack.enter_async_context(self.engine.connect())
            connection = await plain.execution_options(fieldworthy_writes=True)
            async with connection.begin():
                await about(connection, organisation)
                try:
                    yield connection
                except DBAPIError as trouble:
                    first = None if self._postgresql else connection.info.get(_FIRST_TROUBLE)
                    if first is None:
                        raise
                    raise first from trouble

    async def _wait_for_turn(self) -> None:
        try:
            async with asyncio.timeout(self._wait):
                await self._turn.acquire()
        except TimeoutError:
            raise busy() from None

    async def revision(self) -> str | None:
        """The revision that the database is at; None for an empty one. Raises StoreUnavailable."""
        async with reaching(), self.engine.connect() as connection:
            return await connection.run_sync(_revision)

    async def close(self) -> None:
        await self.engine.dispose()


class Shelf:
    """Implements `usecases.ports.Store`: the rulebooks of one organisation in that store."""

    def __init__(self, store: SqlStore, organisation: int) -> None:
        self._store = store
        self.organisation = organisation

    def read(self) -> AbstractAsyncContextManager[Rulebooks]:
        return self._store.read(self.organisation)

    def write(self, actor: Actor = ITSELF) -> AbstractAsyncContextManager[Rulebooks]:
        return self._store.write(actor, self.organisation)


def _rulebooks(connection: AsyncConnection, organisation: int, own_clock: bool, beside: "SqlKept | None" = None) -> Rulebooks:
    from fieldworthy.storage.rulebooks import SqlRulebooks

    return SqlRulebooks(connection, organisation, own_clock, beside)


def _keys(connection: AsyncConnection, clock: Clock | None, actor: Actor = ITSELF) -> "SqlKeys":
    from fieldworthy.storage.keys import SqlKeys

    return SqlKeys(connection, clock, actor)


def _now() -> datetime:
    return datetime.now(UTC)


def _revision(connection: Connection) -> str | None:
    """The revision that a database is at; None for an empty one."""
    if not inspect(connection).has_table("alembic_version"):
        return None
    found: str | None = connection.execute(text("select version_num from alembic_version")).scalar()
    return found


async def prepare(store: SqlStore, address: str) -> None:
    """
    What `serve` does first: makes or migrates SQLite by itself, and refuses a PostgreSQL of another revision, and any that is newer.

    Raises OtherRevision, StoreUnavailable.
    """
    url = database_url(address)
    sqlite = url.get_backend_name() == "sqlite"
    if sqlite:
        make_room(url)
    found = await store.revision()
    if found == REVISION:
        return
    if not sqlite or (found is not None and found > REVISION):
        raise OtherRevision(found, REVISION)
    if found is None:
        async with store.writing() as connection:
            if await connection.run_sync(lay_out):
                return
    from fieldworthy.storage.migrating import migrate  # slow to load, and seldom needed

    await asyncio.to_thread(migrate, address)


def sqlite_engine(url: URL) -> Engine:
    """A plain engine for migrations on SQLite, with the same habits; it always writes."""
    engine = create_engine(url.set(drivername="sqlite"), hide_parameters=True)
    _sqlite_habits(engine, USUAL.lock)
    return engine.execution_options(fieldworthy_writes=True)
