"""Work that is done while the store answers, for it has a processor of its own."""

import asyncio
from collections.abc import Callable, Coroutine
from typing import Any, TypeVar

Answer = TypeVar("Answer")
Made = TypeVar("Made")


async def meanwhile(asked: Coroutine[Any, Any, Answer], work: Callable[[], Made]) -> tuple[Answer, Made]:
    """
    What the store answers, and what was made while it was asked.

    asked: one question, or several one after the other, of one transaction; work: asks it nothing. Where either raises, so does this, and
    the question is over: nothing of it goes on behind whoever ends the transaction.
    """
    task = asyncio.ensure_future(asked)
    try:
        await asyncio.sleep(0)  # it is on its way
        made = work()
    except BaseException:
        task.cancel()
        await asyncio.wait([task])
        raise
    return await task, made
