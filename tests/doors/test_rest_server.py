"""Over a real server and socket: what the in-process client can't show."""

import asyncio
import json
from collections.abc import AsyncIterator

import pytest
import pytest_asyncio
import uvicorn

from tests.doors_app import client, make_test_app, publish

NAME = "plover-r5-baler"


@pytest_asyncio.fixture
async def port(rulebook: str) -> AsyncIterator[int]:
    app = make_test_app()
    async with client(app) as http:
        await publish(http, NAME, rulebook)
    server = uvicorn.Server(uvicorn.Config(app, port=0, log_level="warning", lifespan="off", timeout_graceful_shutdown=2))
    running = asyncio.create_task(server.serve())
    while not server.started:  # noqa: ASYNC110  # the server tells no other way
        await asyncio.sleep(0.01)
    yield server.servers[0].sockets[0].getsockname()[1]
    server.should_exit = True
    await running


async def ask(port: int, head: str, body: bytes, wait: float = 0) -> bytes:
    """Sends everything, then reads everything, as the simplest of callers does."""
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    writer.write(head.encode().replace(b"\n", b"\r\n") + f"content-length: {len(body)}\r\nconnection: close\r\n\r\n".encode() + body)
    await writer.drain()
    await asyncio.sleep(wait)
    answer = await reader.read(-1)
    writer.close()
    await writer.wait_closed()
    return answer


async def test_a_caller_that_sends_all_before_it_reads_is_not_blocked(port: int) -> None:
    line = json.dumps({"machine": {"model": "R5", "serial": "R5-0417"}}).encode() + b"\n"
    body = json.dumps({"defaults": {"rulebook": NAME, "now": "2026-07-14T06:00:00+01:00"}}).encode() + b"\n" + line * 2000
    head = "POST /v1/due/batch HTTP/1.1\nhost: localhost\ncontent-type: application/jsonl\n"
    answer = await asyncio.wait_for(ask(port, head, body), 60)
    assert answer.startswith(b"HTTP/1.1 200")
    assert b'{"end":true,"lines":2000}' in answer
    assert len(answer) > 3_000_000


@pytest.mark.slow
async def test_a_body_that_is_too_large_is_answered(port: int) -> None:
    head = "POST /v1/due HTTP/1.1\nhost: localhost\ncontent-type: application/json\n"
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    writer.write(
        head.encode().replace(b"\n", b"\r\n") + b"transfer-encoding: chunked\r\n\r\n" + (b"4000\r\n" + b" " * 0x4000 + b"\r\n") * 130
    )
    answer = await asyncio.wait_for(reader.read(400), 20)
    writer.close()
    assert answer.startswith(b"HTTP/1.1 413")
    assert b"application/problem+json" in answer


async def test_other_callers_are_answered_while_a_batch_runs(port: int) -> None:
    line = (
        json.dumps({"rulebook": NAME, "now": "2026-07-14T06:00:00+01:00", "machine": {"model": "R5", "serial": "R5-0417"}}).encode() + b"\n"
    )
    head = "POST /v1/due/batch HTTP/1.1\nhost: localhost\ncontent-type: application/jsonl\n"
    batch = asyncio.create_task(ask(port, head, line * 3000))
    await asyncio.sleep(0.1)
    health = await asyncio.wait_for(ask(port, "GET /healthz HTTP/1.1\nhost: localhost\n", b""), 5)
    assert health.startswith(b"HTTP/1.1 200")
    assert not batch.done()
    assert b'"lines":3000' in await asyncio.wait_for(batch, 60)
