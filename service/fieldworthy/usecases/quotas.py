"""The quotas of all askers in this process: what is in hand of each, and when the store is asked for more."""

import asyncio
import time
from collections import OrderedDict
from collections.abc import Callable
from contextlib import AbstractAsyncContextManager, suppress
from dataclasses import dataclass, field
from typing import Protocol

from fieldworthy.core.base.micros import DAY, SECOND
from fieldworthy.usecases.key_refusals import QuotaExceeded
from fieldworthy.usecases.ports import StoreUnavailable
from fieldworthy.usecases.quota import Drawn, Purse, Quota

MOST_ASKERS = 20_000
"""Of whom something is in hand. Whoever asked longest ago is forgotten first, and what was in hand for them is then granted to nobody."""

_MOST_DRAWS = 5


class QuotaBook(Protocol):
    """What was granted to each asker in their window, inside one transaction."""

    async def draw(self, asker: str, quota: Quota, wanted: int) -> Drawn:
        """`quota.draw` of what is kept, by the store's clock; what is granted is kept. Whoever draws for the same asker waits."""

    async def forget(self, older: int) -> None:
        """Drops windows that began longer than so many microseconds ago."""


class QuotaStore(Protocol):
    """Where windows are kept, one for all processes. Its blocks raise `ports.StoreUnavailable`."""

    def keep_quotas(self) -> AbstractAsyncContextManager[QuotaBook]: ...


@dataclass(frozen=True, slots=True)
class Left:
    """remaining: requests that are certainly there; wait: whole s until the window is over."""

    remaining: int
    wait: int


@dataclass(slots=True)
class _Held:
    purse: Purse = field(default_factory=Purse)
    waiting: int = 0
    drawing: "asyncio.Task[None] | None" = None


class Quotas:
    """One quota that every asker has for themselves, the same over all processes that share a store."""

    def __init__(self, store: QuotaStore, quota: Quota, tick: Callable[[], float] = time.monotonic) -> None:
        """tick: s that never run back."""
        self.quota = quota
        self._store = store
        self._tick = tick
        self._held: OrderedDict[str, _Held] = OrderedDict()

    async def spend(self, asker: str, counts: int = 1) -> Left:
        """
        One request of an asker. counts: as how many; of more than a whole window has, all of it is taken. Raises QuotaExceeded, and
        StoreUnavailable where more must be drawn and can't be; what was taken until then stays taken.

        Whoever uses up the last in hand draws the next share before it is answered: so 0 remaining means that the next is refused.
        """
        held = self._of(asker)
        draws, due = 0, min(counts, self.quota.requests)
        while (due := due - held.purse.spend(self._tick(), due)) > 0:
            if held.purse.is_refused(self._tick()):
                raise QuotaExceeded(self.quota, held.purse.wait(self._tick()))
            if draws >= _MOST_DRAWS + due:
                raise StoreUnavailable("the store takes too long to count requests", "send it again in a moment")
            draws += 1
            await self._draw_once(asker, held, due)
        if held.purse.remaining(self._tick()) < 1 and not held.purse.is_spent:
            with suppress(StoreUnavailable):  # this one was granted; it is told that nothing certain is left
                await self._draw_once(asker, held, 1)
        now = self._tick()
        return Left(held.purse.remaining(now), held.purse.wait(now))

    async def forget_old(self) -> None:
        """Drops what the store keeps of windows that are long over. Raises StoreUnavailable."""
        async with self._store.keep_quotas() as book:
            await book.forget(self.quota.seconds * SECOND + DAY)

    def _of(self, asker: str) -> _Held:
        held = self._held.get(asker)
        if held is None:
            held = self._held[asker] = _Held()
            while len(self._held) > MOST_ASKERS:
                self._held.popitem(last=False)
        else:
            self._held.move_to_end(asker)
        return held

    async def _draw_once(self, asker: str, held: _Held, due: int) -> None:
        """All requests of an asker that wait here wait for one question; that one of them leaves ends nothing for the others."""
        held.waiting += due
        try:
            if held.drawing is None or held.drawing.done():
                held.drawing = asyncio.create_task(self._draw(asker, held))
                held.drawing.add_done_callback(lambda done: _drawn(held, done))
            await asyncio.shield(held.drawing)
        finally:
            held.waiting -= due

    async def _draw(self, asker: str, held: _Held) -> None:
        async with self._store.keep_quotas() as book:
            asked = self._tick()
            drawn = await book.draw(asker, self.quota, held.waiting)
        held.purse.put(drawn, asked, self._tick())


def _drawn(held: _Held, done: "asyncio.Task[None]") -> None:
    if held.drawing is done:
        held.drawing = None
    if not done.cancelled():
        done.exception()  # whoever still waits is told it; where nobody does, it is no fault
