"""Events that are old enough are forgotten, with what became of them; never one that still waits."""

from collections.abc import Awaitable, Callable

from fieldworthy.core.base.micros import DAY
from fieldworthy.usecases.deliveries import AlertStore

AT_ONCE = 500
"""Events of one transaction: so that who writes need not wait long."""


def forgetting(store: AlertStore, days: int) -> Callable[[], Awaitable[None]]:
    """What forgets those that are older than so many days, of every organisation."""

    async def forget() -> None:
        for organisation in await store.organisations():
            while await _some(store, organisation, days) == AT_ONCE:
                pass

    return forget


async def _some(store: AlertStore, organisation: int, days: int) -> int:
    async with store.dispatch(organisation) as kept:
        return await kept.events.forget(await kept.moment() - days * DAY, AT_ONCE)
