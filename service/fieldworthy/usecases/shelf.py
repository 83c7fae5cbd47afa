"""Looking along the shelf: names, versions, texts, and what differs between two versions."""

import asyncio
from dataclasses import dataclass

from fieldworthy.core.rulebook.compare import Comparison, compare
from fieldworthy.core.rulebook.compare_safety import SafetyComparison, compare_safety
from fieldworthy.usecases.find_rulebook import FindRulebook, Found, RulebookSource
from fieldworthy.usecases.limits import MAX_PAGE
from fieldworthy.usecases.ports import Published, Shelved, Store, Version
from fieldworthy.usecases.refusals import RulebookUnknown, VersionUnknown


class ListNames:
    """The names that have a draft or a version."""

    def __init__(self, store: Store) -> None:
        self._store = store

    async def __call__(self, after: str | None = None, limit: int = 50) -> tuple[tuple[Shelved, ...], str | None]:
        """A page in the order of the names, and the name to go on after (None: that was all). limit: 1 to MAX_PAGE."""
        most = max(1, min(limit, MAX_PAGE))
        async with self._store.read() as kept:
            found = await kept.names(after, most + 1)
        page = found[:most]
        return page, page[-1].name if len(found) > most else None


class ListVersions:
    """The published versions of one name, newest first."""

    def __init__(self, store: Store) -> None:
        self._store = store

    async def __call__(self, name: str, before: int | None = None, limit: int = 50) -> tuple[tuple[Version, ...], int | None]:
        """A page, and the version to go on below (None: that was all). Raises RulebookUnknown where nothing was published."""
        most = max(1, min(limit, MAX_PAGE))
        async with self._store.read() as kept:
            if await kept.newest(name) is None:
                raise RulebookUnknown(name, await kept.close_names(name, 3))
            found = await kept.versions(name, before, most + 1)
        page = found[:most]
        return page, page[-1].version if len(found) > most else None


class ReadVersion:
    """One published version with the author's text and the canonical document."""

    def __init__(self, store: Store) -> None:
        self._store = store

    async def __call__(self, name: str, version: int) -> Published:
        """Raises RulebookUnknown, VersionUnknown."""
        async with self._store.read() as kept:
            found = await kept.published(name, version)
            if found is not None:
                return found
            newest = await kept.newest(name)
            if newest is None:
                raise RulebookUnknown(name, await kept.close_names(name, 3))
            raise VersionUnknown(name, version, newest.version)


@dataclass(frozen=True, slots=True)
class Compared:
    """Two rulebooks and what differs from the first to the second."""

    first: Found
    second: Found
    comparison: Comparison
    safety: SafetyComparison


class CompareVersions:
    """What changed from one version to another; either may also be a whole document."""

    def __init__(self, find: FindRulebook) -> None:
        self._find = find

    async def __call__(self, first: RulebookSource, second: RulebookSource) -> Compared:
        """Raises what FindRulebook raises."""
        a, b = await self._find(first), await self._find(second)
        comparison, safety = await asyncio.to_thread(lambda: (compare(a.book, b.book), compare_safety(a.book, b.book)))
        return Compared(a, b, comparison, safety)
