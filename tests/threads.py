"""Connections to SQLite work in threads of their own: a test ends when theirs have ended, for they tell its event loop of it."""

import asyncio
import threading
from collections.abc import AsyncIterator

LONGEST = 10
"""Seconds to wait for what was cancelled in the middle of its work; what is left open beyond that is a fault that another check tells."""


async def ended_threads() -> AsyncIterator[None]:
    """For a fixture that is set up before any connection is made."""
    before = set(threading.enumerate())
    yield
    for _ in range(LONGEST * 200):
        if not any("_connection_worker" in thread.name for thread in set(threading.enumerate()) - before):
            break
        await asyncio.sleep(0.005)
