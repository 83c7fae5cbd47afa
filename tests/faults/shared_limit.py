"""One key's quota over several replicas: python tests/faults/shared_limit.py [--quota 100] [--seconds 10] [--windows 3]

Starts two replicas of the service on a PostgreSQL of its own, then two processes on one SQLite file, sends both as many requests with one
key as they take, kills one in the middle, and says for each window what was asked, answered 2xx, answered 429, and over the quota (0). Then
the Python client posts many readings through a small quota, waiting as `Retry-After` says. Exit code 1 where anything was over the quota,
anything else was answered, or readings are missing.
"""

import argparse
import asyncio
import re
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from math import inf
from pathlib import Path

import httpx

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from fieldworthy.client import AsyncClient
from fieldworthy.storage.engine import SqlStore, open_engine, prepare
from fieldworthy.usecases.keep_keys import create_key
from fieldworthy.usecases.keys import KeyScope
from tests.faults.harness import RULEBOOK, Served
from tests.faults.own_postgres import own_postgres

FIELD = re.compile(r'"requests";r=(\d+);t=(\d+)\Z')


@dataclass(frozen=True, slots=True)
class Told:
    """One answer. sent, came: when, in s; r, t: of `RateLimit`."""

    replica: int
    sent: float
    came: float
    status: int
    r: int
    t: int
    retry_after: str | None


@dataclass
class Outcome:
    """All that was asked, and how it was answered."""

    quota: int
    seconds: int
    told: list[Told] = field(default_factory=list)

    @property
    def asked(self) -> int:
        return len(self.told)

    @property
    def granted(self) -> int:
        return sum(each.status < 300 for each in self.told)

    @property
    def refused(self) -> int:
        return sum(each.status == 429 for each in self.told)

    @property
    def other(self) -> int:
        """Neither 2xx nor 429."""
        return self.asked - self.granted - self.refused

    def windows(self) -> list[int]:
        """
        Requests that were granted in each window. Whose a grant is tells its `t`: answers whose windows end together are of one window.

        When it was decided is only known to lie between its being sent and answered, and `t` is of whole seconds; windows are longer apart.
        """
        found: list[int] = []
        end = -inf
        for ends in sorted((each.sent + each.came) / 2 + each.t - 0.5 for each in self.told if each.status < 300):
            if ends - end > self.seconds / 2:
                found.append(0)
                end = ends
            found[-1] += 1
        return found

    def over(self) -> int:
        """Grants beyond the quota: of each window, and of all that can have begun in the time, whatever `t` says."""
        begun = int((max(t.came for t in self.told) - min(t.sent for t in self.told)) / self.seconds) + 1
        return max(sum(max(0, count - self.quota) for count in self.windows()), self.granted - begun * self.quota)

    def wrong(self) -> list[str]:
        """Answers that say what can't be."""
        found = [f"r={each.r} of {self.quota}" for each in self.told if not 0 <= each.r <= self.quota]
        found += [f"429 with r={each.r}, t={each.t}, Retry-After {each.retry_after}" for each in self.told if not _fits(each)]
        return found


def _fits(told: Told) -> bool:
    return told.status != 429 or (told.r == 0 and told.retry_after == str(told.t) and told.t >= 1)


async def key_in(address: str, scopes: Sequence[KeyScope] = tuple(KeyScope)) -> str:
    """A new key's text; the database is made where there is none yet."""
    store = SqlStore(open_engine(address))
    try:
        await prepare(store, address)
        return (await create_key(store, "Nine Oxen", "the limit", scopes)).text
    finally:
        await store.close()


def replicas(address: str, room: Path, quota: int, seconds: int, count: int = 2) -> list[Served]:
    """Not started yet. They ask for keys."""
    more = {"FIELDWORTHY_MAX_REQUESTS": str(quota), "FIELDWORTHY_MAX_REQUESTS_SECONDS": str(seconds)}
    return [Served(address, room, f"limit-{n}", ("serve",), more) for n in range(count)]


async def hammered(address: str, room: Path, quota: int, seconds: int, windows: float, kill: bool, callers: int = 8) -> Outcome:
    """Two replicas are sent what they take for so many windows. kill: one of them is killed in the middle, and started again."""
    key = await key_in(address)
    both = replicas(address, room, quota, seconds)
    outcome = Outcome(quota, seconds)
    try:
        await asyncio.gather(*(each.start() for each in both))
        over = time.monotonic() + windows * seconds
        async with httpx.AsyncClient(timeout=30, headers={"authorization": f"Bearer {key}"}) as http:

            async def call(n: int) -> None:
                while time.monotonic() < over:
                    await _ask(http, both[n % 2].url, n % 2, outcome)
                    await asyncio.sleep(0.002 if outcome.told[-1:] and outcome.told[-1].status < 300 else 0.05)

            async def killing() -> None:
                await asyncio.sleep(windows * seconds / 2)
                await asyncio.to_thread(both[0].kill)
                await both[0].start()

            await asyncio.gather(*(call(n) for n in range(callers)), *([killing()] if kill else []))
        return outcome
    finally:
        for each in both:
            each.stop()


async def _ask(http: httpx.AsyncClient, url: str, replica: int, outcome: Outcome) -> None:
    sent = time.monotonic()
    try:
        answer = await http.post(f"{url}/v1/expressions/check", json={"interval": "every 80 h"})
    except httpx.HTTPError:  # killed
        await asyncio.sleep(0.05)
        return
    found = FIELD.match(answer.headers.get("ratelimit", ""))
    r, t = (int(found[1]), int(found[2])) if found else (-1, -1)
    outcome.told.append(Told(replica, sent, time.monotonic(), answer.status_code, r, t, answer.headers.get("retry-after")))


@dataclass(frozen=True, slots=True)
class Posted:
    """kept: readings that the client was told; there: that are listed; refused: times that the client was told to wait; took: s."""

    kept: int
    there: int
    refused: int
    took: float


async def posted(address: str, room: Path, quota: int, seconds: int, posts: int, each: int = 10) -> Posted:
    """So many posts by the client through that quota, and then all of it read back with a key of its own."""
    key, other = await key_in(address), await key_in(address)
    (served,) = replicas(address, room, quota, seconds, 1)
    refused = 0

    async def noted(response: httpx.Response) -> None:
        nonlocal refused
        refused += response.status_code == 429

    await served.start()
    try:
        async with AsyncClient(served.url, key=other) as settling:
            await settling.put_draft("faults", RULEBOOK)
            await settling.publish("faults")
            await settling.put_machine("m0", {"rulebook": "faults"})
        begun = time.monotonic()
        sent = [
            {"machine": "m0", "meter": "work", "at": f"2026-01-01T{n // 3600:02}:{n // 60 % 60:02}:{n % 60:02}Z", "value": 100}
            for n in range(posts * each)
        ]
        async with httpx.AsyncClient(event_hooks={"response": [noted]}) as http, AsyncClient(served.url, key=key, http=http) as service:
            told = await service.post_readings(sent, most=each)
        took = time.monotonic() - begun
        async with AsyncClient(served.url, key=await key_in(address)) as service:
            there = len([reading async for reading in service.readings("m0")])
        return Posted(told.kept, there, refused, took)
    finally:
        served.stop()


def main() -> int:
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--quota", type=int, default=100)
    asked.add_argument("--seconds", type=int, default=10)
    asked.add_argument("--windows", type=float, default=3)
    given = asked.parse_args()

    def say(line: str) -> None:
        print(line, flush=True)  # noqa: T201

    with tempfile.TemporaryDirectory() as room, own_postgres() as server:
        at = {"two replicas on one PostgreSQL": server.address, "two processes on one SQLite file": f"sqlite:///{room}/store.db"}
        good = [asyncio.run(_shown(what, address, Path(room), given, say)) for what, address in at.items()]
    return 0 if all(good) else 1


async def _shown(what: str, address: str, room: Path, given: argparse.Namespace, say: Callable[[str], None]) -> bool:
    told = await hammered(address, room, given.quota, given.seconds, given.windows, kill=True)
    say(f"{what}, one killed and started again: quota {told.quota}, window {told.seconds} s")
    say(f"  asked {told.asked}, answered 2xx {told.granted} ({told.windows()} by window), 429 {told.refused}, else {told.other}")
    say(f"  over quota {told.over()}")
    for wrong in told.wrong()[:5]:
        say(f"  wrong: {wrong}")
    post = await posted(address, room, 5, 3, 30)
    say(f"  the client, 30 posts at 5 in 3 s: {post.kept} kept, {post.there} there, told to wait {post.refused} times, {post.took:.1f} s")
    fits = not told.over() and not told.wrong() and not told.other
    return fits and told.refused > 0 and post.kept == post.there == 300 and post.refused > 0


if __name__ == "__main__":
    raise SystemExit(main())
