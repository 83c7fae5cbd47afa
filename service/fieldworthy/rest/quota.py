"""What answers to a key say of its quota: draft-ietf-httpapi-ratelimit-headers (September 2025), sections 3 and 4."""

from collections.abc import Iterable, Mapping
from typing import Any

from starlette.types import ASGIApp, Receive, Scope, Send

from fieldworthy.rest.headers import Header, changing
from fieldworthy.usecases.quota import Quota

_TOLD = "fieldworthy.quota"
_BESIDE = "fieldworthy.beside"


def header_ref(name: str) -> dict[str, str]:
    """A reference to a header of the contract."""
    return {"$ref": f"#/components/headers/{name}"}


HEADERS: Mapping[str, Any] = {
    "RateLimitPolicy": {
        "description": "On the answer to every request that a key is looked at for, refusals too: how many requests (`q`) it may make in a "
        "window of so many seconds (`w`), over all replicas; not there where the service has no quota, nor where the key is refused. With "
        "`key.too_many_wrong` it is how many wrong keys may come (draft-ietf-httpapi-ratelimit-headers).",
        "schema": {"type": "string", "maxLength": 200, "pattern": '^"[a-z-]+";q=[0-9]+;w=[0-9]+$'},
        "example": '"requests";q=6000;w=60',
    },
    "RateLimit": {
        "description": "How many requests are certainly left (`r`), and in how many seconds the window is over (`t`). `r` is what the "
        "replica that answers has in hand for the key: there may be more, but at `r=0` the next one is refused. Not there where the store "
        "could not count the request (503).",
        "schema": {"type": "string", "maxLength": 200, "pattern": '^"[a-z-]+";r=[0-9]+;t=[0-9]+$'},
        "example": '"requests";r=599;t=60',
    },
    "RetryAfter": {
        "description": "After how many seconds it is worth another try.",
        "schema": {"type": "string", "maxLength": 20, "pattern": "^[0-9]+$"},
    },
}
"""Components of the contract."""

QUOTA_HEADERS: Mapping[str, Any] = {"RateLimit-Policy": header_ref("RateLimitPolicy"), "RateLimit": header_ref("RateLimit")}
"""Of every answer to a key."""


class Telling:
    """ASGI middleware, outside of everything else: whatever the answer is, and whoever writes it, it carries what was told of the quota."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        told: list[Header] = []
        beside: list[Header] = []
        scope[_TOLD], scope[_BESIDE] = told, beside
        await self.app(scope, receive, changing(send, lambda given: [*given, *told, *beside]))


def tell_beside(scope: Scope, headers: Iterable[Header]) -> None:
    """Notes headers for the answer to this request, whatever it will be and whoever writes it."""
    told = scope.get(_BESIDE)
    if told is not None:
        told[:] = headers


def tell(scope: Scope, quota: Quota, remaining: int | None, wait: int) -> None:
    """
    Notes what the answer to this request is to say. remaining: requests, None where that could not be told; wait: whole s until the window
    is over.
    """
    told = scope.get(_TOLD)
    if told is not None:
        told[:] = [(b"ratelimit-policy", f'"{quota.name}";q={quota.requests};w={quota.seconds}'.encode())]
        if remaining is not None:
            told.append((b"ratelimit", f'"{quota.name}";r={remaining};t={wait}'.encode()))
