"""The real service as a process of its own, callers that never give up, and an account of what was acknowledged.

A caller sends each request until it is acknowledged, with the same `Idempotency-Key` and the same ids every time, whatever happens to the
service in between. What it was told is then held to what the service lists: nothing acknowledged may be missing, nothing be there twice.
"""

import asyncio
import os
import random
import signal
import socket
import subprocess
import sys
import time
from collections.abc import AsyncIterator, Mapping, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx

RULEBOOK = """
rulebook: faults
title: A machine of the tests
meters: {work: {unit: h, default: true}}
tasks:
  grease: {title: Grease, kind: lubricate, interval: every 50 h}
"""
SHARED = "shared"
FEW = 3
"""Readings of one post."""

LIMITS = {
    "FIELDWORTHY_POOL_SIZE": "4",
    "FIELDWORTHY_POOL_OVERFLOW": "4",
    "FIELDWORTHY_POOL_WAIT_SECONDS": "5",
    "FIELDWORTHY_CONNECT_SECONDS": "3",
    "FIELDWORTHY_LOCK_SECONDS": "10",
    "FIELDWORTHY_STATEMENT_SECONDS": "20",
    "FIELDWORTHY_LOG_LEVEL": "error",
}
_STARTS_WITHIN = 60


def free_port() -> int:
    """A port that nobody listened at a moment ago."""
    with socket.create_server(("127.0.0.1", 0)) as found:
        return int(found.getsockname()[1])


class Served:
    """`fieldworthy serve` over a database, at one port for all its lives. words: what it is started with; more: of its environment."""

    def __init__(
        self, address: str, room: Path, name: str = "a", words: Sequence[str] = ("serve", "--open"), more: Mapping[str, str] | None = None
    ) -> None:
        self.port = free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        self.log = room / f"serve-{name}.log"
        self._address = address
        self._words = words
        self._more = more or {}
        self._process: subprocess.Popen[bytes] | None = None

    async def start(self) -> None:
        """Starts it; ready when it answers. Raises RuntimeError with its log where it does not."""
        same = {name: os.environ[name] for name in ("PATH", "PYTHONPATH") if name in os.environ}
        told = {"FIELDWORTHY_DATABASE_URL": self._address, **same, **LIMITS, **self._more}
        program = [sys.executable, "-c", "from fieldworthy.cli import main; main()", *self._words, "--port", str(self.port)]
        with self.log.open("ab") as log:
            self._process = subprocess.Popen(program, env=told, stderr=log)  # noqa: ASYNC220  # it is awaited below
        end = time.monotonic() + _STARTS_WITHIN
        async with httpx.AsyncClient() as http:
            while time.monotonic() < end and self._process.poll() is None:
                try:
                    if (await http.get(f"{self.url}/readyz", timeout=2)).status_code == 200:
                        return
                except httpx.HTTPError:
                    pass
                await asyncio.sleep(0.05)
        raise RuntimeError(f"the service does not answer: {self.log.read_text()[-2000:]}")

    def kill(self) -> None:
        """SIGKILL: it can do nothing about it any more."""
        self._end(signal.SIGKILL)

    def stop(self) -> None:
        self._end(signal.SIGTERM)

    def _end(self, how: signal.Signals) -> None:
        if self._process is not None:
            self._process.send_signal(how)
            self._process.wait(30)
            self._process = None


@dataclass(slots=True)
class Account:
    """What callers sent and were told.

    readings: machine -> moment -> value; done: (machine, id). refused: (status, Retry-After) of what was not acknowledged; wrong: answers
    that no caller should ever get.
    """

    acknowledged: int = 0
    tries: int = 0
    slowest: float = 0.0
    readings: dict[str, dict[str, float]] = field(default_factory=dict)
    done: set[tuple[str, str]] = field(default_factory=set)
    refused: list[tuple[int, str | None]] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Tally:
    """acknowledged: of requests; lost: readings and records that were acknowledged and are not there; double: that are there twice."""

    acknowledged: int
    lost: int
    double: int


class Caller:
    """Posts readings of a machine of its own, and records of that one and of one that all callers share, one request after another."""

    def __init__(self, number: int, urls: Sequence[str], account: Account, seed: int) -> None:
        self.machine = f"m{number}"
        self.account = account
        self._urls = urls
        self._random = random.Random(seed * 1000 + number)
        self._beginning = datetime.now(UTC).replace(microsecond=0) - timedelta(days=300)
        self._sent = 0

    async def run(self, over: asyncio.Event) -> None:
        """Until `over`, and then until what it began with is acknowledged."""
        async with httpx.AsyncClient(timeout=30) as http:
            while not over.is_set():
                self._sent += 1
                if self._random.random() < 0.5:
                    await self._readings(http)
                else:
                    await self._done(http)

    async def _readings(self, http: httpx.AsyncClient) -> None:
        sent = []
        for n in range(FEW):
            number = self._sent * FEW + n
            at = (self._beginning + timedelta(minutes=10 * number)).isoformat()
            sent.append({"machine": self.machine, "meter": "work", "at": at, "value": number / 10})
        answer = await self._until_acknowledged(http, "POST", "/v1/readings", sent)
        # with the same key it is told again what it was told, or would have been told, at first: so it never reads that it was there before
        if answer is not None and answer["kept"] != FEW:
            self.account.wrong.append(f"of {FEW} new readings: {answer}")
        self.account.readings.setdefault(self.machine, {}).update({r["at"]: r["value"] for r in sent})

    async def _done(self, http: httpx.AsyncClient) -> None:
        machine = self._random.choice([self.machine, SHARED])
        id = f"{self.machine}-{self._sent}"
        at = (self._beginning + timedelta(minutes=self._sent)).isoformat()
        answer = await self._until_acknowledged(http, "PUT", f"/v1/machines/{machine}/done/{id}", {"task": "grease", "at": at})
        if answer is not None and answer["outcome"] != "kept":
            self.account.wrong.append(f"of a new record: {answer['outcome']}")
        self.account.done.add((machine, id))

    async def _until_acknowledged(self, http: httpx.AsyncClient, method: str, path: str, body: Any) -> Any:
        headers = {"idempotency-key": f"{self.machine}-{self._sent}"}
        while True:
            self.account.tries += 1
            begun = time.monotonic()
            try:
                answer = await http.request(method, self._random.choice(self._urls) + path, json=body, headers=headers)
            except httpx.HTTPError:  # nobody there, or gone before it answered
                await asyncio.sleep(0.05)
                continue
            finally:
                self.account.slowest = max(self.account.slowest, time.monotonic() - begun)
            if answer.status_code < 300:
                self.account.acknowledged += 1
                return answer.json()
            self.account.refused.append((answer.status_code, answer.headers.get("retry-after")))
            if answer.status_code not in (409, 503):
                self.account.wrong.append(f"{answer.status_code}: {answer.text[:300]}")
                return None
            await asyncio.sleep(0.1)


async def settle_in(url: str, machines: Sequence[str]) -> None:
    """Publishes the rulebook and adds the machines."""
    async with httpx.AsyncClient(base_url=url, timeout=60) as http:
        headers = {"content-type": "application/yaml"}
        put = await http.put("/v1/rulebooks/faults/draft", content=RULEBOOK, headers=headers)
        assert put.status_code < 300, put.text
        published = await http.post("/v1/rulebooks/faults/publish")
        assert published.status_code < 300, published.text
        for id in machines:
            added = await http.put(f"/v1/machines/{id}", json={"rulebook": "faults"})
            assert added.status_code < 300, added.text


async def tally(url: str, account: Account, machines: Sequence[str]) -> Tally:
    """Holds what callers were told to what the service lists."""
    lost = double = 0
    async with httpx.AsyncClient(base_url=url, timeout=60) as http:
        for machine in machines:
            kept = [(r["at"], r["value"]) async for r in _all(http, f"/v1/machines/{machine}/readings")]
            there = {(datetime.fromisoformat(at), _number(value)) for at, value in kept}
            sent = {(datetime.fromisoformat(at), value) for at, value in account.readings.get(machine, {}).items()}
            lost += len(sent - there)
            double += len(kept) - len(there) + len(there - sent)
            records = [r["id"] async for r in _all(http, f"/v1/machines/{machine}/done")]
            told = {id for owner, id in account.done if owner == machine}
            lost += len(told - set(records))
            double += len(records) - len(set(records)) + len(set(records) - told)
            for id in set(records):
                states = (await http.get(f"/v1/machines/{machine}/done/{id}/states")).json()["items"]
                double += len(states) - 1
        aside = (await http.get("/v1/set-aside")).json()["items"]
        double += len(aside)
    return Tally(account.acknowledged, lost, double)


def _number(value: Any) -> float:
    return float(value["value"] if isinstance(value, Mapping) else value)


async def _all(http: httpx.AsyncClient, path: str) -> AsyncIterator[Any]:
    after: dict[str, Any] = {}
    while True:
        answer = await http.get(path, params={"limit": 200, **after})
        assert answer.status_code == 200, answer.text
        page = answer.json()
        for item in page["items"]:
            yield item
        if page["next"] is None:
            return
        after = {"after": page["next"]}


@asynccontextmanager
async def under_load(urls: Sequence[str], callers: int, seed: int) -> AsyncIterator[Account]:
    """Callers at work for as long as the block runs; at its end each has its last request acknowledged."""
    account, over = Account(), asyncio.Event()
    made = [Caller(n, urls, account, seed) for n in range(callers)]
    running = [asyncio.create_task(caller.run(over)) for caller in made]
    try:
        yield account
        over.set()
        async with asyncio.timeout(120):
            await asyncio.gather(*running)
    finally:
        for task in running:
            task.cancel()
        await asyncio.gather(*running, return_exceptions=True)


async def until(account: Account, acknowledged: int, within: float = 60) -> None:
    """Waits until so many requests are acknowledged. Raises TimeoutError."""
    async with asyncio.timeout(within):
        while account.acknowledged < acknowledged:  # noqa: ASYNC110  # callers tell no other way
            await asyncio.sleep(0.01)


def machines_of(callers: int) -> list[str]:
    """All that the callers write to."""
    return [SHARED, *(f"m{n}" for n in range(callers))]


async def killed(address: str, room: Path, times: int, seed: int, callers: int = 4) -> tuple[Account, Tally]:
    """The service is killed so many times at random moments under load, and started again each time."""
    chance = random.Random(seed)
    served = Served(address, room)
    await served.start()
    try:
        await settle_in(served.url, machines_of(callers))
        async with under_load([served.url], callers, seed) as account:
            for _ in range(times):
                await until(account, account.acknowledged + chance.randint(1, 20))
                await asyncio.sleep(chance.uniform(0, 0.05))
                served.kill()
                await served.start()
            await until(account, account.acknowledged + callers)
        return account, await tally(served.url, account, machines_of(callers))
    finally:
        served.stop()
