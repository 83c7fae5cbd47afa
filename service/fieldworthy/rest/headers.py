"""What every answer carries so that no browser, and no cache on the way, does harm with it. Plain ASGI, outside of everything else.

What has an `ETag` may be kept by whoever asked for it, who asks each time whether it still stands; all else is kept by nobody, unless its
own route says otherwise. `Strict-Transport-Security` is not among them: the service speaks plain HTTP, where the
header must not be sent (RFC 6797, 7.2); it belongs to whatever speaks TLS in front.
"""

from collections.abc import Callable, Iterable

from starlette.types import ASGIApp, Message, Receive, Scope, Send

Header = tuple[bytes, bytes]

STRICT = "default-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
"""The Content-Security-Policy of what is no page: nothing is loaded from it, run in it or framed around it."""

_ALWAYS: tuple[Header, ...] = (
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-resource-policy", b"same-origin"),
)
_POLICY: Header = (b"content-security-policy", STRICT.encode("ascii"))
_NOT_KEPT: tuple[Header, ...] = ((b"cache-control", b"no-store"),)
# two keys in one browser: what the one was answered must not stand for what the other asks, though their ETags be the same
_ASKED_ABOUT: tuple[Header, ...] = ((b"cache-control", b"private, no-cache"), (b"vary", b"authorization"))


def guarded(headers: Iterable[Header]) -> list[Header]:
    """These headers of an answer, and what is missing of those that each must have."""
    given = list(headers)
    names = {name for name, _ in given}
    if b"cache-control" not in names:
        given += _ASKED_ABOUT if b"etag" in names else _NOT_KEPT
    if _POLICY[0] not in names:
        given.append(_POLICY)
    given += _ALWAYS
    return given


def changing(send: Send, change: Callable[[list[Header]], list[Header]]) -> Send:
    """Sends the same, with the headers of the answer changed so. change: is asked when the answer begins."""

    async def sent(message: Message) -> None:
        if message["type"] == "http.response.start":
            message = {**message, "headers": change(list(message.get("headers", ())))}
        await send(message)

    return sent


class Headers:
    """ASGI middleware, the outermost."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        await self.app(scope, receive, changing(send, guarded) if scope["type"] == "http" else send)
