"""Sharing: another organisation may read a published version, and ask by its digest. Nothing of it becomes theirs.

A version is shared with a name, and there need not be an organisation of that name: so nobody learns here which there are. To keep machines
by a shared version an organisation publishes it as its own: what a machine is kept by must not go when somebody else takes it back.
"""

from datetime import datetime

from fieldworthy.usecases.audit import ITSELF, Actor
from fieldworthy.usecases.limits import MAX_PAGE
from fieldworthy.usecases.ports import Clock, Published, Rulebooks, Shared, Store
from fieldworthy.usecases.refusals import RulebookUnknown, VersionUnknown


class ShareVersions:
    """Who may read the versions of one organisation."""

    def __init__(self, store: Store, clock: Clock) -> None:
        self._store = store
        self._clock = clock

    async def share(self, name: str, version: int, reader: str, actor: Actor = ITSELF) -> None:
        """Once more does nothing. Raises RulebookUnknown, VersionUnknown."""
        async with self._store.write(actor) as kept:
            await _there(kept, name, version)
            at: datetime = await kept.moment() or self._clock()
            await kept.share(name, version, reader, at)

    async def unshare(self, name: str, version: int, reader: str, actor: Actor = ITSELF) -> None:
        """Whom it was not shared with it is not afterwards. Raises RulebookUnknown, VersionUnknown."""
        async with self._store.write(actor) as kept:
            await _there(kept, name, version)
            await kept.unshare(name, version, reader)

    async def readers(self, name: str, version: int) -> tuple[str, ...]:
        """Their names, in order. Raises RulebookUnknown, VersionUnknown."""
        async with self._store.read() as kept:
            await _there(kept, name, version)
            return await kept.readers(name, version)


class ReadShared:
    """What others share with one organisation."""

    def __init__(self, store: Store) -> None:
        self._store = store

    async def list(self, after: tuple[str, str, int] | None, limit: int) -> tuple[tuple[Shared, ...], tuple[str, str, int] | None]:
        """A page, and the place to go on after (None: that was all). limit: 1 to MAX_PAGE."""
        most = max(1, min(limit, MAX_PAGE))
        async with self._store.read() as kept:
            found = await kept.shared(after, most + 1)
        page = found[:most]
        last = page[-1] if len(found) > most else None
        return page, None if last is None else (last.organisation, last.version.name, last.version.version)

    async def version(self, organisation: str, name: str, version: int) -> Published:
        """Raises RulebookUnknown for all that is not shared, whether there is such a version, rulebook or organisation or not."""
        async with self._store.read() as kept:
            found = await kept.shared_version(organisation, name, version)
        if found is None:
            raise RulebookUnknown(f"{organisation}/{name}@{version}")
        return found


async def _there(kept: Rulebooks, name: str, version: int) -> None:
    if await kept.version(name, version) is not None:
        return
    newest = await kept.newest(name)
    if newest is None:
        raise RulebookUnknown(name, await kept.close_names(name, 3))
    raise VersionUnknown(name, version, newest.version)
