"""Keys: who may ask, for which organisation, and what a key may do. Pure: chance and time are arguments of whoever makes or judges one.

A key is a text of 67 characters, `fw_` + id + `_` + secret + check:

    fw_3k7q2xmzt5ab_Jx0…Q_1f9c02d7      fw_[a-z2-7]{12}_[A-Za-z0-9_-]{43}[0-9a-f]{8}

The id is public: lists and logs name a key by it. The secret is 32 random bytes in base64url. The check is the CRC-32 of all before it:
so a scanner that looks for secrets in files tells a key from chance, and one that was cut or mistyped is refused without asking the store.

Kept is only the SHA-256 of the secret. A slow hash protects what people think up, of which there are few enough to try them all; of 256
random bits there are too many to try however quick the hash is, and a slow one would cost a tenth of a second of every request.
"""

import binascii
import hashlib
import hmac
import re
from base64 import b32encode, urlsafe_b64encode
from collections.abc import Collection, Mapping, Sequence
from contextlib import AbstractAsyncContextManager
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Protocol

from fieldworthy.usecases.audit import KEY, Actor

if TYPE_CHECKING:  # described beside the deeds that use it
    from fieldworthy.usecases.feeds import Feeds

PREFIX = "fw_"
SECRET_BYTES = 32
ID_BYTES = 8
_ID_CHARACTERS = 12  # of the 13 that 8 bytes give: 60 bits

_KEY = re.compile(rb"([a-z]{2,3}_)([a-z2-7]{12})_([A-Za-z0-9_-]{43})([0-9a-f]{8})\Z")
KEY_PATTERN = "fw_[a-z2-7]{12}_[A-Za-z0-9_-]{43}[0-9a-f]{8}"
"""For whoever scans files for secrets."""


class KeyScope(StrEnum):
    """What a key may do. None of them holds another: the bridge that posts readings can read nothing."""

    READ = "read"
    POST_READINGS = "post-readings"
    RECORD_WORK = "record-work"
    WRITE_RULEBOOKS = "write-rulebooks"
    ADMINISTER = "administer"


SAYS: Mapping[KeyScope, str] = {
    KeyScope.READ: "ask questions, and read all that is kept",
    KeyScope.POST_READINGS: "post what the meters showed",
    KeyScope.RECORD_WORK: "tell what was done, seen and found, open and close work, settle readings that were set aside",
    KeyScope.WRITE_RULEBOOKS: "put drafts and publish rulebooks",
    KeyScope.ADMINISTER: "keep machines: which there are, and whose rules they are kept by; make and revoke links to calendars; "
    "say who is told of what; read who changed what",
}
"""Each scope in words."""


@dataclass(frozen=True, slots=True)
class Organisation:
    """Whose machines and rulebooks are kept together. id: 1, 2, ...; name: its own, unique."""

    id: int
    name: str


@dataclass(frozen=True, slots=True)
class Key:
    """
    What is kept of a key. Times are whole microseconds since 1970, UTC.

    id: public, as the key's text holds it; organisation: whose; name: what it is for; digest: SHA-256 of its secret; expires: from when on
    it opens nothing; revoked, last_used: None where that never was. last_used may be a minute behind.
    """

    id: str
    organisation: int
    name: str
    digest: bytes
    scopes: frozenset[KeyScope]
    created: int
    expires: int
    revoked: int | None = None
    last_used: int | None = None

    def asker(self) -> "Asker":
        """Who asks with it."""
        return Asker(self.organisation, self.scopes, f"the key `{self.id}`", self.id, Actor(KEY, self.id, self.name))


@dataclass(frozen=True, slots=True)
class Asker:
    """
    Who asks, whether by a key or a token. called: as messages call it; quota: whose quota it is counted in, at most 64 characters; actor:
    as the audit trail tells of what they change.
    """

    organisation: int
    scopes: frozenset[KeyScope]
    called: str
    quota: str
    actor: Actor


@dataclass(frozen=True, slots=True)
class Caller:
    """Who asks. organisation: whose things are meant; actor: as the audit trail tells of what they change; scopes: what they may do."""

    organisation: int
    actor: Actor
    scopes: frozenset[KeyScope] = frozenset()

    @property
    def reads(self) -> bool:
        """Whether it may be told of what is kept, beside what it sends."""
        return KeyScope.READ in self.scopes


@dataclass(frozen=True, slots=True)
class Presented:
    """A key as somebody presents it: its text is well formed, and whether there is such a key is not known yet."""

    id: str
    digest: bytes

    def is_of(self, key: "HasSecret | None") -> bool:
        """Whether it is that key, or link. Takes as long whether there is none, or its secret is another."""
        kept = _NOBODYS if key is None else key.digest
        same = hmac.compare_digest(self.digest, kept)
        return same and key is not None and key.id == self.id


class HasSecret(Protocol):
    """What is kept of whatever has a secret: its public id, and the SHA-256 of the secret."""

    @property
    def id(self) -> str: ...

    @property
    def digest(self) -> bytes: ...


_NOBODYS = hashlib.sha256(b"no key has this digest, for no secret is as long as this sentence").digest()


def new_key_text(random: bytes, prefix: str = PREFIX) -> tuple[str, Presented]:
    """A new key's text, to be shown once, and what is kept of it. random: ID_BYTES and SECRET_BYTES of `secrets.token_bytes`."""
    if len(random) != ID_BYTES + SECRET_BYTES:
        raise ValueError("so many random bytes make no key")
    id = b32encode(random[:ID_BYTES]).decode("ascii").lower()[:_ID_CHARACTERS]
    secret = urlsafe_b64encode(random[ID_BYTES:]).rstrip(b"=")
    text = f"{prefix}{id}_{secret.decode('ascii')}"
    return f"{text}{_check(text.encode('ascii')).decode('ascii')}", Presented(id, hashlib.sha256(secret).digest())


def read_key_text(text: bytes, prefix: str = PREFIX) -> Presented | None:
    """What a text says that should be a key; None where it is none: another form, cut, or mistyped."""
    found = _KEY.match(text)
    if found is None or found[1] != prefix.encode() or _check(text[:-8]) != found[4]:
        return None
    return Presented(found[2].decode("ascii"), hashlib.sha256(found[3]).digest())


def _check(text: bytes) -> bytes:
    return b"%08x" % binascii.crc32(text)


def scopes_text(scopes: Collection[KeyScope]) -> str:
    """As they are kept and shown, in the order in which they are declared."""
    return " ".join(scope for scope in KeyScope if scope in scopes)


def scopes_of(text: str) -> frozenset[KeyScope]:
    """The scopes of such a text; a word that is none (of a later release) allows nothing."""
    known = {str(scope): scope for scope in KeyScope}
    return frozenset(known[word] for word in text.split() if word in known)


class Keys(Protocol):
    """Organisations and their keys, inside one transaction."""

    async def find(self, id: str) -> Key | None: ...

    async def of(self, organisation: int | None = None) -> Sequence[Key]:
        """All of one organisation, or of all; in the order of organisation, creation and id."""

    async def add(self, key: Key) -> None:
        """Keeps a new key."""

    async def revoke(self, id: str, at: int) -> None:
        """From now on it opens nothing. What was revoked before stays so since then."""

    async def note_used(self, used: Mapping[str, int]) -> None:
        """When keys were last used, by id; what is noted later already stays."""

    async def organisation(self, name: str) -> Organisation | None: ...

    async def organisations(self) -> Sequence[Organisation]:
        """In the order of their ids."""

    async def add_organisation(self, name: str, at: int) -> Organisation:
        """A new one. The first one owns what was kept while there were no keys."""

    @property
    def feeds(self) -> "Feeds":
        """Links to calendars, of all organisations."""

    async def moment(self) -> int:
        """Now, by the clock that the store goes by."""


class KeyStore(Protocol):
    """Where keys are kept. Its blocks raise `ports.StoreUnavailable`."""

    def look_keys(self) -> AbstractAsyncContextManager[Keys]: ...

    def keep_keys(self, actor: Actor) -> AbstractAsyncContextManager[Keys]:
        """actor: who changes what is changed, for the audit trails of those whose keys they are."""
