"""One caller's connection: how long the server waits for what is to come on it, and how much it holds before a request is whole.

uvicorn leaves both open: it collects headers without an end, waits for them and for bodies without a limit, appends what comes behind a
chunked body (trailers) to the headers, and has answers that nobody reads wait. A request that is whole is the app's (`rest.limits`).
"""

import asyncio
import http
from asyncio import TimerHandle
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from starlette.types import Receive, Scope, Send
from uvicorn.protocols.http.httptools_impl import HttpToolsProtocol, RequestResponseCycle

from fieldworthy.rest.answers import problem_answer
from fieldworthy.rest.headers import guarded
from fieldworthy.rest.limits import MAX_HEADER_BYTES, MAX_HEADERS, MAX_TARGET_BYTES
from fieldworthy.rest.origins import shown_to
from fieldworthy.wire.problems import problem

MOST_WAITING = 20
"""Requests that a caller may send on one connection before the first of them is answered."""

MOST_LOOSE = MAX_HEADER_BYTES + MAX_TARGET_BYTES + 24_000
"""Bytes in a row that neither make a head whole nor belong to a body: a head with its line ends, or what stands around a body."""


@dataclass(frozen=True, slots=True)
class Patience:
    """
    Seconds. head: for the whole head of a request; slow: for a body, or for an answer to be read, and beyond that as many as it takes at
    `rate` bytes a second; look: between two looks at it; last: for a request that was sent before the caller heard of the end.
    """

    head: float = 20.0
    slow: float = 20.0
    rate: int = 1000
    look: float = 2.0
    last: float = 0.5

    def for_bytes(self, count: int) -> float:
        """How long so many bytes may take in all."""
        return self.slow + count / self.rate


class Connection(HttpToolsProtocol):
    """
    What uvicorn makes of each connection. A sub-class may set other patience, how many connections there may be, whose pages may ask, and
    say when the service is told to stop: from then on each answer is the last of its connection, and says so, and none is cut off while a
    request is coming.
    """

    patience = Patience()
    most: int | None = None
    origins: frozenset[bytes] = frozenset()
    stopping: Callable[[], bool] = staticmethod(lambda: False)

    def __init__(self, config: Any, server_state: Any, app_state: dict[str, Any], _loop: asyncio.AbstractEventLoop | None = None) -> None:
        super().__init__(config, server_state, app_state, _loop)
        self._request: RequestResponseCycle | None = None
        """The newest request whose head is whole."""
        self._head_since: float | None = None  # None: no head is awaited, or nothing of it has come on a connection that was used before
        self._body_since = self._stuck_since = 0.0
        self._body = self._loose = self._stuck = 0
        self._moved = self._trailing = False
        self._closing: tuple[float, int] | None = None
        self._next_look: TimerHandle | None = None

    # --- what happens on it -------------------------------------------------------------------------------------------------------

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        super().connection_made(transport)  # type: ignore[arg-type]
        if self.most is not None and len(self.connections) > self.most:
            self.app = _full(self.app, self.most, self.origins)
        self._head_since = self.loop.time()
        self._next_look = self.loop.call_later(self.patience.look, self._look)

    def connection_lost(self, exc: Exception | None) -> None:
        if self._next_look is not None:
            self._next_look.cancel()
        super().connection_lost(exc)

    def handle_websocket_upgrade(self) -> None:
        """From here on it is another protocol's, which has patience of its own."""
        if self._next_look is not None:
            self._next_look.cancel()
        super().handle_websocket_upgrade()

    def data_received(self, data: bytes) -> None:
        if self.transport.is_closing():
            return
        if self._head_since is None and self._open() is None:
            self._head_since = self.loop.time()
        self._moved = False
        super().data_received(data)
        self._loose = 0 if self._moved else self._loose + len(data)
        if self._loose > MOST_LOOSE:
            detail = f"the headers may hold at most {MAX_HEADERS} lines and {MAX_HEADER_BYTES:,} bytes"
            self._end("request.headers_too_large", detail)

    def on_message_begin(self) -> None:
        super().on_message_begin()
        self._head_since = self.loop.time()
        self._trailing = False

    def on_header(self, name: bytes, value: bytes) -> None:
        if not self._trailing:  # trailers say nothing that the app asks for (RFC 9110, 6.5.1: they may be left out)
            super().on_header(name, value)

    def on_headers_complete(self) -> None:
        if len(self.pipeline) >= MOST_WAITING:
            raise _TooManyWaiting
        super().on_headers_complete()
        self._request = self.cycle
        if self.stopping() and self.cycle is not None:
            self.cycle.keep_alive = False
        self._head_since, self._body_since, self._body = None, self.loop.time(), 0
        self._moved = self._trailing = True

    def on_body(self, body: bytes) -> None:
        self._moved = True
        self._body += len(body)
        super().on_body(body)

    def pause_writing(self) -> None:
        self._stuck_since, self._stuck = self.loop.time(), self.transport.get_write_buffer_size()
        super().pause_writing()

    def shutdown(self) -> None:
        """Called when nobody listens any more. What is open is answered; where nothing is, a request may still be on its way."""
        if self._open() is not None:
            super().shutdown()
        else:
            self.loop.call_later(self.patience.last, self._end_idle)

    def _end_idle(self) -> None:
        if self._open() is None:
            self.transport.close()

    def send_400_response(self, msg: str) -> None:
        self._end("request.unreadable", "what came is no HTTP/1.1 request")

    # --- looking at it ------------------------------------------------------------------------------------------------------------

    def _open(self) -> RequestResponseCycle | None:
        """The request that is being answered, or is to be."""
        return None if self._request is None or self._request.response_complete else self._request

    def _look(self) -> None:
        """Ends it where the caller takes too long. While a request is worked on nobody is waited for here: that has an end of its own."""
        now, patience, request = self.loop.time(), self.patience, self._open()
        self._next_look = self.loop.call_later(patience.look, self._look)
        if self.transport.is_closing():
            since, left = self._closing = self._closing or (now, self.transport.get_write_buffer_size())
            if now - since > patience.for_bytes(left):
                self.transport.abort()
        elif self.flow.write_paused:
            read = self._stuck - self.transport.get_write_buffer_size()
            if now - self._stuck_since > patience.for_bytes(read):
                self.transport.abort()
        elif request is None:
            if self._head_since is not None and now - self._head_since > patience.head:
                self._end("request.too_slow", f"the headers were not whole after {patience.head:.0f} s")
        elif request.more_body:
            if self.flow.read_paused or request.waiting_for_100_continue:  # it is the caller who waits
                self._body_since += patience.look
            elif now - self._body_since > patience.for_bytes(self._body):
                self._end("request.too_slow", f"the body came more slowly than {patience.rate:,} bytes a second")

    def _end(self, code: str, detail: str) -> None:
        """Answers with a problem, where nothing else is being told, and ends the connection: the app hears that nobody is there."""
        if self.transport.is_closing():
            return
        request = self._open()
        if request is None or not (request.response_started or self.pipeline):
            # of a head that is not whole, those that came
            asked = (self.headers or ()) if request is None else request.scope["headers"]
            beside = [*self.server_state.default_headers, *shown_to(asked, self.origins)]
            self.transport.write(_raw(beside, problem(code, detail)))
        if request is not None:
            request.disconnected = True
            request.message_event.set()
        self.transport.close()


class _TooManyWaiting(Exception):
    """More requests were sent on one connection than are put by; the parser makes it an unreadable request."""


def _raw(usual: list[tuple[bytes, bytes]], told: Mapping[str, Any]) -> bytes:
    """A whole answer, as it goes over the line."""
    answer = problem_answer(told, {"connection": "close"})
    head = [f"HTTP/1.1 {answer.status_code} {http.HTTPStatus(answer.status_code).phrase}\r\n".encode("ascii")]
    head += [name + b": " + value + b"\r\n" for name, value in (*usual, *guarded(answer.raw_headers))]
    return b"".join((*head, b"\r\n", bytes(answer.body)))


def _full(app: Any, most: int, origins: frozenset[bytes]) -> Any:
    """What answers on a connection that is one too many: only whether the process runs is told."""

    async def full(scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "http" and scope["path"] != "/healthz":
            told = problem("service.busy", f"the service holds at most {most:,} connections at once")
            answer = problem_answer(told, {"connection": "close", "retry-after": "1"})
            answer.raw_headers = [*guarded(answer.raw_headers), *shown_to(scope["headers"], origins)]
            await answer(scope, receive, send)
            return
        await app(scope, receive, send)

    return full
