"""What the use cases ask of the world outside, as Protocols. `main` gives each its adapter.

A store hands out one transaction at a time: `async with store.write(actor) as kept:` commits when the block ends and undoes everything
when it raises. The use cases decide how long that is, so that no transaction stays open while a rulebook is checked.
"""

from contextlib import AbstractAsyncContextManager
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Protocol

from fieldworthy.usecases.audit import Actor

if TYPE_CHECKING:
    from fieldworthy.usecases.kept import Kept


@dataclass(frozen=True, slots=True)
class Draft:
    """The one working text of a rulebook. revision: 1, 2, ... with each change; changed_at: aware."""

    name: str
    text: str
    media_type: str
    revision: int
    changed_at: datetime


@dataclass(frozen=True, slots=True)
class Version:
    """One published version without its texts. version counts from 1; digest: "sha256:" and 64 hex digits."""

    name: str
    version: int
    digest: str
    title: str
    published_at: datetime


@dataclass(frozen=True, slots=True)
class Published(Version):
    """One published version.

    text: as its author wrote it. document: the canonical JSON (RFC 8785) that the digest is over. declared: the same data as JSON in the
    author's order, which decides ties; it is what answers are drawn from.
    """

    text: str
    media_type: str
    document: str
    declared: str


@dataclass(frozen=True, slots=True)
class Shelved:
    """One name in the list of rulebooks. newest: None while nothing is published; draft: its revision, None without one."""

    name: str
    newest: Version | None
    draft: int | None


@dataclass(frozen=True, slots=True)
class Shared:
    """A version that another organisation lets this one read. organisation: whose it is, by name."""

    organisation: str
    version: Version


class Rulebooks(Protocol):
    """Drafts and published versions of one organisation, inside one transaction."""

    @property
    def organisation(self) -> int: ...

    @property
    def beside(self) -> "Kept | None":
        """What is kept of machines, for who publishes: nobody changes it until the transaction ends. None where none are kept."""

    async def moment(self) -> datetime | None:
        """Now, by the store's own clock, where it has one (PostgreSQL, which serves many replicas); None: whoever asks has the clock."""

    async def draft(self, name: str) -> Draft | None: ...

    async def put_draft(self, draft: Draft) -> None:
        """Keeps `draft` in place of what was there."""

    async def newest(self, name: str) -> Version | None: ...

    async def newest_at(self, name: str, moment: datetime) -> Version | None:
        """The newest version that was published at or before that moment (aware)."""

    async def version(self, name: str, version: int) -> Version | None: ...

    async def by_digest(self, digest: str) -> Version | None:
        """The oldest version with this digest, over all names."""

    async def published(self, name: str, version: int) -> Published | None:
        """A version with its texts."""

    async def add(self, published: Published) -> None:
        """Keeps a new version. Raises `refusals.VersionTaken` where that number is there already."""

    async def names(self, after: str | None, limit: int) -> tuple[Shelved, ...]:
        """Names that have a draft or a version, in order, from behind `after` on, at most `limit`."""

    async def versions(self, name: str, before: int | None, limit: int) -> tuple[Version, ...]:
        """Versions of one name, newest first, below `before`, at most `limit`."""

    async def close_names(self, name: str, most: int) -> tuple[str, ...]:
        """Some published names, to suggest in place of `name`; those that share its beginning first."""

    async def share(self, name: str, version: int, reader: str, at: datetime) -> None:
        """Lets the organisation of that name read a version. Once more does nothing."""

    async def unshare(self, name: str, version: int, reader: str) -> None:
        """Lets it no longer; where it did not, nothing."""

    async def readers(self, name: str, version: int) -> tuple[str, ...]:
        """The names of organisations that may read a version, in order."""

    async def shared(self, after: tuple[str, str, int] | None, limit: int) -> tuple[Shared, ...]:
        """What others let this organisation read, in the order of organisation, name and version, from behind `after` on."""

    async def shared_version(self, organisation: str, name: str, version: int) -> Published | None:
        """Such a version with its texts."""

    async def shared_by_digest(self, digest: str) -> tuple[str, Published] | None:
        """The oldest of those with this digest, and whose it is."""


class StoreUnavailable(Exception):
    """
    The store can't be used at the moment, whatever it was asked; its blocks raise it, and what they did is undone.

    detail: what is the matter; remedy: the way out; retry_after: after how many seconds it is worth another try. Where the connection
    broke while a block was committed, it may have been done all the same: whoever repeats it with its own id or key does it once.
    """

    def __init__(self, detail: str, remedy: str, retry_after: int = 5) -> None:
        self.detail = detail
        self.remedy = remedy
        self.retry_after = retry_after
        super().__init__(f"{detail}; {remedy}")


class IssuerUnavailable(StoreUnavailable):
    """The keys of tokens' issuer, which it keeps itself, can't be had at the moment: nobody can tell whether a token is good."""

    def __init__(self, retry_after: int) -> None:
        super().__init__(
            "the keys of the tokens' issuer can't be had at the moment", "send it again in a moment, or use a key", retry_after
        )


class Store(Protocol):
    """Where the rulebooks of one organisation are kept. Its blocks raise StoreUnavailable."""

    @property
    def organisation(self) -> int: ...

    def read(self) -> AbstractAsyncContextManager[Rulebooks]: ...

    def write(self, actor: Actor) -> AbstractAsyncContextManager[Rulebooks]:
        """actor: who changes what is changed, for the audit trail, which is written with it."""


class Shelves(Protocol):
    """Where the rulebooks of all organisations are kept, each on a shelf of its own."""

    def shelf(self, organisation: int) -> Store: ...


class Chance(Protocol):
    """Gives so many bytes that nobody can guess (`secrets.token_bytes`): for ids."""

    def __call__(self, count: int, /) -> bytes: ...


class Clock(Protocol):
    """Gives the time of now, aware, UTC: for what the store notes down. No answer depends on it."""

    def __call__(self) -> datetime: ...
