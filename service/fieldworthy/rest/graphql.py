"""
Where the second door stands among the routes: its address, and the files of its page. What it answers is made elsewhere, and when somebody
first asks it.
"""

import asyncio
from collections.abc import Awaitable, Callable, Collection
from dataclasses import dataclass

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response
from starlette.websockets import WebSocket

from fieldworthy.rest.admission import ANY_SCOPE, CALLER, admit, asker_of
from fieldworthy.rest.body import Declined, RawRoute, RawSocket
from fieldworthy.rest.described import undescribed
from fieldworthy.rest.sockets import let_in
from fieldworthy.wire.problems import problem

PATH = "/graphql"


@dataclass(frozen=True, slots=True)
class Answers:
    """What answers a request to the second door, and a socket."""

    request: Callable[[Request], Awaitable[Response]]
    socket: Callable[[WebSocket], Awaitable[None]]


class AtFirstKnock:
    """
    The second door, made when it is first asked: to load what it is made of takes as long as all the rest of a start, and many who run the
    service never ask it. Whoever asks the other door meanwhile is answered.
    """

    def __init__(self, make: Callable[[], Answers]) -> None:
        """make: called once, in a thread of its own."""
        self._make = make
        self._made: Answers | None = None
        self._making: asyncio.Task[Answers] | None = None

    async def answer(self, request: Request) -> Response:
        return await (await self._door()).request(request)

    async def answer_socket(self, socket: WebSocket) -> None:
        await (await self._door()).socket(socket)

    async def _door(self) -> Answers:
        if self._made is None:
            if self._making is None:
                self._making = asyncio.create_task(asyncio.to_thread(self._make))
            making = self._making
            try:
                self._made = await asyncio.shield(making)  # who is called off leaves it to those who wait as well
            finally:
                if making.done() and self._making is making:
                    self._making = None  # where it failed the next one tries again
        return self._made


def graphql_router(answer: Callable[[Request], Awaitable[Response]], file: Callable[[str], Response | None] | None) -> APIRouter:
    """answer: of a GET it looks at the key itself, for its page needs none; file: of the page, by name, None where there is no page."""
    router = APIRouter(route_class=RawRoute)

    @router.get(PATH, **undescribed())
    async def graphql(request: Request) -> Response:
        return await answer(request)

    @router.post(PATH, **undescribed(ANY_SCOPE))
    async def graphql_posted(request: Request) -> Response:
        return await answer(request)

    if file is not None:

        @router.get(f"{PATH}/{{file}}", **undescribed())
        async def page_file(request: Request) -> Response:
            found = file(request.path_params["file"])
            if found is None:
                raise Declined(problem("address.unknown", "there is no such file", f"see {PATH} in a browser"))
            return found

    return router


def graphql_socket(answer: Callable[[WebSocket], Awaitable[None]]) -> RawSocket:
    """The same address for what goes on. answer: looks at the key itself."""
    return RawSocket(PATH, answer)


async def admit_once(request: Request) -> None:
    """Lets a request in by its key, whatever scopes that has, where its route has not done so. Raises what it is refused with."""
    if CALLER not in request.scope:
        await admit(request, None)


async def admit_socket(request: Request) -> str:
    """Lets in who opens a socket, and says by what its connections are counted."""
    caller = await _asker(request, False)
    let_in(request)
    return caller


async def look_again(request: Request) -> str:
    """The same for who was let in before: nothing is counted."""
    return await _asker(request, True)


async def _asker(request: Request, again: bool) -> str:
    await admit(request, None, again)
    asker = asker_of(request.scope)
    return "" if asker is None else asker.quota


def from_here(named: Collection[str]) -> Callable[[Request], bool]:
    """
    Whether a browser's page may open a socket (RFC 6455, 10.2): one of the service itself, or of an origin that is named. What sends no
    `Origin` is no browser.
    """

    def may(request: Request) -> bool:
        origins, hosts = (request.headers.getlist(name) for name in ("origin", "host"))
        return all(origin in named or [origin.partition("://")[2]] == hosts for origin in origins)

    return may
