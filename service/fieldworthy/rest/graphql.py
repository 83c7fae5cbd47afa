"""Where the second door stands among the routes: its address, and the files of its page. What it answers is made elsewhere."""

from collections.abc import Awaitable, Callable, Collection

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import WebSocketRoute
from starlette.websockets import WebSocket

from fieldworthy.rest.admission import admit_with_any, asker_of
from fieldworthy.rest.body import Declined, RawRoute
from fieldworthy.rest.described import undescribed
from fieldworthy.wire.problems import problem

PATH = "/graphql"


def graphql_router(answer: Callable[[Request], Awaitable[Response]], file: Callable[[str], Response | None] | None) -> APIRouter:
    """answer: looks at the key itself, for its page needs none; file: of the page, by name, None where there is no page."""
    router = APIRouter(route_class=RawRoute)

    @router.api_route(PATH, methods=["GET", "POST"], **undescribed())
    async def graphql(request: Request) -> Response:
        return await answer(request)

    if file is not None:

        @router.get(f"{PATH}/{{file}}", **undescribed())
        async def page_file(request: Request) -> Response:
            found = file(request.path_params["file"])
            if found is None:
                raise Declined(problem("address.unknown", "there is no such file", f"see {PATH} in a browser"))
            return found

    return router


def graphql_socket(answer: Callable[[WebSocket], Awaitable[None]]) -> WebSocketRoute:
    """The same address for what goes on. answer: looks at the key itself."""
    return WebSocketRoute(PATH, answer)


async def admit_socket(request: Request) -> str:
    """Lets in who opens a socket, and says by what its connections are counted."""
    return await _asker(request, False)


async def look_again(request: Request) -> str:
    """The same for who was let in before: nothing is counted."""
    return await _asker(request, True)


async def _asker(request: Request, again: bool) -> str:
    await admit_with_any(request, again)
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
