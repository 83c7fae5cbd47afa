"""What is old enough is forgotten: events, with what became of them; secrets that sign no more; listeners that were removed."""

from collections.abc import Awaitable, Callable

from fieldworthy.core.base.micros import DAY
from fieldworthy.usecases.deliveries import AlertStore
from fieldworthy.usecases.one_by_one import one_by_one

AT_ONCE = 500
"""Events of one transaction: so that who writes need not wait long."""


def forgetting(store: AlertStore, days: int) -> Callable[[], Awaitable[None]]:
    """What forgets events that are older than so many days, never one that still waits, and what goes with them; of every organisation."""

    async def some(organisation: int) -> bool:
        async with store.dispatch(organisation) as kept:
            moment = await kept.moment()
            forgotten = await kept.events.forget(moment - days * DAY, AT_ONCE)
            if forgotten < AT_ONCE:
                await kept.listeners.tidy(moment)
            return forgotten == AT_ONCE

    async def forget() -> None:
        await one_by_one(await store.organisations(), some)

    return forget
