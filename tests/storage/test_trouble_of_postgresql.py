"""What PostgreSQL alone does to its clients: it ends statements and connections, goes away between two of them, and refuses.

Nothing here is played but a server's last word. Codes: https://www.postgresql.org/docs/current/errcodes-appendix.html.
"""

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager, suppress
from struct import pack

import pytest
from sqlalchemy import make_url, text

from fieldworthy.storage.readiness import hindrance
from fieldworthy.usecases.kept import HOME, Kept
from fieldworthy.usecases.kept_readings import OfMeter
from fieldworthy.usecases.ports import StoreUnavailable
from tests.storage.hasty import add, at_once, connection_of, hasty, held, ids, postgresql_only


@pytest.mark.slow
@postgresql_only
async def test_statements_and_idle_transactions_end(postgresql_address: str) -> None:
    async with hasty(postgresql_address) as store:
        with pytest.raises(StoreUnavailable, match="took too long"):
            async with store.look(HOME) as kept:
                await connection_of(kept).execute(text("select pg_sleep(30)"))

        async def idle() -> None:
            async with store.keep(HOME) as kept:
                await kept.machines.add("idle", await kept.moment(), "baler", None)
                await asyncio.sleep(1.6)
                await kept.machines.find("idle")

        with pytest.raises(StoreUnavailable):
            await idle()
        assert await ids(store) == []
        assert held(store) == 0
        async with store.look(HOME) as kept:
            named = text("select application_name from pg_stat_activity where pid = pg_backend_pid()")
            assert (await connection_of(kept).execute(named)).scalar() == "fieldworthy"


@postgresql_only
async def test_connections_that_the_server_ended_are_replaced(postgresql_address: str) -> None:
    address = postgresql_address
    async with hasty(address) as store:
        other = at_once(address)

        async def end_all() -> None:
            others = "select pg_terminate_backend(pid) from pg_stat_activity where datname = current_database() and pid <> pg_backend_pid()"
            async with other.look(HOME) as theirs:
                await connection_of(theirs).execute(text(others))

        async def add_cut_off(id: str) -> None:
            async with store.keep(HOME) as kept:
                await kept.machines.add(id, await kept.moment(), "baler", None)
                await end_all()
                await kept.machines.find(id)

        for n in range(4):  # between two transactions: nobody notices
            await add(store, f"m{n}")
            await end_all()
        for n in range(4):  # within one
            with pytest.raises(StoreUnavailable, match="can't be reached"):
                await add_cut_off(f"x{n}")
        assert await ids(store) == ["m0", "m1", "m2", "m3"]
        assert held(store) == 0
        await other.close()


_GOING = b"SFATAL\0VFATAL\0C57P01\0Mterminating connection due to administrator command\0\0"
"""An ErrorResponse's fields, as a server that shuts down says them (PostgreSQL's manual, "Message Formats")."""


@asynccontextmanager
async def before_postgresql(address: str) -> AsyncIterator[tuple[str, list[asyncio.StreamWriter]]]:
    """Something in front of the server: its address, and where each connection through it may be told something."""
    url = make_url(address)
    writers: list[asyncio.StreamWriter] = []

    async def pass_on(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with suppress(OSError):
            while read := await reader.read(65_536):
                writer.write(read)
        writer.close()

    async def taken(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        there = await asyncio.open_unix_connection(f"{url.query['host']}/.s.PGSQL.{url.query.get('port', url.port or 5432)}")
        writers.append(writer)
        await asyncio.gather(pass_on(reader, there[1]), pass_on(there[0], writer))

    server = await asyncio.start_server(taken, "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    try:
        yield url.set(host="127.0.0.1", port=port, query={}).render_as_string(hide_password=False), writers
    finally:
        server.close()


@postgresql_only
async def test_a_server_that_goes_between_two_statements(postgresql_address: str) -> None:
    """Its last word has come in, the end of the connection not yet: whatever is asked then, it is away, and the next one gets another."""
    deeds: dict[str, Callable[[Kept], Awaitable[object]]] = {
        "a statement": lambda kept: kept.machines.find("r5-17"),
        "one of the driver's own": lambda kept: kept.readings.meters_of([1]),
        "a copy": lambda kept: kept.readings.keep([OfMeter(1, None, [1], [1])], 1),
        "the commit": lambda kept: asyncio.sleep(0),
    }
    async with before_postgresql(postgresql_address) as (address, writers), hasty(address) as store:

        async def cut_off(what: str) -> None:
            async with store.keep(HOME) as kept:
                await kept.machines.add(what, await kept.moment(), "baler", None)
                for writer in writers:
                    writer.write(b"E" + pack(">i", len(_GOING) + 4) + _GOING)
                await asyncio.sleep(0.02)
                await deeds[what](kept)

        for what in deeds:
            with pytest.raises(StoreUnavailable, match="can't be reached"):
                await cut_off(what)
            assert held(store) == 0, what
            writers.clear()
            assert await ids(store) == [], what


@postgresql_only
async def test_a_postgresql_that_refuses(postgresql_address: str) -> None:
    address = postgresql_address
    store = at_once(address)
    name = make_url(address).database
    async with store.look(HOME) as kept:
        await connection_of(kept).execute(text("set transaction read write"))
        await connection_of(kept).execute(text(f"alter database {name} set default_transaction_read_only = on"))
    await store.close()
    async with hasty(address) as read_only:
        with pytest.raises(StoreUnavailable, match="takes no changes"):
            await add(read_only, "r5-17")
        assert await ids(read_only) == []
    nowhere = make_url(address).set(database="nowhere").render_as_string(hide_password=False)
    async with hasty(nowhere) as none:
        assert await hindrance(none) is not None
        with pytest.raises(StoreUnavailable, match="does not let the service in"):
            await ids(none)
    for away in ("postgresql://postgres@127.0.0.1:9/none", "postgresql:///none?host=/no/such/folder"):
        async with hasty(away) as none:
            assert await hindrance(none) is not None
            with pytest.raises(StoreUnavailable, match="can't be reached"):
                await ids(none)


@postgresql_only
async def test_on_postgresql_the_clock_is_the_databases(postgresql_address: str) -> None:
    """So that replicas need not agree about the time: nothing is taken from the machine that the service runs on."""
    store = at_once(postgresql_address)
    async with store.keep(HOME) as kept:
        first, second = await kept.moment(), await kept.moment()
        asked = text("select (extract(epoch from clock_timestamp()) * 1000000)::bigint")
        theirs = (await connection_of(kept).execute(asked)).scalar_one()
    assert first < second < theirs < first + 10_000_000  # it goes on within a transaction
    await store.close()
