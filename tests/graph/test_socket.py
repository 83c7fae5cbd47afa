"""Operations over a WebSocket, asked with a client library: what the protocol says, who may come, and where it ends.

Source: the protocol `graphql-transport-ws` (graphql-ws, PROTOCOL.md), its messages and the codes of its closings; RFC 6455, 7.4.1
and its registry of codes (1012, 1013), and 10.2 (`Origin`).
"""

import asyncio
import gc
import json
from collections.abc import AsyncIterator, Callable
from contextlib import AsyncExitStack, asynccontextmanager, suppress
from dataclasses import replace
from typing import Any

import pytest
from websockets import exceptions
from websockets.asyncio.client import ClientConnection, connect

from fieldworthy.graph.socket import Patience, _NotTaken
from fieldworthy.rest.admission import WithKeys
from fieldworthy.usecases.keep_keys import create_key, revoke_key
from fieldworthy.usecases.key_refusals import QuotaExceeded
from fieldworthy.usecases.key_ring import KeyRing
from fieldworthy.usecases.keys import KeyScope
from fieldworthy.usecases.ports import StoreUnavailable
from fieldworthy.usecases.quota import Quota
from tests.graph.served import served_here
from tests.graph.small import COUNTED, PUT, SECRET, small_app, small_door
from tests.keep.service import Service, running

PROTOCOL = "graphql-transport-ws"


@asynccontextmanager
async def opened(patience: Patience | None = None, begin: bool = True, **options: Any) -> AsyncIterator[ClientConnection]:
    async with (
        served_here(small_app(patience=patience)) as address,
        connect(f"ws{address[4:]}/graphql", subprotocols=[PROTOCOL], **options) as ws,
    ):  # type: ignore[list-item]
        if begin:
            assert (await told(ws, {"type": "connection_init"}))["type"] == "connection_ack"
        yield ws


async def told(ws: ClientConnection, message: Any = None) -> Any:
    """What comes next, after this was sent."""
    if message is not None:
        await ws.send(json.dumps(message))
    async with asyncio.timeout(20):
        return json.loads(await ws.recv())


async def closing(ws: ClientConnection) -> tuple[int, str]:
    """How the connection ends; what comes before is left out."""
    async with asyncio.timeout(20):
        await read_on(ws)
        await ws.wait_closed()
    assert ws.close_code is not None
    return ws.close_code, ws.close_reason or ""


def subscribe(id: str, query: str, **more: Any) -> dict[str, Any]:
    return {"type": "subscribe", "id": id, "payload": {"query": query, **more}}


async def test_a_subscription_tells_each_thing_and_ends() -> None:
    async with opened() as ws:
        assert ws.subprotocol == PROTOCOL
        assert await told(ws, {"type": "ping"}) == {"type": "pong"}
        await ws.send(json.dumps(subscribe("a", "subscription ($to: Int!) { count(to: $to) }", variables={"to": 2})))
        assert [await told(ws) for _ in range(3)] == [
            {"type": "next", "id": "a", "payload": {"data": {"count": 0}}},
            {"type": "next", "id": "a", "payload": {"data": {"count": 1}}},
            {"type": "complete", "id": "a"},
        ]


async def test_queries_and_mutations_are_answered_once() -> None:
    async with opened() as ws:
        assert await told(ws, subscribe("q", "{ leaf { name } }")) == {
            "type": "next",
            "id": "q",
            "payload": {"data": {"leaf": {"name": "ash"}}},
        }
        assert await told(ws) == {"type": "complete", "id": "q"}
        assert (await told(ws, subscribe("m", 'mutation { put(name: "by socket") }')))["payload"]["data"] == {"put": "by socket"}
        assert "by socket" in PUT


async def test_what_can_not_be_asked_is_an_error_of_its_operation_alone() -> None:
    async with opened() as ws:
        for payload, code in (
            ({"query": "{"}, "query.unreadable"),
            ({"query": "{ nothing }"}, "query.does_not_fit"),
            ({"query": "subscription ($to: Int!) { count(to: $to) }"}, "query.does_not_fit"),
            ({}, "request.does_not_fit"),
            ([], "request.does_not_fit"),
        ):
            answer = await told(ws, {"type": "subscribe", "id": "e", "payload": payload})
            assert (answer["type"], answer["id"]) == ("error", "e")
            assert answer["payload"][0]["extensions"]["code"] == code
        await ws.send(json.dumps(subscribe("f", "subscription { fails }")))
        assert (await told(ws))["payload"] == {"data": {"fails": 1}}
        failed = await told(ws)
        assert (failed["type"], failed["payload"][0]["extensions"]["code"]) == ("error", "service.failed")
        assert SECRET not in json.dumps(failed)
        assert await told(ws, {"type": "ping"}) == {"type": "pong"}


@pytest.mark.parametrize(
    ("messages", "code"),
    [
        ([{"type": "connection_init"}, {"type": "connection_init"}], 4429),
        ([{"type": "subscribe", "id": "a", "payload": {"query": "{ __typename }"}}], 4401),
        ([{"type": "connection_init"}, subscribe("a", "subscription { wait }"), subscribe("a", "subscription { wait }")], 4409),
        ([{"type": "connection_init"}, *(subscribe(str(n), "subscription { wait }") for n in range(21))], 4429),
        (["{"], 4400),
        ([b"{}"], 4400),
        ([["a"]], 4400),
        ([{"type": "next"}], 4400),
        ([{"type": "connection_init", "payload": "x"}], 4400),
        ([{"type": "connection_init"}, {"type": "subscribe", "payload": {"query": "{ __typename }"}}], 4400),
        ([{"type": "connection_init"}, {"type": "complete", "id": ""}], 4400),
        ([{"type": "connection_init"}, {"type": "subscribe", "id": "x" * 101}], 4400),
    ],
)
async def test_what_breaks_the_protocol_ends_the_connection(messages: list[Any], code: int) -> None:
    async with opened(begin=False) as ws:
        for message in messages:
            await ws.send(message if isinstance(message, bytes | str) else json.dumps(message))
        assert (await closing(ws))[0] == code


async def test_who_says_nothing_is_not_waited_for() -> None:
    async with opened(Patience(init=0.2), begin=False) as ws:
        assert await closing(ws) == (4408, "Connection initialisation timeout")
    async with opened(Patience(idle=0.2, look=0.1)) as ws:
        assert (await closing(ws))[0] == 1000


async def test_who_shows_no_key_takes_no_place_of_those_who_do() -> None:
    patience = Patience(all=2, waiting=4, an_address=2)

    def come(where: str, last: int) -> connect:
        return connect(where, subprotocols=[PROTOCOL], local_addr=(f"127.0.0.{last}", 0))  # type: ignore[list-item]

    async def is_refused(where: str, last: int) -> bool:
        with pytest.raises(exceptions.InvalidStatus) as refused:
            await come(where, last)
        return refused.value.response.status_code == 403

    async with served_here(small_app(patience=patience)) as address:
        where = f"ws{address[4:]}/graphql"
        async with come(where, 1), come(where, 1):
            assert await is_refused(where, 1)
            async with come(where, 2) as two, come(where, 2) as three:
                assert await is_refused(where, 3)  # four of the process wait
                for ws in (two, three):
                    assert (await told(ws, {"type": "connection_init"}))["type"] == "connection_ack"
                assert (await told(two, subscribe("a", "{ leaf { name } }")))["type"] == "next"
                assert await is_refused(where, 3)  # and now two are let in
            await asyncio.sleep(0.2)
            async with come(where, 2) as two:
                assert (await told(two, {"type": "connection_init"}))["type"] == "connection_ack"


async def test_of_those_who_wait_no_more_are_let_in_than_there_is_room_for() -> None:
    async with served_here(small_app(patience=Patience(all=1))) as address:
        where = f"ws{address[4:]}/graphql"
        async with connect(where, subprotocols=[PROTOCOL]) as one, connect(where, subprotocols=[PROTOCOL]) as two:  # type: ignore[list-item]
            assert (await told(one, {"type": "connection_init"}))["type"] == "connection_ack"
            await two.send(json.dumps({"type": "connection_init"}))
            assert (await closing(two))[0] == 1013


@pytest.mark.parametrize("refusal", [StoreUnavailable("it is away", "wait"), QuotaExceeded(Quota(1, 60), 5)], ids=["503", "429"])
async def test_what_passes_is_told_as_a_reason_to_come_again(refusal: Exception) -> None:
    app = small_app()
    sockets = app.state.sockets

    async def refuses(_: object) -> str:
        raise refusal

    sockets.around = replace(sockets.around, admit=refuses)
    async with served_here(app) as address, connect(f"ws{address[4:]}/graphql", subprotocols=[PROTOCOL]) as ws:  # type: ignore[list-item]
        await ws.send(json.dumps({"type": "connection_init"}))
        assert (await closing(ws))[0] == 1013


async def test_an_error_that_nobody_takes_ends_the_connection(monkeypatch: pytest.MonkeyPatch) -> None:
    untold: list[object] = []
    asyncio.get_running_loop().set_exception_handler(lambda _loop, told: untold.append(told))
    app = small_app()
    async with served_here(app) as address, connect(f"ws{address[4:]}/graphql", subprotocols=[PROTOCOL]) as ws:  # type: ignore[list-item]
        assert (await told(ws, {"type": "connection_init"}))["type"] == "connection_ack"

        async def is_gone(_: object) -> None:
            raise _NotTaken

        (session,) = app.state.sockets.open
        monkeypatch.setattr(session, "_send", is_gone)
        await ws.send(json.dumps(subscribe("a", "{")))
        assert (await closing(ws))[0] == 1011
        await until(lambda: not app.state.sockets.open)
    del session
    gc.collect()
    assert untold == []


async def test_another_subprotocol_is_not_spoken() -> None:
    async with served_here(small_app()) as address:
        for spoken in (None, ["graphql-ws"]):
            async with connect(f"ws{address[4:]}/graphql", subprotocols=spoken) as ws:  # type: ignore[arg-type]
                assert (await closing(ws))[0] == 4406


@pytest.mark.parametrize("origin", ["https://elsewhere.example", "null", "http://127.0.0.1:1"])
async def test_a_page_of_another_origin_opens_nothing(origin: str) -> None:
    with pytest.raises(exceptions.InvalidStatus) as refused:
        async with opened(origin=origin):  # type: ignore[arg-type]
            pass
    assert refused.value.response.status_code == 403


async def test_what_is_completed_is_ended_and_what_is_not_read_is_not_made() -> None:
    async with opened(max_queue=1) as ws:
        COUNTED.clear()
        await ws.send(json.dumps(subscribe("a", "subscription { forever }")))
        assert (await told(ws))["type"] == "next"
        await until(lambda: len(COUNTED) > 0)
        before = -1
        while before != len(COUNTED):  # until nothing more goes into the sockets' buffers
            before = len(COUNTED)
            await asyncio.sleep(0.3)
        assert len(COUNTED) < 5_000
        await ws.send(json.dumps({"type": "complete", "id": "a"}))
        reading = asyncio.create_task(read_on(ws))
        await until(lambda: COUNTED[-1] == -2)
        reading.cancel()


async def read_on(ws: ClientConnection) -> None:
    with suppress(exceptions.ConnectionClosed):
        async for _ in ws:
            pass


async def until(holds: Callable[[], bool]) -> None:
    async with asyncio.timeout(20):
        while not holds():  # noqa: ASYNC110  # what is waited for tells nobody
            await asyncio.sleep(0.02)


async def test_a_caller_that_leaves_ends_what_it_asked() -> None:
    COUNTED.clear()
    async with opened() as ws:
        await ws.send(json.dumps(subscribe("a", "subscription { forever }")))
        assert (await told(ws))["type"] == "next"
    await until(lambda: COUNTED[-1:] == [-2])


async def test_the_end_of_the_service_is_told() -> None:
    app = small_app()
    async with AsyncExitStack() as stack:
        async with served_here(app) as address:
            ws = await stack.enter_async_context(connect(f"ws{address[4:]}/graphql", subprotocols=[PROTOCOL]))  # type: ignore[list-item]
            assert (await told(ws, {"type": "connection_init"}))["type"] == "connection_ack"
            await ws.send(json.dumps(subscribe("a", "subscription { wait }")))
            await until(lambda: any(session._running for session in app.state.sockets.open))
        assert (await closing(ws))[0] == 1012  # the server says so by itself: service restart
        assert not app.state.sockets.open


# --- keys ---------------------------------------------------------------------------------------------------------------------------


@asynccontextmanager
async def keyed(
    address: str, patience: Patience | None = None, quota: Quota | None = None, **options: Any
) -> AsyncIterator[tuple[Service, str]]:
    async with running(address, is_open=False, quota=quota, graphql="off", **options) as service:
        small_door(service.app, patience=patience)
        async with served_here(service.app) as where:
            yield service, f"ws{where[4:]}/graphql"


async def test_a_key_is_shown_in_the_handshake_or_at_the_beginning(address: str) -> None:
    async with keyed(address) as (service, where):
        key = (await create_key(service.store, "Nine Oxen", "a test", [KeyScope.READ])).text
        begin = {"type": "connection_init"}
        for headers, payload in (
            ({"authorization": f"Bearer {key}"}, None),
            ({}, {"authorization": f"Bearer {key}"}),
            ({}, {"Authorization": f"Bearer {key}"}),
            ({}, {"key": key}),
        ):
            async with connect(where, subprotocols=[PROTOCOL], additional_headers=headers) as ws:  # type: ignore[list-item]
                assert (await told(ws, {**begin, "payload": payload}))["type"] == "connection_ack"
                assert (await told(ws, subscribe("a", "{ who }")))["payload"]["data"]["who"] >= 1
        for payload in (None, {}, {"key": "fw_wrong"}, {"key": "clé"}, {"authorization": f"Basic {key}"}):
            async with connect(where, subprotocols=[PROTOCOL]) as ws:  # type: ignore[list-item]
                await ws.send(json.dumps({**begin, "payload": payload}))
                code, reason = await closing(ws)
                assert code == 4401
                assert key not in reason


@pytest.mark.slow
async def test_a_key_has_so_many_connections_and_none_once_it_is_revoked(address: str) -> None:
    async with keyed(address, Patience(a_caller=2, look=0.1)) as (service, where):
        made = await create_key(service.store, "Nine Oxen", "a test", [KeyScope.READ])
        begin = {"type": "connection_init", "payload": {"key": made.text}}
        async with connect(where, subprotocols=[PROTOCOL]) as one:  # type: ignore[list-item]
            assert (await told(one, begin))["type"] == "connection_ack"
            for _ in range(3):  # what has ended counts no more
                async with connect(where, subprotocols=[PROTOCOL]) as two:  # type: ignore[list-item]
                    assert (await told(two, begin))["type"] == "connection_ack"
                    async with connect(where, subprotocols=[PROTOCOL]) as three:  # type: ignore[list-item]
                        await three.send(json.dumps(begin))
                        assert (await closing(three))[0] == 4429
                await asyncio.sleep(0.2)
            await one.send(json.dumps(subscribe("a", "subscription { wait }")))
            await revoke_key(service.store, made.key.id)
            service.later(minutes=5)
            assert (await closing(one))[0] == 4401


async def test_a_revoked_key_does_nothing_more_over_a_connection_that_it_opened(address: str) -> None:
    async with keyed(address, Patience(look=1000, idle=1000)) as (service, where):
        seconds = [0.0]
        service.app.state.admission = WithKeys(KeyRing(service.store, lambda: service.now, lambda: seconds[0]))
        made = await create_key(service.store, "Nine Oxen", "a test", [KeyScope.READ])
        async with connect(where, subprotocols=[PROTOCOL]) as ws:  # type: ignore[list-item]
            assert (await told(ws, {"type": "connection_init", "payload": {"key": made.text}}))["type"] == "connection_ack"
            assert (await told(ws, subscribe("a", "{ who }")))["type"] == "next"
            await revoke_key(service.store, made.key.id)
            seconds[0] += 6
            await ws.send(json.dumps(subscribe("b", 'mutation { put(name: "by a revoked key") }')))
            assert (await closing(ws))[0] == 4401
        assert "by a revoked key" not in PUT


def test_a_key_is_looked_at_every_few_seconds() -> None:
    assert Patience().look <= 5  # beside the 5 s that a ring remembers one: 10 s, as README has it


async def test_a_look_that_fails_ends_the_connection() -> None:
    app = small_app(patience=Patience(look=0.1))
    sockets = app.state.sockets

    async def fails(_: object) -> str:
        raise RuntimeError(SECRET)

    async with served_here(app) as address, connect(f"ws{address[4:]}/graphql", subprotocols=[PROTOCOL]) as ws:  # type: ignore[list-item]
        assert (await told(ws, {"type": "connection_init"}))["type"] == "connection_ack"
        sockets.around = replace(sockets.around, look=fails)
        code, reason = await closing(ws)
        assert code == 1011
        assert SECRET not in reason


async def test_operations_count_in_the_quota(address: str) -> None:
    async with keyed(address, quota=Quota(3, 60)) as (service, where):
        key = (await create_key(service.store, "Nine Oxen", "a test", [KeyScope.READ])).text
        async with connect(where, subprotocols=[PROTOCOL]) as ws:  # type: ignore[list-item]
            assert (await told(ws, {"type": "connection_init", "payload": {"key": key}}))["type"] == "connection_ack"
            for _ in range(2):
                assert (await told(ws, subscribe("a", "{ who }")))["type"] == "next"
                assert (await told(ws))["type"] == "complete"
            last = await told(ws, subscribe("a", "{ who }"))
            assert (last["type"], last["payload"][0]["extensions"]["code"]) == ("error", "quota.exceeded")


async def test_what_can_not_be_read_counts_in_the_quota_too(address: str) -> None:
    async with keyed(address, quota=Quota(4, 60)) as (service, where):
        key = (await create_key(service.store, "Nine Oxen", "a test", [KeyScope.READ])).text
        async with connect(where, subprotocols=[PROTOCOL]) as ws:  # type: ignore[list-item]
            assert (await told(ws, {"type": "connection_init", "payload": {"key": key}}))["type"] == "connection_ack"
            asked = ("{", "{ nothing }", "query A { who } query B { who }", "{ nothingMore }", "{")
            codes = [(await told(ws, subscribe("a", query)))["payload"][0]["extensions"]["code"] for query in asked]
            assert codes == ["query.unreadable", "query.does_not_fit", "query.does_not_fit", "quota.exceeded", "quota.exceeded"]
