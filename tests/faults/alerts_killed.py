"""The service is killed while readings and records change standings: every change has its event, and no event is without its cause.

What changes a standing, the standing and its event are written in one transaction. So whatever the moment in which `fieldworthy serve` is
killed, callers who send until they are answered, and look where the task stands after each change, must find just the changes that they saw
among the events, each once and in order.
"""

import asyncio
import random
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx

from tests.faults.harness import Served

BOOK = """
rulebook: hourly
title: A machine of the tests
meters: {work: {unit: h, default: true}}
tasks:
  grease: {title: Grease, kind: lubricate, interval: every 1 h}
"""
STANDING = "fieldworthy.task."
BEGINNING = timedelta(days=30)
"""So long ago the first reading is: what is older is told of by no event."""

MOST = int(BEGINNING / timedelta(hours=1)) - 2


@dataclass(slots=True)
class Machine:
    """What a caller did to a machine of its own, all of it acknowledged. seen: standings that were shown, each change of them once."""

    id: str
    seen: list[str] = field(default_factory=list)
    done: list[str] = field(default_factory=list)
    aside: int = 0
    tries: int = 0
    acknowledged: int = 0


@dataclass(frozen=True, slots=True)
class Found:
    """
    caused: changes that were acknowledged; without_event, without_cause: so many of these, and of events, which must be 0; ordered: whether
    standings were told as they were seen; again: tries that were not acknowledged.
    """

    caused: int
    without_event: int
    without_cause: int
    ordered: bool
    again: int
    kills: int
    seconds: float


class Caller:
    """Makes the task due, and then done, over and over, and looks each time."""

    def __init__(self, url: str, machine: Machine) -> None:
        self._url = url
        self.machine = machine
        self._beginning = datetime.now(UTC).replace(microsecond=0) - BEGINNING

    async def run(self, over: asyncio.Event) -> None:
        """Until `over`, and then until what it began with is acknowledged and seen."""
        async with httpx.AsyncClient(base_url=self._url, timeout=30) as http:
            await self._look(http, "unknown")
            await self._done(http, 0)
            for n in range(1, MOST):
                if over.is_set():
                    return
                sent = [self._reading(n, n)]
                if n % 5 == 0:  # and one that runs backward
                    sent.append(self._reading(n + 0.01, 0.5 - n / 10_000))
                    self.machine.aside += 1
                await self._sent(http, "POST", "/v1/readings", sent, f"{n}")
                await self._look(http, "due")
                await self._done(http, n)

    def _reading(self, at: float, value: float) -> dict[str, Any]:
        return {"machine": self.machine.id, "meter": "work", "at": self._at(at), "value": value}

    def _at(self, hours: float) -> str:
        return (self._beginning + timedelta(hours=hours)).isoformat()

    async def _done(self, http: httpx.AsyncClient, n: int) -> None:
        id = f"d-{n}"
        record = {"task": "grease", "at": self._at(n + 0.005), "meters": {"work": n}}
        await self._sent(http, "PUT", f"/v1/machines/{self.machine.id}/done/{id}", record, id)
        self.machine.done.append(id)
        await self._look(http, "clear")

    async def _look(self, http: httpx.AsyncClient, wanted: str) -> None:
        """Until the fleet's list says where the task stands by now."""
        while True:
            page = await self._sent(http, "GET", f"/v1/due?machine={self.machine.id}")
            if page["stale"] == 0:
                (item,) = page["items"]
                assert item["standing"] == wanted, (self.machine, item)
                self.machine.seen.append(wanted)
                return

    async def _sent(self, http: httpx.AsyncClient, method: str, path: str, body: Any = None, key: str = "") -> Any:
        """Until it is acknowledged, with one key; its answer."""
        headers = {"idempotency-key": f"{self.machine.id} {method} {key}"} if key else {}
        while True:
            self.machine.tries += 1
            try:
                answer = await http.request(method, path, json=body, headers=headers)
            except httpx.HTTPError:  # nobody there, or gone before it answered
                await asyncio.sleep(0.05)
                continue
            if answer.status_code < 300:
                self.machine.acknowledged += 1
                return answer.json()
            assert answer.status_code in (409, 503), answer.text
            await asyncio.sleep(0.05)


async def killed_in_intake(address: str, room: Path, times: int, seed: int = 1, machines: int = 3) -> Found:
    """The service over a migrated database in which nothing was kept is killed so many times, each at a random moment."""
    begun, chance = time.monotonic(), random.Random(seed)
    served = Served(address, room, "killed")
    all_machines = [Machine(f"k-{n}") for n in range(machines)]

    def acknowledged() -> int:
        return sum(machine.acknowledged for machine in all_machines)

    await served.start()
    try:
        await _settle_in(served.url, [machine.id for machine in all_machines])
        over = asyncio.Event()
        callers = asyncio.gather(*(Caller(served.url, machine).run(over) for machine in all_machines))
        for _ in range(times):
            before = acknowledged()
            async with asyncio.timeout(120):
                while acknowledged() < before + 3 * machines and not callers.done():  # noqa: ASYNC110  # each counts for itself
                    await asyncio.sleep(0.01)
            await asyncio.sleep(chance.uniform(0, 1))
            served.kill()
            await served.start()
        over.set()
        await asyncio.wait_for(callers, 120)
        events = await _events(served.url)
    finally:
        served.stop()
    return _held(all_machines, events, times, time.monotonic() - begun)


def _held(machines: Sequence[Machine], events: Sequence[Any], kills: int, seconds: float) -> Found:
    """What callers saw against what is told."""
    caused: Counter[tuple[str, str]] = Counter()
    told: Counter[tuple[str, str]] = Counter()
    ordered = True
    for machine in machines:
        caused.update((machine.id, f"done {id}") for id in machine.done)
        caused.update((machine.id, standing) for standing in machine.seen)
        caused[machine.id, "set aside"] += machine.aside
        mine = [event for event in events if event["data"].get("machine") == machine.id]
        standings = [e["data"]["standing"] for e in mine if e["type"].startswith(STANDING) and "standing" in e["data"]]
        was = [e["data"]["was"] or "clear" for e in mine if e["type"].startswith(STANDING) and "standing" in e["data"]]
        ordered &= standings == machine.seen and was == ["clear", *standings[:-1]]
        told.update((machine.id, standing) for standing in standings)
        told.update((machine.id, f"done {e['data']['record']}") for e in mine if e["type"] == f"{STANDING}done")
        told[machine.id, "set aside"] += sum(e["type"] == "fieldworthy.readings.set_aside" for e in mine)
    assert len({event["id"] for event in events}) == len(events)
    again = sum(machine.tries - machine.acknowledged for machine in machines)
    return Found(caused.total(), (caused - told).total(), (told - caused).total(), ordered, again, kills, seconds)


async def _settle_in(url: str, machines: Sequence[str]) -> None:
    async with httpx.AsyncClient(base_url=url, timeout=60) as http:
        headers = {"content-type": "application/yaml"}
        answers = [
            await http.put("/v1/rulebooks/hourly/draft", content=BOOK, headers=headers),
            await http.post("/v1/rulebooks/hourly/publish"),
            *[await http.put(f"/v1/machines/{id}", json={"rulebook": "hourly"}) for id in machines],
        ]
    for answer in answers:
        assert answer.status_code < 300, answer.text


async def _events(url: str) -> list[Any]:
    """All that there are, the oldest first."""
    found: list[Any] = []
    query: dict[str, Any] = {"limit": 200}
    async with httpx.AsyncClient(base_url=url, timeout=60) as http:
        while True:
            page = (await http.get("/v1/events", params=query)).json()
            found += page["items"]
            if page["next"] is None:
                return found
            query["after"] = page["next"]
