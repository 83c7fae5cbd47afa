"""What answers say where something of an operation goes: the operation itself, a parameter that was sent, a member of the answer."""

from collections.abc import Awaitable, Callable, Mapping
from typing import Any

from starlette.requests import Request
from starlette.responses import Response

from fieldworthy.rest.quota import tell_beside
from fieldworthy.wire.retiring import MARK, Retired, read_mark, soonest

Handler = Callable[[Request], Awaitable[Response]]

MEMBERS = "x-retired-members"
HEADERS: Mapping[str, Any] = {
    "Deprecation": {
        "description": "Since when the operation, a parameter that was sent, or a member of the answer is deprecated (RFC 9745).",
        "schema": {"type": "string", "maxLength": 20, "pattern": "^@[0-9]+$"},
        "example": "@1803859200",
    },
    "Sunset": {
        "description": "From when on it may be gone (RFC 8594).",
        "schema": {"type": "string", "maxLength": 40, "pattern": "^[A-Z][a-z]{2}, [0-9]{2} [A-Z][a-z]{2} [0-9]{4} [0-9:]{8} GMT$"},
        "example": "Tue, 29 Feb 2028 00:00:00 GMT",
    },
    "Link": {
        "description": "Where to read what to use in its place (`rel=deprecation`).",
        "schema": {"type": "string", "maxLength": 200, "pattern": '^<[^>]*>; rel="deprecation"; type="text/html"$'},
        "example": '</docs>; rel="deprecation"; type="text/html"',
    },
}
"""Of the answers of an operation of which something goes."""


def telling(handler: Handler, declared: Mapping[str, Any] | None) -> Handler:
    """The handler, and the headers beside whatever it answers or raises. declared: of the operation in the contract."""
    always, by_query = _told(declared or {})
    if not always and not by_query:
        return handler

    async def told(request: Request) -> Response:
        sent = [retired for name, retired in by_query.items() if name in request.query_params]
        found = soonest([*always, *sent])
        if found is not None:
            tell_beside(request.scope, [(name.encode(), value.encode()) for name, value in found.headers().items()])
        return await handler(request)

    return told


def _told(declared: Mapping[str, Any]) -> tuple[list[Retired], dict[str, Retired]]:
    """What each answer tells, and what it tells where a parameter of the query was sent."""
    always = [mark for mark in (read_mark(declared), *map(read_mark, declared.get(MEMBERS, ()))) if mark is not None]
    parameters = {p["name"]: read_mark(p) for p in declared.get("parameters", ()) if MARK in p}
    return always, {name: mark for name, mark in parameters.items() if mark is not None}


def is_any(declared: Mapping[str, Any]) -> bool:
    """Whether anything of the operation goes."""
    return any(_told(declared))
