"""Listeners that are changed, made by several at once, and forgotten, on both databases; and what that does to their deliveries."""

import asyncio
from collections.abc import Sequence
from dataclasses import replace
from datetime import time

import pytest

from fieldworthy.storage.engine import SqlStore
from fieldworthy.usecases.alert_rules import AlertRules
from fieldworthy.usecases.deliveries import MOST_DIGEST_BYTES, UNDELIVERED, WAITING, WantedDeliveries
from fieldworthy.usecases.events import UNFIT, NewEvent, WantedEvents
from fieldworthy.usecases.keep_listeners import MOST_LISTENERS, KeepListeners
from fieldworthy.usecases.kept import HOME
from fieldworthy.usecases.listener_refusals import ListenersTooMany
from fieldworthy.usecases.listeners import ON, REMOVED, Choice
from fieldworthy.usecases.tell import parcel_of
from tests.storage.test_deliveries import DUE, HOUR, NOON, claim, due, make, settle, states

AT = Choice(url="https://x")
DIGEST, QUIET = replace(AT, digest=time(6, 30)), replace(AT, quiet=(time(11), time(14)))

CHANGED = [
    # what was chosen, what is chosen at noon, what is claimed then
    (DIGEST, AT, [[1], [3], [4]]),
    (AT, DIGEST, [[4]]),
    (QUIET, AT, [[1], [3], [4]]),
    (AT, QUIET, [[4]]),
    (replace(DIGEST, urgent=()), DIGEST, [[4]]),
    (DIGEST, replace(DIGEST, urgent=(DUE, UNFIT)), [[1], [3], [4]]),
    (QUIET, replace(QUIET, timezone="Asia/Kolkata"), [[1], [3], [4]]),
    (DIGEST, replace(DIGEST, url="https://y"), [[4]]),
]


@pytest.mark.parametrize(("before", "after", "claimed"), CHANGED)
async def test_what_waits_goes_by_the_new_hours(store: SqlStore, before: Choice, after: Choice, claimed: list[list[int]]) -> None:
    async with store.keep(HOME) as kept:
        (told,) = (await make(kept, "abc", one=before)).values()
        kept.events.add([due(1), due(1), due(2), due(3, type=UNFIT)])
    async with store.keep(HOME) as kept:
        found = await kept.listeners.find(told.id, lock=True)
        assert found is not None
        await kept.listeners.change(found, found.name, after, ON, NOON)
        kept.events.add([due(1), due(2)])
    assert sorted([event.n for event in one.events] for one in await claim(store, NOON)) == claimed


async def test_what_was_tried_as_a_digest_stays_as_it_was(store: SqlStore) -> None:
    async with store.keep(HOME) as kept:
        (told,) = (await make(kept, "a", one=DIGEST)).values()
        kept.events.add([due(1), due(1)])
    morning = NOON + 18 * HOUR + HOUR // 2
    (one,) = await claim(store, morning)
    await settle(store, one, WAITING, morning, morning + HOUR, 500)
    async with store.keep(HOME) as kept:
        found = await kept.listeners.find(told.id, lock=True)
        assert found is not None
        await kept.listeners.change(found, found.name, AT, ON, morning)
    (again,) = await claim(store, morning + HOUR)
    assert (again.id, len(again.events)) == (one.id, 2)


async def test_a_digest_is_short_enough_to_be_taken(store: SqlStore) -> None:
    async with store.keep(HOME) as kept:
        await make(kept, "", one=DIGEST)
        kept.events.add([NewEvent(DUE, NOON, "x", {"text": "ä" * 8_000})] * 70)
    told: list[int] = []
    while claims := await claim(store, NOON + 24 * HOUR):
        assert len(parcel_of(claims[0], ()).body) <= MOST_DIGEST_BYTES
        told += [event.n for event in claims[0].events]
        await settle(store, claims[0], "delivered", NOON)
    assert told == list(range(1, 71))


async def at_once(*deeds: "asyncio.Future[object] | object") -> Sequence[object]:
    return await asyncio.gather(*deeds, return_exceptions=True)  # type: ignore[arg-type]


async def test_no_more_are_made_at_once_than_there_may_be(store: SqlStore) -> None:
    keep = KeepListeners(AlertRules())
    async with store.keep(HOME) as kept:
        for _ in range(MOST_LISTENERS - 1):
            await kept.listeners.add("x", AT, "whsec_", NOON)

    async def add() -> None:
        async with store.keep(HOME) as kept:
            await keep.add(kept, {"name": "x", "url": "https://farm.example/"})
            await asyncio.sleep(0.05)

    came = await at_once(*(add() for _ in range(4)))
    assert [type(each) for each in came if each is not None] == [ListenersTooMany] * 3


async def test_tests_of_several_listeners_at_once_do_not_wait_in_a_circle(store: SqlStore) -> None:
    keep = KeepListeners(AlertRules())
    async with store.keep(HOME) as kept:
        told = await make(kept, "", one=AT, two=AT)
    both = asyncio.Barrier(2)

    async def test(id: str) -> None:
        async with store.keep(HOME) as kept:
            await keep.test(kept, id)
            if store.engine.dialect.name == "postgresql":  # on SQLite one writes at a time
                await both.wait()

    assert await at_once(*(test(each.id) for each in told.values())) == [None, None]
    assert len(await states(store)) == 2


async def test_what_signs_no_more_and_who_was_removed_are_forgotten(store: SqlStore) -> None:
    mail = Choice(email="foreman@farm.example")
    async with store.keep(HOME) as kept:
        told = await make(kept, "", stays=mail, told=mail, untold=mail, rotated=AT)
        kept.events.add([due(None)], only=told["told"].key)
    async with store.keep(HOME) as kept:
        for name in ("told", "untold"):
            await kept.listeners.change(told[name], name, told[name].choice, REMOVED, NOON)
        await kept.listeners.rotate(told["rotated"], "whsec_new", NOON + HOUR, NOON)
    keys = [each.key for each in told.values()]
    for moment, before in ((NOON + HOUR - 1, "whsec_rotated"), (NOON + HOUR, None)):
        async with store.keep(HOME) as kept:
            await kept.listeners.tidy(moment)
            found = await kept.listeners.by_key(keys)
        assert {each.name: each.choice.email for each in found.values()} == {"stays": mail.email, "told": None, "rotated": None}
        assert found[told["rotated"].key].secret_before == before


async def test_what_is_just_told_to_go_again_is_not_forgotten(store: SqlStore) -> None:
    async with store.keep(HOME) as kept:
        (told,) = (await make(kept, "", one=AT)).values()
        kept.events.add([due(None)] * 3)
    for one in await claim(store, NOON):
        await settle(store, one, UNDELIVERED, NOON)
    begun, asked = asyncio.Event(), asyncio.Event()

    async def again(forgets: "asyncio.Task[int]") -> None:
        await begun.wait()
        async with store.keep(HOME) as kept:
            assert await kept.deliveries.again(told.key, None, None, NOON) == 3
            asked.set()
            await asyncio.wait({forgets}, timeout=0.5)  # which needs not wait for this one to end

    async def forget() -> int:
        if store.engine.dialect.name != "postgresql":  # one writes at a time
            begun.set()
            await asked.wait()
        async with store.dispatch(HOME) as kept:
            await kept.moment()
            begun.set()
            await asked.wait()
            return await kept.events.forget(NOON + HOUR, 10)

    forgets = asyncio.create_task(forget())
    await again(forgets)
    forgotten = await forgets
    assert forgotten == 0
    assert {state for _, state in await states(store)} == {WAITING}
    async with store.look(HOME) as kept:
        assert len(await kept.events.page(WantedEvents(), 0, 10)) == 3
        assert len(await kept.deliveries.page(WantedDeliveries(), None, 10)) == 3
