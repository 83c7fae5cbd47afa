"""Keeps the fleet's standings fresh beside the requests, as long as the service runs."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress

import structlog

from fieldworthy.usecases.kept import HOME
from fieldworthy.usecases.standings import AT_ONCE, Recompute

LOOKS_EVERY = 5.0
"""Seconds between two looks for what is stale, where no request asks for one."""

AFTER_TROUBLE = 10.0
"""Seconds of rest where it failed: the database may be away."""


@asynccontextmanager
async def refreshing(recompute: Recompute) -> AsyncIterator[None]:
    """Computes what is stale, a few machines at a time, until the block ends."""
    task = asyncio.create_task(_refresh(recompute))
    try:
        yield
    finally:
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task


async def _refresh(recompute: Recompute) -> None:
    while True:
        try:
            recompute.wanted.clear()
            while await recompute(HOME, AT_ONCE) == AT_ONCE:
                pass
            rest = LOOKS_EVERY
        except Exception:  # whatever it was, requests are still answered, and say what is stale
            structlog.get_logger().exception("standings could not be computed anew")
            rest = AFTER_TROUBLE
        with suppress(TimeoutError):
            await asyncio.wait_for(recompute.wanted.wait(), rest)
