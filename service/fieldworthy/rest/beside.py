"""What runs beside the requests, as long as the service does."""

import asyncio
from collections.abc import AsyncIterator, Coroutine
from contextlib import asynccontextmanager, suppress


@asynccontextmanager
async def beside(work: Coroutine[None, None, None]) -> AsyncIterator[None]:
    """Does the work until the block ends, and then cuts it off."""
    task = asyncio.create_task(work)
    try:
        yield
    finally:
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task
