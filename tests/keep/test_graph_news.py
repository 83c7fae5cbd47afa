"""Subscriptions through a WebSocket: events as they are written and standings that changed, none left out, none of another organisation."""

import asyncio
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

import pytest
from websockets.asyncio.client import ClientConnection, connect

from fieldworthy.usecases.keep_keys import create_key
from fieldworthy.usecases.keys import KeyScope
from tests.doors_app import publish
from tests.graph.served import served_here
from tests.keep.service import Service, running
from tests.keep.test_told import TOLD, M, a_baler
from tests.lending import NAME, TEXT

PROTOCOL: Any = ["graphql-transport-ws"]
EVENTS = "subscription ($after: String, $type: String) { events(after: $after, type: $type) { cursor event { id type subject data } } }"


@asynccontextmanager
async def opened(service: Service, payload: Any = None) -> AsyncIterator[ClientConnection]:
    async with served_here(service.app) as address, connect(f"ws{address[4:]}/graphql", subprotocols=PROTOCOL) as ws:
        await ws.send(json.dumps({"type": "connection_init", "payload": payload}))
        assert json.loads(await ws.recv())["type"] == "connection_ack"
        yield ws


async def begin(ws: ClientConnection, query: str, id: str = "a", **variables: Any) -> None:
    await ws.send(json.dumps({"type": "subscribe", "id": id, "payload": {"query": query, "variables": variables}}))


async def told(ws: ClientConnection) -> Any:
    async with asyncio.timeout(20):
        message = json.loads(await ws.recv())
    assert message["type"] == "next", message
    assert "errors" not in message["payload"], message
    return message["payload"]["data"]


async def tell(service: Service, n: int) -> None:
    service.later(hours=1)
    await service.put(f"{M}/done/d-{n}", {**TOLD["done"][0], "meters": {"work": 640 + n}, "at": service.now.isoformat()})


async def test_events_are_told_as_they_are_written_and_from_a_cursor_on(service: Service) -> None:
    await a_baler(service)
    await tell(service, 1)
    before = await service.get("/v1/events")
    async with opened(service) as ws:
        await begin(ws, EVENTS, type="fieldworthy.task.done")
        await begin(ws, EVENTS, "q", after=before["resume"])  # whoever has read so far
        await asyncio.sleep(0.3)
        await tell(service, 2)
        seen = [await told(ws) for _ in range(2)]
        everyone = await service.get("/v1/events", params={"after": before["resume"]})
        assert {row["events"]["event"]["id"] for row in seen} <= {item["id"] for item in everyone["items"]}
        assert seen[0]["events"]["event"]["subject"].startswith("machines/r5-17")
    async with opened(service) as ws:  # connected anew, nothing is missed
        await begin(ws, EVENTS, after=before["resume"])
        again = [(await told(ws))["events"] for _ in everyone["items"]]
        assert [row["event"]["id"] for row in again] == [item["id"] for item in everyone["items"]]
        assert again[-1]["cursor"] == everyone["resume"]


async def test_standings_that_changed_are_told(service: Service) -> None:
    await a_baler(service)
    await service.get("/v1/due")
    await tell(service, 1)
    await service.get("/v1/due")
    types = {item["type"] for item in (await service.get("/v1/events"))["items"]}
    standings = [t for t in types if t.rpartition(".")[2] in ("upcoming", "due", "overdue", "unknown", "clear")]
    assert standings, types
    async with opened(service) as ws:
        query = "subscription ($after: String) { standings(after: $after) { cursor machine task kind standing event { type } } }"
        first = (await service.get("/v1/events", params={"limit": 1}))["resume"]
        await begin(ws, query, after=first)
        row = (await told(ws))["standings"]
        assert row["machine"] == "r5-17"
        assert row["event"]["type"] == f"fieldworthy.task.{row['standing']}"
        assert row["task"]


async def test_a_key_without_the_scope_and_another_organisation_are_told_nothing(address: str) -> None:
    async with running(address, is_open=False, quota=None) as service:
        mine = (await create_key(service.store, "Nine Oxen", "a test", list(KeyScope))).text
        theirs = (await create_key(service.store, "South Farm", "a test", [KeyScope.READ])).text
        posts = (await create_key(service.store, "Nine Oxen", "a test", [KeyScope.POST_READINGS])).text
        async with opened(service, {"key": posts}) as ws:
            await begin(ws, EVENTS)
            refused = json.loads(await ws.recv())
            assert (refused["type"], refused["payload"][0]["extensions"]["code"]) == ("error", "key.scope_missing")
        async with opened(service, {"key": theirs}) as ws:
            await begin(ws, EVENTS)
            await asyncio.sleep(0.2)
            service.http.headers["authorization"] = f"Bearer {mine}"
            await publish(service.http, NAME, TEXT)
            with pytest.raises(TimeoutError):
                async with asyncio.timeout(2.5):
                    await ws.recv()
            assert (await service.get("/v1/events"))["items"]
