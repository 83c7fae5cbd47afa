"""Tokens of an issuer outside: who may ask because somebody else has looked at who they are. Pure but for the ports.

A token is a JWT (RFC 7519) that its issuer signed. What it may do here is what two of its claims say: the name of an organisation that has
keys here, and scopes. It has no row in the store, so it can't be revoked here: it ends when it says, which may be bounded.

Tokens that are signed and refused all the same (ended, for another audience, of an organisation that is not known) wait by their subject,
as wrong keys wait by their address. Not by the address: behind a proxy the tokens of many end together, and their new ones must not wait
for that. And not by the subject's quota: whoever has an old token of somebody could use it up.
"""

import hashlib
import time
from collections import OrderedDict
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Protocol

from fieldworthy.core.base.micros import SECOND, micros_of
from fieldworthy.usecases.audit import TOKEN, Actor
from fieldworthy.usecases.keep_keys import MOST_NAME
from fieldworthy.usecases.key_refusals import TokenEnded, TokenOrganisationUnknown, TokenRefused, TooManyWrongKeys
from fieldworthy.usecases.key_ring import LIFE_SECONDS
from fieldworthy.usecases.keys import Asker, KeyScope, KeyStore, scopes_of
from fieldworthy.usecases.ports import Clock
from fieldworthy.usecases.refusals import Refusal
from fieldworthy.usecases.wrong_keys import Buckets

LEEWAY_SECONDS = 30
"""How far the issuer's clock and ours may be apart."""

MOST_KNOWN = 10_000
MOST_SUBJECT = 1_000
"""Characters of a subject."""


@dataclass(frozen=True, slots=True)
class TokenRules:
    """
    Which tokens are taken. issuer, audience: exactly those; organisation_claim, scope_claim: names of claims; longest: for how many s more
    a token may work, 0 for any time.
    """

    issuer: str
    audience: str
    organisation_claim: str = "organisation"
    scope_claim: str = "scope"
    longest: int = 86_400


@dataclass(frozen=True, slots=True)
class Bearer:
    """What a good token says. organisation: by name; until: whole microseconds since 1970, from then on it works no longer."""

    subject: str
    organisation: str
    scopes: frozenset[KeyScope]
    until: int


class TokenReader(Protocol):
    """Looks at tokens."""

    @property
    def rules(self) -> TokenRules: ...

    async def claims(self, token: bytes) -> Mapping[str, object]:
        """The claims of a token that the issuer signed. Raises TokenRefused, ports.IssuerUnavailable where nobody can tell."""


def bearer_of(claims: Mapping[str, object], rules: TokenRules, now: int) -> Bearer:
    """
    What the claims of a signed token say. now: whole microseconds since 1970.

    Raises TokenRefused, TokenEnded, TokenOrganisationUnknown. Sources: RFC 7519, 4.1; RFC 8725, 3.8 and 3.9; RFC 8693, 4.2 (`scope`).
    """
    if claims.get("iss") != rules.issuer:
        raise TokenRefused("another issuer")
    audience = claims.get("aud")
    if rules.audience not in (audience if isinstance(audience, list) else [audience]):
        raise TokenRefused("another audience")
    for name, essential in (("exp", True), ("nbf", False), ("iat", False)):
        if not _is_time(claims.get(name)) and (essential or name in claims):
            raise TokenRefused(f"no time in {name}")
    ends = _micros(claims["exp"])
    if now >= ends + LEEWAY_SECONDS * SECOND:
        raise TokenEnded
    if any(_micros(claims[name]) > now + LEEWAY_SECONDS * SECOND for name in ("nbf", "iat") if name in claims):
        raise TokenRefused("not valid yet")
    if rules.longest and ends > now + (rules.longest + LEEWAY_SECONDS) * SECOND:
        raise TokenRefused("it would work for too long")
    subject = claims.get("sub")
    if not isinstance(subject, str) or not 0 < len(subject) <= MOST_SUBJECT or not subject.isprintable():  # it stands in the trail
        raise TokenRefused("no subject")
    organisation = claims.get(rules.organisation_claim)
    if not isinstance(organisation, str) or len(organisation) > MOST_NAME or not organisation.isprintable():
        raise TokenOrganisationUnknown
    words = claims.get(rules.scope_claim)
    return Bearer(subject, organisation, scopes_of(words) if isinstance(words, str) else frozenset(), ends + LEEWAY_SECONDS * SECOND)


def _is_time(value: object) -> bool:
    """NumericDate (RFC 7519, 2), of a size that can be reckoned with."""
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e12


def _micros(value: object) -> int:
    assert isinstance(value, int | float)
    return int(value * SECOND)


@dataclass(frozen=True, slots=True)
class _Seen:
    asker: Asker
    ends: int
    until: float


class TokenRing:
    """The tokens that were seen lately, by the SHA-256 of their text: so a busy one is looked at once in LIFE_SECONDS."""

    def __init__(
        self, reader: TokenReader, store: KeyStore, clock: Clock, tick: Callable[[], float] = time.monotonic, most_wrong: int = 0
    ) -> None:
        """clock: against which tokens end; tick: s that never run back; most_wrong: of one subject a minute, 0 for any number."""
        self._reader = reader
        self._store = store
        self._clock = clock
        self._tick = tick
        self._known: OrderedDict[bytes, _Seen] = OrderedDict()
        self._wrong = Buckets(most_wrong, tick) if most_wrong else None

    async def asker(self, token: bytes) -> Asker:
        """
        Who asks with it.

        Raises TokenRefused, TokenEnded, TokenOrganisationUnknown, TooManyWrongKeys, IssuerUnavailable, StoreUnavailable.
        """
        called = hashlib.sha256(token).digest()
        seen = self._known.get(called)
        now = micros_of(self._clock())
        if seen is not None and self._tick() < seen.until:
            if now >= seen.ends:
                self._note(seen.asker.quota)
                raise TokenEnded
            return seen.asker
        until = self._tick() + LIFE_SECONDS
        rules = self._reader.rules
        try:
            claims = await self._reader.claims(token)
        except TokenRefused:
            self._known.pop(called, None)  # its key was taken back: from now on it is a guess as any other
            raise
        whose = _called(rules.issuer, claims.get("sub"))
        try:
            bearer = bearer_of(claims, rules, now)
        except Refusal:
            self._known.pop(called, None)
            self._note(whose)
            raise
        there = _called(whose, bearer.organisation)  # apart, so that tokens for one organisation never wait for those of another
        self._look(there)  # before the store is asked
        async with self._store.look_keys() as keys:
            organisation = await keys.organisation(bearer.organisation)
        if organisation is None:
            self._note(there)
            raise TokenOrganisationUnknown
        asker = Asker(organisation.id, bearer.scopes, "the token", whose, Actor(TOKEN, bearer.subject))
        self._known.pop(called, None)
        self._known[called] = _Seen(asker, bearer.until, until)
        while len(self._known) > MOST_KNOWN:
            self._known.popitem(last=False)
        return asker

    def _look(self, source: str) -> None:
        wait = 0 if self._wrong is None else self._wrong.wait(source)
        if self._wrong is not None and wait:
            raise TooManyWrongKeys(self._wrong.most, wait, is_of_subject=True)

    def _note(self, source: str) -> None:
        """One of these is refused. Raises TooManyWrongKeys, which then takes the place of why."""
        self._look(source)
        if self._wrong is not None:
            self._wrong.note(source)

    def knows(self, token: bytes) -> bool:
        """Whether it was taken when it was last looked at."""
        return hashlib.sha256(token).digest() in self._known


def _called(*parts: object) -> str:
    """One name for all of them, of a length that does not hang on theirs."""
    return hashlib.sha256("\n".join(map(str, parts)).encode("utf-8", "surrogatepass")).hexdigest()
