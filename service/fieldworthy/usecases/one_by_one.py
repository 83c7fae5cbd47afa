"""What is done for every organisation, so that a fault of one keeps no other waiting."""

from collections.abc import Awaitable, Callable, Iterable

import structlog

from fieldworthy.usecases.ports import StoreUnavailable

AWAY = 3
"""Where the store can't be reached for so many, it is away, most likely: then nobody waits for the rest of them."""


async def one_by_one(whose: Iterable[int], deed: Callable[[int], Awaitable[bool]]) -> None:
    """
    Does it for one after the other, and again for those of which it says that there is more. Raises the first trouble once all others had
    their turn, or StoreUnavailable at the third one.
    """
    left, troubles = list(whose), list[Exception]()
    while left:
        more = []
        for each in left:
            try:
                if await deed(each):
                    more.append(each)
            except Exception as trouble:
                troubles.append(trouble)
                if isinstance(trouble, StoreUnavailable) and len(troubles) >= AWAY:
                    raise
        left = more
    for other in troubles[1:]:
        structlog.get_logger().error("and of another organisation", exc_info=other)
    if troubles:
        raise troubles[0]
