"""Who waits for new events is told where the looks for them end, and does not wait for good."""

import asyncio

import pytest

from fieldworthy.graph.following import News
from tests.doors_app import MemoryStore


class Looks(News):
    """Whose looks a test settles."""

    answer: int | None = 3

    async def newest(self, organisation: int) -> int:
        if self.answer is None:
            raise LookupError("a fault")
        return self.answer


async def test_a_look_that_fails_is_told_to_all_who_wait_and_the_next_begin_anew() -> None:
    news = Looks(MemoryStore(), every=0.01)  # type: ignore[arg-type]  # it is not asked
    async with asyncio.timeout(10):
        await news.beyond(1, 2)
        waiting = [asyncio.create_task(news.beyond(1, 3)) for _ in range(2)]
        await asyncio.sleep(0.05)
        news.answer = None
        for each in waiting:
            with pytest.raises(RuntimeError, match="a look for new events failed"):
                await each
        news.answer = 4
        await news.beyond(1, 3)
