"""Pages of other origins that may ask (CORS, as the Fetch standard has it): those that are named, and no other. Unnamed, there is none.

No cookie is ever read or set, so `Access-Control-Allow-Credentials` is not sent and a page has to hold the key itself. A named origin is
given back as it was named and never as `*`; one that is not is answered as if there were no CORS, and its browser keeps the answer from it.
"""

from collections.abc import Collection

from starlette.types import ASGIApp, Message, Receive, Scope, Send

_METHODS = b"GET, HEAD, POST, PUT, DELETE"
_TAKES = b"accept-language, authorization, content-encoding, content-type, idempotency-key, if-match, if-none-match, x-request-id"
_SHOWS = b"ETag, Location, RateLimit, RateLimit-Policy, Retry-After, WWW-Authenticate, X-Request-Id"
_KNOWN_FOR = b"600"  # seconds; a name that is taken back is gone from browsers by then
_VARY = (b"vary", b"origin")


class Origins:
    """ASGI middleware, outside of what looks at keys: a browser's preflight carries none."""

    def __init__(self, app: ASGIApp, named: Collection[str]) -> None:
        """named: origins as browsers write them, as in `https://fields.example`."""
        self.app = app
        self.named = frozenset(name.encode("ascii") for name in named)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        given = [value for name, value in scope["headers"] if name == b"origin"]
        origin = given[0] if len(given) == 1 and given[0] in self.named else None
        if origin is not None and scope["method"] == "OPTIONS" and any(n == b"access-control-request-method" for n, _ in scope["headers"]):
            await _preflight(origin, send)
            return

        async def told(message: Message) -> None:
            if message["type"] == "http.response.start":
                shown = [] if origin is None else [(b"access-control-allow-origin", origin), (b"access-control-expose-headers", _SHOWS)]
                message = {**message, "headers": [*message.get("headers", ()), _VARY, *shown]}
            await send(message)

        await self.app(scope, receive, told)


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
