"""Who waits for new events: one look at the database a second for each organisation, however many wait."""

import asyncio

from fieldworthy.usecases.kept import KeepStore
from fieldworthy.usecases.ports import StoreUnavailable

LOOKS_EVERY = 1.0
"""Seconds between two looks for new events of an organisation that somebody follows."""


class _Followed:
    """An organisation whose events somebody follows."""

    def __init__(self) -> None:
        self.newest = -1
        self.changed = asyncio.Event()
        self.followers = 0
        self.task: asyncio.Task[None] | None = None
        self.fault: Exception | None = None


class News:
    """Tells those who wait that there are new events. every: s between two looks."""

    def __init__(self, store: KeepStore, every: float = LOOKS_EVERY) -> None:
        self._store = store
        self.every = every
        self._followed: dict[int, _Followed] = {}

    async def beyond(self, organisation: int, n: int) -> None:
        """Waits until there are events with a number greater than n. Raises RuntimeError where the looks for them end by a fault."""
        followed = self._followed.setdefault(organisation, _Followed())
        followed.followers += 1
        if followed.task is None:
            followed.task = asyncio.create_task(self._look(organisation, followed))
        try:
            while followed.newest <= n:
                if followed.fault is not None:
                    raise RuntimeError("a look for new events failed") from followed.fault
                await followed.changed.wait()
        finally:
            followed.followers -= 1

    async def newest(self, organisation: int) -> int:
        """The number of the newest event, 0 where there is none."""
        async with self._store.look(organisation) as kept:
            return await kept.events.newest()

    async def _look(self, organisation: int, followed: _Followed) -> None:
        try:
            while followed.followers:
                try:
                    newest = await self.newest(organisation)
                except StoreUnavailable:
                    newest = followed.newest  # the next look may tell
                if newest > followed.newest:
                    followed.newest = newest
                    followed.changed.set()
                    followed.changed = asyncio.Event()
                await asyncio.sleep(self.every)
        except Exception as trouble:  # those who wait would wait for good
            followed.fault = trouble
            followed.changed.set()
        finally:
            followed.task = None
            if self._followed.get(organisation) is followed and (followed.fault is not None or not followed.followers):
                del self._followed[organisation]
