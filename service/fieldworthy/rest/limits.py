"""What is taken at all: so many requests at once, headers and bodies up to a size, counted as they arrive.

Plain ASGI, outside of everything else: a body is never held to find out that it is too large, and `Content-Length` is not believed.
"""

import asyncio
from collections.abc import Mapping
from contextlib import suppress
from types import MappingProxyType
from typing import Any
from urllib.parse import unquote_to_bytes

import structlog
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from fieldworthy.rest.answers import problem_answer
from fieldworthy.usecases.limits import MAX_AT_ONCE, MAX_BODY_BYTES, MAX_REQUEST_SECONDS
from fieldworthy.wire.problems import problem

MAX_HEADER_BYTES = 32_000
MAX_HEADERS = 100
MAX_TARGET_BYTES = 8_000
MAX_READ_ON_BYTES = 20_000_000
_READ_ON_SECONDS = 5
_LOOKS_EVERY = 5.0

log = structlog.get_logger("fieldworthy.rest")

_ALWAYS = "/healthz"  # a process that has much to do is well


class BodyTooLarge(Exception):
    """More bytes arrived than are taken."""

    def __init__(self, most: int) -> None:
        self.most = most
        super().__init__(str(most))


class Limits:
    """ASGI middleware. unlimited: paths that read their body as a stream and count it themselves; own: paths with a limit of their own.

    at_once: requests at one time; longest: seconds of one. What evaluates has bounds of its own, of work and not of time, and each look
    at the store has some of time: this one is for what nobody thought of.
    """

    def __init__(
        self,
        app: ASGIApp,
        most: int = MAX_BODY_BYTES,
        unlimited: frozenset[str] = frozenset(),
        at_once: int = MAX_AT_ONCE,
        own: Mapping[str, int] = MappingProxyType({}),
        longest: float = MAX_REQUEST_SECONDS,
    ) -> None:
        self.app = app
        self.most = most
        self.own = own
        self.unlimited = unlimited
        self.at_once = at_once
        self.longest = longest
        self._every = min(longest / 2, _LOOKS_EVERY)
        self._since: dict[asyncio.Task[Any], float] = {}
        self._given_up: set[asyncio.Task[Any]] = set()
        self._looking: asyncio.AbstractEventLoop | None = None
        self.open = 0

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        if self.open >= self.at_once and scope["path"] != _ALWAYS:
            detail = f"the service answers at most {self.at_once:,} requests at once"
            await _answer(problem("service.busy", detail), scope, receive, send, {"retry-after": "1"})
            return
        begun = False

        async def noted(message: Message) -> None:
            nonlocal begun
            begun = True
            await send(message)

        loop, task = asyncio.get_running_loop(), asyncio.current_task()
        assert task is not None  # an app is always called in one
        self._since[task] = loop.time()
        if self._looking is not loop:
            self._looking = loop
            loop.call_later(self._every, self._look, loop)
        self.open += 1
        try:
            await self._limited(scope, receive, noted)
        except asyncio.CancelledError:
            if task not in self._given_up:
                raise
            task.uncancel()
            log.warning("a request took too long", method=scope["method"], path=scope["path"][:200], seconds=self.longest)
            if not begun:  # else it breaks off: the server ends a connection whose answer is not whole
                detail = f"one request may take at most {self.longest:,.0f} s"
                await _answer(problem("service.too_long", detail), scope, receive, send, {"retry-after": "60"})
        finally:
            self.open -= 1
            del self._since[task]
            self._given_up.discard(task)

    def _look(self, loop: asyncio.AbstractEventLoop) -> None:
        """Gives up what takes too long; one look for all, for a timer for each request would cost more than all the rest here."""
        if not self._since:
            self._looking = None
            return
        loop.call_later(self._every, self._look, loop)
        latest = loop.time() - self.longest
        for task, since in self._since.items():
            if since < latest and task not in self._given_up:
                self._given_up.add(task)
                task.cancel()

    async def _limited(self, scope: Scope, receive: Receive, send: Send) -> None:
        headers = scope["headers"]
        size = told = 0
        for name, value in headers:
            size += len(name) + len(value)
            if name == b"content-length" and value.isdigit():
                told = max(told, int(value[:19]))
        if len(headers) > MAX_HEADERS or size > MAX_HEADER_BYTES:
            detail = f"the headers may hold at most {MAX_HEADERS} lines and {MAX_HEADER_BYTES:,} bytes"
            await _answer(problem("request.headers_too_large", detail), scope, receive, send)
            return
        if len(scope.get("raw_path") or b"") + len(scope.get("query_string") or b"") > MAX_TARGET_BYTES:
            await _answer(problem("address.too_long", f"the address may hold at most {MAX_TARGET_BYTES:,} bytes"), scope, receive, send)
            return
        if "\ufffd" in scope["path"] and not _is_text(scope.get("raw_path") or b""):
            mend = "write it in UTF-8, percent-encoded"
            await _answer(problem("request.unreadable", "the address can't be read", mend), scope, receive, send)
            return
        if scope["path"] in self.unlimited:
            await self.app(scope, receive, send)
            return
        most = self.own.get(scope["path"], self.most)
        if told > most:
            if not any(k == b"expect" for k, _ in headers):  # who asks first has sent nothing yet
                await _read_on(receive)
            await _answer(too_large(most), scope, receive, send)
            return
        got = 0
        begun = False
        more = True

        async def counted() -> Message:
            nonlocal got, more
            message = await receive()
            if message["type"] == "http.request":
                more = message.get("more_body", False)
                got += len(message.get("body", b""))
                if got > most:
                    raise BodyTooLarge(most)
            return message

        async def noted(message: Message) -> None:
            nonlocal begun
            begun = True
            await send(message)

        try:
            await self.app(scope, counted, noted)
        except BodyTooLarge:
            if begun:
                raise
            if more:
                await _read_on(receive)
            await _answer(too_large(most), scope, receive, send)


def _is_text(address: bytes) -> bool:
    """Whether it is UTF-8, percent-encoded. Where it is not, a server puts U+FFFD for what it can't read: then two names would be one."""
    try:
        unquote_to_bytes(address).decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True


async def _read_on(receive: Receive) -> None:
    """Reads on and keeps nothing, up to a limit, so that a caller which sends everything before it listens hears why it is refused."""
    left = MAX_READ_ON_BYTES
    with suppress(TimeoutError):
        async with asyncio.timeout(_READ_ON_SECONDS):
            while left > 0:
                message = await receive()
                left -= len(message.get("body", b""))
                if message["type"] != "http.request" or not message.get("more_body", False):
                    return


def too_large(most: int) -> dict[str, Any]:
    """The problem of a body over the limit."""
    return problem("body.too_large", f"the body may hold at most {most:,} bytes")


async def _answer(problem: Mapping[str, Any], scope: Scope, receive: Receive, send: Send, headers: Mapping[str, str] | None = None) -> None:
    # what is left of the body is not read, so the connection can't be used again
    await problem_answer(problem, {"connection": "close", **(headers or {})})(scope, receive, send)
