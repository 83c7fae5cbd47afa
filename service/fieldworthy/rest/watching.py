"""What is seen of every request: its id, one line in the log, one more in the counts, a span where traces are asked for.

Plain ASGI, outside of everything else, so that whoever writes an answer, and whatever refuses it, it is seen. Of what was sent nothing is
told but the id: a route is told by its template, and who asked by the key's id.
"""

import re
from random import Random
from time import perf_counter
from typing import Any, Protocol

import structlog
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from fieldworthy.rest.admission import asker_of
from fieldworthy.rest.hiding import answering, hidden
from fieldworthy.usecases.audit import KEY
from fieldworthy.usecases.tally import Tally

HEADER = b"x-request-id"
UNMATCHED = "none"
"""The route of what fits none, or was refused before one was looked for: all share one, whatever was sent."""

QUIET = frozenset({"/healthz", "/readyz", "/metrics"})
"""Asked every few seconds by machines: told in the log at `debug`, and not traced."""

METHODS = frozenset({"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"})
OTHER = "other"

_ID = re.compile(r"[A-Za-z0-9](?:[A-Za-z0-9._-]{0,98}[A-Za-z0-9])?\Z")
_PARENT = re.compile(rb"(?!ff)[0-9a-f]{2}-(?!0{32})([0-9a-f]{32})-(?!0{16})[0-9a-f]{16}-[0-9a-f]{2}(?:-.*)?\Z")

_CHANCE = Random()  # noqa: S311  # nosec B311  # an id is no secret, and the system's chance costs as much as all the rest here

log = structlog.get_logger("fieldworthy.access")


class Span(Protocol):
    """One request's part of a trace."""

    trace: str

    def end(self, method: str, route: str | None, status: int | None, request_id: str) -> None:
        """route: None where it fits none; status: None where nothing was answered."""


class Traces(Protocol):
    """Where spans go."""

    def begin(self, scope: Scope) -> Span: ...


class Watching:
    """ASGI middleware. traces: None where none are asked for; lines: whether each request has one in the log."""

    def __init__(self, app: ASGIApp, tally: Tally, traces: Traces | None = None, lines: bool = True) -> None:
        self.app = app
        self._tally = tally
        self._traces = traces
        self._lines = lines

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        begun, status = perf_counter(), None
        answering.set(scope)
        span = None if self._traces is None or scope["path"] in QUIET else self._traces.begin(scope)
        request_id = id_of(scope) or (f"{_CHANCE.getrandbits(128):032x}" if span is None else span.trace)
        told = (HEADER, request_id.encode("ascii"))
        bound = structlog.contextvars.bind_contextvars(request_id=request_id)

        async def noted(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
                message = {**message, "headers": [*message.get("headers", ()), told]}
            await send(message)

        self._tally.open += 1
        try:
            await self.app(scope, receive, noted)
        finally:
            self._tally.open -= 1
            seconds = perf_counter() - begun
            route = getattr(scope.get("route"), "path", None)
            method = scope["method"] if scope["method"] in METHODS else OTHER
            self._tally.answered(route or UNMATCHED, method, status or 0, seconds)
            if span is not None:
                span.end(method, route, status, request_id)
            if self._lines:
                tell = log.debug if scope["path"] in QUIET else log.info
                tell("request", plain=True, method=method, route=route, status=status, ms=round(seconds * 1000, 1), **_who(scope))
            structlog.contextvars.reset_contextvars(**bound)


def id_of(scope: Scope) -> str | None:
    """
    The id that whoever asks gives it: `X-Request-Id`, else the trace's of `traceparent` (W3C Trace Context, 3.2). None for none, for one
    that is not well formed, and for one that looks like a secret, or is one of this request: it is said again, in the log too.
    """
    given = parent = None
    for name, value in scope["headers"]:
        if name == HEADER:
            given = value
        elif name == b"traceparent":
            parent = value
    if given is not None:
        text: str = given.decode("latin-1")
        if _ID.match(text) and hidden(text) == text:
            return text
    found = None if parent is None else _PARENT.match(parent)
    return None if found is None else found[1].decode("ascii")


def _who(scope: Scope) -> dict[str, Any]:
    """Who asked, where they said so with a key or a token that works: never the key itself."""
    asker = asker_of(scope)
    if asker is None:
        return {"key": None, "organisation": None}
    is_key = asker.actor.way == KEY
    who = {"key": asker.actor.id} if is_key else {"key": None, "subject": hidden(asker.actor.id or "")}
    return {**who, "organisation": asker.organisation}
