"""How fast readings are taken in, from the bytes of a request to the commit, beside the least that the database can do with the same rows.

    python -m tests.benchmarks.bench_ingest [--rows 1000000] [--machines 1000] [--stored 0] [--only sqlite|postgresql] [--mess]

Posts of 10,000 readings, new and then sent once more, through the whole service in this process, each followed by a bare write of the
same rows on a connection of its own: on PostgreSQL the driver's binary COPY into a table without a key, on SQLite a sorted `executemany`
into one with the same key and the same pragmas, both committed. `times` is the service's time over the bare one, of the medians. What other
programs do to the machine at that moment strikes both; so each line tells the processor's time as well, of this process and of the
server's beside it, in which waiting for a turn does not count (nor does waiting for a disk).

--stored: so many readings lie there before the first post, put there by the database itself; what a post costs is to stay the same.
--mess: a million readings in posts of 10,000, out of order, one in ten sent again and one in five hundred wrong, instead of all that.
At the end, the memory that a post of 50,000 adds, at its peak, in a process of its own.
"""

import argparse
import asyncio
import json
import random
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Awaitable, Callable, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Protocol

from fieldworthy.main import settle_memory
from fieldworthy.storage.migrating import migrate
from tests.keep.readings_at_work import BOOK, URL
from tests.keep.service import Service, running
from tests.postgres import as_plain_role, running_postgres

POST = 10_000
REPLAYS = 20
BEGINNING = datetime(2024, 3, 1, tzinfo=UTC)
_BEGIN = int(BEGINNING.timestamp()) * 1_000_000

Row = tuple[int, int, int, int, str, int]
Times = tuple[float, float]
"""Seconds by the clock, and of the processors."""


def rows_of(number: int, machines: int, size: int = POST) -> list[tuple[int, int]]:
    """The machine and the count of readings before it, for each of a post."""
    begin = number * size
    return [(n % machines, n // machines) for n in range(begin, begin + size)]


def body_of(number: int, machines: int, size: int = POST) -> bytes:
    """A reading every ten minutes of each machine, a tenth of an hour further."""
    return json.dumps([said(machine, n) for machine, n in rows_of(number, machines, size)]).encode()


def said(machine: int, n: int, less: int = 0) -> dict[str, Any]:
    at = BEGINNING + timedelta(minutes=10 * n, seconds=machine % 600)
    told = {"machine": f"m-{machine:05d}", "meter": "work", "value": (n - less) / 10, "unit": "h"}
    return {**told, "at": at.strftime("%Y-%m-%dT%H:%M:%SZ")}


def bare_of(number: int, machines: int) -> list[Row]:
    return sorted(
        (1, machine + 1, _BEGIN + (600 * n + machine % 600) * 1_000_000, n * 100_000, "h", _BEGIN)
        for machine, n in rows_of(number, machines)
    )


async def add_machines(service: Service, machines: int) -> None:
    await service.publish(BOOK, "plover-r5-baler")
    document = {"rulebook": "plover-r5-baler", "model": "R5", "timezone": "Europe/London"}
    for begin in range(0, machines, 100):
        told = [{"id": f"m-{n:05d}", **document} for n in range(begin, min(begin + 100, machines))]
        await service.post("/v1/machines", {"items": told})


class Meter:
    """The seconds of a piece of work by the clock, and of the processors: of this process, and of a server's that work for it."""

    def __init__(self, servers: Sequence[int] = ()) -> None:
        self._files = [Path(f"/proc/{server}/schedstat") for server in servers]

    def _now(self) -> tuple[float, float]:
        there = sum(int(file.read_text().split()[0]) for file in self._files if file.exists()) / 1e9
        return time.perf_counter(), time.process_time() + there

    async def of(self, work: Callable[[], Awaitable[Any]]) -> tuple[Times, Any]:
        begin = self._now()
        made = await work()
        end = self._now()
        return (end[0] - begin[0], end[1] - begin[1]), made


async def post(service: Service, body: bytes, want: str | None, meter: Meter) -> tuple[Times, Any]:
    async def send() -> Any:
        return await service.http.post(URL, content=body, headers={"content-type": "application/json"})

    times, answer = await meter.of(send)
    told = answer.json()
    assert want is None or told[want] == len(told["readings"]), answer.text[:500]
    return times, told


class Bare(Protocol):
    """The database without the service."""

    async def stored(self, each: int, machines: int) -> None:
        """Puts so many readings of each machine there, for the service and for `write`."""

    async def servers(self) -> Sequence[int]:
        """The processes in which the database works, where it has its own."""

    async def write(self, rows: list[Row]) -> None: ...


async def measure(address: str, asked: argparse.Namespace, bare: Bare) -> dict[str, list[Times]]:
    """The times of each post, new and again, with the bare write beside each."""
    posts, machines, first = asked.rows // POST, asked.machines, asked.stored // POST
    found: dict[str, list[Times]] = {"new": [], "bare": [], "again": [], "bare again": []}
    async with running(address) as service:
        service.now = datetime(2060, 1, 1, tzinfo=UTC)
        await add_machines(service, machines)
        await bare.stored(asked.stored // machines, machines)
        await service.post(URL, [])  # its connection is there, and told by `servers`
        settle_memory()  # as `serve` does
        meter = Meter(await bare.servers())

        async def both(n: int, which: str, want: str) -> None:
            rows = bare_of(n, machines)
            found[which].append((await post(service, body_of(n, machines), want, meter))[0])
            found["bare again" if which == "again" else "bare"].append((await meter.of(lambda: bare.write(rows)))[0])

        for n in range(first, first + posts):
            await both(n, "new", "kept")
        for n in range(first, first + posts, max(1, posts // REPLAYS)):
            await both(n, "again", "same")
    return found


async def mess(address: str, machines: int = 1000) -> None:
    """A million readings as they come, and what became of them, which is known beforehand."""
    rng = random.Random(1)
    window, all_ = 40 * machines, 1_000_000
    sent: list[tuple[int, bool]] = []  # the number of a reading, and whether it is told wrong: of what its meter showed 50 readings before
    fresh = 0
    while len(sent) < all_:
        numbers = [(n, fresh > 0 and rng.random() < 0.002) for n in range(fresh, fresh + window)]
        again = [rng.choice(sent or numbers) for _ in range(window // 10)]
        fresh += window
        together = [*numbers, *again]
        rng.shuffle(together)
        sent += together
    sent = sent[:all_]
    right = len({n for n, wrong in sent if not wrong})
    aside = sum(wrong for _, wrong in sent)
    counts = {"kept": 0, "same": 0, "set_aside": 0}
    async with running(address) as service:
        service.now = datetime(2060, 1, 1, tzinfo=UTC)
        await add_machines(service, machines)
        settle_memory()
        meter, seconds = Meter(), 0.0
        for begin in range(0, all_, POST):
            body = json.dumps([said(n % machines, n // machines, 50 * wrong) for n, wrong in sent[begin : begin + POST]]).encode()
            (took, _), told = await post(service, body, None, meter)
            seconds += took
            for what in counts:
                counts[what] += told[what]
    assert counts == {"kept": right, "same": all_ - right - aside, "set_aside": aside}, (counts, right, aside)
    print(f"  {', '.join(f'{n:,} {what}' for what, n in counts.items())}; {seconds:.0f} s")  # noqa: T201


_SERIES = "select 1, {key}, {begin} + (600 * n + ({key} - 1) % 600) * 1000000, n * 100000, 'h', {begin} from {steps}"
_COUNTED = "(with recursive s(n) as (select 0 union all select n + 1 from s where n < {most}) select n from s)"
_LAST = (
    "insert into meters (organisation, key, machine, name, last_at, last_value, last_unit) "
    "select 1, key, key, 'work', {begin} + (600 * {last} + (key - 1) % 600) * 1000000, {last} * 100000, 'h' from machines"
)


class BareSqlite:
    def __init__(self, store: Path, bare: Path) -> None:
        self._store = store
        self._connection = sqlite3.connect(bare, isolation_level=None)
        for pragma in ("journal_mode=wal", "busy_timeout=20000", "foreign_keys=on", "synchronous=full"):
            self._connection.execute(f"pragma {pragma}")
        self._connection.execute(
            "create table readings (organisation integer not null, meter integer not null, at bigint not null, value bigint not null, "
            "unit varchar(30), known bigint not null, primary key (organisation, meter, at)) without rowid"
        )

    async def stored(self, each: int, machines: int) -> None:
        if not each:
            return
        store = sqlite3.connect(self._store, isolation_level=None)
        for connection in (store, self._connection):
            connection.execute("begin immediate")
            for key in range(1, machines + 1):
                connection.execute("insert into readings " + _SERIES.format(key=key, begin=_BEGIN, steps=_COUNTED.format(most=each - 1)))
            if connection is store:
                connection.execute(_LAST.format(begin=_BEGIN, last=each - 1))
            connection.execute("commit")
            connection.execute("pragma wal_checkpoint(truncate)")
        store.close()

    async def servers(self) -> Sequence[int]:
        return ()

    async def write(self, rows: list[Row]) -> None:
        self._connection.execute("begin immediate")
        self._connection.executemany("insert or ignore into readings values (?, ?, ?, ?, ?, ?)", rows)
        self._connection.execute("commit")

    def close(self) -> None:
        self._connection.close()


class BarePostgres:
    def __init__(self, connection: Any) -> None:
        self._connection = connection

    async def stored(self, each: int, machines: int) -> None:
        run = self._connection.execute
        await run("create table bare (organisation int, meter int, at bigint, value bigint, unit varchar(30), known bigint)")
        if each:
            for key in range(1, machines + 1):
                steps = f"generate_series(0::bigint, {each - 1}) n"
                await run("insert into readings " + _SERIES.format(key=key, begin=_BEGIN, steps=steps))
            await run(_LAST.format(begin=_BEGIN, last=f"{each - 1}::bigint"))
            await run("vacuum analyze")  # as it does by itself after a minute

    async def servers(self) -> Sequence[int]:
        return [row[0] for row in await self._connection.fetch("select pid from pg_stat_activity where datname = current_database()")]

    async def write(self, rows: list[Row]) -> None:
        async with self._connection.transaction():
            await self._connection.copy_records_to_table("bare", records=rows)


async def on_postgres(address: str, asked: argparse.Namespace) -> dict[str, list[Times]]:
    import asyncpg

    connection = await asyncpg.connect(address)
    try:
        return await measure(as_plain_role(address) if asked.plain else address, asked, BarePostgres(connection))
    finally:
        await connection.close()


def told(name: str, found: dict[str, list[Times]], asked: argparse.Namespace) -> None:
    def times(of: str, bare: str, part: slice = slice(None)) -> str:
        (one, work), (other, least) = ([statistics.median(c) for c in zip(*found[w][part], strict=True)] for w in (of, bare))
        clock = f"{one * 1000:7.1f} ms {other * 1000:7.1f} ms {one / other:5.1f} times"
        return f"{clock}  {work * 1000:7.1f} ms {least * 1000:7.1f} ms {work / least:5.1f} times"

    tenth = max(1, len(found["new"]) // 10)
    lines = [
        f"{name}, {asked.machines:,} machines, {asked.stored:,} readings stored, then {len(found['new']) * POST:,} more",
        f"{'':28}   service       bare    by the clock     service      bare    of the processors",
        f"  a post of new ones       {times('new', 'bare')}",
        f"    the first tenth        {times('new', 'bare', slice(0, tenth))}",
        f"    the last tenth         {times('new', 'bare', slice(-tenth, None))}",
        f"  the same posts once more {times('again', 'bare again')}",
    ]
    print("\n".join(lines), flush=True)  # noqa: T201


async def memory(address: str) -> None:
    """Megabytes that a post of 50,000 adds at its peak, beside one of 10,000 that went before."""
    async with running(address) as service:
        service.now = datetime(2060, 1, 1, tzinfo=UTC)
        await add_machines(service, 1000)
        body = body_of(0, 1000, 50_000)
        await post(service, body_of(0, 1000, 10), "kept", Meter())
        before = peak(anew=True)
        answer = await service.http.post(URL, content=body, headers={"content-type": "application/json"})
        assert answer.json()["kept"] == 49_990
        print((peak() - before) // 1000)  # noqa: T201


def peak(anew: bool = False) -> int:
    """This process' largest size, in KB, as Linux tells it; `getrusage` would tell that of the process that started it as well."""
    if anew:
        Path("/proc/self/clear_refs").write_text("5")  # what it was before no longer counts
    return next(int(line.split()[1]) for line in Path("/proc/self/status").read_text().splitlines() if line.startswith("VmHWM"))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rows", type=int, default=1_000_000)
    parser.add_argument("--machines", type=int, default=1000)
    parser.add_argument("--stored", type=int, default=0)
    parser.add_argument("--only", choices=["sqlite", "postgresql"])
    parser.add_argument("--plain", action="store_true", help="on PostgreSQL as a role that row-level security holds for")
    parser.add_argument("--mess", action="store_true")
    parser.add_argument("--memory", metavar="FILE", help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.memory:
        asyncio.run(memory(f"sqlite:///{asked.memory}"))
        return
    if asked.only != "postgresql":
        with tempfile.TemporaryDirectory() as room:
            on_sqlite(Path(room), asked)
    if asked.only != "sqlite":
        for server in running_postgres():
            if asked.mess:
                print("PostgreSQL")  # noqa: T201
                asyncio.run(mess(server.migrated()))
            else:
                told("PostgreSQL", asyncio.run(on_postgres(server.migrated(), asked)), asked)


def on_sqlite(room: Path, asked: argparse.Namespace) -> None:
    address = f"sqlite:///{room}/store.db"
    migrate(address)
    if asked.mess:
        print("SQLite")  # noqa: T201
        asyncio.run(mess(address))
        return
    bare = BareSqlite(room / "store.db", room / "bare.db")
    told("SQLite", asyncio.run(measure(address, asked, bare)), asked)
    bare.close()
    migrate(f"sqlite:///{room}/memory.db")
    command = [sys.executable, "-m", "tests.benchmarks.bench_ingest", "--memory", f"{room}/memory.db"]
    made = subprocess.run(command, check=True, capture_output=True, text=True)
    print(f"  a post of 50,000 adds {made.stdout.strip()} MB")  # noqa: T201


if __name__ == "__main__":
    main()
