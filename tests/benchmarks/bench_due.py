"""What POST /v1/due costs the server: CPU per request for 60 tasks, beside two yardsticks that carry the same bytes.

    python tests/benchmarks/bench_due.py [requests]

Driven in process, without sockets, so that only the service's own work is counted (`time.process_time`):

raw      an ASGI app that reads the body and sends the prepared answer: the floor.
stock    a plain FastAPI endpoint with Pydantic models both ways that gives back the same answer: it parses the request into models, makes
         models of the answer's plain data and writes them, as FastAPI does by itself, and answers no question at all.
due      this service: the same parsing, 60 tasks judged, and when they fall due forecast from two meters' readings.
repeated the same, asked with the same bytes each time: what is kept of days and their texts is then always at hand.
judged   the same with `"forecast": false`: 60 tasks judged, with their reasons.
batch    the same questions as lines of POST /v1/due/batch, many at once.

Every request but the repeated ones asks of another machine: other instants and other values in each of its records.
"""

import asyncio
import json
import sys
import time
from collections.abc import Awaitable, Callable, MutableMapping, Sequence
from datetime import datetime, timedelta
from itertools import cycle
from pathlib import Path
from random import Random
from typing import Any

from fastapi import FastAPI
from pydantic import BaseModel, Field

TOP = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(TOP), str(TOP / "service")]

from fieldworthy.main import settle_memory  # noqa: E402
from fieldworthy.wire import answers  # noqa: E402
from tests.doors_app import client, make_test_app, publish  # noqa: E402

Message = MutableMapping[str, Any]
App = Callable[[Message, Callable[[], Awaitable[Message]], Callable[[Message], Awaitable[None]]], Awaitable[None]]

NOW = datetime.fromisoformat("2026-07-14T06:00:00+01:00")
INTERVALS = (
    "every 80 h, within 10 % late",
    "every 250 h or every 12 months, whichever first",
    "every 500 h and every 12 months, whichever last",
    "every 100 h since last due",
    "every 75 h on schedule, within 10 % at most 5 h",
    "every 250 h on the meter, within 25 h early",
    "first at 50 h, then every 250 h",
    "every 6 months",
    "every 4000 bales",
    "before each silage",
    "once 10 h after belt fitted",
    "weekly",
)
TASKS, LINES = 60, 20
MACHINES = 500  # 30,000 records
BATCH, JSONL = "/v1/due/batch", b"application/jsonl"


def rulebook() -> str:
    tasks = {f"task-{i}": {"title": f"Task number {i}", "kind": "inspect", "interval": INTERVALS[i % len(INTERVALS)]} for i in range(TASKS)}
    return json.dumps(
        {
            "rulebook": "bench",
            "title": "Sixty tasks",
            "meters": {"engine": {"unit": "h", "default": True}, "bales": {"unit": "bales"}},
            "seasons": {"silage": {"from": "05-10", "to": "09-25"}},
            "occurrences": {"belt fitted": {}},
            "tasks": tasks,
        }
    )


def bodies() -> list[bytes]:
    """A question about each of the machines, as it is sent."""
    draw = Random(7)
    return [json.dumps(question(draw), separators=(",", ":")).encode() for _ in range(MACHINES)]


def question(draw: Random) -> dict[str, Any]:
    done = []
    for i in range(TASKS):
        at = NOW - timedelta(days=10 + 3 * i, seconds=draw.randrange(9 * 3600))
        meters = {"engine": round(1600.5 - 9 * i + draw.uniform(-4, 4), 1), "bales": 30000 - 150 * i + draw.randrange(140)}
        done.append({"task": f"task-{i}", "at": at.isoformat(), "meters": meters})
    return {
        "rulebook": "bench@1",
        "now": NOW.isoformat(),
        "machine": {
            "id": "m-1",
            "timezone": "Europe/London",
            "in_service": {"on": "2024-03-01", "as": "new", "meters": {"engine": 0, "bales": 0}},
            "meters": [
                {"meter": "engine", "value": round(draw.uniform(1700, 1725), 1), "unit": "h", "at": "2026-07-14T05:50:00+01:00"},
                {"meter": "bales", "value": draw.randrange(31000, 31500), "at": "2026-07-14T05:50:00+01:00"},
            ],
            "occurrences": [{"occurrence": "belt fitted", "at": "2026-07-01T08:00:00+01:00", "meters": {"engine": 1596}}],
            "done": done,
        },
    }


class Reading(BaseModel):
    meter: str
    value: float
    unit: str | None = None
    at: datetime


class Occurrence(BaseModel):
    occurrence: str
    at: datetime
    meters: dict[str, float] = Field(default_factory=dict)


class Done(BaseModel):
    task: str
    at: datetime
    meters: dict[str, float] = Field(default_factory=dict)


class Machine(BaseModel):
    id: str
    timezone: str
    in_service: dict[str, Any]
    meters: list[Reading]
    occurrences: list[Occurrence]
    done: list[Done]


class Question(BaseModel):
    rulebook: str
    now: datetime
    machine: Machine


def stock(answer: dict[str, Any]) -> App:
    app = FastAPI()

    @app.post("/v1/due", response_model=answers.DueAnswer)
    async def due(question: Question) -> dict[str, Any]:
        return answer

    return app  # type: ignore[return-value]


def raw(answer: bytes) -> App:
    async def app(scope: Message, receive: Callable[[], Awaitable[Message]], send: Callable[[Message], Awaitable[None]]) -> None:
        body = b""
        more = True
        while more:
            message = await receive()
            body += message.get("body", b"")
            more = message.get("more_body", False)
        headers = [(b"content-type", b"application/json"), (b"content-length", str(len(answer)).encode())]
        await send({"type": "http.response.start", "status": 200, "headers": headers})
        await send({"type": "http.response.body", "body": answer})

    return app


async def call(app: App, body: bytes, path: str = "/v1/due", kind: bytes = b"application/json") -> bytes:
    """One request straight into an ASGI app. Gives the answer's body."""
    sent: list[bytes] = []
    status = 0
    asked = [{"type": "http.request", "body": body, "more_body": False}]

    async def receive() -> Message:
        if not asked:
            await asyncio.Event().wait()  # the caller stays on the line
        return asked.pop()

    async def send(message: Message) -> None:
        nonlocal status
        status = message.get("status", status)
        sent.append(message.get("body", b""))

    scope = {
        "type": "http",
        "asgi": {"version": "3.0", "spec_version": "2.3"},
        "http_version": "1.1",
        "method": "POST",
        "scheme": "http",
        "path": path,
        "raw_path": path.encode(),
        "root_path": "",
        "query_string": b"",
        "headers": [(b"host", b"localhost"), (b"content-type", kind), (b"content-length", str(len(body)).encode()), (b"accept", b"*/*")],
        "client": ("127.0.0.1", 1),
        "server": ("localhost", 80),
    }
    await app(scope, receive, send)
    assert status == 200, (status, b"".join(sent)[:500])
    return b"".join(sent)


ROUNDS = 20
Driven = Callable[[], Awaitable[bytes]]


async def costs(driven: dict[str, tuple[int, Driven]], count: int) -> dict[str, float]:
    """Milliseconds of CPU for one request of each: the best of its rounds.

    driven: by name, how many of `count` requests make a round, and one of them. The rounds of all take turns, so that a machine that
    slows down for a while slows all of them down.
    """
    best = dict.fromkeys(driven, float("inf"))
    for _ in range(ROUNDS):
        for name, (share, request) in driven.items():
            many = max(1, count // share)
            begun = time.process_time()
            for _ in range(many):
                await request()
            best[name] = min(best[name], (time.process_time() - begun) / many * 1000)
    return best


async def measure(count: int) -> None:
    app: App = make_test_app()  # type: ignore[assignment]
    async with client(app) as http:  # type: ignore[arg-type]
        await publish(http, "bench", rulebook())
    asked = bodies()
    answer = await call(app, asked[0])
    told = json.loads(answer)
    assert len(told["tasks"]) == TASKS
    settle_memory()  # as `serve` does; all of them run under it
    lines = [b"\n".join(asked[i : i + LINES]) + b"\n" for i in range(0, MACHINES, LINES)]
    raw_app, stock_app = raw(answer), stock(told)
    assert json.loads(await call(stock_app, asked[0])) == told
    assert b'"lines":%d' % LINES in await call(app, lines[0], path=BATCH, kind=JSONL)
    judged = [body.replace(b'{"rulebook":', b'{"forecast":false,"rulebook":', 1) for body in asked]

    def next_of(ask: Callable[[bytes], Awaitable[bytes]], sent: Sequence[bytes]) -> Driven:
        turns = cycle(sent)
        return lambda: ask(next(turns))

    found = await costs(
        {
            "raw": (1, next_of(lambda body: call(raw_app, body), asked)),
            "stock": (1, next_of(lambda body: call(stock_app, body), asked)),
            "due": (1, next_of(lambda body: call(app, body), asked)),
            "due, repeated": (1, next_of(lambda body: call(app, body), asked[:1])),
            "due, judged only": (1, next_of(lambda body: call(app, body), judged)),
            "batch, a line": (LINES, next_of(lambda body: call(app, body, path=BATCH, kind=JSONL), lines)),
        },
        count,
    )
    found["batch, a line"] /= LINES
    print(f"{TASKS} tasks; request {len(asked[0]):,} bytes, answer {len(answer):,} bytes; {count} requests a round, best of {ROUNDS}\n")  # noqa: T201
    print(f"{'':16}{'ms CPU':>9}{'a second':>10}{'/ stock':>9}{'/ raw':>9}")  # noqa: T201
    for name, ms in found.items():
        print(f"{name:16}{ms:9.3f}{1000 / ms:10.0f}{ms / found['stock']:9.2f}{ms / found['raw']:9.1f}")  # noqa: T201


if __name__ == "__main__":
    asyncio.run(measure(int(sys.argv[1]) if len(sys.argv) > 1 else 50))
