"""Work that is done while the store answers, for it has a processor of its own."""

import asyncio
from collections.abc import Callable, Coroutine
from contextlib import suppress
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
        await asyncio.wait([task])
    except BaseException:
        task.cancel()
        while not task.done():  # whoever ends the transaction needs the connection, however often this is called off meanwhile
            with suppress(asyncio.CancelledError):
                await asyncio.wait([task])
        if not task.cancelled():
            task.exception()  # of two troubles the first one is told
        raise
    return task.result(), made
