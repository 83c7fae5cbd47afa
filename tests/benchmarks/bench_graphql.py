"""What an answer of GraphQL costs the server: CPU per request for 60 tasks of 8 fields, beside two yardsticks that give the same data.

    python tests/benchmarks/bench_graphql.py [requests]

Driven in process, without sockets, so that only the work of the door is counted (`time.process_time`, the least of several runs); what is
answered is prepared, for evaluating it costs the same through every door (`bench_due.py`).

by hand  an ASGI app that reads the request's JSON, takes the eight members of each task by a selection written by hand, and writes JSON: no
         GraphQL at all, and so the floor of what choosing fields over HTTP can cost.
stock    Strawberry as its own documentation sets it up: types as classes, objects made of the data, its router, no document kept.
door     this service's door over types made from the wire's shapes: plain data, documents read and checked once, members answered in
         columns. The rows before it are the same door without them (`FIELDWORTHY_GRAPHQL_COLUMNS=no`), and without plain resolvers too.
"""

import asyncio
import json
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import orjson
import strawberry
from fastapi import FastAPI
from starlette.requests import Request
from starlette.responses import Response
from strawberry.schema.config import StrawberryConfig

TOP = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(TOP), str(TOP / "service")]

from fieldworthy.graph.door import Around, Door  # noqa: E402
from fieldworthy.graph.plain import quicken  # noqa: E402
from fieldworthy.graph.scalars import SCALARS  # noqa: E402
from fieldworthy.graph.shapes import make_type, type_of  # noqa: E402
from fieldworthy.main import settle_memory  # noqa: E402
from fieldworthy.wire import answers  # noqa: E402
from fieldworthy.wire.troubles import problem_of  # noqa: E402

MEMBERS = ("task", "title", "kind", "standing", "used", "incomplete", "decided_by", "rule")
FIELDS = "task title kind standing used incomplete decidedBy rule"
QUERY = f"{{ due {{ machine now tasks {{ {FIELDS} }} }} }}"
TASKS = 60
RUNS = 5


def prepared() -> dict[str, Any]:
    task = {
        "kind": "lubricate",
        "standing": "upcoming",
        "incomplete": False,
        "decided_by": "every 80 h",
        "rule": "every 80 h, within 10 % late",
    }
    tasks = [{"task": f"task-{n}", "title": f"Task number {n}", "used": n / 64, **task} for n in range(TASKS)]
    return {"machine": "r5-17", "now": "2026-07-14T06:00:00+01:00", "tasks": tasks}


ANSWER = prepared()


def by_hand_app() -> Any:
    async def app(scope: Any, receive: Any, send: Any) -> None:
        request = Request(scope, receive)
        orjson.loads(await request.body())
        tasks = [
            {
                "task": t["task"],
                "title": t["title"],
                "kind": t["kind"],
                "standing": t["standing"],
                "used": t["used"],
                "incomplete": t["incomplete"],
                "decidedBy": t["decided_by"],
                "rule": t["rule"],
            }
            for t in ANSWER["tasks"]
        ]
        told = {"data": {"due": {"machine": ANSWER["machine"], "now": ANSWER["now"], "tasks": tasks}}}
        await Response(orjson.dumps(told), media_type="application/json")(scope, receive, send)

    return app


@strawberry.type
class Task:
    task: str
    title: str
    kind: str
    standing: str
    used: float
    incomplete: bool
    decided_by: str
    rule: str


@strawberry.type
class Due:
    machine: str
    now: str
    tasks: list[Task]


def stock_app() -> Any:
    from strawberry.fastapi import GraphQLRouter

    @strawberry.type
    class Query:
        @strawberry.field
        def due(self) -> Due:
            return Due(machine=ANSWER["machine"], now=ANSWER["now"], tasks=[Task(**task) for task in ANSWER["tasks"]])

    app = FastAPI()
    app.include_router(GraphQLRouter(strawberry.Schema(Query)), prefix="/graphql")
    return app


def door_app(quick: bool = True, columns: bool = True) -> Any:
    async def due() -> Any:
        return ANSWER

    made = strawberry.field(resolver=due, graphql_type=type_of(answers.DueAnswer))
    schema = strawberry.Schema(make_type("Query", [made]), config=StrawberryConfig(scalar_map=SCALARS))._schema
    if quick:
        quicken(schema)

    async def nothing(*_: Any) -> None:
        return None

    door = Door(schema, Around(nothing, nothing, lambda _: None, problem_of), columns=columns)

    async def app(scope: Any, receive: Any, send: Any) -> None:
        await (await door(Request(scope, receive)))(scope, receive, send)

    return app


BODY = json.dumps({"query": QUERY}).encode()
SCOPE = {
    "type": "http",
    "http_version": "1.1",
    "method": "POST",
    "scheme": "http",
    "server": ("localhost", 80),
    "client": ("127.0.0.1", 1),
    "root_path": "",
    "path": "/graphql",
    "raw_path": b"/graphql",
    "query_string": b"",
    "headers": [(b"content-type", b"application/json"), (b"accept", b"application/json"), (b"host", b"localhost")],
}


async def asked(app: Any) -> bytes:
    parts: list[bytes] = []

    async def receive() -> dict[str, Any]:
        return {"type": "http.request", "body": BODY, "more_body": False}

    async def send(message: Any) -> None:
        parts.append(message.get("body", b""))

    await app({**SCOPE}, receive, send)
    return b"".join(parts)


async def cost(app: Any, requests: int) -> float:
    """Milliseconds of CPU a request."""
    for _ in range(20):
        await asked(app)
    begun = time.process_time()
    for _ in range(requests):
        await asked(app)
    return (time.process_time() - begun) / requests * 1000


async def main(requests: int) -> None:
    apps: dict[str, Callable[[], Any]] = {
        "by hand": by_hand_app,
        "stock": stock_app,
        "door, Strawberry's resolvers": lambda: door_app(quick=False, columns=False),
        "door, field by field": lambda: door_app(columns=False),
        "door": door_app,
    }
    made = {name: build() for name, build in apps.items()}
    data = {name: json.loads(await asked(app))["data"] for name, app in made.items()}
    assert all(each == data["by hand"] for each in data.values()), "they answer different things"
    settle_memory()
    found = {name: min([await cost(app, requests) for _ in range(RUNS)]) for name, app in made.items()}
    sys.stdout.write(f"{'':40} ms CPU  / stock  / by hand\n")
    for name, ms in found.items():
        sys.stdout.write(f"{name:40} {ms:6.3f} {ms / found['stock']:8.2f} {ms / found['by hand']:10.1f}\n")


if __name__ == "__main__":
    asyncio.run(main(int(sys.argv[1]) if len(sys.argv) > 1 else 200))
