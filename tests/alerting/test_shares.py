"""No organisation's slow receivers keep another's events waiting."""

import asyncio

from fieldworthy.storage.engine import SqlStore
from fieldworthy.usecases.deliver import Deliver, Pace
from fieldworthy.usecases.keep_keys import create_key
from fieldworthy.usecases.keys import KeyScope
from fieldworthy.usecases.listeners import Choice
from fieldworthy.usecases.sending import Letter, Outcome, Parcel
from tests.storage.test_deliveries import NOON, due


class Still:
    """Each attempt takes as long as the test does."""

    async def send(self, parcel: Parcel) -> Outcome:
        await asyncio.sleep(3600)
        raise AssertionError

    async def mail(self, letter: Letter) -> Outcome:
        raise AssertionError


async def test_slow_receivers_of_one_leave_places_to_the_others(store: SqlStore) -> None:
    for name in ("Nine Oxen", "South Farm"):
        await create_key(store, name, "so that it is there", [KeyScope.READ])
    deliver = Deliver(store, Still(), "one", Pace(at_once=8, at_once_each=2))
    for organisation, listeners in ((1, 6), (2, 1)):
        async with store.keep(organisation) as kept:
            await kept.machines.add("a", NOON, "baler", None)
            for n in range(listeners):
                await kept.listeners.add(f"{n}", Choice(url=f"https://{n}.example"), "whsec_x", NOON)
            kept.events.add([due(None), due(None)])
    begun = [await deliver.round() for _ in range(3)]
    held = [each.organisation for each in deliver._under_way.values()]
    assert (held.count(1), held.count(2)) == (4, 2), begun  # of twelve that wait for the one, half of the places; all of the other's
    await deliver.finish(0)
