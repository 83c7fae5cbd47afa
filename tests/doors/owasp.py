"""The service with keys over a real database, for the tests of OWASP's ten: who asks, what is planted, and what must not be reached."""

import json
import socket
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from typing import Any

import httpx

from fieldworthy.usecases.keep_keys import create_key
from fieldworthy.usecases.keys import KeyScope
from tests.keep.service import Service

MINE, THEIRS = "Nine Oxen", "South Farm"
ALL = frozenset(KeyScope)
NOW = "2026-07-14T06:00:00Z"
JSON, YAML, XML = ({"content-type": f"application/{kind}"} for kind in ("json", "yaml", "xml"))
BOOK = """\
rulebook: tests
title: A machine of the tests
meters: {work: {unit: h, default: true}}
facts: {engine: {states: [stopped, running], known_by: [seen], good_for: 5 min}}
tasks:
  grease: {title: Grease, kind: lubricate, interval: every 50 h}
  belt: {title: Look at the belt, kind: inspect, holds: engine is stopped, steps: [{do: Look at it}]}
  listen: {title: Listen to the engine, kind: inspect, holds: engine is running}
"""
MACHINE = {"rulebook": "tests", "in_service": {"on": "2026-01-01", "as": "new", "meters": {"work": 0}}}


@dataclass
class Caller:
    """Somebody with a key."""

    service: Service
    key: str | None

    async def __call__(self, method: str, url: str, **more: Any) -> httpx.Response:
        headers = {} if self.key is None else {"authorization": f"Bearer {self.key}"}
        return await self.service.http.request(method, url, **{**more, "headers": {**headers, **more.get("headers", {})}})


async def caller(service: Service, organisation: str = MINE, *scopes: KeyScope) -> Caller:
    return Caller(service, (await create_key(service.store, organisation, "a test", scopes or ALL)).text)


async def machine(mine: Caller, id: str = "r5-1") -> None:
    """A machine that is kept by a rulebook, with 100 h on its meter: its greasing is overdue."""
    draft = await mine("PUT", "/v1/rulebooks/tests/draft", content=BOOK, headers={"content-type": "application/yaml"})
    assert draft.status_code == 200, draft.text
    for answer in (
        await mine("POST", "/v1/rulebooks/tests/publish"),
        await mine("PUT", f"/v1/machines/{id}", json=MACHINE),
        await mine("POST", "/v1/readings", json=[{"machine": id, "meter": "work", "value": 100, "at": "2026-07-14T05:00:00Z"}]),
    ):
        assert answer.status_code in (200, 201), answer.text


def with_body(example: Any, body: Any) -> Any:
    """The contract's example with another body."""
    return replace(example, body=body)


async def greasing(mine: Caller, id: str = "r5-1") -> tuple[str, float | None]:
    """How its greasing stands, and how much of its interval is used."""
    told = (await mine("GET", f"/v1/machines/{id}/due")).json()
    (task,) = [each for each in told["tasks"] if each["task"] == "grease"]
    return task["standing"], task["used"]


# --- connections ------------------------------------------------------------------------------------------------------------------

_LOOKED_UP: list[list[Any]] = []


def _noted(event: str, arguments: tuple[Any, ...]) -> None:
    if _LOOKED_UP and event in (
        "socket.connect",
        "socket.getaddrinfo",
        "socket.gethostbyname",
        "socket.sendto",
        "subprocess.Popen",
        "os.system",
    ):
        _LOOKED_UP[-1].append((event, arguments))


sys.addaudithook(_noted)  # it stays for good; outside of `connections` it notes nothing


@contextmanager
def connections() -> Iterator[tuple[int, list[Any], list[Any]]]:
    """A port that is listened at, who came there meanwhile, and every connection, look-up or process that this process began."""
    begun: list[Any] = []
    came: list[Any] = []
    with socket.create_server(("127.0.0.1", 0)) as there:
        there.setblocking(False)
        _LOOKED_UP.append(begun)
        try:
            yield there.getsockname()[1], came, begun
        finally:
            _LOOKED_UP.pop()
            with suppress(BlockingIOError):
                visitor, who = there.accept()
                visitor.close()
                came.append(who)


def everywhere(body: Any, text: str) -> Iterator[Any]:
    """The JSON with this text in the place of each of its strings and as one more member of each object, one at a time."""
    written = json.dumps(body)
    count = _places(json.loads(written), text, -1)[1]
    for place in range(count):
        yield _places(json.loads(written), text, place)[0]


def _places(node: Any, text: str, wanted: int, seen: int = 0) -> tuple[Any, int]:
    if isinstance(node, str):
        return (text if seen == wanted else node), seen + 1
    if isinstance(node, list):
        for i, each in enumerate(node):
            node[i], seen = _places(each, text, wanted, seen)
        return node, seen
    if isinstance(node, dict):
        for name in list(node):
            node[name], seen = _places(node[name], text, wanted, seen)
        if seen == wanted:
            node["$ref"] = text
        return node, seen + 1
    return node, seen
