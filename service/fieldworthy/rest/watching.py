"""What is seen of every request: its id, one line in the log, one more in the counts, a span where traces are asked for.

Plain ASGI, outside of everything else, so that whoever writes an answer, and whatever refuses it, it is seen. Of what was sent nothing is
told but the id: a route is told by its template, and who asked by the key's id. Connections that go on are seen in `rest.sockets`.
"""

from time import perf_counter
from typing import Protocol

import structlog
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from fieldworthy.rest.admission import asker_of
from fieldworthy.rest.hiding import answering
from fieldworthy.rest.request_ids import HEADER, id_of, new_id, told_of
from fieldworthy.rest.sockets import SEEN, Seen
from fieldworthy.usecases.tally import Tally

UNMATCHED = "none"
"""The route of what fits none, or was refused before one was looked for: all share one, whatever was sent."""

QUIET = frozenset({"/healthz", "/readyz", "/metrics"})
"""Asked every few seconds by machines: told in the log at `debug`, and not traced."""

METHODS = frozenset({"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"})
OTHER = "other"

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
        if scope["type"] == "websocket":
            answering.set(scope)
            seen = scope[SEEN] = Seen(id_of(scope) or new_id(), self._tally, self._lines)
            await seen.watch(self.app, scope, receive, send)
            return
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        begun, status = perf_counter(), None
        answering.set(scope)
        span = None if self._traces is None or scope["path"] in QUIET else self._traces.begin(scope)
        request_id = id_of(scope) or (new_id() if span is None else span.trace)
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
                tell(
                    "request",
                    plain=True,
                    method=method,
                    route=route,
                    status=status,
                    ms=round(seconds * 1000, 1),
                    **told_of(asker_of(scope)),
                )
            structlog.contextvars.reset_contextvars(**bound)
