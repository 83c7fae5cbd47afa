"""A bulk post through the client while the service is killed and started again.

    python tests/faults/bulk.py [--readings 1000000] [--kills 2]

On an SQLite database of its own; says how far it is and what became of the readings, and exits with 1 where one is lost or there twice.
"""

import argparse
import asyncio
import random
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from fieldworthy.client import AsyncClient, Client, Posted
from tests.faults.harness import Served, settle_in

BEGINNING = datetime(2026, 1, 5, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Load:
    """So many readings in all. same: that were there before; unusable: of a meter that there is not; most: of one post."""

    readings: int
    same: int
    unusable: int
    most: int

    @property
    def new(self) -> int:
        return self.readings - self.same - self.unusable

    @property
    def machines(self) -> list[str]:
        """Each has about 5,000."""
        return [f"m{n}" for n in range(self._machines)]

    @property
    def _machines(self) -> int:
        return max(1, self.readings // 5_000)

    def reading(self, n: int) -> dict[str, Any]:
        """The n-th new one, ten minutes and a tenth of an hour after the one before of its machine."""
        k, machine = divmod(n, self._machines)
        at = (BEGINNING + timedelta(minutes=10 * k)).isoformat()
        return {"machine": f"m{machine}", "meter": "work", "at": at, "value": k / 10}

    def source(self) -> Iterator[Any]:
        """All of them, out of order within each hundred."""
        chance = random.Random(4)
        before = 500
        twice = set(chance.sample(range(2 * before, self.new), self.same))
        wrong = set(chance.sample(range(self.new), self.unusable))
        for begin in range(0, self.new, 100):
            stretch = list(range(begin, min(begin + 100, self.new)))
            chance.shuffle(stretch)
            for n in stretch:
                yield self.reading(n)
                if n in twice:
                    yield self.reading(n - before)
                if n in wrong:
                    yield {**self.reading(n), "meter": "no such"}


@dataclass
class Outcome:
    """
    tries: requests that were sent; told: what had come of it after each post; aside: readings that are listed as set aside; lost: that are
    not listed; double: that are listed twice, or were never sent.
    """

    posted: Posted
    tries: int
    told: list[Posted]
    kills: int
    aside: int
    lost: int
    double: int


@dataclass
class _Breaking:
    """Kills the service in the middle of a post, at a random moment, once after each of so many readings, and starts it again."""

    served: Served
    after: list[int]
    say: Callable[[str], None]
    tries: int = 0
    kills: int = 0
    told: list[Posted] = field(default_factory=list)
    threads: list[threading.Thread] = field(default_factory=list)

    def sent(self, request: httpx.Request) -> None:
        if request.method != "POST":
            return
        self.tries += 1
        if self.after and self.told and self.told[-1].sent >= self.after[0]:
            self.after.pop(0)
            thread = threading.Thread(target=self._kill, args=(random.uniform(0, 0.1),))
            self.threads.append(thread)
            thread.start()

    async def sent_awaited(self, request: httpx.Request) -> None:
        self.sent(request)

    def progress(self, posted: Posted) -> None:
        self.told.append(posted)
        self.say(f"{posted.sent:,} sent: {posted.kept:,} kept, {posted.same:,} the same, {posted.set_aside:,} set aside")

    def _kill(self, wait: float) -> None:
        time.sleep(wait)
        self.served.kill()
        self.kills += 1
        self.say("the service is killed")
        asyncio.run(self.served.start())

    def join(self) -> None:
        for thread in self.threads:
            thread.join()


def broken(address: str, room: Path, load: Load, kills: int, plain: bool = True, say: Callable[[str], None] = lambda line: None) -> Outcome:
    """Posts it all while the service is killed so many times; plain: by the plain client, else by the async one."""
    served = Served(address, room)
    asyncio.run(served.start())
    breaking = _Breaking(served, [load.readings * (n + 1) // (kills + 2) for n in range(kills)], say)
    try:
        asyncio.run(settle_in(served.url, load.machines))
        posted = _plain(served.url, load, breaking) if plain else asyncio.run(_awaited(served.url, load, breaking))
        breaking.join()
        return _held_to_what_is_listed(served.url, load, posted, breaking)
    finally:
        breaking.join()
        served.stop()


def _plain(url: str, load: Load, breaking: _Breaking) -> Posted:
    with httpx.Client(event_hooks={"request": [breaking.sent]}) as http, Client(url, http=http) as service:
        return service.post_readings(load.source(), progress=breaking.progress, most=load.most)


async def _awaited(url: str, load: Load, breaking: _Breaking) -> Posted:
    async with httpx.AsyncClient(event_hooks={"request": [breaking.sent_awaited]}) as http, AsyncClient(url, http=http) as service:
        return await service.post_readings(load.source(), progress=breaking.progress, most=load.most)


def _held_to_what_is_listed(url: str, load: Load, posted: Posted, breaking: _Breaking) -> Outcome:
    lost = double = 0
    sent: dict[str, list[dict[str, Any]]] = {}
    for n in range(load.new):
        reading = load.reading(n)
        sent.setdefault(reading["machine"], []).append(reading)
    with Client(url) as service:
        for machine in load.machines:
            wanted = Counter((datetime.fromisoformat(r["at"]), r["value"]) for r in sent[machine])
            there = Counter((datetime.fromisoformat(r["at"]), r["value"]) for r in service.readings(machine))
            lost += (wanted - there).total()
            double += (there - wanted).total()
        aside = len({item["id"] for item in service.set_aside()})
    return Outcome(posted, breaking.tries, breaking.told, breaking.kills, aside, lost, double)


def main() -> int:
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--readings", type=int, default=1_000_000)
    asked.add_argument("--kills", type=int, default=2)
    given = asked.parse_args()
    load = Load(given.readings, given.readings // 100, given.readings // 1000, 50_000)
    begun = time.monotonic()

    def say(line: str) -> None:
        print(f"{time.monotonic() - begun:6.1f} s  {line}", flush=True)  # noqa: T201

    with tempfile.TemporaryDirectory() as room:
        told = broken(f"sqlite:///{room}/store.db", Path(room), load, given.kills, say=say)
    posted = told.posted
    say(f"{posted.kept:,} kept, {posted.same:,} the same, {posted.set_aside:,} set aside, in {len(told.told)} posts and {told.tries} tries")
    say(f"killed {told.kills} times: {told.lost} lost, {told.double} double")
    fits = (posted.kept, posted.same, posted.set_aside) == (load.new, load.same, load.unusable) and told.aside == load.unusable
    cut_off = told.tries >= len(told.told) + told.kills
    return 0 if fits and cut_off and not told.lost and not told.double else 1


if __name__ == "__main__":
    raise SystemExit(main())
