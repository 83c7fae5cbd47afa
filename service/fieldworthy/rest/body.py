"""A request's media type and body, and a route that hands both to its handler untouched."""

from collections.abc import Awaitable, Callable, Collection
from inspect import signature
from typing import Any

from fastapi.routing import APIRoute
from starlette.requests import ClientDisconnect, Request
from starlette.responses import Response
from starlette.routing import Match, WebSocketRoute
from starlette.types import Scope

from fieldworthy.rest.admission import ANY_SCOPE, ANYBODY, Needs, admit, needed
from fieldworthy.rest.retiring import telling
from fieldworthy.usecases.keys import KeyScope
from fieldworthy.wire import media

JSON_TYPES = media.JSON_TYPES
YAML_TYPES = ("application/yaml", "application/x-yaml", "text/yaml", "text/x-yaml")

Declined = media.Declined
preferred = media.preferred


class RawSocket(WebSocketRoute):
    """A route of a WebSocket. Its handler looks at the key itself once the connection stands: browsers can't send one sooner."""

    needs: Needs = ANY_SCOPE
    methods = ("WEBSOCKET",)

    def matches(self, scope: Scope) -> tuple[Match, Scope]:
        """Whether it fits; then the scope holds it, as of any other route."""
        match, found = super().matches(scope)
        return match, found if match is Match.NONE else {**found, "route": self}


async def _any_handler(request: Request) -> Response:
    raise NotImplementedError  # only its form is looked at


_any_handler.__signature__ = signature(_any_handler)  # type: ignore[attr-defined]  # found once, and not by each route of each app


class RawRoute(APIRoute):
    """
    A route whose handler takes the request and gives the response: nothing in between but the question who asks.

    The framework is shown one and the same handler for all of them: it has nothing to find out of any, and would keep each that it has
    looked at, and with it the whole app.
    """

    def __init__(self, path: str, endpoint: Callable[[Request], Awaitable[Response]], **told: Any) -> None:
        self._handler = endpoint
        super().__init__(path, _any_handler, **{**told, "name": told.get("name") or endpoint.__name__})
        self.endpoint = endpoint

    @property
    def needs(self) -> Needs:
        """The scope that it declares. Raises Undeclared."""
        return needed(self.path, self.openapi_extra)

    def get_route_handler(self) -> Callable[[Request], Awaitable[Response]]:  # type: ignore[override]
        handler = self._handler
        needs = self.needs
        if needs is ANYBODY:
            return telling(handler, self.openapi_extra)

        async def guarded(request: Request) -> Response:
            await admit(request, needs if isinstance(needs, KeyScope) else None)
            return await handler(request)

        return telling(guarded, self.openapi_extra)


def media_type(request: Request, taken: Collection[str], packed: bool = False) -> str:
    """The body's media type, one of `taken`. Raises Declined (415), as `wire.media.media_type` says. packed: as there."""
    return media.media_type(request.scope["headers"], taken, packed)


async def whole_body(request: Request) -> bytes:
    """The body. Raises ClientDisconnect where the caller leaves before it is whole."""
    parts, more = [], True
    while more:
        message = await request.receive()
        if message["type"] == "http.disconnect":
            raise ClientDisconnect
        parts.append(message.get("body", b""))
        more = message.get("more_body", False)
    return b"".join(parts)
