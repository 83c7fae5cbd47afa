"""What a caller may do to a connection, over real sockets: dribble, flood, never read, send two lengths, open too many.

Sources: RFC 9112 (6.1, 6.3: one length only; 7.1.2: trailers), RFC 9110 (15.5.9: 408; 15.5.22 and RFC 6585, 5: 431; 15.6.4: 503 with
`Retry-After`). That headers and bodies get 20 s, and more for a body that comes at some rate, is common practice of web servers.
"""

import asyncio
import json
import socket
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager, suppress
from time import monotonic
from typing import Any

import uvicorn
from fastapi import FastAPI

from fieldworthy.cli.connection import MOST_LOOSE, Connection, Patience
from fieldworthy.cli.serving import IDLE_CONNECTIONS
from fieldworthy.rest.origins import named_origins
from fieldworthy.settings import Settings
from tests.doors_app import make_test_app

HOST = b"host: localhost\r\n"
POST = b"POST /v1/due HTTP/1.1\r\n" + HOST + b"content-type: application/json\r\n"
PAGE = "https://fields.example"
GET = b"GET /healthz HTTP/1.1\r\n" + HOST


class Quick(Connection):
    patience = Patience(head=0.4, slow=0.4, rate=20_000, look=0.05)
    most = 30


@asynccontextmanager
async def listening(app: FastAPI | None = None, most: int = 30) -> AsyncIterator[int]:
    """A server with little patience: its port."""
    kind = type("Fewer", (Quick,), {"most": most, "origins": named_origins([PAGE])})
    config = uvicorn.Config(
        app or make_test_app(max_body=50_000),
        http=kind,
        ws="none",
        lifespan="off",
        log_level="error",
        server_header=False,
        timeout_keep_alive=1,
    )
    server = uvicorn.Server(config)
    with socket.create_server(("127.0.0.1", 0)) as place:
        running = asyncio.create_task(server.serve(sockets=[place]))
        while not server.started:  # noqa: ASYNC110  # the server tells no other way
            await asyncio.sleep(0.01)
        yield place.getsockname()[1]
        server.should_exit = True
        await running


Reader, Writer = asyncio.StreamReader, asyncio.StreamWriter


async def answered(port: int, deed: Callable[[Writer], Awaitable[None]]) -> bytes:
    """All that comes back until the server ends the connection; it must within a few seconds."""
    reader, writer = await asyncio.open_connection("127.0.0.1", port)

    async def does() -> None:
        with suppress(ConnectionError):  # it was cut off while it sent
            await deed(writer)

    doing = asyncio.create_task(does())
    got = b""
    with suppress(ConnectionResetError):
        async with asyncio.timeout(8):
            while part := await reader.read(65536):
                got += part
    doing.cancel()
    writer.close()
    return got


def sends(*parts: bytes, every: float = 0.0, times: int = 1) -> Callable[[Writer], Awaitable[None]]:
    async def deed(writer: Writer) -> None:
        for part in parts[:-1]:
            writer.write(part)
        for _ in range(times):
            writer.write(parts[-1])
            await writer.drain()
            await asyncio.sleep(every)

    return deed


def told(answer: bytes, status: int, code: str) -> None:
    head, _, body = answer.partition(b"\r\n\r\n")
    assert head.startswith(b"HTTP/1.1 %d " % status), answer[:300]
    lines = [line.lower() for line in head.split(b"\r\n")]
    assert b"connection: close" in lines
    assert b"content-type: application/problem+json" in lines
    assert b"x-content-type-options: nosniff" in lines
    assert b"cache-control: no-store" in lines
    assert not [line for line in lines if line.startswith(b"server:")]
    assert json.loads(body)["code"] == code


SLOW = {
    "nothing at all": sends(b""),
    "a head, byte by byte": sends(GET, b"x", every=0.02, times=400),
    "line ends before a head": sends(b"\r\n", every=0.02, times=400),
    "a body, byte by byte": sends(POST + b"content-length: 1000\r\n\r\n", b" ", every=0.02, times=400),
    "a chunked body, byte by byte": sends(POST + b"transfer-encoding: chunked\r\n\r\n", b"1\r\n \r\n", every=0.02, times=400),
    "a body that never comes": sends(POST + b"content-length: 1000\r\n\r\n", b""),
    "trailers, byte by byte": sends(POST + b"transfer-encoding: chunked\r\n\r\n2\r\n{}\r\n0\r\n", b"x", every=0.02, times=400),
    "a second head, after an answer": sends(GET + b"\r\nGET /", b"a", every=0.02, times=400),
    "what is left of a body that was refused": sends(
        POST.replace(b"json", b"none") + b"content-length: 1000\r\n\r\n", b" ", every=0.02, times=400
    ),
}
ANSWERED_BEFORE = {"a second head, after an answer": [b"200"], "what is left of a body that was refused": [b"415"]}
FLOODS = {
    "a header without an end": (sends(GET + b"x: ", b"x" * 10_000, times=4000), 431, "request.headers_too_large"),
    "headers without an end": (sends(GET, b"a: b\r\n" * 2000, times=4000), 431, "request.headers_too_large"),
    "an address without an end": (sends(b"GET /", b"a" * 10_000, times=4000), 431, "request.headers_too_large"),
    "trailers without an end": (
        sends(POST + b"transfer-encoding: chunked\r\n\r\n2\r\n{}\r\n0\r\n", b"authorization: x\r\n" * 1000, times=4000),
        431,
        "request.headers_too_large",
    ),
    "a chunk's extension without an end": (
        sends(POST + b"transfer-encoding: chunked\r\n\r\n2;", b"a" * 10_000, times=4000),
        431,
        "request.headers_too_large",
    ),
    "headers that are too large, and whole": (sends(GET + b"x: " + b"x" * 33_000 + b"\r\n\r\n"), 431, "request.headers_too_large"),
    "too many headers": (sends(GET + b"a: b\r\n" * 150 + b"\r\n"), 431, "request.headers_too_large"),
    "an address that is too long": (sends(b"GET /" + b"a" * 9000 + b" HTTP/1.1\r\n" + HOST + b"\r\n"), 414, "address.too_long"),
    "a body that is too large": (sends(POST + b"content-length: 60000\r\n\r\n" + b" " * 60_000), 413, "body.too_large"),
    "one without a length": (
        sends(POST + b"transfer-encoding: chunked\r\n\r\n" + (b"1000\r\n" + b" " * 4096 + b"\r\n") * 14 + b"0\r\n\r\n"),
        413,
        "body.too_large",
    ),
    "two lengths": (sends(POST + b"content-length: 2\r\ncontent-length: 3\r\n\r\n{}"), 400, "request.unreadable"),
    "a length and chunks": (
        sends(POST + b"content-length: 2\r\ntransfer-encoding: chunked\r\n\r\n0\r\n\r\n"),
        400,
        "request.unreadable",
    ),
    "no HTTP": (sends(b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03"), 400, "request.unreadable"),
    "a chunk whose length is no number": (sends(POST + b"transfer-encoding: chunked\r\n\r\nxyz\r\n"), 400, "request.unreadable"),
    "a thousand requests at once": (sends((GET + b"\r\n") * 1000), 0, "ended without a word, for the first of them is being answered"),
}


async def test_who_dribbles_is_cut_off() -> None:
    async with listening() as port:
        began = monotonic()
        answers = await asyncio.gather(*(answered(port, deed) for deed in SLOW.values()))
        assert monotonic() - began < 4
        for what, answer in zip(SLOW, answers, strict=True):
            *before, last = [b"HTTP/1.1 " + part for part in answer.split(b"HTTP/1.1 ")[1:]]
            assert [each[9:12] for each in before] == ANSWERED_BEFORE.get(what, []), what
            told(last, 408, "request.too_slow")
        await still_answers(port)


async def still_answers(port: int) -> None:
    assert (await answered(port, sends(GET + b"connection: close\r\n\r\n"))).startswith(b"HTTP/1.1 200")


async def test_who_floods_is_cut_off() -> None:
    async with listening() as port:
        for what, (deed, status, code) in FLOODS.items():
            answer = await answered(port, deed)
            if status == 0:
                assert answer.count(b"HTTP/1.1 200") < 1000
            elif answer or "without an end" not in what:  # who still sends when it is cut off may lose the answer: the kernel drops it
                told(answer, status, code)
            await still_answers(port)


async def test_a_slow_line_is_no_dribble() -> None:
    """Longer than the time alone that there is for a body, at a rate that is taken; and who waits for leave to send is waited for."""
    body = json.dumps({"interval": "every 50 h"}).encode().ljust(40_000)
    head = POST.replace(b"/due", b"/expressions/check") + b"connection: close\r\ncontent-length: 40000\r\n"

    async def slowly(writer: Writer) -> None:
        writer.write(head + b"\r\n")
        for start in range(0, 40_000, 2_000):
            writer.write(body[start : start + 2_000])
            await writer.drain()
            await asyncio.sleep(0.04)

    async with listening() as port:
        began = monotonic()
        assert (await answered(port, slowly)).startswith(b"HTTP/1.1 200")
        assert monotonic() - began > Quick.patience.slow
        asked = await answered(port, sends(head + b"expect: 100-continue\r\n\r\n" + body))
        assert asked.startswith(b"HTTP/1.1 100 Continue\r\n\r\nHTTP/1.1 200")


async def test_a_connection_that_is_not_used_is_ended() -> None:
    async with listening() as port:
        began = monotonic()
        answer = await answered(port, sends(GET + b"\r\n"))
        assert answer.startswith(b"HTTP/1.1 200")
        assert answer.count(b"HTTP/1.1") == 1  # an end without a word is no fault of anybody (RFC 9112, 9.5)
        assert 0.9 < monotonic() - began < 3


async def test_who_does_not_read_is_cut_off() -> None:
    much = 30_000_000  # more than the kernel takes on both sides
    ended = asyncio.Event()

    async def app(scope: Any, receive: Any, send: Any) -> None:
        await send({"type": "http.response.start", "status": 200, "headers": [(b"content-length", b"%d" % much)]})
        for _ in range(10):  # the second waits for a reader: so a batch or a long list does
            await send({"type": "http.response.body", "body": b"x" * (much // 10), "more_body": True})
        await send({"type": "http.response.body", "body": b""})
        ended.set()

    async with listening(app) as port:  # type: ignore[arg-type]
        loop = asyncio.get_running_loop()
        with socket.socket() as caller:
            caller.setblocking(False)
            await loop.sock_connect(caller, ("127.0.0.1", port))
            await loop.sock_sendall(caller, GET + b"\r\n")
            await asyncio.wait_for(ended.wait(), 5)  # nothing waits for that caller any more
            got = 0
            with suppress(ConnectionResetError):
                while part := await asyncio.wait_for(loop.sock_recv(caller, 1_000_000), 3):
                    got += len(part)
    assert 0 < got < much


async def test_more_connections_than_are_held() -> None:
    async with listening(most=3) as port:
        held = [await asyncio.open_connection("127.0.0.1", port) for _ in range(3)]
        await asyncio.sleep(0.05)
        one_more = await answered(port, sends(b"GET /v1/rulebooks HTTP/1.1\r\n" + HOST + b"\r\n"))
        told(one_more, 503, "service.busy")
        assert b"\r\nretry-after: 1\r\n" in one_more
        await still_answers(port)  # the process is well
        for _, writer in held:
            writer.close()
        await asyncio.sleep(0.05)
        answer = await answered(port, sends(b"GET /v1/rulebooks HTTP/1.1\r\n" + HOST + b"connection: close\r\n\r\n"))
        assert answer.startswith(b"HTTP/1.1 200")


async def test_a_page_of_a_named_origin_may_read_what_the_connection_answers() -> None:
    """The Fetch standard, 3.2.5: without `Access-Control-Allow-Origin` a page is told that something broke, and not what."""
    page, other = (f"origin: {origin}\r\n".encode() for origin in (PAGE, "https://other.example"))
    length, end = b"content-length: 1000\r\n", b"\r\n"
    rows = [
        (sends(POST + page + length + end, b""), 408, True),
        (sends(GET + page + b"x: ", b""), 408, True),
        (sends(POST + page + length + length + end), 400, True),
        (sends(GET + other + b"x: ", b""), 408, False),
        (sends(b"\r\n", b""), 408, False),
    ]
    async with listening(make_test_app(origins=[PAGE]), most=3) as port:
        for deed, status, is_named in rows:
            answer = await answered(port, deed)
            assert answer.startswith(b"HTTP/1.1 %d " % status), answer
            assert (b"\r\naccess-control-allow-origin: " + PAGE.encode() in answer) == is_named
            assert (b"access-control" in answer) == is_named
            assert b"\r\nvary: origin\r\n" in answer
        held = [await asyncio.open_connection("127.0.0.1", port) for _ in range(3)]
        await asyncio.sleep(0.05)
        full = await answered(port, sends(b"GET /v1/rulebooks HTTP/1.1\r\n" + HOST + f"origin: {PAGE}\r\n\r\n".encode()))
        told(full, 503, "service.busy")
        assert b"\r\naccess-control-allow-origin: " + PAGE.encode() in full
        for _, writer in held:
            writer.close()


async def test_what_comes_behind_a_body_is_no_header() -> None:
    """A trailer may not say who asks, nor under which condition (RFC 9110, 6.5.1)."""
    seen: list[list[tuple[bytes, bytes]]] = []

    async def app(scope: Any, receive: Any, send: Any) -> None:
        while (await receive()).get("more_body"):
            pass
        seen.append(scope["headers"])
        await send({"type": "http.response.start", "status": 204, "headers": []})
        await send({"type": "http.response.body", "body": b""})

    async with listening(app) as port:  # type: ignore[arg-type]
        body = b"2\r\n{}\r\n0\r\nauthorization: Bearer x\r\nif-match: *\r\n\r\n"
        assert (await answered(port, sends(POST + b"connection: close\r\ntransfer-encoding: chunked\r\n\r\n" + body))).startswith(
            b"HTTP/1.1 204"
        )
    assert [name for name, _ in seen[0]] == [b"host", b"content-type", b"connection", b"transfer-encoding"]


async def test_a_batch_that_dribbles_ends_without_its_end() -> None:
    head = POST.replace(b"/due", b"/due/batch").replace(b"json", b"jsonl") + b"transfer-encoding: chunked\r\n\r\n"
    async with listening() as port:
        answer = await answered(port, sends(head + b"3\r\n{}\n\r\n", b"1\r\n \r\n", every=0.02, times=400))
    assert answer.startswith(b"HTTP/1.1 200")
    assert b'"line":1' in answer
    assert b'"end"' not in answer
    assert not answer.endswith(b"0\r\n\r\n")  # nor as a whole message


def test_what_is_served_has_these_limits() -> None:
    """As README.md has them; the tests above have less patience."""
    usual = Connection.patience
    assert (usual.head, usual.slow, usual.rate) == (20, 20, 1000)
    assert MOST_LOOSE == 64_000
    assert Settings("").max_at_once + IDLE_CONNECTIONS == 1200
