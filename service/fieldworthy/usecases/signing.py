"""Signatures of Standard Webhooks 1.0.0: HMAC-SHA256 over id, time and body, one for each secret that is good at the moment.

While a secret is rotated there are two, and a receiver that knows either is content: so it changes over without a gap.
"""

import binascii
import hashlib
import hmac
from base64 import b64decode, b64encode
from collections.abc import Mapping, Sequence

PREFIX = "whsec_"
LEAST_BYTES, MOST_BYTES = 24, 64
TOLERANCE_SECONDS = 300
_VERSION = "v1"


class SecretUnusable(ValueError):
    """A secret that nothing can be signed with. It is not shown."""


def secret_text(random: bytes) -> str:
    """A new secret as it is shown. random: LEAST_BYTES to MOST_BYTES of `secrets.token_bytes`."""
    if not LEAST_BYTES <= len(random) <= MOST_BYTES:
        raise SecretUnusable(f"a secret has {LEAST_BYTES} to {MOST_BYTES} bytes")
    return PREFIX + b64encode(random).decode("ascii")


def secret_bytes(text: str) -> bytes:
    """What is signed with: the bytes of a secret, with its prefix or without, padded or not. Raises SecretUnusable."""
    written = text.removeprefix(PREFIX).rstrip("=")
    try:
        found = b64decode(written + "=" * (-len(written) % 4), validate=True)
    except (binascii.Error, ValueError):
        raise SecretUnusable("a secret is base64 behind `whsec_`") from None
    if not LEAST_BYTES <= len(found) <= MOST_BYTES:
        raise SecretUnusable(f"a secret has {LEAST_BYTES} to {MOST_BYTES} bytes")
    return found


def signature(secret: str, id: str, at: int, body: bytes) -> str:
    """One signature. id: without a dot; at: whole seconds since 1970, of this attempt."""
    if "." in id or not id:
        raise ValueError("an id that is signed holds no dot")
    signed = hmac.new(secret_bytes(secret), f"{id}.{at}.".encode() + body, hashlib.sha256).digest()
    return f"{_VERSION},{b64encode(signed).decode('ascii')}"


def signed_headers(secrets: Sequence[str], id: str, at: int, body: bytes) -> dict[str, str]:
    """The three headers of one attempt; a signature for each secret, the newest first."""
    if not secrets:
        raise SecretUnusable("there is no secret to sign with")
    return {
        "webhook-id": id,
        "webhook-timestamp": str(at),
        "webhook-signature": " ".join(signature(secret, id, at, body) for secret in secrets),
    }


def is_signed(secret: str, headers: Mapping[str, str], body: bytes, now: int) -> bool:
    """
    Whether a receiver that knows `secret` may believe it. headers: by their names in small letters; now: whole seconds since 1970.

    One good signature among several is enough; those of versions that nobody knows are passed over. Takes as long wherever it differs.
    """
    id, written, given = (headers.get(f"webhook-{name}", "") for name in ("id", "timestamp", "signature"))
    if not (id and given and written.isascii() and written.isdigit() and len(written) <= 12):
        return False
    if "." in id or abs(now - int(written)) > TOLERANCE_SECONDS:
        return False
    wanted = signature(secret, id, int(written), body).encode()
    found = [hmac.compare_digest(wanted, each.encode()) for each in given.split(" ")]
    return any(found)
