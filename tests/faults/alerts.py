"""What becomes of alerts when receivers, workers, clocks and databases fail: a table, each row with a real receiver.

    python -m tests.faults.alerts

Events are caused before, in and after each fault. Every one must arrive, with its own id, and a receiver that dedupes by id must see each
once. In this long form an hour of the schedule takes a minute, attempts have their usual 20 seconds, workers are real processes of
`fieldworthy worker`, and a killed one's claim is taken over after its usual lease; it takes about a quarter of an hour, and some minutes
for the kills of the service. The tests run the same rows on a schedule a thousand times as quick, but for those in which the service is
killed: it takes seconds to start.
"""

import asyncio
import os
import signal
import sys
import tempfile
import time
from asyncio.subprocess import PIPE, STDOUT
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from sqlalchemy import select

from fieldworthy.storage.engine import SqlStore, open_engine
from fieldworthy.storage.migrating import migrate
from fieldworthy.storage.tables import deliveries
from fieldworthy.usecases.deliver import Pace
from fieldworthy.usecases.deliveries import DELIVERED
from fieldworthy.usecases.kept import HOME
from fieldworthy.usecases.listeners import ON
from fieldworthy.usecases.retrying import USUAL, Schedule
from tests.faults.alerts_at_work import QUICK, AtWork
from tests.faults.alerts_killed import killed_in_intake
from tests.faults.own_postgres import OwnPostgres, own_postgres
from tests.faults.receiver import AWAY, CUT, CUT_AFTER, HUGE, SLOW, WELL, Receiver, receiving

MACHINES = "abc"


@dataclass(frozen=True, slots=True)
class Form:
    """
    fault: seconds that a receiver's fault lasts; slow: that a slow one takes; seconds: of one attempt; within: in which all must have
    arrived after the fault; each: events a machine, before, in and after it; words: what a worker of its own is started with; kills: of
    the service that takes readings.
    """

    pace: Pace
    fault: float
    slow: float
    seconds: float
    within: float
    each: int
    words: Callable[[str], Sequence[str]]
    retry_after: str
    kills: int


def _own_worker(address: str) -> Sequence[str]:
    return ["-m", "tests.faults.alert_worker", address]


def _real_worker(address: str) -> Sequence[str]:
    return ["-c", "from fieldworthy.cli import main; main()", "worker"]


SHORT = Form(QUICK, 0.5, 1.0, 0.3, 20.0, 2, _own_worker, "1", 3)
LONG = Form(Pace(schedule=Schedule(tuple(wait / 60 for wait in USUAL))), 60.0, 30.0, 20.0, 400.0, 20, _real_worker, "30", 10)


@dataclass(frozen=True, slots=True)
class Row:
    """What became of the events of one fault. again: those that were sent more than once; ordered: whether each machine's came in order."""

    fault: str
    caused: int
    arrived: int
    again: int
    twice: int
    ordered: bool
    undone: int
    seconds: float

    @property
    def lost(self) -> int:
        return self.caused - self.arrived

    @property
    def holds(self) -> bool:
        """Whether it is as it must be."""
        return self.lost == self.twice == self.undone == 0 and self.ordered


class Watched:
    """A store with events of several machines, whose way to one receiver is watched."""

    def __init__(self, fault: str, store: SqlStore, receiver: Receiver, form: Form) -> None:
        self.fault = fault
        self.work = AtWork(store, form.pace)
        self.receiver = receiver
        self.form = form
        self.caused: dict[int, list[str]] = {}
        self._began = time.monotonic()

    async def cause(self) -> None:
        """Some events of each machine, in one transaction: after a 410 the next one would find nobody who listens."""
        keys = [key for key in range(1, len(MACHINES) + 1) for _ in range(self.form.each)]
        for key, id in zip(keys, await self.work.cause_of(keys), strict=True):
            self.caused.setdefault(key, []).append(id)

    async def row(self) -> Row:
        """Waits until all has arrived and is noted, or the time is over."""
        all_ids = [id for ids in self.caused.values() for id in ids]
        end = time.monotonic() + self.form.within
        await self.receiver.took(len(all_ids), self.form.within)
        for _ in range(10_000):
            if not await self._undone() or time.monotonic() > end:
                break
            await asyncio.sleep(0.05)
        await self.receiver.rested(self.form.within)
        seen = self.receiver.ids
        ordered = all([id for id in seen if id in set(ids)] == ids for ids in self.caused.values())
        twice = len(seen) - len(set(seen) & set(all_ids))  # what a receiver that dedupes by id sees beyond what was caused
        took = time.monotonic() - self._began
        arrived = len(set(seen) & set(all_ids))
        return Row(self.fault, len(all_ids), arrived, self.receiver.doubles, twice, ordered, await self._undone(), took)

    async def owners(self) -> set[str]:
        """In whose hands deliveries are."""
        async with self.work.store.engine.connect() as connection:
            found = await connection.execute(select(deliveries.c.owner).where(deliveries.c.owner.is_not(None)))
            return set(found.scalars())

    async def _undone(self) -> int:
        return sum(each.state != DELIVERED for each in await self.work.deliveries())


@asynccontextmanager
async def watched(fault: str, address: str, form: Form, clock: Callable[[], datetime] | None = None) -> AsyncIterator[Watched]:
    """Over a migrated database in which nothing was kept."""
    store = SqlStore(open_engine(address), clock)
    try:
        async with receiving(slow=form.slow, retry_after=form.retry_after) as receiver:
            made = Watched(fault, store, receiver, form)
            await made.work.machines(*MACHINES)
            await made.work.listener(receiver)
            yield made
    finally:
        await store.close()


async def receiver_does(how: str, address: str, form: Form) -> Row:
    """The receiver fails for a while, and is well again. After 410 its owner turns the listener on, and has sent again what was kept."""
    async with watched(f"receiver: {how}", address, form) as seen, seen.work.worker(seconds=form.seconds):
        await seen.cause()
        await seen.receiver.took(len(MACHINES) * form.each, form.within)
        await seen.receiver.does(how)
        await seen.cause()
        await asyncio.sleep(form.fault)
        await seen.receiver.does(WELL)
        if how == "410":
            await _on_again(seen)
        await seen.cause()
        return await seen.row()


async def _on_again(seen: Watched) -> None:
    async with seen.work.store.keep(HOME) as kept:
        (listener,) = await kept.listeners.page(None, 10)
        listener = await kept.listeners.change(listener, listener.name, listener.choice, ON, await kept.moment())
        await kept.deliveries.again(listener.key, None, None, await kept.moment())


async def worker_killed(address: str, form: Form) -> Row:
    """Three workers of their own; two are killed while the receiver has their requests in hand, and the third takes over."""
    async with watched("worker killed in mid-delivery, twice", address, form) as seen, AsyncExitStack() as stack:
        seen.receiver.slow = 1.0
        await seen.receiver.does(SLOW)
        workers = [await stack.enter_async_context(a_worker(address, form)) for _ in range(3)]
        for worker in workers:
            assert worker.stdout is not None
            assert b"delivers" in await worker.stdout.readline()
        for _ in range(2):
            before = seen.receiver.requests
            await seen.cause()
            await seen.receiver.asked(before + 1)
            owners = await seen.owners()
            victim = next(each for each in workers if any(f"-{each.pid}-" in owner for owner in owners))
            victim.send_signal(signal.SIGKILL)
            await victim.wait()
            workers.remove(victim)
        await seen.receiver.does(WELL)
        await seen.cause()
        return await seen.row()


@asynccontextmanager
async def a_worker(address: str, form: Form) -> AsyncIterator[asyncio.subprocess.Process]:
    """A process that delivers, told to end at the end where it has not ended; what it says comes by its `stdout`."""
    told = {"FIELDWORTHY_DATABASE_URL": address, "FIELDWORTHY_LISTENER_NETWORKS": "127.0.0.1/32", "FIELDWORTHY_LOG_LEVEL": "warning"}
    process = await asyncio.create_subprocess_exec(
        sys.executable, *form.words(address), env={**os.environ, **told}, stdout=PIPE, stderr=STDOUT
    )
    try:
        yield process
    finally:
        if process.returncode is None:
            process.terminate()
        await process.communicate()


async def clock_set_back(address: str, form: Form) -> Row:
    """The store's clock goes back by an hour while events wait, and stays there."""
    back = timedelta()

    def clock() -> datetime:
        return datetime.now(UTC) - back

    async with watched("clock set back by an hour", address, form, clock) as seen, seen.work.worker(seconds=form.seconds):
        await seen.cause()
        await seen.receiver.does("500")
        await seen.cause()
        await asyncio.sleep(form.fault)
        back = timedelta(hours=1)
        await seen.receiver.does(WELL)
        await seen.cause()
        return await seen.row()


async def database_restarted(how: str, server: OwnPostgres, form: Form) -> Row:
    """PostgreSQL ends (and comes back) while events are on their way."""
    async with watched(f"database restarted ({how})", server.address, form) as seen, seen.work.worker(seconds=form.seconds):
        seen.receiver.slow = form.fault / 2
        await seen.receiver.does(SLOW)
        await seen.cause()
        before = seen.receiver.requests
        await seen.receiver.asked(before + 1)
        await asyncio.to_thread(server.stop, how)
        await asyncio.sleep(form.fault)
        await asyncio.to_thread(server.start)
        await seen.receiver.does(WELL)
        await seen.cause()
        return await seen.row()


async def service_killed(what: str, address: str, room: Path, form: Form) -> Row:
    """The service is killed while it takes what changes standings; an event "arrives" where it is told, "twice" without its cause."""
    found = await killed_in_intake(address, room, form.kills)
    arrived = found.caused - found.without_event
    return Row(f"service killed {form.kills} times, {what}", found.caused, arrived, 0, found.without_cause, found.ordered, 0, found.seconds)


RECEIVERS = (AWAY, SLOW, "500", "302", "410", "429", "503", CUT, CUT_AFTER, HUGE)


def written(rows: Sequence[Row]) -> str:
    """The table as text."""
    head = ("fault", "caused", "arrived", "lost", "sent again", "seen twice", "in order", "s")
    cells = [
        (r.fault, str(r.caused), str(r.arrived), str(r.lost), str(r.again), str(r.twice), "yes" if r.ordered else "NO", f"{r.seconds:.0f}")
        for r in rows
    ]
    widths = [max(map(len, column)) for column in zip(head, *cells, strict=True)]
    lines = ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in (head, *cells)]
    wrong = [row.fault for row in rows if not row.holds]
    return "\n".join((*lines, "", f"NOT as it must be: {', '.join(wrong)}" if wrong else f"all {len(rows)} as they must be"))


async def table(server: OwnPostgres, room: Path, form: Form) -> list[Row]:
    """All rows, each over a database of its own or an emptied one."""
    rows: list[Row] = []

    async def add(one: Awaitable[Row]) -> None:
        rows.append(await one)
        print(rows[-1], flush=True)  # noqa: T201

    def fresh(n: int) -> str:
        return f"sqlite:///{room / f'{n}.db'}"

    for n, how in enumerate(RECEIVERS):
        await asyncio.to_thread(migrate, fresh(n))
        await add(receiver_does(how, fresh(n), form))
    await asyncio.to_thread(migrate, fresh(99))
    await add(clock_set_back(fresh(99), form))
    for fault in (lambda: worker_killed(server.address, form), lambda: database_restarted("fast", server, form)):
        await add(fault())
        await emptied(server.address)
    await add(database_restarted("immediate", server, form))
    await emptied(server.address)
    await add(service_killed("PostgreSQL", server.address, room, form))  # the last one there: it keeps more than is emptied
    await asyncio.to_thread(migrate, fresh(100))
    await add(service_killed("SQLite", fresh(100), room, form))
    return rows


async def emptied(address: str) -> None:
    """Forgets all that stands in a database of these rows."""
    engine = open_engine(address)
    try:
        async with engine.begin() as connection:
            await connection.exec_driver_sql("set local session_replication_role = replica")  # the trail is never changed
            for name in ("attempts", "deliveries", "events", "listeners", "audit", "machines"):
                await connection.exec_driver_sql(f"delete from {name}")  # noqa: S608
    finally:
        await engine.dispose()


def main() -> int:
    with tempfile.TemporaryDirectory() as room, own_postgres() as server:
        rows = asyncio.run(table(server, Path(room), SHORT if "--short" in sys.argv else LONG))
    print(written(rows))  # noqa: T201
    return 0 if all(row.holds for row in rows) else 1


if __name__ == "__main__":
    sys.exit(main())
