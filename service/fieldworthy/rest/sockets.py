"""What is seen of a connection that goes on, and of each operation over it: ids, a line in the log when it ends, one more in the counts.

As with requests nothing is told of what was sent, but for the name that an operation's author gave it. An operation's id is its
connection's and its number there, from 1 on.
"""

from time import perf_counter
from typing import Any, Final, Protocol

import structlog
from starlette.requests import Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from fieldworthy.rest.admission import asker_of
from fieldworthy.rest.hiding import answering, hidden
from fieldworthy.rest.request_ids import HEADER, told_of
from fieldworthy.usecases.keys import Asker
from fieldworthy.usecases.tally import Tally

SEEN: Final = "fieldworthy.seen"
"""Where the scope of a connection holds what is seen of it."""

REFUSED = 403
"""What is told of one that is closed before it is accepted: so the server answers it."""

MOST_NAME = 80
"""Characters of an operation's name that the log tells."""

log = structlog.get_logger("fieldworthy.access")


class Operation(Protocol):
    """One over a connection, as the door remembers it. begun: by `perf_counter`; all else as the log tells it."""

    kind: str
    name: str | None
    results: int
    errors: int
    begun: float

    @property
    def outcome(self) -> str: ...


class Seen:
    """One connection. id: its request's; asker: who was let in; operations: that were begun over it; lines: whether the log has any."""

    def __init__(self, id: str, tally: Tally, lines: bool) -> None:
        self.id = id
        self.asker: Asker | None = None
        self.operations = 0
        self._tally = tally
        self._lines = lines
        self._accepted = False
        self._left = False
        self._code: int | None = None

    async def watch(self, app: ASGIApp, scope: Scope, receive: Receive, send: Send) -> None:
        """Has the app answer it, until it ends."""
        begun = perf_counter()
        bound = structlog.contextvars.bind_contextvars(request_id=self.id)

        async def noted(message: Message) -> None:
            if message["type"] == "websocket.accept":
                message = {**message, "headers": [*message.get("headers", ()), (HEADER, self.id.encode("ascii"))]}
                self._accepted = True
                self._tally.sockets_open += 1
            elif message["type"] == "websocket.close" and self._code is None and not self._left:
                self._code = message.get("code", 1000) if self._accepted else REFUSED
            await send(message)

        async def come() -> Message:
            message = await receive()
            self._left = self._left or message["type"] == "websocket.disconnect"
            return message

        try:
            await app(scope, come, noted)
        finally:
            self._tally.sockets_open -= self._accepted
            self._tally.socket_ended(self._code)
            if self._lines:
                route = getattr(scope.get("route"), "path", None)
                told = {"route": route, "code": self._code, "operations": self.operations, "ms": _ms(begun), **told_of(self.asker)}
                log.info("socket", plain=True, **told)
            structlog.contextvars.reset_contextvars(**bound)

    def begin(self) -> str:
        """An operation begins; its id, which all that is logged in its task has from now on."""
        self.operations += 1
        id = f"{self.id}.{self.operations}"
        structlog.contextvars.bind_contextvars(request_id=id)
        self._tally.operations_begun += 1
        return id

    def end(self, ended: Operation) -> None:
        """One ended. Only to be called in the task in which it began."""
        self._tally.operated(ended.kind, ended.outcome, ended.results)
        if self._lines:
            name = None if ended.name is None else hidden(ended.name)[:MOST_NAME]
            told: dict[str, Any] = {"kind": ended.kind, "name": name, "outcome": ended.outcome}
            told |= {"results": ended.results, "errors": ended.errors, "ms": _ms(ended.begun)}
            log.info("operation", plain=True, **told, **told_of(self.asker))


def let_in(request: Request) -> None:
    """Who opened it is known now: the log names them, and hides the key that they showed, wherever they showed it."""
    answering.set(request.scope)
    _seen(request).asker = asker_of(request.scope)


def id_of_socket(request: Request) -> str:
    """The id of the connection whose beginning this is."""
    return _seen(request).id


def begin_operation(request: Request) -> str:
    """An operation begins over the same: its id, in whose task this is called."""
    return _seen(request).begin()


def end_operation(request: Request, ended: Operation) -> None:
    """It ended."""
    _seen(request).end(ended)


def _seen(request: Request) -> Seen:
    seen: Seen = request.scope[SEEN]
    return seen


def _ms(begun: float) -> float:
    return round((perf_counter() - begun) * 1000, 1)
