"""A database that can't be used says so in one way, gives its connections back and is used again as soon as it is there.

Nothing here is played: locks are held, servers told to refuse, files spoilt. Result codes: https://www.sqlite.org/rescode.html and
https://www.postgresql.org/docs/current/errcodes-appendix.html.
"""

import asyncio
import sqlite3
import subprocess
import sys
from pathlib import Path

import asyncpg
import pytest
from sqlalchemy import text
from sqlalchemy.exc import IntegrityError, ProgrammingError

from fieldworthy.storage.engine import SqlStore, open_engine
from fieldworthy.storage.migrating import migrate
from fieldworthy.storage.readiness import hindrance
from fieldworthy.storage.trouble import unavailable
from fieldworthy.usecases.database_limits import DatabaseLimits
from fieldworthy.usecases.kept import HOME
from fieldworthy.usecases.ports import StoreUnavailable
from tests.storage.hasty import add, at_once, connection_of, hasty, held, ids


async def test_a_lock_that_is_held_too_long(address: str) -> None:
    async with hasty(address) as store:
        await add(store, "r5-17")
        other = at_once(address)
        async with other.keep(HOME) as theirs:
            await theirs.machines.lock(["r5-17"])
            with pytest.raises(StoreUnavailable, match="others have held the database for too long") as told:
                async with store.keep(HOME) as kept:
                    await kept.machines.lock(["r5-17"])
            assert 1 <= told.value.retry_after <= 5
        async with store.keep(HOME) as kept:
            assert set(await kept.machines.lock(["r5-17"])) == {"r5-17"}
        assert held(store) == 0
        await other.close()


async def test_writers_of_one_process_wait_without_a_connection(tmp_path: Path) -> None:
    address = f"sqlite:///{tmp_path / 'store.db'}"
    await asyncio.to_thread(migrate, address)
    async with hasty(address) as store:
        async with store.keep(HOME):
            waiting = [asyncio.create_task(add(store, f"m{n}")) for n in range(8)]
            await asyncio.sleep(0.2)
            assert held(store) == 1
            assert await ids(store) == []  # who reads is not kept waiting
        await asyncio.gather(*waiting)
        assert await ids(store) == [f"m{n}" for n in range(8)]
        async with store.keep(HOME):
            with pytest.raises(StoreUnavailable, match="for too long"):
                await add(store, "m9")
        await add(store, "m9")
        assert held(store) == 0


async def test_no_connection_is_free(address: str) -> None:
    async with hasty(address) as store:
        async with store.look(HOME), store.look(HOME):
            with pytest.raises(StoreUnavailable, match="all connections"):
                await ids(store)
        assert await ids(store) == []


async def test_a_refused_statement_stays_a_fault_of_ours(address: str) -> None:
    async with hasty(address) as store:
        statement = text("insert into machines values (1, 1, 'a', 0, 0, 'b', null, null)")  # revisions count from 1
        with pytest.raises(IntegrityError):
            async with store.keep(HOME) as kept:
                await connection_of(kept).execute(statement)
        with pytest.raises(Exception, match="no_such_table") as wrong:
            async with store.keep(HOME) as kept:
                await connection_of(kept).execute(text("select 1 from no_such_table"))
        assert unavailable(wrong.value) is None
        with pytest.raises(ZeroDivisionError):
            async with store.look(HOME):
                raise ZeroDivisionError
        assert held(store) == 0


async def test_who_is_cancelled_undoes_all_and_gives_the_connection_back(address: str) -> None:
    async with hasty(address) as store:
        begun = asyncio.Event()

        async def half() -> None:
            async with store.keep(HOME) as kept:
                await kept.machines.add("half", await kept.moment(), "baler", None)
                begun.set()
                await asyncio.sleep(30)

        for _ in range(4):  # more than there are connections
            begun.clear()
            task = asyncio.create_task(half())
            await begun.wait()
            task.cancel()
            with pytest.raises(asyncio.CancelledError):
                await task
        assert held(store) == 0
        await add(store, "whole")
        assert await ids(store) == ["whole"]


@pytest.mark.slow
async def test_who_is_cancelled_within_a_statement(address: str) -> None:
    """While the driver waits for the database: the moment at which a connection is lost most easily."""
    async with hasty(address) as store:
        await add(store, "r5-17")
        other = at_once(address)
        async with other.keep(HOME) as theirs:
            await theirs.machines.lock(["r5-17"])

            async def wait() -> None:
                async with store.keep(HOME) as kept:
                    await kept.machines.lock(["r5-17"])

            for _ in range(4):
                task = asyncio.create_task(wait())
                await asyncio.sleep(0.15)
                task.cancel()
                with pytest.raises(asyncio.CancelledError):
                    await task
        await other.close()
        await add(store, "after")
        assert await ids(store) == ["after", "r5-17"]
        assert held(store) == 0


async def test_a_full_disk(tmp_path: Path) -> None:
    """SQLite's own SQLITE_FULL: the file may have no more pages than it has."""
    address = f"sqlite:///{tmp_path / 'store.db'}"
    await asyncio.to_thread(migrate, address)
    store = SqlStore(open_engine(address, DatabaseLimits(pool=1, overflow=0)))
    await add(store, "before")
    async with store.keep(HOME) as kept:
        await connection_of(kept).execute(text("pragma max_page_count = 1"))  # it becomes as many as there are

    async def fill() -> None:
        async with store.keep(HOME) as kept:
            for n in range(2000):
                await kept.machines.add(f"m{n}", await kept.moment(), "baler", "a site with a long name" * 5)

    with pytest.raises(StoreUnavailable, match="disk is full") as told:
        await fill()
    assert told.value.retry_after >= 30
    assert await ids(store) == ["before"]  # it reads on, and there is not half of it
    async with store.keep(HOME) as kept:
        await connection_of(kept).execute(text("pragma max_page_count = 1000000"))
    await add(store, "room again")
    assert await ids(store) == ["before", "room again"]
    await store.close()


async def test_a_database_that_takes_no_changes(tmp_path: Path) -> None:
    address = f"sqlite:///{tmp_path / 'store.db'}"
    await asyncio.to_thread(migrate, address)
    store = SqlStore(open_engine(address, DatabaseLimits(pool=1, overflow=0)))
    async with store.look(HOME) as kept:
        await connection_of(kept).execute(text("pragma query_only = on"))
    with pytest.raises(StoreUnavailable, match="takes no changes"):
        await add(store, "r5-17")
    await store.close()


@pytest.mark.parametrize("what", ["garbage", "folder"])
async def test_a_file_that_is_no_database(tmp_path: Path, what: str) -> None:
    file = tmp_path / "store.db"
    if what == "garbage":
        file.write_bytes(b"this is a letter to the dealer, and no database " * 200)
    else:
        file.mkdir()
    store = SqlStore(open_engine(f"sqlite:///{file}"))
    assert await hindrance(store) is not None
    with pytest.raises(StoreUnavailable):
        await ids(store)
    await store.close()


@pytest.mark.slow
async def test_a_server_that_takes_connections_and_never_answers() -> None:
    """As when something in front of it has lost it: nobody waits for longer than was said."""
    open_: list[asyncio.StreamWriter] = []
    silent = await asyncio.start_server(lambda _reader, writer: open_.append(writer), "127.0.0.1", 0)
    port = silent.sockets[0].getsockname()[1]
    async with hasty(f"postgresql://postgres@127.0.0.1:{port}/none") as store, asyncio.timeout(10):
        with pytest.raises(StoreUnavailable):
            await ids(store)
        assert await hindrance(store) is not None
    for writer in open_:
        writer.close()
    silent.close()


@pytest.mark.parametrize(
    ("raised", "said"),
    [
        (asyncpg.DiskFullError("could not extend file"), "disk is full"),
        (asyncpg.OutOfMemoryError("out of memory"), "disk or memory"),
        (asyncpg.TooManyConnectionsError("sorry, too many clients already"), "all connections"),
        (asyncpg.CannotConnectNowError("the database system is starting up"), "can't be reached"),
        (asyncpg.AdminShutdownError("terminating connection"), "can't be reached"),
        (asyncpg.CrashShutdownError("terminating connection"), "can't be reached"),
        (asyncpg.ConnectionDoesNotExistError("connection was closed"), "can't be reached"),
        (asyncpg.InterfaceError("connection is closed"), "can't be reached"),
        (asyncpg.InternalClientError("cannot switch to state 12; another operation (2) is in progress"), "can't be reached"),
        (asyncpg.DeadlockDetectedError("deadlock detected"), "stood in each other's way"),
        (asyncpg.SerializationError("could not serialize"), "stood in each other's way"),
        (asyncpg.LockNotAvailableError("lock timeout"), "for too long"),
        (asyncpg.QueryCanceledError("statement timeout"), "took too long"),
        (asyncpg.ReadOnlySQLTransactionError("read-only"), "takes no changes"),
        (asyncpg.InvalidPasswordError("password"), "does not let the service in"),
        (asyncpg.DataCorruptedError("invalid page"), "damaged"),
        (ConnectionResetError("reset"), "can't be reached"),
        (TimeoutError(), "took too long"),
        (asyncpg.UniqueViolationError("duplicate key"), None),
        (asyncpg.UndefinedTableError("no such table"), None),
        (asyncpg.InterfaceError("another operation is in progress"), None),
        (sqlite3.ProgrammingError("misuse"), None),
        (ProgrammingError("select", {}, Exception("syntax")), None),
        (ValueError("x"), None),
    ],
    ids=lambda value: type(value).__name__ if isinstance(value, Exception) else "",
)
def test_what_a_driver_raises(raised: Exception, said: str | None) -> None:
    """The drivers' own exceptions, as `asyncpg` raises them where it is asked without SQLAlchemy."""
    told = unavailable(raised)
    if said is None:
        assert told is None
    else:
        assert told is not None
        assert said in told.detail
        assert told.retry_after > 0


_WORKER = """
import asyncio, sys
from fieldworthy.storage.engine import SqlStore, open_engine
from fieldworthy.usecases.kept import HOME, Entry, next_known

async def main(address, who, count):
    store = SqlStore(open_engine(address))
    for n in range(count):
        async with store.keep(HOME) as kept:
            locked = (await kept.machines.lock(["shared"]))["shared"]
            known = await next_known(kept, [locked])
            await kept.entries.put(locked.key, [Entry("done", f"{who}-{n}", known, n, "grease", "{}")])
            await kept.machines.touch([locked], known)
        async with store.look(HOME) as kept:
            assert await kept.machines.find("shared")
    await store.close()

asyncio.run(main(sys.argv[1], sys.argv[2], int(sys.argv[3])))
"""


@pytest.mark.slow
async def test_several_processes_write_to_one_database(address: str) -> None:
    store = at_once(address)
    await add(store, "shared")
    workers = [
        subprocess.Popen([sys.executable, "-c", _WORKER, address, f"w{n}", "40"], stderr=subprocess.PIPE)  # noqa: ASYNC220
        for n in range(3)
    ]
    for worker in workers:
        _, trouble = await asyncio.to_thread(worker.communicate, timeout=90)
        assert worker.returncode == 0, trouble.decode()
    async with store.look(HOME) as kept:
        machine = await kept.machines.find("shared")
        assert machine is not None
        told = await kept.entries.of(machine.key, ["done"])
    assert sorted(e.id for e in told) == sorted(f"w{n}-{i}" for n in range(3) for i in range(40))
    assert len({e.known for e in told}) == 120  # each change of a machine has a moment of its own
    assert machine.known == max(e.known for e in told)
    await store.close()
