"""What whoever runs the service sees of connections that go on, and of what is asked over them: counts, ids, a line in the log for each.

Sources: the protocol `graphql-transport-ws` (graphql-ws, PROTOCOL.md): `connection_ack` may have a payload, an object; errors are those of
the GraphQL specification (draft of August 2026, 7.1.7: `extensions` is reserved for implementors). W3C Trace Context (2021), 3.2.2.
"""

import json
import re
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

import pytest
from fastapi import FastAPI
from websockets import exceptions
from websockets.asyncio.client import ClientConnection, connect

from fieldworthy.graph.socket import Patience
from fieldworthy.rest.hiding import hidden
from fieldworthy.usecases.keep_keys import create_key
from fieldworthy.usecases.keys import KeyScope
from tests.graph.served import served_here
from tests.graph.small import SECRET, small_app
from tests.graph.test_socket import PROTOCOL, closing, keyed, subscribe, told, until
from tests.keep.test_metrics import Told, of, read

TRACE = "0af7651916cd43dd8448eb211c80319c"
PARENT = f"00-{TRACE}-b7ad6b7169203331-01"  # the standard's own example
WAIT = "subscription Waiting { wait }"


@asynccontextmanager
async def served(patience: Patience | None = None) -> AsyncIterator[tuple[FastAPI, str]]:
    app = small_app(patience=patience, lines=True)
    async with served_here(app) as address:
        yield app, f"ws{address[4:]}/graphql"


def opening(where: str, **headers: str) -> connect:
    return connect(where, subprotocols=[PROTOCOL], additional_headers=headers)  # type: ignore[list-item]


async def begun(ws: ClientConnection, **payload: Any) -> str:
    """The id that the service gives the connection."""
    answer = await told(ws, {"type": "connection_init", "payload": payload})
    assert answer["type"] == "connection_ack"
    return str(answer["payload"]["requestId"])


async def metrics(app: FastAPI) -> Told:
    return read((await app.state.metrics()).decode())


async def ask(ws: ClientConnection, query: str) -> list[Any]:
    """All that is told of one operation."""
    answers = [await told(ws, subscribe("x", query))]
    while answers[-1]["type"] == "next":
        answers.append(await told(ws))
    return answers


async def test_operations_are_counted_by_how_they_end() -> None:
    async with served() as (app, where):
        async with opening(where) as ws:
            assert of(await metrics(app), "fieldworthy_sockets_open") == 1
            await begun(ws)
            for query in ("{ leaf { name } }", "subscription { count(to: 3) }", 'mutation { put(name: "x") }'):  # 5 results
                assert (await ask(ws, query))[-1]["type"] == "complete"
            for query in (
                "{",
                "{ nothing }",
                "{ refused }",
                "{ unfit leaf { name } }",
            ):  # the last two are results of which a field is refused
                await ask(ws, query)
            for query in ("{ broken }", "subscription { fails }"):  # a result each
                await ask(ws, query)
            for id in ("left", "ended"):
                await ws.send(json.dumps(subscribe(id, WAIT)))
            await until(lambda: app.state.sockets.open and len(next(iter(app.state.sockets.open))._running) == 2)
            await ws.send(json.dumps({"type": "complete", "id": "ended"}))
            assert (await told(ws, {"type": "ping"}))["type"] == "pong"
            found = await metrics(app)
            assert of(found, "fieldworthy_socket_operations_begun_total") == 11
            assert of(found, "fieldworthy_socket_results_total") == 9
            assert ended(found)["subscription", "cancelled"] == 1
        await until(lambda: not app.state.sockets.open)
        found = await metrics(app)
    assert of(found, "fieldworthy_sockets_open") == 0
    assert of(found, "fieldworthy_sockets_total", code="none") == 1
    assert ended(found) == {
        ("query", "done"): 1,
        ("mutation", "done"): 1,
        ("subscription", "done"): 1,
        ("none", "refused"): 2,
        ("query", "refused"): 2,
        ("query", "failed"): 1,
        ("subscription", "failed"): 1,
        ("subscription", "cancelled"): 2,
    }


def ended(told: Told) -> dict[tuple[str, str], float]:
    name = "fieldworthy_socket_operations_total"
    return {(dict(labels)["kind"], dict(labels)["outcome"]): value for (n, labels), value in told.items() if n == name}


async def test_connections_are_counted_by_the_code_that_ended_them() -> None:
    async with served(Patience(all=1)) as (app, where):
        async with opening(where) as ws:
            await ws.send("{")
            assert (await closing(ws))[0] == 4400
        async with opening(where) as ws:
            await begun(ws)
            with pytest.raises(exceptions.InvalidStatus):  # one is all that may be
                await opening(where)
            await ws.close(4999)  # theirs, which says nothing here: else anybody could make lines
        await until(lambda: len(app.state.sockets.open) == 0)
        found = await metrics(app)
    codes = {dict(labels)["code"]: value for (name, labels), value in found.items() if name == "fieldworthy_sockets_total"}
    assert codes == {"4400": 1, "403": 1, "none": 1}


@pytest.mark.parametrize(
    ("headers", "id"),
    [
        ({"x-request-id": "mine-1"}, "mine-1"),
        ({"traceparent": PARENT}, TRACE),
        ({"x-request-id": "not mine"}, None),
        ({"x-request-id": "of-nobody", "authorization": "Bearer of-nobody"}, None),  # it is a secret of this very connection
        ({}, None),
    ],
)
async def test_a_connection_has_the_id_that_a_request_would_have(headers: dict[str, str], id: str | None) -> None:
    async with served() as (_, where), opening(where, **headers) as ws:
        assert ws.response is not None
        said = await begun(ws)
        assert ws.response.headers["x-request-id"] == said
        assert said == id if id is not None else re.fullmatch("[0-9a-f]{32}", said)


async def test_one_line_for_each_operation_and_one_for_its_connection(lines: list[dict[str, Any]]) -> None:
    async with served() as (_, where):
        async with opening(where, **{"x-request-id": "mine"}) as ws:
            await begun(ws)
            await ask(ws, 'query Leaf($secret: String = "fw_x") { leaf(name: $secret) { name } }')
            await ask(ws, "subscription { count(to: 2) }")
            await ask(ws, "{")
            await ask(ws, f"subscription {'N' * 90} {{ fails }}")
            await ws.send(json.dumps(subscribe("left", WAIT)))
            assert (await told(ws, {"type": "ping"}))["type"] == "pong"
        await until(lambda: any(line["event"] == "socket" for line in lines))
    members = ("request_id", "kind", "name", "outcome", "results", "errors")
    assert [tuple(line[name] for name in members) for line in lines if line["event"] == "operation"] == [
        ("mine.1", "query", "Leaf", "done", 1, 0),
        ("mine.2", "subscription", None, "done", 2, 0),
        ("mine.3", "none", None, "refused", 0, 1),
        ("mine.4", "subscription", "N" * 80, "failed", 1, 1),
        ("mine.5", "subscription", "Waiting", "cancelled", 0, 0),
    ]
    (socket,) = [line for line in lines if line["event"] == "socket"]
    assert [socket[name] for name in ("request_id", "route", "code", "operations", "key", "organisation")] == [
        "mine",
        "/graphql",
        None,
        5,
        None,
        None,
    ]
    told_lines = [line for line in lines if line["event"] in ("operation", "socket")]
    assert all(line["plain"] and line["level"] == "info" and 0 <= line["ms"] < 60_000 for line in told_lines)
    assert "fw_x" not in str(lines)


async def test_a_fault_is_logged_with_the_id_that_its_error_tells(lines: list[dict[str, Any]]) -> None:
    async with served() as (_, where), opening(where) as ws:
        id = await begun(ws)
        (answer, _) = await ask(ws, "{ broken leaf { name } }")
        (refused,) = await ask(ws, "{ nothing }")
    assert [error["extensions"]["requestId"] for error in answer["payload"]["errors"]] == [f"{id}.1"]
    assert [error["extensions"]["requestId"] for error in refused["payload"]] == [f"{id}.2"]
    assert [line["request_id"] for line in lines if line["event"] == "a field failed"] == [f"{id}.1"]
    assert SECRET not in json.dumps(answer)


async def test_no_log_repeats_a_key_that_was_shown_at_the_beginning(lines: list[dict[str, Any]], monkeypatch: pytest.MonkeyPatch) -> None:
    found: list[str] = []

    async def results(*_: object) -> AsyncIterator[Any]:
        found.append(hidden("Sesame-12 opens it"))
        return
        yield

    async with served() as (app, where), opening(where) as ws:
        monkeypatch.setattr(app.state.door, "results", results)
        await begun(ws, key="Sesame-12")
        await ask(ws, "{ leaf { name } }")
    assert found == ["… opens it"]


async def test_an_app_without_lines_tells_of_none(lines: list[dict[str, Any]]) -> None:
    async with served_here(small_app(lines=False)) as address, opening(f"ws{address[4:]}/graphql") as ws:
        await begun(ws)
        await ask(ws, "{ leaf { name } }")
    assert [line for line in lines if line["event"] in ("operation", "socket")] == []


async def test_who_asked_is_told_by_the_keys_id_wherever_the_key_was_shown(address: str, lines: list[dict[str, Any]]) -> None:
    async with keyed(address, lines=True) as (service, where):
        made = await create_key(service.store, "Nine Oxen", "a test", [KeyScope.READ])
        async with opening(where) as ws:
            await begun(ws, key=made.text)
            await ask(ws, "{ who }")
        await until(lambda: not service.app.state.sockets.open)
    told_lines = [line for line in lines if line["event"] in ("operation", "socket")]
    assert [(line["event"], line["key"], line["organisation"]) for line in told_lines] == [
        ("operation", made.key.id, made.key.organisation),
        ("socket", made.key.id, made.key.organisation),
    ]
    assert made.text not in str(lines)
