"""What is done beside the requests, and none of them waits for: noting when keys were last used, dropping quotas' windows of the past."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from itertools import count
from typing import Protocol

import structlog

from fieldworthy.rest.beside import beside
from fieldworthy.usecases.ports import StoreUnavailable
from fieldworthy.usecases.quotas import Quotas

NOTES_EVERY = 60.0
"""Seconds: `last_used` is never further behind than this while the service runs."""

FORGETS_EVERY = 1440
"""Rounds of that: once a day."""


class Ring(Protocol):
    """Knows when keys, or links, were last used."""

    async def note_used(self) -> None:
        """Tells the store. Raises StoreUnavailable; then it is told the next time."""


@asynccontextmanager
async def noting(ring: Ring, quotas: Quotas | None = None) -> AsyncIterator[None]:
    """Notes last uses now and then until the block ends, and once more then. quotas: whose old windows are dropped."""
    try:
        async with beside(_note(ring, quotas)):
            yield
    finally:
        with suppress(StoreUnavailable):  # it tells of the past, and no one is kept waiting for it
            await ring.note_used()


async def _note(ring: Ring, quotas: Quotas | None) -> None:
    for round in count(1):
        await asyncio.sleep(NOTES_EVERY)
        try:
            await ring.note_used()
            if quotas is not None and round % FORGETS_EVERY == 1:
                await quotas.forget_old()
        except Exception:  # requests are answered all the same; the next round tells it
            structlog.get_logger().exception("it could not be noted when keys were last used")
