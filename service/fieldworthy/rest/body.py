"""A request's media type and body, and a route that hands both to its handler untouched."""

import re
from collections.abc import Awaitable, Callable, Collection
from typing import Any

from fastapi.routing import APIRoute
from starlette.requests import ClientDisconnect, Request
from starlette.responses import Response

from fieldworthy.rest.admission import ANYBODY, Needs, admit, needed
from fieldworthy.usecases.keys import KeyScope
from fieldworthy.wire.problems import problem

JSON_TYPES = ("application/json",)
YAML_TYPES = ("application/yaml", "application/x-yaml", "text/yaml", "text/x-yaml")

_QUICK = {b"application/json", b"application/json; charset=utf-8", b"application/json;charset=utf-8"}


class Declined(Exception):
    """A request that is answered with this problem."""

    def __init__(self, problem: dict[str, Any], headers: dict[str, str] | None = None) -> None:
        self.problem = problem
        self.headers = headers
        super().__init__(problem["code"])


async def _any_handler(request: Request) -> Response:
    raise NotImplementedError  # only its form is looked at


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
            return handler

        async def guarded(request: Request) -> Response:
            await admit(request, needs if isinstance(needs, KeyScope) else None)
            return await handler(request)

        return guarded


def media_type(request: Request, taken: Collection[str], packed: bool = False) -> str:
    """The body's media type, one of `taken`. Raises Declined (415) for another, another charset than UTF-8, or any Content-Encoding.

    packed: the caller unpacks the body, and sees to its Content-Encoding.
    """
    given = None
    for name, value in request.scope["headers"]:
        if name == b"content-type":
            given = value
        elif not packed and name == b"content-encoding" and value.strip().lower() not in (b"", b"identity"):
            raise Declined(
                _unsupported(f"the body is sent with Content-Encoding `{_shown(value)}`", "send it as it is"),
                {"accept-encoding": "identity"},
            )
    if given in _QUICK and JSON_TYPES[0] in taken:
        return JSON_TYPES[0]
    wanted = " or ".join(f"`{t}`" for t in taken)
    if given is None:
        raise Declined(
            _unsupported("the request does not say its Content-Type", f"send Content-Type: {wanted}"), {"accept": ", ".join(taken)}
        )
    kind: str
    kind, *parameters = given.decode("latin-1").split(";")
    kind = kind.strip().lower()
    if kind not in taken:
        raise Declined(_unsupported(f"the body is `{_shown(kind.encode('latin-1'))}`", f"send {wanted}"), {"accept": ", ".join(taken)})
    for parameter in parameters:
        name, _, charset = parameter.strip().lower().partition("=")
        if name.strip() == "charset" and charset.strip().strip('"') not in ("utf-8", "utf8", "us-ascii"):
            raise Declined(_unsupported(f"the body's charset is `{_shown(charset.encode('latin-1'))}`", "send it in UTF-8"))
    return kind


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


def _unsupported(detail: str, mend: str) -> dict[str, Any]:
    return problem("body.media_type", detail, mend)


def _shown(value: bytes) -> str:
    text = value[:60].decode("latin-1")
    return "".join(c if c.isprintable() else " " for c in text).replace("`", "'")


_WEIGHT = re.compile(r"\s*q\s*=\s*(\d(?:\.\d{0,3})?)\s*\Z", re.IGNORECASE)


def preferred(accept: str, offered: Collection[str]) -> str | None:
    """Which of the offered media types an `Accept` header likes best (RFC 9110, 12.5.1); the first offered among equals, None for none."""
    if not accept.strip():
        return next(iter(offered))
    asked: dict[str, float] = {}
    for part in accept.split(",")[:50]:
        kind, *parameters = part.split(";")
        weight = 1.0
        for parameter in parameters:
            if found := _WEIGHT.match(parameter):
                weight = float(found[1])
        asked[kind.strip().lower()] = weight
    best, most = None, 0.0
    for kind in offered:
        weight = asked.get(kind, asked.get(kind.split("/")[0] + "/*", asked.get("*/*", 0.0)))
        if weight > most:
            best, most = kind, weight
    return best
