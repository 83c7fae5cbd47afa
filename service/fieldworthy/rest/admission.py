"""Who may come in: the one place where a request's key is looked at.

Every route declares the scope that it needs, or that anybody may ask it, where it is described (`described`); `RawRoute` asks here before
its handler sees the request. What declares nothing is refused when the app is put together, so nothing is ever open by an oversight.
"""

from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from typing import Any, Final, Literal, Protocol

import structlog
from fastapi.routing import iter_route_contexts
from starlette.requests import Request
from starlette.routing import BaseRoute
from starlette.types import Scope

from fieldworthy.rest.quota import tell
from fieldworthy.usecases.key_refusals import KeyMissing, KeyRefused, NoKey, ScopeMissing, Throttled, TokenRefused, TooManyWrongKeys
from fieldworthy.usecases.key_ring import KeyRing
from fieldworthy.usecases.keys import Asker, Caller, KeyScope
from fieldworthy.usecases.quotas import Quotas
from fieldworthy.usecases.refusals import Refusal
from fieldworthy.usecases.tokens import TokenRing
from fieldworthy.usecases.wrong_keys import WrongKeys

SCHEME = "key"
"""How the contract calls the way to say who asks."""

ANYBODY = None
"""What a route declares that needs no key."""

ANY_SCOPE: Final = "any"
"""What a route declares that needs a key, whatever its scopes are: it asks for them itself, for each part of what it is asked."""

Needs = KeyScope | Literal["any"] | None

_REALM = 'Bearer realm="fieldworthy"'
CALLER = "fieldworthy.caller"
ASKER = "fieldworthy.asker"
"""Where a request's scope holds what it was found to be: who was let in, and whose key or token it is, also where that may not."""

log = structlog.get_logger("fieldworthy.rest")


class Admission(Protocol):
    """Decides whether a request may be answered."""

    async def __call__(self, request: Request, needs: KeyScope | None, again: bool = False) -> Caller:
        """
        needs: the scope, None for any. again: the request was let in before, and is answered still.

        Raises NoKey (401), ScopeMissing, FromElsewhere (403), Throttled (429).
        """

    async def charge(self, request: Request, more: int) -> None:
        """Counts a request that was let in as so many more. Raises Throttled (429)."""


class WithKeys:
    """Only who carries a key that works, or a token, and has the scope, and has not used up their quota."""

    def __init__(
        self, ring: KeyRing, quotas: Quotas | None = None, wrong: WrongKeys | None = None, tokens: TokenRing | None = None
    ) -> None:
        """quotas: None for none; wrong: how many wrong keys an address may send, None for any number; tokens: None where none are taken."""
        self._ring = ring
        self._quotas = quotas
        self._wrong = wrong
        self._tokens = tokens

    async def __call__(self, request: Request, needs: KeyScope | None, again: bool = False) -> Caller:
        with _told(request.scope):
            asker = request.scope[ASKER] = await self._asker(request)
            if not again:  # one request is counted once, however long it is answered
                await self._spend(request.scope, asker.quota, 1)
        if needs is not None and needs not in asker.scopes:
            raise ScopeMissing(asker, needs)
        return Caller(asker.organisation, asker.actor, asker.scopes)

    async def charge(self, request: Request, more: int) -> None:
        asker = asker_of(request.scope)
        assert asker is not None  # it was let in
        with _told(request.scope):
            await self._spend(request.scope, asker.quota, more)

    async def _asker(self, request: Request) -> Asker:
        text = bearer(request.scope["headers"])
        address = request.scope["client"][0] if request.scope.get("client") else ""
        wait = 0 if self._wrong is None else self._wrong.wait(address)
        if self._wrong is not None and wait and not self._knows(text):
            raise TooManyWrongKeys(self._wrong.most, wait)
        try:
            if self._tokens is not None and text.count(b".") == 2:  # of which no key has one
                return await self._tokens.asker(text)
            return (await self._ring.key(text)).asker()
        except (KeyRefused, TokenRefused) as refused:
            if self._wrong is not None and refused.is_guess:
                self._wrong.note(address)
            if isinstance(refused, TokenRefused):
                log.info("a token was refused", why=refused.why)
            raise

    def _knows(self, text: bytes) -> bool:
        return self._ring.knows(text) or (self._tokens is not None and self._tokens.knows(text))

    async def _spend(self, scope: Scope, asker: str, counts: int) -> None:
        """Counts the request, also where it is refused for what it asks."""
        if self._quotas is None:
            return
        tell(scope, self._quotas.quota, None, 0)  # also where the store can't count it
        left = await self._quotas.spend(asker, counts)
        tell(scope, self._quotas.quota, left.remaining, left.wait)


@contextmanager
def _told(scope: Scope) -> Iterator[None]:
    """What throttles a request meanwhile is told in its answer's headers."""
    try:
        yield
    except Throttled as throttled:
        tell(scope, throttled.quota, 0, throttled.retry_after or 1)
        raise


def bearer(headers: Iterable[tuple[bytes, bytes]]) -> bytes:
    """What `Authorization: Bearer` holds (RFC 6750, 2.1; the scheme in any case, RFC 9110, 11.1). Raises KeyMissing, KeyRefused."""
    given = [value for name, value in headers if name == b"authorization"]
    if not given:
        raise KeyMissing
    if len(given) > 1:
        raise KeyRefused("the request carries several `Authorization` headers")
    scheme, _, token = given[0].partition(b" ")
    if scheme.lower() != b"bearer":
        raise KeyRefused("`Authorization` holds something else than `Bearer` and a key")
    return token.strip(b" ")


def challenge(refusal: Refusal) -> Mapping[str, str] | None:
    """The header that goes with a refusal for want of a key or a scope (RFC 6750, section 3); None for any other."""
    match refusal:
        case NoKey():
            return {"www-authenticate": ", ".join(filter(None, (_REALM, refusal.challenge)))}
        case ScopeMissing():
            return {"www-authenticate": f'{_REALM}, error="insufficient_scope", scope="{refusal.needs}"'}
        case _:
            return None


async def admit(request: Request, needs: KeyScope | None, again: bool = False) -> None:
    """Lets a request in, or raises what it is refused with. The app says by whom it is judged."""
    admission: Admission = request.scope["app"].state.admission
    request.scope[CALLER] = await admission(request, needs, again)


async def charge(request: Request, more: int) -> None:
    """Counts a request that was let in as so many more."""
    admission: Admission = request.scope["app"].state.admission
    await admission.charge(request, more)


def caller_of(request: Request) -> Caller:
    """Who asks; only of a request that was let in."""
    caller: Caller = request.scope[CALLER]
    return caller


def asker_of(scope: Scope) -> Asker | None:
    """Whose key or token a request carries; None where it carries none that works, or none is asked for."""
    asker: Asker | None = scope.get(ASKER)
    return asker


# --- what routes declare ------------------------------------------------------------------------------------------------------------


class Undeclared(RuntimeError):
    """A route says neither which scope it needs nor that anybody may ask it."""

    def __init__(self, route: str) -> None:
        super().__init__(f"the route {route} declares no scope; describe it with one, or with ANYBODY")


def security(needs: Needs) -> list[dict[str, list[str]]]:
    """A route's declaration, in the contract's own form (OpenAPI 3.1, Security Requirement Object)."""
    return [] if needs is ANYBODY else [{SCHEME: [] if needs == ANY_SCOPE else [str(needs)]}]


def needed(route: str, declared: Mapping[str, Any] | None) -> Needs:
    """The scope of such a declaration, None for anybody. Raises Undeclared."""
    said = None if declared is None else declared.get("security")
    if said is None:
        raise Undeclared(route)
    if not said:
        return ANYBODY
    return KeyScope(said[0][SCHEME][0]) if said[0][SCHEME] else ANY_SCOPE


def scopes_of_routes(routes: Iterable[BaseRoute]) -> Mapping[tuple[str, str], Needs]:
    """The scope of each method and path. Raises Undeclared for a route that none is known of, whatever kind of route it is."""
    from fieldworthy.rest.body import RawRoute, RawSocket

    found: dict[tuple[str, str], Needs] = {}
    for context in iter_route_contexts(list(routes)):  # those of included routers too
        route = context.original_route
        if not isinstance(route, RawRoute | RawSocket):
            raise Undeclared(str(getattr(route, "path", route)))
        for method in route.methods or ():
            found[method, route.path] = route.needs
    return found
