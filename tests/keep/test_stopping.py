"""How the service ends: a real process under load is told to stop, and no request that was begun is broken.

Source for the signals: POSIX, `kill`; that a cluster sends SIGTERM, and SIGKILL some time later, is common practice.
"""

import asyncio
import json
import signal
import time
from collections import Counter
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest

from tests.faults.harness import Served, settle_in
from tests.keep.service import running

pytestmark = pytest.mark.slow

DELAY = 3
TALKATIVE = {"FIELDWORTHY_LOG_LEVEL": "info"}
BEGINNING = datetime.now(UTC).replace(microsecond=0) - timedelta(days=300)
LINE = json.dumps({"rulebook": "faults", "now": "2026-07-14T06:00:00Z", "machine": {}}).encode() + b"\n"


@dataclass
class Load:
    """What callers saw. kept: moments of readings that were acknowledged; broken: how a request ended that was no answer."""

    kept: dict[str, set[datetime]] = field(default_factory=dict)
    statuses: Counter[int] = field(default_factory=Counter)
    broken: list[str] = field(default_factory=list)
    last: int = 0  # answers that said that they were the last of their connection

    async def call(self, url: str, machine: str) -> None:
        """One request after another, as quick as they are answered, until nobody listens any more."""
        n = 0
        async with httpx.AsyncClient(base_url=url, timeout=30) as http:
            while True:
                n += 1
                at = BEGINNING + timedelta(hours=n)
                body = [{"machine": machine, "meter": "work", "at": at.isoformat(), "value": n / 2}]
                try:
                    answer = await (http.post("/v1/readings", json=body) if n % 2 else http.get("/v1/machines"))
                except httpx.ConnectError:
                    return
                except httpx.HTTPError as trouble:
                    self.broken.append(repr(trouble))
                    return
                self.statuses[answer.status_code] += 1
                self.last += answer.headers.get("connection") == "close"
                if n % 2 and answer.status_code == 200:
                    self.kept.setdefault(machine, set()).add(at)


async def slowly(parts: list[bytes], told: asyncio.Event, alone: asyncio.Event) -> AsyncIterator[bytes]:
    """The first part at once, the next once the process was told to stop, the last once nobody listens any more."""
    yield parts[0]
    await told.wait()
    for part in parts[1:-1]:
        yield part
        await asyncio.sleep(0.5)
    await alone.wait()
    yield parts[-1]


def signalled(served: Served, how: signal.Signals) -> Any:
    process = served._process
    assert process is not None
    process.send_signal(how)
    return process


async def heard(served: Served) -> None:
    """Waits until the process, which logs `info`, has begun to stop: how long that takes is the machine's affair."""
    async with asyncio.timeout(30):
        while '"event":"stopping"' not in served.log.read_text():  # noqa: ASYNC110  # it tells no other way
            await asyncio.sleep(0.01)


async def test_what_was_begun_is_finished(address: str, tmp_path: Path) -> None:
    served = Served(address, tmp_path, more={"FIELDWORTHY_STOP_DELAY_SECONDS": str(DELAY), **TALKATIVE})
    await served.start()
    try:
        await settle_in(served.url, ["bulk", *(f"m{n}" for n in range(4))])
        load, told, alone = Load(), asyncio.Event(), asyncio.Event()
        async with httpx.AsyncClient(base_url=served.url, timeout=30) as http:
            callers = [asyncio.create_task(load.call(served.url, f"m{n}")) for n in range(4)]
            rows = [
                {"machine": "bulk", "meter": "work", "at": (BEGINNING + timedelta(hours=n)).isoformat(), "value": n / 2}
                for n in range(6000)
            ]
            whole = json.dumps(rows).encode()
            cuts = [whole[i : i + len(whole) // 4 + 1] for i in range(0, len(whole), len(whole) // 4 + 1)]
            bulk = asyncio.create_task(
                http.post("/v1/readings", content=slowly(cuts, told, alone), headers={"content-type": "application/json"})
            )
            batch = asyncio.create_task(
                http.post("/v1/due/batch", content=slowly([LINE * 50] * 4, told, alone), headers={"content-type": "application/jsonl"})
            )
            async with asyncio.timeout(60):
                while load.statuses[200] <= 20:  # noqa: ASYNC110  # callers tell no other way
                    await asyncio.sleep(0.01)
            process = signalled(served, signal.SIGTERM)
            begun = time.monotonic()
            told.set()
            await heard(served)
            ready = await http.get("/readyz")
            assert (ready.status_code, ready.json()["detail"]) == (503, "the service is stopping")
            assert ready.headers["connection"] == "close"
            assert (await http.get("/healthz")).status_code == 200  # it still answers all else
            await asyncio.gather(*callers)
            assert time.monotonic() - begun >= DELAY
            assert [bulk.done(), batch.done()] == [False, False]  # they are still under way, and nobody listens any more
            alone.set()
            posted, answered = await asyncio.gather(bulk, batch)
        assert await asyncio.to_thread(process.wait, 20) == 0
        assert load.broken == []
        assert set(load.statuses) == {200}
        assert load.statuses[200] > 20
        assert load.last > 4
        assert (posted.status_code, posted.json()["kept"]) == (200, len(rows))
        lines = [json.loads(line) for line in answered.text.splitlines()]
        assert (len(lines), lines[-1]) == (201, {"end": True, "lines": 200})
        logged = [json.loads(line) for line in served.log.read_text().splitlines() if line.startswith("{")]
        assert {line["status"] for line in logged if line["event"] == "request"} == {200, 201}
        told = [line["event"] for line in logged if line["event"] != "request"]
        assert [event for event in told if not event.startswith("the database's role passes by")] == ["stopping", "stopped"]
        async with running(address) as service:
            for machine, kept in load.kept.items():
                there, after = set(), ""
                while True:
                    page = await service.get(f"/v1/machines/{machine}/readings?limit=200{after}")
                    there |= {datetime.fromisoformat(item["at"]) for item in page["items"]}
                    if page["next"] is None:
                        break
                    after = f"&after={page['next']}"
                assert kept <= there
    finally:
        served.kill()


@pytest.fixture
def sqlite(tmp_path: Path) -> str:
    return f"sqlite:///{tmp_path}/ends.db"


@pytest.mark.parametrize(
    ("signals", "more", "code", "least", "most"),
    [
        ([signal.SIGTERM], {"FIELDWORTHY_STOP_SECONDS": "1"}, 0, 1, 10),  # what takes longer than it may is given up
        ([signal.SIGTERM, signal.SIGTERM], {"FIELDWORTHY_STOP_DELAY_SECONDS": "60"}, -signal.SIGTERM, 0, 5),
        ([signal.SIGTERM, signal.SIGINT], {}, -signal.SIGINT, 0, 5),
        ([signal.SIGINT], {"FIELDWORTHY_STOP_DELAY_SECONDS": "60", "FIELDWORTHY_STOP_SECONDS": "1"}, 0, 1, 10),  # a person does not wait
    ],
)
async def test_how_long_it_takes(
    sqlite: str, tmp_path: Path, signals: list[signal.Signals], more: dict[str, str], code: int, least: float, most: float
) -> None:
    served = Served(sqlite, tmp_path, more={**more, **TALKATIVE})
    await served.start()
    _, writer = await asyncio.open_connection("127.0.0.1", served.port)
    try:
        writer.write(b"POST /v1/due HTTP/1.1\r\nhost: localhost\r\ncontent-type: application/json\r\ncontent-length: 99\r\n\r\n{")
        await writer.drain()
        await asyncio.sleep(0.3)
        begun = time.monotonic()
        for n, each in enumerate(signals):
            process = signalled(served, each)
            if n + 1 < len(signals):
                await heard(served)  # two of the same that come at once are one (POSIX, 2.4.1)
        assert await asyncio.to_thread(process.wait, 30) == code
        assert least <= time.monotonic() - begun < most
    finally:
        writer.close()
        served.kill()


async def test_a_request_that_came_just_before_the_end_is_answered(sqlite: str, tmp_path: Path) -> None:
    """On a connection that stood idle, and on one on which nothing had come yet."""
    served = Served(sqlite, tmp_path, more=TALKATIVE)
    await served.start()
    asked = b"GET /v1/rulebooks HTTP/1.1\r\nhost: localhost\r\n\r\n"
    try:
        used = await asyncio.open_connection("127.0.0.1", served.port)
        used[1].write(asked)
        assert (await used[0].readuntil(b"}")).startswith(b"HTTP/1.1 200")
        new = await asyncio.open_connection("127.0.0.1", served.port)
        await asyncio.sleep(0.1)
        process = signalled(served, signal.SIGTERM)
        await heard(served)
        await asyncio.sleep(0.1)  # nobody listens any more; the service waits for half a second
        for reader, writer in (used, new):
            writer.write(asked)
            answer = await asyncio.wait_for(reader.read(), 5)
            assert answer.startswith(b"HTTP/1.1 200")
            assert b"connection: close" in answer.lower()
            writer.close()
        assert await asyncio.to_thread(process.wait, 20) == 0
    finally:
        served.kill()
