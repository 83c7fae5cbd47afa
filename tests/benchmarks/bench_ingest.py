"""How fast readings are taken in, from the bytes of a request to the commit, beside the least that the database can do with the same rows.

    python -m tests.benchmarks.bench_ingest [--rows 1000000] [--machines 1000] [--only sqlite|postgresql]

Posts of 10,000 readings, new and then sent once more, through the whole service in this process, each followed by a bare write of the
same rows on a connection of its own: on PostgreSQL a COPY into a table without a key, on SQLite a sorted `executemany` into one with the
same key and the same pragmas, both committed. `times` is the service's time over the bare one, of the medians (and, with many posts, of
the first and the last tenth: flat means that they agree). What other programs do to the machine at that moment strikes both. Then the
memory that a post of 50,000 adds, at its peak, in a process of its own.
"""

import argparse
import asyncio
import json
import resource
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from fieldworthy.main import settle_memory
from fieldworthy.storage.migrating import migrate
from tests.keep.readings_at_work import BOOK, URL
from tests.keep.service import Service, running
from tests.postgres import running_postgres

POST = 10_000
REPLAYS = 20
BEGINNING = datetime(2024, 3, 1, tzinfo=UTC)

Row = tuple[int, int, int, int, str, int]


def rows_of(number: int, machines: int, size: int = POST) -> list[tuple[int, int]]:
    """The machine and the count of readings before it, for each of a post."""
    begin = number * size
    return [(n % machines, n // machines) for n in range(begin, begin + size)]


def body_of(number: int, machines: int, size: int = POST) -> bytes:
    """A reading every ten minutes of each machine, a tenth of an hour further."""
    told = []
    for machine, n in rows_of(number, machines, size):
        at = BEGINNING + timedelta(minutes=10 * n, seconds=machine % 600)
        told.append({"machine": f"m-{machine:05d}", "meter": "work", "value": n / 10, "unit": "h", "at": at.strftime("%Y-%m-%dT%H:%M:%SZ")})
    return json.dumps(told).encode()


def bare_of(number: int, machines: int) -> list[Row]:
    begin = int(BEGINNING.timestamp()) * 1_000_000
    return sorted(
        (1, machine + 1, begin + (600 * n + machine % 600) * 1_000_000, n * 100_000, "h", begin) for machine, n in rows_of(number, machines)
    )


async def add_machines(service: Service, machines: int) -> None:
    from fieldworthy.usecases.kept import HOME

    await service.publish(BOOK, "plover-r5-baler")
    async with service.store.keep(HOME) as kept:
        for n in range(machines):
            await kept.machines.add(f"m-{n:05d}", await kept.moment(), "plover-r5-baler", None)


async def timed(work: Callable[[], Awaitable[Any]]) -> tuple[float, Any]:
    begin = time.perf_counter()
    made = await work()
    return time.perf_counter() - begin, made


async def post(service: Service, body: bytes, want: str) -> float:
    async def send() -> Any:
        return await service.http.post(URL, content=body, headers={"content-type": "application/json"})

    seconds, answer = await timed(send)
    told = answer.json()
    assert told[want] == len(told["readings"]), answer.text[:500]
    return seconds


async def measure(address: str, rows: int, machines: int, bare: Callable[[list[Row]], Awaitable[float]]) -> dict[str, Any]:
    """Seconds of each post, new and again, with the bare write beside each."""
    posts = rows // POST
    found: dict[str, list[float]] = {"new": [], "bare": [], "again": [], "bare again": []}
    async with running(address) as service:
        service.now = datetime(2040, 1, 1, tzinfo=UTC)
        await add_machines(service, machines)
        settle_memory()  # as `serve` does
        for n in range(posts):
            found["new"].append(await post(service, body_of(n, machines), "kept"))
            found["bare"].append(await bare(bare_of(n, machines)))
        step = max(1, posts // REPLAYS)
        for n in range(0, posts, step):
            found["again"].append(await post(service, body_of(n, machines), "same"))
            found["bare again"].append(await bare(bare_of(n, machines)))
    return found


@contextmanager
def bare_sqlite(room: Path) -> Iterator[Callable[[list[Row]], Awaitable[float]]]:
    connection = sqlite3.connect(room / "bare.db", isolation_level=None)
    for pragma in ("journal_mode=wal", "busy_timeout=20000", "foreign_keys=on", "synchronous=full"):
        connection.execute(f"pragma {pragma}")
    connection.execute(
        "create table readings (organisation integer not null, meter integer not null, at bigint not null, value bigint not null, "
        "unit varchar(30), known bigint not null, primary key (organisation, meter, at)) without rowid"
    )

    async def write(rows: list[Row]) -> float:
        begin = time.perf_counter()
        connection.execute("begin immediate")
        connection.executemany("insert or ignore into readings values (?, ?, ?, ?, ?, ?)", rows)
        connection.execute("commit")
        return time.perf_counter() - begin

    yield write
    connection.close()


async def on_postgres(address: str, rows: int, machines: int) -> dict[str, Any]:
    import asyncpg

    connection = await asyncpg.connect(address)
    await connection.execute("create table bare (organisation int, meter int, at bigint, value bigint, unit varchar(30), known bigint)")

    async def write(rows: list[Row]) -> float:
        begin = time.perf_counter()
        async with connection.transaction():
            await connection.copy_records_to_table("bare", records=rows)
        return time.perf_counter() - begin

    try:
        return await measure(address, rows, machines, write)
    finally:
        await connection.close()


def told(name: str, found: dict[str, list[float]]) -> None:
    def times(of: str, bare: str, part: slice = slice(None)) -> str:
        one, other = statistics.median(found[of][part]), statistics.median(found[bare][part])
        return f"{one * 1000:7.1f} ms {other * 1000:7.1f} ms {one / other:5.1f} times"

    tenth = max(1, len(found["new"]) // 10)
    print(f"{name}, {len(found['new']) * POST:,} readings        service       bare")  # noqa: T201
    print(f"  a post of new ones          {times('new', 'bare')}")  # noqa: T201
    print(f"    the first tenth           {times('new', 'bare', slice(0, tenth))}")  # noqa: T201
    print(f"    the last tenth            {times('new', 'bare', slice(-tenth, None))}")  # noqa: T201
    print(f"  the same posts once more    {times('again', 'bare again')}")  # noqa: T201


async def memory(address: str) -> None:
    """Megabytes that a post of 50,000 adds at its peak, beside one of 10,000 that went before."""
    async with running(address) as service:
        service.now = datetime(2040, 1, 1, tzinfo=UTC)
        await add_machines(service, 1000)
        body = body_of(0, 1000, 50_000)
        await post(service, body_of(0, 1000, 10), "kept")
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        answer = await service.http.post(URL, content=body, headers={"content-type": "application/json"})
        assert answer.json()["kept"] == 49_990
        print((resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) // 1000)  # noqa: T201


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rows", type=int, default=1_000_000)
    parser.add_argument("--machines", type=int, default=1000)
    parser.add_argument("--only", choices=["sqlite", "postgresql"])
    parser.add_argument("--memory", metavar="FILE", help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.memory:
        asyncio.run(memory(f"sqlite:///{asked.memory}"))
        return
    if asked.only != "postgresql":
        with tempfile.TemporaryDirectory() as room, bare_sqlite(Path(room)) as bare:
            address = f"sqlite:///{room}/store.db"
            migrate(address)
            told("SQLite", asyncio.run(measure(address, asked.rows, asked.machines, bare)))
            migrate(f"sqlite:///{room}/memory.db")
            command = [sys.executable, "-m", "tests.benchmarks.bench_ingest", "--memory", f"{room}/memory.db"]
            made = subprocess.run(command, check=True, capture_output=True, text=True)
            print(f"  a post of 50,000 adds       {made.stdout.strip()} MB")  # noqa: T201
    if asked.only != "sqlite":
        for server in running_postgres():
            told("PostgreSQL", asyncio.run(on_postgres(server.migrated(), asked.rows, asked.machines)))


if __name__ == "__main__":
    main()
