"""From what a request calls its rulebook to a checked one, ready to answer.

`"name"` is the newest published version, `"name@3"` that version, `"sha256:…"` the version with that digest; a mapping is a whole document,
checked on the spot. Checked rulebooks are kept ready by name and version, or by the document that was sent: neither ever changes its
meaning, so nothing in the cache can go stale. (Not by digest: it is the same for two orders of declaration, and the order decides ties.)
By its digest a version that another organisation shares is found too, by whoever asks about a machine that is not kept.
All of it holds within one organisation: what another one calls by the same name, or has sent, is not looked at, not even for its speed.
"""

import asyncio
import hashlib
import json
import re
from collections import OrderedDict
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass
from typing import Any

from fieldworthy.core.answer.examples import run_example
from fieldworthy.core.rulebook.check import RunExample, check_rulebook
from fieldworthy.core.rulebook.model import CheckedRulebook
from fieldworthy.usecases.limits import CACHE_BYTES, MAX_STATES
from fieldworthy.usecases.ports import Rulebooks, Shelves, Store, Version
from fieldworthy.usecases.refusals import ReferenceMalformed, RulebookHasErrors, RulebookUnknown, VersionUnknown

RulebookSource = str | Mapping[str, Any]

_REFERENCE = re.compile(r"(?P<name>[a-z0-9][a-z0-9-]{0,79})(?:@(?P<version>[1-9][0-9]{0,8}))?\Z")
_DIGEST = re.compile(r"sha256:[0-9a-f]{64}\Z")


@dataclass(frozen=True, slots=True)
class Found:
    """A checked rulebook and where it came from. version: None for a document that was sent along."""

    book: CheckedRulebook
    version: int | None

    def provenance(self) -> dict[str, Any]:
        """`{"name", "version", "digest"}`, as every answer carries it."""
        return {"name": self.book.name, "version": self.version, "digest": self.book.digest}


class BookCache:
    """Checked rulebooks by key, the least lately used dropped first once their documents weigh more than `most` bytes."""

    def __init__(self, most: int = CACHE_BYTES) -> None:
        self._most = most
        self._weight = 0
        self._kept: OrderedDict[str, tuple[CheckedRulebook, int]] = OrderedDict()
        self._under_way: dict[str, asyncio.Future[CheckedRulebook]] = {}

    def get(self, key: str) -> CheckedRulebook | None:
        found = self._kept.get(key)
        if found is None:
            return None
        self._kept.move_to_end(key)
        return found[0]

    def put(self, key: str, book: CheckedRulebook, weight: int) -> None:
        old = self._kept.pop(key, None)
        self._weight += weight - (old[1] if old else 0)
        self._kept[key] = (book, weight)
        while self._weight > self._most and len(self._kept) > 1:
            _, (_, gone) = self._kept.popitem(last=False)
            self._weight -= gone

    async def once(self, key: str, make: Callable[[], CheckedRulebook], weight: int) -> CheckedRulebook:
        """The rulebook of this key, made at most once even if many ask at the same time; in a thread, for a check can take seconds."""
        kept = self.get(key)
        if kept is not None:
            return kept
        if (waiting := self._under_way.get(key)) is not None:
            return await asyncio.shield(waiting)
        task = asyncio.ensure_future(asyncio.to_thread(make))
        self._under_way[key] = task
        try:
            book = await asyncio.shield(task)
        finally:
            self._under_way.pop(key, None)
        self.put(key, book, weight)
        return book

    def __len__(self) -> int:
        return len(self._kept)


class FindWithin:
    """Finds rulebooks inside a transaction that is open already, and so of the organisation that it is about."""

    def __init__(self, cache: BookCache | None = None) -> None:
        self._cache = cache if cache is not None else BookCache()

    async def within(self, kept: Rulebooks, source: str) -> Found:
        """What is meant there; it takes no second connection while it holds one. Raises what FindRulebook raises, but of documents."""
        version = await resolve(kept, source)
        key = _key(kept.organisation, f"{version.name}@{version.version}")
        book = self._cache.get(key)
        if book is None:
            published = await kept.published(version.name, version.version)
            assert published is not None  # versions are never removed
            declared = published.declared
            book = await self._cache.once(key, lambda: checked(json.loads(declared)), len(declared))
        return Found(book, version.version)


class FindRulebooks(FindWithin):
    """Finds rulebooks of each organisation, and keeps them ready in one cache."""

    def __init__(self, shelves: Shelves, cache: BookCache | None = None, most_states: int = MAX_STATES) -> None:
        super().__init__(cache)
        self._shelves = shelves
        self._most_states = most_states

    def of(self, organisation: int) -> "FindRulebook":
        """For what this organisation asks."""
        return FindRulebook(self._shelves.shelf(organisation), self._cache, self._most_states)


class FindRulebook(FindWithin):
    """Resolves what a request of one organisation calls its rulebook."""

    def __init__(self, store: Store | None = None, cache: BookCache | None = None, most_states: int = MAX_STATES) -> None:
        """store: None where only whole documents can be asked about (a file on the command line). most_states: see CheckDraft."""
        super().__init__(cache)
        self._most_states = most_states
        self._store = store
        self._organisation = 0 if store is None else store.organisation

    async def __call__(self, source: RulebookSource) -> Found:
        """Raises ReferenceMalformed, RulebookUnknown, VersionUnknown, RulebookHasErrors."""
        if not isinstance(source, str):
            return await self._sent_along(source)
        if self._store is None:
            raise RulebookUnknown(source)
        known = self._cache.get(_key(self._organisation, source))  # only `name@3` is a key: a version that is kept ready needs no look-up
        if known is not None and (numbered := _REFERENCE.fullmatch(source)) is not None:
            return Found(known, int(numbered["version"]))
        async with self._store.read() as kept:
            try:
                return await self.within(kept, source)
            except RulebookUnknown:
                shared = await kept.shared_by_digest(source) if _DIGEST.fullmatch(source) else None
                if shared is None:
                    raise
        owner, version = shared
        key = _key(self._organisation, f"of {owner}: {version.name}@{version.version} {source}")  # a name may mean another owner later
        book = await self._cache.once(key, lambda: checked(json.loads(version.declared)), len(version.declared))
        return Found(book, version.version)

    def pinned(self) -> "PinnedRulebooks":
        """The same, but each reference is looked up once: for a batch, in which one name must mean one version in every line."""
        return PinnedRulebooks(self)

    async def _sent_along(self, document: Mapping[str, Any]) -> Found:
        written = json.dumps(document, ensure_ascii=False, default=str).encode("utf-8", "surrogatepass")
        key = _key(
            self._organisation, "sent:" + hashlib.sha256(written).hexdigest()
        )  # as written, order and all: a cheaper key than its digest
        book = await self._cache.once(key, lambda: checked(document, run_example, self._most_states), len(written))
        return Found(book, None)


def _key(organisation: int, called: str) -> str:
    """What a checked rulebook is kept ready under: what one organisation calls it says nothing about another's."""
    return f"{organisation}/{called}"


class PinnedRulebooks:
    """FindRulebook with a memory of its own, for the length of one request."""

    def __init__(self, find: Callable[[RulebookSource], Awaitable[Found]]) -> None:
        self._find = find
        self._seen: dict[str, Found] = {}

    async def __call__(self, source: RulebookSource) -> Found:
        if not isinstance(source, str):
            return await self._find(source)
        if source not in self._seen:
            self._seen[source] = await self._find(source)
        return self._seen[source]


async def resolve(kept: Rulebooks, reference: str) -> Version:
    """The published version that a reference names. Raises ReferenceMalformed, RulebookUnknown, VersionUnknown."""
    if _DIGEST.fullmatch(reference):
        by_digest = await kept.by_digest(reference)
        if by_digest is None:
            raise RulebookUnknown(reference)
        return by_digest
    parts = _REFERENCE.fullmatch(reference)
    if parts is None:
        raise ReferenceMalformed(reference)
    name = parts["name"]
    newest = await kept.newest(name)
    if newest is None:
        raise RulebookUnknown(reference, await kept.close_names(name, 3))
    if parts["version"] is None:
        return newest
    number = int(parts["version"])
    found = newest if number == newest.version else await kept.version(name, number)
    if found is None:
        raise VersionUnknown(name, number, newest.version)
    return found


def checked(document: Mapping[str, Any], run: RunExample | None = None, most_states: int = MAX_STATES) -> CheckedRulebook:
    """The checked rulebook of a document. Raises RulebookHasErrors with every finding.

    run: runs its worked examples; None for a published version, whose examples ran and whose procedures were explored before.
    """
    book, findings = check_rulebook(document, run=run, most_states=most_states)
    if book is None:
        name = document.get("rulebook")
        raise RulebookHasErrors(name if isinstance(name, str) else "", findings)
    return book
