"""The keys of an issuer, kept for a while: asked for as seldom as may be, and for no longer believed than may be."""

import asyncio
import json
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import ceil, inf
from typing import Any

import structlog
from joserfc import jwk
from joserfc.jwk import ECKey, OKPKey, RSAKey

from fieldworthy.tokens.sources import NotHad, Source
from fieldworthy.usecases.ports import IssuerUnavailable

FRESH_SECONDS = 300.0
"""After so long they are asked for anew, beside requests that go on with the old ones: then a key that was taken back works no longer."""

IDLE_SECONDS = 2 * FRESH_SECONDS
"""Where nobody came for so long, and they were not asked for, the first one waits for them: old ones are for an issuer that is away."""

KEEP_SECONDS = 3600.0
"""For so long the old ones are good while the issuer is away."""

AGAIN_SECONDS = 30.0
"""The issuer is never asked twice in so long, whatever tokens come and whatever it answers."""

MOST_KEYS = 100
LEAST_RSA_BITS = 2048  # NIST SP 800-131A

log = structlog.get_logger("fieldworthy.tokens")


@dataclass(frozen=True, slots=True)
class SigningKey:
    """One key of a set. kid: as the set names it; alg: the one that it is meant for, None for any that fits its kind."""

    kid: str | None
    alg: str | None
    key: RSAKey | ECKey | OKPKey


class Issuer:
    """One issuer's keys."""

    def __init__(self, source: Source, tick: Callable[[], float] = time.monotonic) -> None:
        """tick: s that never run back."""
        self._source = source
        self._tick = tick
        self._keys: Sequence[SigningKey] = ()
        self._had = -inf
        self._tried = -inf
        self._asking: asyncio.Task[None] | None = None

    async def key(self, kid: str | None, fits: Callable[[SigningKey], bool]) -> SigningKey | None:
        """
        The key of that name; without one the only key that fits. None where there is none. Raises IssuerUnavailable.

        What is not there is asked for once more, at most once in AGAIN_SECONDS: in between the answer is that there is none.
        """
        now = self._tick()
        if now - self._had >= KEEP_SECONDS or now - max(self._had, self._tried) >= IDLE_SECONDS:
            await self._ask()
        elif now - self._had >= FRESH_SECONDS:
            self._begin()
        found = self._found(kid, fits)
        if found is None:
            await self._ask()
            found = self._found(kid, fits)
        if self._tick() - self._had >= KEEP_SECONDS:
            raise IssuerUnavailable(max(1, ceil(self._tried + AGAIN_SECONDS - self._tick())))
        return found

    async def ready(self) -> None:
        """Has them once. Raises NotHad, also where there is none among them."""
        self._take(await self._source())
        if not self._keys:
            raise NotHad("there is no key in it that could have signed a token")

    async def hindrance(self) -> str | None:
        """
        Why no token can be looked at yet; None from when the keys were had once on. Who looks has them asked for: else the first token
        would wait for it, and nobody would hear before that the address is wrong.
        """
        if self._had == -inf:
            await self._ask()
        return "the keys of the tokens' issuer could not be had yet" if self._had == -inf else None

    def _found(self, kid: str | None, fits: Callable[[SigningKey], bool]) -> SigningKey | None:
        found = [each for each in self._keys if (kid is None or each.kid == kid) and fits(each)]
        return found[0] if found and (kid is not None or len(found) == 1) else None

    def _begin(self) -> None:
        if self._asking is None and self._tick() - self._tried >= AGAIN_SECONDS:
            self._tried = self._tick()
            self._asking = asyncio.create_task(self._have())
            self._asking.add_done_callback(self._over)

    async def _ask(self) -> None:
        """Everybody waits for the one question that is under way; that somebody leaves ends nothing for the others."""
        self._begin()
        if self._asking is not None:
            await asyncio.shield(self._asking)

    def _over(self, done: "asyncio.Task[None]") -> None:
        self._asking = None
        if not done.cancelled():
            done.exception()

    async def _have(self) -> None:
        try:
            self._take(await self._source())
        except NotHad as trouble:
            log.warning("the keys of the tokens' issuer could not be had", why=trouble.why)
        except Exception:  # whatever it is: those of before are good for a while
            log.exception("the keys of the tokens' issuer could not be had")

    def _take(self, text: bytes) -> None:
        """A set without keys is an answer as well: the issuer has taken all of them back."""
        self._keys, self._had = keys_of(text), self._tick()
        if not self._keys:
            log.warning("the issuer of tokens has no key that could have signed one, so none is taken")


def keys_of(text: bytes) -> Sequence[SigningKey]:
    """The public keys of a set that may check signatures; what else is in it is left out. Raises NotHad where it is no set."""
    try:
        told = json.loads(text)["keys"]
        if not isinstance(told, list):
            raise TypeError
    except (ValueError, TypeError, KeyError, RecursionError):
        raise NotHad("it is no JSON Web Key Set") from None
    return [key for each in told[:MOST_KEYS] if (key := _key_of(each)) is not None]


def _key_of(told: Any) -> SigningKey | None:
    """None for what is no such key; nothing that stands in one keeps the others from being had. A null counts as left out."""
    if not isinstance(told, dict):
        return None
    said = {name: value for name, value in told.items() if value is not None}
    if said.get("kty") not in ("RSA", "EC", "OKP") or said.get("use", "sig") != "sig":
        return None  # a secret ("oct") that stands in a public set is anybody's
    uses = said.get("key_ops", ["verify"])
    if not isinstance(uses, list) or "verify" not in uses:
        return None
    try:
        key = jwk.import_key({name: value for name, value in said.items() if name in _PUBLIC})
        if isinstance(key, RSAKey) and key.public_key.key_size < LEAST_RSA_BITS:
            return None
    except Exception:  # the library raises many kinds for what is no key
        return None
    if not isinstance(key, RSAKey | ECKey | OKPKey):
        return None
    kid, alg = said.get("kid"), said.get("alg")
    return SigningKey(kid if isinstance(kid, str) else None, alg if isinstance(alg, str) else None, key)


_PUBLIC = frozenset({"kty", "n", "e", "crv", "x", "y"})
