"""A bulk post while the service is killed and started again: nothing is lost, nothing is there twice, and the account adds up."""

import asyncio
import random
import threading
from collections import Counter
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest

from fieldworthy.client import AsyncClient, Client, Posted, Retries, Unavailable
from tests.client.both import Both
from tests.faults.harness import Served, settle_in
from tests.postgres import lent

MACHINES = [f"m{n}" for n in range(20)]
READINGS = 100_000
OF_A_POST = 4_000
KEPT_TWICE = 900
UNUSABLE = 100
BEGINNING = datetime(2026, 1, 5, tzinfo=UTC)

pytestmark = [pytest.mark.slow, pytest.mark.timeout(300)]


def reading(n: int) -> dict[str, Any]:
    """The n-th of its machine's, ten minutes and a tenth of an hour after the one before."""
    machine, k = n % len(MACHINES), n // len(MACHINES)
    at = (BEGINNING + timedelta(minutes=10 * k)).isoformat()
    return {"machine": MACHINES[machine], "meter": "work", "at": at, "value": k / 10}


def source() -> Iterator[Any]:
    """Out of order within a stretch; among them some that were there before, and some of a meter that there is not."""
    chance = random.Random(4)
    new = READINGS - KEPT_TWICE - UNUSABLE
    twice = set(chance.sample(range(1000, new), KEPT_TWICE))
    wrong = set(chance.sample(range(new), UNUSABLE))
    for begin in range(0, new, 100):
        stretch = list(range(begin, min(begin + 100, new)))
        chance.shuffle(stretch)
        for n in stretch:
            yield reading(n)
            if n in twice:
                yield reading(n - 500)
            if n in wrong:
                yield {**reading(n), "meter": "no such"}


class Breaking:
    """Kills the service at random moments of the posts that begin after so many readings, and starts it again a moment later."""

    def __init__(self, served: Served, after: list[int]) -> None:
        self.served = served
        self.after = after
        self.kills = 0
        self.tries = 0
        self.told: list[Posted] = []
        self._threads: list[threading.Thread] = []

    def sent(self, request: httpx.Request) -> None:
        self.tries += request.method == "POST"

    async def sent_awaited(self, request: httpx.Request) -> None:
        self.sent(request)

    def progress(self, posted: Posted) -> None:
        self.told.append(posted)
        if self.after and posted.sent >= self.after[0]:
            self.after.pop(0)
            thread = threading.Thread(target=self._kill, args=(random.uniform(0, 0.15),))
            self._threads.append(thread)
            thread.start()

    def _kill(self, wait: float) -> None:
        threading.Event().wait(wait)
        self.served.kill()
        self.kills += 1
        asyncio.run(self.served.start())

    def join(self) -> None:
        for thread in self._threads:
            thread.join()


@pytest.mark.parametrize(("kind", "plain"), [("sqlite", True), pytest.param("postgresql", False, marks=pytest.mark.postgres)])
def test_killed_twice_in_the_middle_of_a_bulk_post(kind: str, plain: bool, request: pytest.FixtureRequest, tmp_path: Path) -> None:
    with lent(kind, request, tmp_path) as address:
        killed_twice(address, tmp_path, plain)


def killed_twice(address: str, tmp_path: Path, plain: bool) -> None:
    served = Served(address, tmp_path)
    asyncio.run(served.start())
    breaking = Breaking(served, [20_000, 60_000])
    try:
        asyncio.run(settle_in(served.url, MACHINES))
        if plain:
            with httpx.Client(event_hooks={"request": [breaking.sent]}) as http, Client(served.url, http=http) as service:
                posted = service.post_readings(source(), progress=breaking.progress, most=OF_A_POST)
        else:

            async def post() -> Posted:
                hooks = {"request": [breaking.sent_awaited]}
                async with httpx.AsyncClient(event_hooks=hooks) as http, AsyncClient(served.url, http=http) as service:
                    return await service.post_readings(source(), progress=breaking.progress, most=OF_A_POST)

            posted = asyncio.run(post())
        breaking.join()
        assert breaking.kills == 2
        assert breaking.tries >= len(breaking.told) + 2  # each of them cut something off
        assert posted.sent == posted.kept + posted.same + posted.set_aside == READINGS
        assert (posted.kept, posted.same, posted.set_aside) == (READINGS - KEPT_TWICE - UNUSABLE, KEPT_TWICE, UNUSABLE)
        assert [t.sent for t in breaking.told] == [*range(OF_A_POST, READINGS + 1, OF_A_POST)]
        lost, double = held_to_what_is_listed(served.url)
        assert (lost, double) == (0, 0)
    finally:
        breaking.join()
        served.stop()


def held_to_what_is_listed(url: str) -> tuple[int, int]:
    """Readings that are missing, and those that are there twice or were never sent."""
    wanted = Counter(
        (r["machine"], datetime.fromisoformat(r["at"]), r["value"]) for r in map(reading, range(READINGS - KEPT_TWICE - UNUSABLE))
    )
    with Client(url) as service:
        there = Counter((m, datetime.fromisoformat(r["at"]), r["value"]) for m in MACHINES for r in service.readings(m))
        aside = Counter(item["id"] for item in service.set_aside())
    assert len(aside) == UNUSABLE
    return (wanted - there).total(), (there - wanted).total()


def test_given_up_and_gone_on_with(address: str, tmp_path: Path, both: Both) -> None:
    """The service stays away for longer than the client waits; later the same call goes on from there, and both accounts add up."""
    served = Served(address, tmp_path)
    asyncio.run(served.start())
    readings = [reading(n) for n in range(6_000)]
    posted: Posted | None = None

    def kill(posted: Posted) -> None:
        if posted.sent == 2_000:
            served.kill()

    try:
        asyncio.run(settle_in(served.url, MACHINES))
        with pytest.raises(Unavailable) as told:
            both(served.url, "post_readings", iter(readings), progress=kill, most=1_000, client={"retries": Retries(within=0.5)})
        posted = told.value.posted
        assert posted is not None
        assert (posted.sent, posted.kept) == (2_000, 2_000)
        asyncio.run(served.start())
        rest = both(served.url, "post_readings", iter(readings), skip=posted.sent, run=posted.run, most=1_000)
        assert (rest.sent, rest.kept, rest.same, posted.kept + rest.kept) == (6_000, 4_000, 0, 6_000)
        assert len(both(served.url, "readings", "m0")) == 6_000 // len(MACHINES)
    finally:
        served.stop()
