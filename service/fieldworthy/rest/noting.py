"""Notes when keys were last used, beside the requests: none of them waits for it."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress

import structlog

from fieldworthy.rest.beside import beside
from fieldworthy.usecases.key_ring import KeyRing
from fieldworthy.usecases.ports import StoreUnavailable

NOTES_EVERY = 60.0
"""Seconds: `last_used` is never further behind than this while the service runs."""


@asynccontextmanager
async def noting(ring: KeyRing) -> AsyncIterator[None]:
    """Notes them now and then until the block ends, and once more then."""
    try:
        async with beside(_note(ring)):
            yield
    finally:
        with suppress(StoreUnavailable):  # it tells of the past, and no one is kept waiting for it
            await ring.note_used()


async def _note(ring: KeyRing) -> None:
    while True:
        await asyncio.sleep(NOTES_EVERY)
        try:
            await ring.note_used()
        except Exception:  # requests are answered all the same; the next round tells it
            structlog.get_logger().exception("it could not be noted when keys were last used")
