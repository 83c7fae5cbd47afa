"""Keeps the fleet's standings fresh beside the requests, as long as the service runs."""

import asyncio
from contextlib import suppress

import structlog

from fieldworthy.usecases.standings import Recompute

LOOKS_EVERY = 5.0
"""Seconds between two looks for what is stale, where no request asks for one."""

AT_LEAST = 1.0
"""Seconds between two looks however much is kept: a machine that is heard of all the time is not computed with every reading."""

AFTER_TROUBLE = 10.0
"""Seconds of rest where it failed: the database may be away."""


async def refreshing(recompute: Recompute) -> None:
    """Computes what is stale, a few machines at a time, until it is cut off."""
    while True:
        try:
            recompute.wanted.clear()
            await recompute.everywhere()
            await asyncio.sleep(AT_LEAST)
            rest = LOOKS_EVERY - AT_LEAST
        except Exception:  # whatever it was, requests are still answered, and say what is stale
            structlog.get_logger().exception("standings could not be computed anew")
            rest = AFTER_TROUBLE
        with suppress(TimeoutError):
            await asyncio.wait_for(recompute.wanted.wait(), rest)
