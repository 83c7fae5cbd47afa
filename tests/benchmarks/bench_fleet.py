"""What is due across a fleet, from standings that are kept ready: on SQLite and on PostgreSQL.

    python tests/benchmarks/bench_fleet.py [machines]

Driven in process, without sockets, against a real database; each line is the median of several runs, wall time, with the machine to itself
or not, as it is. 60 tasks a machine.

compute      standings of one machine computed and kept, from 60 records and two readings (all of the fleet, in short transactions).
first        GET /v1/due, 50 items, nothing stale.
deepest      the last page of all, by cursor; it should cost what the first does.
filtered     standing, kind, site and a date.
one reading  one machine has a new reading: GET /v1/due computes it anew, and answers.
20,000       GET /v1/machines/ID/due of a machine with 20,000 readings; and of one with two.
"""

import asyncio
import statistics
import sys
import tempfile
import time
from collections.abc import Awaitable, Callable
from datetime import UTC, datetime
from pathlib import Path
from random import Random
from typing import Any

TOP = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(TOP), str(TOP / "service")]

from sqlalchemy import insert, text  # noqa: E402
from sqlalchemy.ext.asyncio import AsyncConnection  # noqa: E402

from fieldworthy.core.base.micros import HOUR, micros_of  # noqa: E402
from fieldworthy.main import settle_memory  # noqa: E402
from fieldworthy.rest.fleet import writing  # noqa: E402
from fieldworthy.storage.migrating import migrate  # noqa: E402
from fieldworthy.storage.tables import readings  # noqa: E402
from fieldworthy.usecases.find_rulebook import FindRulebooks  # noqa: E402
from fieldworthy.usecases.kept import HOME  # noqa: E402
from fieldworthy.usecases.kept_standings import Wanted  # noqa: E402
from fieldworthy.usecases.standings import Recompute  # noqa: E402
from fieldworthy.wire.cursor import write_cursor  # noqa: E402
from tests.benchmarks.bench_due import TASKS, question, rulebook  # noqa: E402
from tests.keep.histories import load, publish, read  # noqa: E402
from tests.keep.service import Service, running  # noqa: E402
from tests.postgres import running_postgres  # noqa: E402

RUNS = 15


async def median(run: Callable[[], Awaitable[Any]], runs: int = RUNS) -> float:
    """Milliseconds."""
    took = []
    for _ in range(runs):
        began = time.perf_counter()
        await run()
        took.append((time.perf_counter() - began) * 1000)
    return statistics.median(took)


async def measure(address: str, machines: int) -> dict[str, str]:
    found: dict[str, str] = {}
    async with running(address) as service:
        await fill(service, machines)
        recompute = Recompute(service.store, FindRulebooks(service.store), writing())
        began = time.perf_counter()
        assert await recompute(HOME, 10**9) == machines
        found["compute, a machine"] = f"{(time.perf_counter() - began) * 1000 / machines:.1f} ms"
        settle_memory()
        if service.store.engine.dialect.name == "postgresql":  # as its own upkeep does within a minute or so
            async with service.store.engine.connect() as plain:
                connection = await plain.execution_options(isolation_level="AUTOCOMMIT")
                await connection.execute(text("vacuum analyze"))

        async def get(path: str, **params: str) -> Any:
            return await service.get(path, params=params)

        page = await get("/v1/due")
        assert (page["stale"], sum(page["counts"].values())) == (0, machines * TASKS)
        found["first"] = f"{await median(lambda: get('/v1/due')):.1f} ms"
        async with service.store.look(HOME) as kept:
            rows = await kept.standings.page(Wanted(), None, machines * TASKS)
        after = write_cursor(rows[-51].place)
        deepest = await get("/v1/due", after=after)
        assert (len(deepest["items"]), deepest["next"]) == (50, None)
        found["deepest"] = f"{await median(lambda: get('/v1/due', after=after)):.1f} ms"
        filters = {"standing": "overdue,due", "kind": "inspect", "site": "site-3", "before": "2027-01-01"}
        found["filtered"] = f"{await median(lambda: get('/v1/due', **filters)):.1f} ms"
        found["one reading"] = f"{await median(lambda: with_a_reading(service), 5):.1f} ms"
        many, two = await median(lambda: get("/v1/machines/m-0/due"), 5), await median(lambda: get("/v1/machines/m-1/due"))
        found["20,000"] = f"{many:.1f} ms (of two: {two:.1f} ms)"
    return found


async def fill(service: Service, machines: int) -> None:
    """A fleet; the first of them has 20,000 readings, one every ten minutes."""
    import json

    service.now = datetime(2026, 7, 14, 5, 0, tzinfo=UTC)
    await publish(service, json.loads(rulebook()))
    draw = Random(7)
    for n in range(machines):
        service.later(milliseconds=1)
        machine = {**question(draw)["machine"], "id": f"m-{n}"}
        machine["meters"] = [{**m, "value": m["value"] - n % 97} for m in machine["meters"]]
        await load(service, "bench", machine, f"site-{n % 20}")
    now = micros_of(service.now)
    rows = [
        {
            "at": now - (20_000 - i) * HOUR // 6 - HOUR // 60,
            "value": round((1712.4 - (20_000 - i) * 0.06) * 10**6),
            "organisation": HOME,
            "known": now,
        }
        for i in range(20_000)
    ]
    async with service.store.keep(HOME) as kept:
        key = (await kept.readings.meters_of([1]))[1, "engine"].key
        connection: AsyncConnection = kept.connection  # type: ignore[attr-defined]
        for start in range(0, len(rows), 2000):
            await connection.execute(insert(readings), [{**row, "meter": key} for row in rows[start : start + 2000]])
    service.later(seconds=1)


async def with_a_reading(service: Service) -> None:
    service.later(minutes=1)
    await read(service, "m-7", [("engine", micros_of(service.now), round(1800.5 * 10**6), None)])
    assert (await service.get("/v1/due"))["stale"] == 0


async def main(machines: int) -> None:
    lines: dict[str, dict[str, str]] = {}
    with tempfile.TemporaryDirectory() as room:
        address = f"sqlite:///{room}/bench.db"
        await asyncio.to_thread(migrate, address)
        lines["SQLite"] = await measure(address, machines)
    servers = running_postgres()
    server = next(servers)
    try:
        address = await asyncio.to_thread(server.migrated)
        lines["PostgreSQL"] = await measure(address, machines)
    finally:
        next(servers, None)
    for what in lines["SQLite"]:
        print(f"{what:20}", *(f"{name}: {each[what]:34}" for name, each in lines.items()))  # noqa: T201


if __name__ == "__main__":
    asyncio.run(main(int(sys.argv[1]) if len(sys.argv) > 1 else 1000))
