"""Quiet hours are kept by whatever comes up in them, on both databases; and a clock that was ahead holds nobody up."""

from collections.abc import Awaitable, Callable
from datetime import time

import pytest

from fieldworthy.storage.engine import SqlStore
from fieldworthy.usecases.deliveries import UNDELIVERED, WAITING, Claim, WantedDeliveries
from fieldworthy.usecases.events import UNFIT
from fieldworthy.usecases.kept import HOME
from fieldworthy.usecases.listeners import ON, Choice, Lane
from tests.storage.test_deliveries import HOUR, NOON, SECOND, claim, due, make, settle

QUIET = Choice(url="https://x", quiet=(time(20), time(6)))
NIGHT, MORNING = NOON + 11 * HOUR, NOON + 18 * HOUR
YEAR = 365 * 24 * HOUR

Case = Callable[[SqlStore], Awaitable[None]]


async def mine(store: SqlStore, moment: int) -> Claim:
    """What is claimed for the one with quiet hours that is not urgent."""
    (one,) = (one for one in await claim(store, moment, lease=SECOND) if one.listener.name == "quiet" and one.lane != Lane.URGENT)
    return one


async def failed_before_and_something_urgent_got_through(store: SqlStore) -> None:
    async with store.keep(HOME) as kept:
        kept.events.add([due(1), due(1)])
    await settle(store, await mine(store, NOON + 2 * HOUR), WAITING, NOON, MORNING + HOUR, 500)
    async with store.dispatch(HOME) as kept:
        assert await kept.deliveries.hurry(1, NIGHT, 3) > 0


async def on_hold_until_then(store: SqlStore) -> None:
    async with store.keep(HOME) as kept:
        kept.events.add([due(1), due(1), due(2)])
        await kept.listeners.health(1, NOON, NIGHT)


async def due_while_nobody_claimed(store: SqlStore) -> None:
    async with store.keep(HOME) as kept:
        kept.events.add([due(1), due(1), due(2)])


async def sent_again_by_hand(store: SqlStore) -> None:
    async with store.keep(HOME) as kept:
        kept.events.add([due(1)])
    await settle(store, await mine(store, NOON + 2 * HOUR), UNDELIVERED, NOON)
    async with store.keep(HOME) as kept:
        assert await kept.deliveries.again(1, None, None, NIGHT) == 1


CASES = [
    # why it is due in the night, and when a digest goes
    (failed_before_and_something_urgent_got_through, None),
    (on_hold_until_then, None),
    (due_while_nobody_claimed, None),
    (due_while_nobody_claimed, time(14)),
    (sent_again_by_hand, None),
]


@pytest.mark.parametrize(("case", "digest"), CASES)
async def test_nothing_goes_out_in_quiet_hours_but_what_is_urgent(store: SqlStore, case: Case, digest: time | None) -> None:
    async with store.keep(HOME) as kept:
        await make(kept, "ab", quiet=Choice(url="https://x", quiet=QUIET.quiet, digest=digest), other=Choice(url="https://y"))
    await case(store)
    async with store.keep(HOME) as kept:
        kept.events.add([due(1, NIGHT, UNFIT)])
    went = [(one.listener.name, one.lane.name) for one in await claim(store, NIGHT, most=1000, lease=SECOND)]
    assert [lane for name, lane in went if name == "quiet"] == ["URGENT"]
    assert [name for name, _ in went if name == "other"], "and nobody else waits for it"
    async with store.look(HOME) as kept:
        page = await kept.deliveries.page(WantedDeliveries(state=WAITING), None, 100)
    assert {each.due for each in page if each.listener == 1 and each.type != UNFIT} == {MORNING}
    went = [(one.listener.name, one.lane.name) for one in await claim(store, MORNING, most=1000)]
    assert ("quiet", "ORDER" if digest is None else "DIGEST") in went


async def test_those_who_sleep_take_no_places_from_the_others(store: SqlStore) -> None:
    """Many that are due to one who has quiet hours are put off together, and what is due to others is claimed in the same look."""
    async with store.keep(HOME) as kept:
        await make(kept, "ab", quiet=QUIET, other=Choice(url="https://y", types=(UNFIT,)))
        kept.events.add([due(None)] * 20)
        kept.events.add([due(None, NIGHT, UNFIT)])
    assert sorted(one.listener.name for one in await claim(store, NIGHT, most=3)) == ["other", "quiet"]


async def test_what_was_tried_passes_new_quiet_hours_where_it_is_urgent(store: SqlStore) -> None:
    """A receiver is down in the evening; its owner changes the listener, and gives it quiet hours."""
    async with store.keep(HOME) as kept:
        told = await make(kept, "ab", one=Choice(url="https://x"))
        kept.events.add([due(1, NOON, UNFIT), due(2)])
    for one in await claim(store, NOON):
        await settle(store, one, WAITING, NOON, NIGHT, 500)
    async with store.keep(HOME) as kept:
        await kept.listeners.change(told["one"], "one", QUIET, ON, NIGHT - HOUR)
    assert [(one.events[0].type, one.lane) for one in await claim(store, NIGHT)] == [(UNFIT, Lane.URGENT)]


async def test_what_was_given_up_by_http_is_sent_again_in_one_mail(store: SqlStore) -> None:
    async with store.keep(HOME) as kept:
        told = await make(kept, "abc", one=Choice(url="https://x"))
        kept.events.add([due(1), due(2), due(3)])
    for one in await claim(store, NOON):
        await settle(store, one, UNDELIVERED, NOON)
    async with store.keep(HOME) as kept:
        await kept.listeners.change(told["one"], "one", Choice(email="foreman@farm.example"), ON, NOON)
        assert await kept.deliveries.again(told["one"].key, None, None, NOON + HOUR) == 3
    (mail,) = await claim(store, NOON + HOUR)
    assert (mail.lane, len(mail.events)) == (Lane.DIGEST, 3)


HOLDS = [
    # what the clock that was ahead left of a listener: failing since, on hold until
    (NOON + YEAR, NOON + YEAR + 60 * SECOND),
    (NOON, NOON + YEAR),
    (NOON, NOON + 2 * HOUR),
]


@pytest.mark.parametrize(("failing", "hold"), HOLDS)
async def test_a_hold_of_a_clock_that_was_ahead_ends_with_it(store: SqlStore, failing: int, hold: int) -> None:
    async with store.keep(HOME) as kept:
        told = await make(kept, "a", one=Choice(url="https://x"), true=Choice(url="https://y"))
        kept.events.add([due(1)])
    for one in await claim(store, NOON):
        if one.listener.name == "one":
            await settle(store, one, WAITING, hold - 1, hold, 500)
    async with store.dispatch(HOME) as kept:
        await kept.listeners.health(told["one"].key, failing, hold)
        await kept.listeners.health(told["true"].key, NOON, NOON + HOUR)  # by the clock as it is
        await kept.deliveries.right(NOON + SECOND, NOON + 120 * SECOND)
    now = NOON + 90 * SECOND
    assert [one.listener.name for one in await claim(store, now)] == ["one"]
    async with store.look(HOME) as kept:
        found = await kept.listeners.by_key([told["one"].key, told["true"].key])
    assert found[told["one"].key].failing == min(failing, NOON + SECOND)
    assert found[told["true"].key].hold == NOON + HOUR


async def test_a_machine_s_later_events_are_hurried_with_what_failed_before_them(store: SqlStore) -> None:
    """Of two machines, one of which failed too often to be hurried: the other's queue goes, and what is later for another reason stays."""
    async with store.keep(HOME) as kept:
        await make(kept, "abc", one=Choice(url="https://x"))
        kept.events.add([due(1), due(1), due(2), due(2), due(3), due(3)])
    for one in await claim(store, NOON):
        if one.events[0].machine != 3:
            await settle(store, one, WAITING, NOON, NOON + HOUR, 500)
    async with store.dispatch(HOME) as kept:
        assert await kept.deliveries.hurry(1, NOON + HOUR - 1, 1) == 2
    for one in await claim(store, NOON + HOUR - 1):
        if one.events[0].machine == 2:
            await settle(store, one, WAITING, NOON, NOON + 5 * HOUR, 500)
    async with store.dispatch(HOME) as kept:
        assert await kept.deliveries.hurry(1, NOON + 2 * HOUR, 1) == 0
        page = await kept.deliveries.page(WantedDeliveries(), None, 10)
    told = {each.event: each.due - NOON for each in page}
    assert told == {1: HOUR - 1, 2: HOUR - 1, 3: 5 * HOUR, 4: 5 * HOUR, 5: 0, 6: 0}
