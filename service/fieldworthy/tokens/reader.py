"""Whether a token was signed by its issuer: JSON Web Signature in its compact form (RFC 7515), by asymmetric algorithms only.

What a token must not be is read from its header before any key is looked for: which algorithm checks it is decided by the key and by the
list here, never by the token (RFC 8725, 3.1 and 3.2). So neither `none` nor a signature made with the public key as a secret gets anywhere.
"""

import binascii
import json
import warnings
from base64 import urlsafe_b64decode
from collections.abc import Mapping
from typing import Any

from joserfc import jwt
from joserfc.errors import JoseError, SecurityWarning
from joserfc.jws import JWSRegistry

from fieldworthy.tokens.issuer import Issuer, SigningKey
from fieldworthy.usecases.key_refusals import TokenRefused
from fieldworthy.usecases.tokens import TokenRules

MOST_TOKEN_BYTES = 16_000

KINDS: Mapping[str, tuple[str, str | None]] = {
    **dict.fromkeys(("RS256", "RS384", "RS512", "PS256", "PS384", "PS512"), ("RSA", None)),
    "ES256": ("EC", "P-256"),
    "ES384": ("EC", "P-384"),
    "ES512": ("EC", "P-521"),
    "EdDSA": ("OKP", "Ed25519"),
    "Ed25519": ("OKP", "Ed25519"),
}
"""The kind of key, and its curve, that each algorithm takes (RFC 7518, 3.1; RFC 8037, 3.1; RFC 9864, 2.2)."""

TYPES = frozenset({"jwt", "at+jwt", "application/jwt", "application/at+jwt"})
"""What a token may say that it is (RFC 7519, 5.1; RFC 9068, 2.1): others of one issuer, as those that end a session, are not for us."""


class SignedTokens:
    """Implements `usecases.tokens.TokenReader`."""

    def __init__(self, issuer: Issuer, rules: TokenRules) -> None:
        self._issuer = issuer
        self._rules = rules
        # what a header says beside is ignored (RFC 7515, 4.2); what must not be ignored is refused before
        self._registry = JWSRegistry(algorithms=list(KINDS), strict_check_header=False)
        self._registry.max_header_length = MOST_TOKEN_BYTES

    @property
    def rules(self) -> TokenRules:
        return self._rules

    async def claims(self, token: bytes) -> Mapping[str, object]:
        header = header_of(token)
        algorithm = header["alg"]
        key = await self._issuer.key(header.get("kid"), lambda each: fits(each, algorithm))
        if key is None:
            raise TokenRefused("no key of the issuer fits it", is_guess=True)
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore", SecurityWarning)  # EdDSA has a newer name, and issuers use the old one
                read = jwt.decode(token, key.key, registry=self._registry)
        except (JoseError, ValueError, TypeError, RecursionError):
            raise TokenRefused("the issuer did not sign it", is_guess=True) from None
        return read.claims


def header_of(token: bytes) -> Mapping[str, Any]:
    """A token's header, which says one of our algorithms, and a `kid` that is a text or none. Raises TokenRefused."""
    if len(token) > MOST_TOKEN_BYTES:
        raise TokenRefused("it is too long")
    if token.count(b".") != 2:
        raise TokenRefused("it has not three parts")
    first = token.partition(b".")[0]
    try:
        header = json.loads(urlsafe_b64decode(first + b"=" * (-len(first) % 4)))
    except (ValueError, binascii.Error, RecursionError):
        raise TokenRefused("its header can't be read") from None
    if not isinstance(header, dict):
        raise TokenRefused("its header can't be read")
    algorithm, kid, kind = header.get("alg"), header.get("kid"), header.get("typ", "JWT")
    if not isinstance(algorithm, str) or algorithm not in KINDS:
        raise TokenRefused("its algorithm is not taken")
    if "crit" in header:  # RFC 7515, 4.1.11: we know no extension
        raise TokenRefused("it has a critical header")
    if not isinstance(kid, str | None) or not isinstance(kind, str) or kind.lower() not in TYPES:
        raise TokenRefused("it is of another kind")
    return header


def fits(key: SigningKey, algorithm: str) -> bool:
    """Whether a key may check signatures of that algorithm."""
    kind, curve = KINDS[algorithm]
    if key.alg is not None and key.alg != algorithm and {key.alg, algorithm} != {"EdDSA", "Ed25519"}:
        return False
    return key.key.key_type == kind and (curve is None or getattr(key.key, "curve_name", None) == curve)
