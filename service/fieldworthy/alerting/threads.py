"""Threads for work that blocks, and that nobody can cut off: whoever waits may go, and the thread is not free until the work ends.

They are few enough to be kept, and many enough that names which never answer, or a mail server that hangs, do not keep all others waiting.
Whoever finds none free within a while was not tried: its turn comes again, and no try is counted.
"""

import asyncio
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from typing import TypeVar

T = TypeVar("T")

WAITS = 10.0
"""Seconds for which somebody waits for a free thread."""


class NoThread(Exception):
    """None came free in time; nothing was begun."""


class Threads:
    """So many, made when they are first needed. For one event loop."""

    def __init__(self, most: int, name: str, waits: float = WAITS) -> None:
        """waits: seconds for which somebody waits for a free one."""
        self._pool = ThreadPoolExecutor(most, name)
        self._free = asyncio.Semaphore(most)
        self._waits = waits

    async def begin(self, work: Callable[[], T]) -> asyncio.Future[T]:
        """Begins the work once a thread is free; what it gives is to be waited for. Raises NoThread."""
        try:
            async with asyncio.timeout(self._waits):
                await self._free.acquire()
        except TimeoutError:
            raise NoThread from None
        loop = asyncio.get_running_loop()

        def ended(_: object) -> None:
            with suppress(RuntimeError):  # the loop is closed: nobody waits any more
                loop.call_soon_threadsafe(self._free.release)

        begun = self._pool.submit(work)
        begun.add_done_callback(ended)  # and not where its answer is no longer waited for: the thread is busy until then
        return asyncio.wrap_future(begun)
