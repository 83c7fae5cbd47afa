"""Operations over a WebSocket, so that an answer may go on: the protocol `graphql-transport-ws`.

A caller shows a key in the handshake's `Authorization`, or in the payload of `connection_init`, as browsers must. It is looked at again
before each operation and every few seconds: a key that was revoked asks nothing more, and is told nothing more.
Whatever a caller does not read is not produced: each operation waits until what it said last was taken.
"""

import asyncio
import json
from collections import Counter
from collections.abc import Awaitable, Callable
from contextlib import aclosing, suppress
from dataclasses import dataclass
from typing import Any

import orjson
import structlog
from graphql import GraphQLError
from starlette.requests import Request
from starlette.websockets import WebSocket, WebSocketDisconnect

from fieldworthy.core.base.finding import Refused
from fieldworthy.graph.asked import of_payload
from fieldworthy.graph.door import Door
from fieldworthy.graph.operated import REQUEST_ID, Operated
from fieldworthy.graph.told import ProblemOf, Turned, untaken, written
from fieldworthy.usecases.key_refusals import KeyMissing
from fieldworthy.usecases.wrong_keys import source_of
from fieldworthy.wire.reading import Unreadable, read_quickly

SUBPROTOCOL = "graphql-transport-ws"

TRY_AGAIN = 1013
"""By which clients know that they may come again, later (registry of RFC 6455's close codes); those from 4400 on tell them not to."""

log = structlog.get_logger("fieldworthy.graph")


@dataclass(frozen=True, slots=True)
class Patience:
    """
    init: s until `connection_init`; idle: s that a connection may stay without an operation; look: s between two looks at its key; send: s
    that a message may wait to be taken. a_caller: connections of one key; all: of the process, of all who were let in; waiting: of the
    process, of who shows no key yet; an_address: of these from one address; operations: at once on one connection; id: characters of an
    operation's.
    """

    init: float = 10.0
    idle: float = 120.0
    look: float = 5.0
    send: float = 30.0
    a_caller: int = 10
    all: int = 200
    waiting: int = 100
    an_address: int = 20
    operations: int = 20
    id: int = 100


@dataclass(frozen=True, slots=True)
class SocketAround:
    """
    What is around it. admit: lets in by the key and gives what counts a caller's connections; look: does so again, and counts nothing;
    from_here: whether the page that opens it may (its `Origin`). id: of the connection; begin: tells that an operation begins over it, in
    the task in which it does, and gives its id; end: tells how it ended.
    """

    admit: Callable[[Request], Awaitable[str]]
    look: Callable[[Request], Awaitable[str]]
    from_here: Callable[[Request], bool]
    problem_of: ProblemOf
    id: Callable[[Request], str]
    begin: Callable[[Request], str]
    end: Callable[[Request, Operated], None]


class _Closed(Exception):
    """The connection is ended with this code and reason. status: what it would be over HTTP."""

    def __init__(self, code: int, reason: str, status: int = 400) -> None:
        self.code, self.reason, self.status = code, reason, status
        super().__init__(reason)


class _NotTaken(Exception):
    """Nobody is there any more, or reads."""


class Sockets:
    """All connections of one process."""

    def __init__(self, door: Door, around: SocketAround, patience: Patience | None = None) -> None:
        self.door = door
        self.around = around
        self.patience = patience or Patience()
        self.by_caller: Counter[str] = Counter()
        self.open: set[_Session] = set()

    async def answer(self, socket: WebSocket) -> None:
        """Answers one connection until it ends."""
        request = Request({**socket.scope, "type": "http", "method": "GET"})
        address = source_of(socket.client.host if socket.client else "")
        if not self.around.from_here(request) or self._is_full(address):
            await socket.close()  # before it is accepted: 403
            return
        if SUBPROTOCOL not in socket.scope.get("subprotocols", ()):
            await socket.accept()
            await socket.close(4406, "Subprotocol not acceptable")
            return
        session = _Session(self, socket, request, address)
        self.open.add(session)
        try:
            await socket.accept(SUBPROTOCOL)
            await session.run()
        finally:
            self.open.discard(session)

    def _is_full(self, address: str) -> bool:
        """Whether another may not come from there: who shows no key takes no place of those who do."""
        waiting = [session.address for session in self.open if not session.is_let_in]
        too_many = bool(address) and waiting.count(address) >= self.patience.an_address
        return too_many or len(waiting) >= self.patience.waiting or self.by_caller.total() >= self.patience.all


class _Session:
    def __init__(self, sockets: Sockets, socket: WebSocket, request: Request, address: str) -> None:
        self.address = address
        self._all = sockets
        self._socket = socket
        self._request = request
        self._patience = sockets.patience
        self._running: dict[str, asyncio.Task[None]] = {}
        self._sending = asyncio.Lock()
        self._caller: str | None = None
        self._idle_since = asyncio.get_running_loop().time()

    @property
    def is_let_in(self) -> bool:
        """Whether a key was shown that opens it, or none is asked for."""
        return self._caller is not None

    async def run(self) -> None:
        watch: asyncio.Task[None] | None = None
        try:
            await self._begin()
            watch = asyncio.create_task(self._watch())
            while True:
                await self._take(await self._next())
        except _Closed as closed:
            await self.end(closed.code, closed.reason)
        except (WebSocketDisconnect, _NotTaken):
            await self.end(1011, "what was told was not taken")
        except Exception:
            log.exception("a socket failed")
            await self.end(1011, "the service failed; the fault is its own")
        finally:
            tasks = [*self._running.values(), *([watch] if watch is not None else [])]
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)
            if self._caller is not None:
                self._all.by_caller[self._caller] -= 1
                self._all.by_caller += Counter()  # drops those of whom none are left

    async def end(self, code: int, reason: str) -> None:
        """Ends the connection, if it has not ended yet."""
        with suppress(RuntimeError, WebSocketDisconnect, TimeoutError):
            async with asyncio.timeout(self._patience.send):
                await self._socket.close(code, reason[:100])

    # --- what comes -----------------------------------------------------------------------------------------------------------------

    async def _next(self) -> dict[str, Any]:
        message = await self._socket.receive()
        if message["type"] == "websocket.disconnect":
            raise WebSocketDisconnect(message.get("code", 1005))
        text = message.get("text")
        if text is None:
            raise _Closed(4400, "a message is text, and no bytes")
        try:
            given = read_quickly(text.encode())
        except (Unreadable, Refused, UnicodeEncodeError):
            raise _Closed(4400, "a message is no JSON") from None
        if not isinstance(given, dict) or not isinstance(given.get("type"), str):
            raise _Closed(4400, "a message is an object with a type")
        return given

    async def _begin(self) -> None:
        """Waits for `connection_init`, and lets the caller in."""
        try:
            async with asyncio.timeout(self._patience.init):
                while (given := await self._next())["type"] != "connection_init":
                    if given["type"] == "subscribe":
                        raise _Closed(4401, "Unauthorized")
                    await self._take(given)
        except TimeoutError:
            raise _Closed(4408, "Connection initialisation timeout") from None
        payload = given.get("payload")
        if payload is not None and not isinstance(payload, dict):
            raise _Closed(4400, "the payload of connection_init is an object")
        shown = _authorization(payload or {})
        if shown is not None:
            headers = [(name, value) for name, value in self._request.scope["headers"] if name != b"authorization"]
            self._request = Request({**self._request.scope, "headers": [*headers, (b"authorization", shown)]})
        caller = await self._let_in(self._all.around.admit)
        if self._all.by_caller[caller] >= self._patience.a_caller:
            raise _Closed(4429, f"a key may have {self._patience.a_caller} connections at once")
        if self._all.by_caller.total() >= self._patience.all:  # others came meanwhile
            raise _Closed(TRY_AGAIN, "the service has as many connections as it takes")
        self._caller = caller
        self._all.by_caller[caller] += 1
        await self._send({"type": "connection_ack", "payload": {REQUEST_ID: self._all.around.id(self._request)}})

    async def _let_in(self, by: Callable[[Request], Awaitable[str]]) -> str:
        try:
            return await by(self._request)
        except Exception as trouble:
            told = self._all.around.problem_of(trouble)
            if told is None:
                raise
            unknown = isinstance(trouble, KeyMissing) or told["status"] == 401
            code = 4401 if unknown else TRY_AGAIN if told["status"] in (429, 503) else 4403
            raise _Closed(code, told["detail"], told["status"]) from None

    async def _take(self, given: dict[str, Any]) -> None:
        match given["type"]:
            case "ping":
                await self._send({"type": "pong"})
            case "pong":
                pass
            case "connection_init":
                raise _Closed(4429, "Too many initialisation requests")
            case "subscribe":
                self._subscribe(_id(given, self._patience.id), given.get("payload"))
            case "complete":
                task = self._running.pop(_id(given, self._patience.id), None)
                if task is not None:
                    task.cancel()
            case _:
                raise _Closed(4400, "a message is of a type that a client does not send")

    # --- operations -----------------------------------------------------------------------------------------------------------------

    def _subscribe(self, id: str, payload: Any) -> None:
        if id in self._running:
            raise _Closed(4409, f"Subscriber for {id} already exists")
        if len(self._running) >= self._patience.operations:
            raise _Closed(4429, f"a connection may have {self._patience.operations} operations at once")
        task = self._running[id] = asyncio.create_task(self._operate(id, payload))
        task.add_done_callback(lambda _: self._done(id, task))

    def _done(self, id: str, task: "asyncio.Task[None]") -> None:
        if self._running.get(id) is task:
            del self._running[id]
        self._idle_since = asyncio.get_running_loop().time()

    async def _operate(self, id: str, payload: Any) -> None:
        around = self._all.around
        operated = Operated(around.begin(self._request))
        try:
            await self._send({**await self._end_of(id, payload, operated), "id": id})
            operated.has_ended = True
        except _Closed as closed:
            operated.turned_away(closed.status)
            await self.end(closed.code, closed.reason)
        except _NotTaken:
            await self.end(1011, "what was told was not taken")
        finally:
            around.end(self._request, operated)

    async def _end_of(self, id: str, payload: Any, operated: Operated) -> dict[str, Any]:
        """Tells what an operation is answered, and gives what says that it has ended. Raises _Closed, _NotTaken."""
        problem_of = self._all.around.problem_of
        try:
            await self._let_in(self._all.around.look)
            asked = of_payload(payload)
        except (Unreadable, Refused) as trouble:
            told_of = problem_of(trouble)
            assert told_of is not None  # both mean a refusal
            return {"type": "error", "payload": operated.marked(written([untaken(told_of)], problem_of))}
        try:
            async with aclosing(self._all.door.results(self._request, asked, operated.read)) as results:
                async for result in results:
                    told: dict[str, Any] = {"data": result.data}
                    if result.errors:
                        told["errors"] = operated.marked(written(result.errors, problem_of))
                    await self._send({"type": "next", "id": id, "payload": told})
                    operated.results += 1
                    await asyncio.sleep(0)  # so that what comes is read, and others are answered, however quickly this goes on
        except Turned as trouble:
            return {"type": "error", "payload": operated.marked(written(trouble.errors, problem_of))}
        except (_Closed, _NotTaken):
            raise
        except Exception as trouble:
            return {"type": "error", "payload": operated.marked(written([GraphQLError("", original_error=trouble)], problem_of))}
        return {"type": "complete"}

    async def _send(self, told: dict[str, Any]) -> None:
        """Raises _NotTaken where nobody is there, or takes it in time."""
        text = orjson.dumps(told, default=str).decode()
        try:
            async with asyncio.timeout(self._patience.send), self._sending:
                await self._socket.send({"type": "websocket.send", "text": text})
        except (TimeoutError, WebSocketDisconnect, RuntimeError):  # the last: it was closed meanwhile
            raise _NotTaken from None

    async def _watch(self) -> None:
        """Ends it where the key opens nothing any more, or nothing is asked for long."""
        loop, every = asyncio.get_running_loop(), min(self._patience.look, self._patience.idle)
        while True:
            await asyncio.sleep(every)
            if not self._running and loop.time() - self._idle_since > self._patience.idle:
                await self.end(1000, "nothing was asked for long")
                return
            try:
                await self._let_in(self._all.around.look)
            except _Closed as closed:
                await self.end(closed.code, closed.reason)
                return
            except Exception:
                log.exception("a socket's key could not be looked at")
                await self.end(1011, "the service failed; the fault is its own")
                return


def _id(given: dict[str, Any], most: int) -> str:
    id = given.get("id")
    if not isinstance(id, str) or not 1 <= len(id) <= most:
        raise _Closed(4400, f"a message about an operation has an id of 1 to {most} characters")
    return id


def _authorization(payload: dict[str, Any]) -> bytes | None:
    """The key of an initialisation, as a header has it: of `authorization`, however it is spelt, or of `key`. None where there is none."""
    for name, value in payload.items():
        if isinstance(value, str) and name.lower() in ("authorization", "key"):
            text = value if name.lower() == "authorization" else f"Bearer {value}"
            return json.dumps(text)[1:-1].encode("ascii")
    return None
