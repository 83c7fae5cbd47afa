"""Pages of other origins that may ask (CORS, as the Fetch standard has it): those that are named, and no other. Unnamed, there is none.

No cookie is ever read or set, so `Access-Control-Allow-Credentials` is not sent and a page has to hold the key itself. A named origin is
given back as it was named and never as `*`; one that is not is answered as if there were no CORS, and its browser keeps the answer from it.
"""

from collections.abc import Collection, Iterable

from starlette.types import ASGIApp, Receive, Scope, Send

from fieldworthy.rest.headers import Header, changing

_METHODS = b"GET, HEAD, POST, PUT, DELETE"
_TAKES = b"accept-language, authorization, content-encoding, content-type, idempotency-key, if-match, if-none-match, x-request-id"
_SHOWS = b"ETag, Location, RateLimit, RateLimit-Policy, Retry-After, WWW-Authenticate, X-Request-Id"
_KNOWN_FOR = b"600"  # seconds; a name that is taken back is gone from browsers by then
_VARY = (b"vary", b"origin")


def named_origins(named: Collection[str]) -> frozenset[bytes]:
    """Origins as they stand in a header."""
    return frozenset(name.encode("ascii") for name in named)


def shown_to(asked: Iterable[Header], named: Collection[bytes]) -> list[Header]:
    """What an answer says beside, of whatever makes it. asked: the request's headers; named: none where nobody's pages may ask."""
    if not named:
        return []
    origin = _origin(asked, named)
    shown = [] if origin is None else [(b"access-control-allow-origin", origin), (b"access-control-expose-headers", _SHOWS)]
    return [_VARY, *shown]


def _origin(asked: Iterable[Header], named: Collection[bytes]) -> bytes | None:
    """Whose page asks, where it is one that is named."""
    given = [value for name, value in asked if name == b"origin"]
    return given[0] if len(given) == 1 and given[0] in named else None


class Origins:
    """ASGI middleware, outside of what looks at keys: a browser's preflight carries none."""

    def __init__(self, app: ASGIApp, named: Collection[str]) -> None:
        """named: origins as browsers write them, as in `https://fields.example`."""
        self.app = app
        self.named = named_origins(named)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        origin = _origin(scope["headers"], self.named)
        if origin is not None and scope["method"] == "OPTIONS" and any(n == b"access-control-request-method" for n, _ in scope["headers"]):
            await _preflight(origin, send)
            return

        shown = shown_to(scope["headers"], self.named)
        await self.app(scope, receive, changing(send, lambda given: [*given, *shown]))


async def _preflight(origin: bytes, send: Send) -> None:
    headers = [
        (b"access-control-allow-origin", origin),
        (b"access-control-allow-methods", _METHODS),
        (b"access-control-allow-headers", _TAKES),
        (b"access-control-max-age", _KNOWN_FOR),
        _VARY,
    ]
    await send({"type": "http.response.start", "status": 204, "headers": headers})
    await send({"type": "http.response.body", "body": b""})
