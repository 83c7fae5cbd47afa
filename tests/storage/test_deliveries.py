"""Events that are written, fanned out, claimed and settled, on both databases."""

import asyncio
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import time
from typing import Any

import pytest

from fieldworthy.storage.engine import SqlStore
from fieldworthy.usecases.deliveries import DELIVERED, DROPPED, UNDELIVERED, WAITING, Attempt, Claim, WantedDeliveries
from fieldworthy.usecases.events import TEST, UNFIT, NewEvent, WantedEvents
from fieldworthy.usecases.kept import HOME, Kept
from fieldworthy.usecases.listeners import GONE, OFF, ON, REMOVED, Choice, Listener

NOON = 1_784_030_400_000_000  # 14 July 2026, 12:00 UTC
SECOND, HOUR = 1_000_000, 3_600_000_000
DUE = "fieldworthy.task.due"


async def make(kept: Kept, machines: Sequence[str], **choices: Choice) -> dict[str, Listener]:
    """Machines with keys 1, 2, ... and listeners by name."""
    for id in machines:
        await kept.machines.add(id, NOON, "baler", "north" if id == "a" else None)
    return {name: await kept.listeners.add(name, choice, f"whsec_{name}", NOON) for name, choice in choices.items()}


def due(machine: int | None, at: int = NOON, type: str = DUE, **more: Any) -> NewEvent:
    return NewEvent(type, at, "x", {"n": 1}, machine, None if machine is None else "abc"[machine - 1], **more)


async def claim(store: SqlStore, moment: int, owner: str = "w", most: int = 10, lease: int = 60 * SECOND) -> Sequence[Claim]:
    async with store.dispatch(HOME) as kept:
        return await kept.deliveries.claim(moment, moment + lease, owner, most)


async def settle(store: SqlStore, one: Claim, state: str, at: int, due: int | None = None, status: int | None = 200) -> bool:
    async with store.dispatch(HOME) as kept:
        return await kept.deliveries.settle(one, Attempt(at, 5, status), state, due)


async def states(store: SqlStore, **wanted: Any) -> list[tuple[int, str]]:
    async with store.look(HOME) as kept:
        return [(each.event, each.state) for each in await kept.deliveries.page(WantedDeliveries(**wanted), None, 100)]


async def test_each_goes_to_who_chose_it_and_in_the_transaction_that_wrote_it(store: SqlStore) -> None:
    async with store.keep(HOME) as kept:
        told = await make(
            kept,
            "ab",
            all=Choice(url="https://x"),
            north=Choice(url="https://x", sites=("north",)),
            safety=Choice(url="https://x", kinds=("safety",), standings=("due", "overdue")),
            unfit=Choice(url="https://x", types=(UNFIT,)),
        )
    new = [
        due(1, site="north", kind="safety", standing="due"),
        due(2, kind="safety", standing="clear"),
        due(2, type=UNFIT),
        due(None, type=TEST),
    ]
    with suppress(ZeroDivisionError):
        async with store.keep(HOME) as kept:
            kept.events.add(new)
            raise ZeroDivisionError
    async with store.keep(HOME) as kept:
        ids = [*kept.events.add(new[:3]), *kept.events.add(new[3:], only=told["unfit"].key)]
    async with store.look(HOME) as kept:
        page = await kept.deliveries.page(WantedDeliveries(), None, 100)
        names = {listener.id: listener.name for listener in told.values()}
        assert sorted((each.event, names[each.listener_id]) for each in page) == [
            *((1, "all"), (1, "north"), (1, "safety")),
            *((2, "all"), (3, "all"), (3, "unfit"), (4, "unfit")),
        ]
        events = await kept.events.page(WantedEvents(), 0, 100)
        assert [(event.n, event.id) for event in events] == list(enumerate(ids, 1))
        assert [event.n for event in await kept.events.page(WantedEvents(machine="b"), 2, 100)] == [3]
        assert [event.n for event in await kept.events.page(WantedEvents(type=UNFIT), 0, 100)] == [3]
        assert await kept.events.page(WantedEvents(first=NOON + 1), 0, 100) == []
        first = page[-1]
        assert await kept.deliveries.find(first.id) == first
        for strange in ("", "evt_1", "evt_1-lst_1", "\x00-\x00", f"{first.event_id}-"):
            assert await kept.deliveries.find(strange) is None
        assert await kept.events.find(ids[1]) == events[1]
        assert events[0].to_json() == {
            "specversion": "1.0",
            "id": ids[0],
            "source": "/organisations/1",
            "type": DUE,
            "subject": "x",
            "time": "2026-07-14T12:00:00Z",
            "datacontenttype": "application/json",
            "data": {"n": 1},
        }


async def test_what_waits_is_as_old_as_its_first_try_or_since_it_is_due(store: SqlStore) -> None:
    """A receiver that is down ages what it lacks, also between two tries; the night, in which it wants none, does not."""
    night = Choice(url="https://x", timezone="UTC", quiet=(time(6), time(16)))
    async with store.keep(HOME) as kept:
        await make(kept, "ab", down=Choice(url="https://x", sites=("north",)), quiet=night)
        kept.events.add([due(1, site="north")])
    ages = []

    async def look(at: int) -> None:
        async with store.look(HOME) as kept:
            oldest = (await kept.deliveries.outbox(at)).oldest
        ages.append(None if oldest is None else at - oldest)

    await look(NOON)  # nobody has tried yet, since 0 s
    (down,) = await claim(store, NOON + SECOND)
    assert await settle(store, down, WAITING, NOON + SECOND, NOON + 3 * HOUR, 500)
    await look(NOON + HOUR + SECOND)  # between two tries
    (down,) = await claim(store, NOON + 3 * HOUR)
    assert await settle(store, down, DELIVERED, NOON + 3 * HOUR)
    await look(NOON + 3 * HOUR)  # what waits for the end of the quiet hours is not late
    await look(NOON + 4 * HOUR + SECOND)  # they ended a second ago
    assert ages == [0, HOUR, None, SECOND]


async def test_what_is_of_one_machine_goes_in_order_and_holds_up_no_other(store: SqlStore) -> None:
    async with store.keep(HOME) as kept:
        await make(kept, "ab", all=Choice(url="https://x"))
        kept.events.add([due(1), due(1), due(2), due(None), due(1)])
    first = await claim(store, NOON)
    assert [one.events[0].n for one in first] == [1, 3, 4]
    assert await claim(store, NOON, "another") == []
    assert await settle(store, first[0], WAITING, NOON, NOON + HOUR, 500)
    assert await settle(store, first[1], DELIVERED, NOON)
    assert [one.events[0].n for one in await claim(store, NOON + HOUR - 1)] == [4]  # its lease ended
    async with store.dispatch(HOME) as kept:
        assert await kept.deliveries.next_due(NOON) == NOON + HOUR
    again = [one for one in await claim(store, NOON + HOUR) if one.events[0].n != 4]
    assert [(one.events[0].n, one.tries) for one in again] == [(1, 1)]
    assert await settle(store, again[0], UNDELIVERED, NOON + HOUR, status=None)
    for n in (2, 5):
        (one,) = [one for one in await claim(store, NOON + HOUR) if one.events[0].n != 4]
        assert one.events[0].n == n
        assert await settle(store, one, DELIVERED, NOON + HOUR)
    assert await states(store, state=UNDELIVERED) == [(1, UNDELIVERED)]
    async with store.look(HOME) as kept:
        (delivery,) = await kept.deliveries.page(WantedDeliveries(state=UNDELIVERED, machine="a"), None, 10)
        assert [(each.at, each.status) for each in await kept.deliveries.attempts(delivery)] == [(NOON, 500), (NOON + HOUR, None)]
        outbox = await kept.deliveries.outbox(NOON + HOUR)
        assert (outbox.waiting, outbox.oldest, outbox.undelivered) == (1, NOON, 1)  # nobody has told how the 4th went
    async with store.keep(HOME) as kept:
        assert await kept.deliveries.again(delivery.listener, NOON, NOON, NOON + HOUR) == 0
        assert await kept.deliveries.again(delivery.listener, NOON, None, NOON + HOUR) == 1
    assert {(one.events[0].n, one.tries) for one in await claim(store, NOON + 2 * HOUR)} == {(1, 0), (4, 0)}


async def test_a_claim_whose_lease_ended_is_taken_over(store: SqlStore) -> None:
    async with store.keep(HOME) as kept:
        await make(kept, "a", all=Choice(url="https://x"))
        kept.events.add([due(1)])
    (one,) = await claim(store, NOON, "killed")
    assert await claim(store, NOON + 59 * SECOND, "another") == []
    async with store.dispatch(HOME) as kept:
        assert await kept.deliveries.renew(one, NOON + 90 * SECOND)
    assert await claim(store, NOON + 89 * SECOND, "another") == []
    (taken,) = await claim(store, NOON + 90 * SECOND, "another")
    assert taken.id == one.id
    async with store.dispatch(HOME) as kept:
        assert not await kept.deliveries.renew(one, NOON + HOUR)
    assert not await settle(store, one, WAITING, NOON, NOON + HOUR, 500)
    assert await settle(store, one, DELIVERED, NOON)  # it was, whoever has it now
    assert not await settle(store, taken, WAITING, NOON, NOON + HOUR, 500)
    assert await states(store) == [(1, DELIVERED)]


async def test_let_go_it_is_anybodys_at_once(store: SqlStore) -> None:
    async with store.keep(HOME) as kept:
        await make(kept, "a", all=Choice(url="https://x"))
        kept.events.add([due(1)])
    claims = await claim(store, NOON)
    async with store.dispatch(HOME) as kept:
        await kept.deliveries.release(claims)
    assert [one.tries for one in await claim(store, NOON, "another")] == [0]


async def test_many_who_claim_at_once_get_each_one_once(store: SqlStore) -> None:
    async with store.keep(HOME) as kept:
        await make(kept, "abc", all=Choice(url="https://x"), more=Choice(url="https://y"))
        kept.events.add([due(machine) for machine in (1, 2, 3) * 5] + [due(None)] * 15)
    got: list[tuple[int, int]] = []

    async def work(owner: str) -> None:
        while claims := await claim(store, NOON, owner, 4):
            for one in claims:
                got.append((one.events[0].n, one.listener.key))
                assert await settle(store, one, DELIVERED, NOON)

    await asyncio.gather(*(work(f"w{i}") for i in range(4)))
    for _ in range(5):
        await work("last")
    assert sorted(got) == [(n, listener) for n in range(1, 31) for listener in (1, 2)]
    for listener in (1, 2):
        for machine in range(3):
            of_it = [n for n, whose in got if whose == listener and n <= 15 and n % 3 == machine]
            assert of_it == sorted(of_it)


async def test_a_digest_goes_once_a_day_as_it_was_at_every_try_and_urgent_ones_ahead(store: SqlStore) -> None:
    async with store.keep(HOME) as kept:
        await make(kept, "ab", all=Choice(url="https://x", digest=time(6, 30), timezone="Europe/London"))
        kept.events.add([due(1), due(2), due(1, type=UNFIT)])
    assert [one.events[0].n for one in await claim(store, NOON)] == [3]
    morning = NOON + 17 * HOUR + HOUR // 2  # 5:30 UTC is 6:30 there
    async with store.dispatch(HOME) as kept:
        assert await kept.deliveries.next_due(NOON) == morning
    assert [one for one in await claim(store, morning - 1) if one.is_digest] == []
    (one,) = (one for one in await claim(store, morning) if one.is_digest)
    assert [event.n for event in one.events] == [1, 2]
    assert await settle(store, one, WAITING, morning, morning + HOUR, 500)
    async with store.keep(HOME) as kept:
        kept.events.add([due(1, NOON + 1)])  # comes to be due with the others, and goes behind them
    assert [one for one in await claim(store, morning + HOUR - 1) if one.is_digest] == []
    (again,) = (one for one in await claim(store, morning + HOUR) if one.is_digest)
    assert (again.id, again.tries, [event.n for event in again.events]) == (one.id, 1, [1, 2])
    assert await settle(store, again, DELIVERED, morning)
    (last,) = (one for one in await claim(store, morning + HOUR) if one.is_digest)
    assert last.id != one.id
    assert [event.n for event in last.events] == [4]


QUIET = Choice(quiet=(time(20), time(6)), timezone="Europe/London")


@pytest.mark.parametrize(
    ("choice", "hour", "waits"),
    [
        (QUIET, 0, 0),
        (QUIET, 6.9, 0),  # 19:54 by the clock there
        (QUIET, 7, 10),
        (QUIET, 13, 4),
        (QUIET, 16.99, 0.01),
        (QUIET, 17, 0),
        (replace(QUIET, quiet=(time(12), time(14))), 0, 1),
        (replace(QUIET, quiet=(time(12), time(14))), 1, 0),
        (replace(QUIET, quiet=None), 7, 0),
    ],
)
def test_quiet_hours(choice: Choice, hour: float, waits: float) -> None:
    moment = NOON + round(hour * HOUR)
    assert choice.when(choice.lane(DUE), moment) - moment == round(waits * HOUR)
    assert choice.when(choice.lane(UNFIT), moment) == moment or choice.quiet is None
    assert Choice.of(choice.to_json()) == choice


async def test_what_failed_is_hurried_so_often_and_no_more(store: SqlStore) -> None:
    async with store.keep(HOME) as kept:
        told = await make(kept, "ab", all=Choice(url="https://x"))
        kept.events.add([due(1), due(1), due(2)])
    one, other = await claim(store, NOON)
    await settle(store, one, WAITING, NOON, NOON + HOUR, 500)
    await settle(store, other, DELIVERED, NOON)
    for hurried in (1, 0):
        async with store.dispatch(HOME) as kept:
            assert await kept.deliveries.hurry(told["all"].key, NOON + 1, 1) == hurried
        for again in await claim(store, NOON + 1):
            assert (again.events[0].n, again.hurried) == (1, 1)
            await settle(store, again, WAITING, NOON, NOON + HOUR, 500)
    async with store.dispatch(HOME) as kept:
        await kept.listeners.health(told["all"].key, NOON, NOON + 2 * HOUR)
    assert await claim(store, NOON + HOUR) == []  # on hold
    assert [one.events[0].n for one in await claim(store, NOON + 2 * HOUR)] == [1]


async def test_a_listener_that_is_turned_off_gone_or_removed_leaves_nothing_waiting(store: SqlStore) -> None:
    async with store.keep(HOME) as kept:
        told = await make(kept, "a", off=Choice(url="https://x"), gone=Choice(url="https://x"), removed=Choice(url="https://x"))
        kept.events.add([due(1)])
    for name, listener in told.items():
        async with store.keep(HOME) as kept:
            locked = await kept.listeners.find(listener.id, lock=True)
            assert locked is not None
            await kept.listeners.rotate(locked, "whsec_new", NOON + HOUR, NOON)
            locked = await kept.listeners.find(listener.id, lock=True)
            assert locked is not None
            assert (locked.secrets(NOON), locked.secrets(NOON + HOUR)) == (("whsec_new", f"whsec_{name}"), ("whsec_new",))
            assert "whsec" not in repr(locked)
            changed = await kept.listeners.change(locked, "x", locked.choice, {"off": OFF, "gone": GONE, "removed": REMOVED}[name], NOON)
            assert changed.revision == 2
            kept.events.add([due(1)])
    assert await claim(store, NOON) == []
    left = {name: await states(store, listener=listener.id) for name, listener in told.items()}
    assert left == {
        "off": [(1, DROPPED)],
        "gone": [(2, UNDELIVERED), (1, UNDELIVERED)],
        "removed": [(3, DROPPED), (2, DROPPED), (1, DROPPED)],
    }
    async with store.keep(HOME) as kept:
        assert sorted(each.state for each in await kept.listeners.page(None, 10)) == [GONE, OFF]
        assert await kept.listeners.count() == 2
        assert await kept.listeners.find(told["removed"].id) is None
        assert (await kept.listeners.by_key([3]))[3].secret == ""
        off = await kept.listeners.find(told["off"].id, lock=True)
        assert off is not None
        assert (await kept.listeners.change(off, "x", off.choice, ON, NOON)).state == ON
        assert await kept.events.forget(NOON, 10) == 0
        assert await kept.events.forget(NOON + 1, 10) == 3
        assert await kept.deliveries.page(WantedDeliveries(), None, 10) == []


async def test_numbers_go_on_after_a_long_rest(store: SqlStore) -> None:
    """The newest event is kept however old it is: whoever asks from where they were misses none of those that come after it."""
    async with store.keep(HOME) as kept:
        await make(kept, "a")
        kept.events.add([due(1), due(1), due(1)])
    async with store.keep(HOME) as kept:
        assert await kept.events.forget(NOON + HOUR, 10) == 2
        kept.events.add([due(1, NOON + HOUR)])
    async with store.look(HOME) as kept:
        assert [each.n for each in await kept.events.page(WantedEvents(), 3, 10)] == [4]


async def test_what_waits_is_never_forgotten(store: SqlStore) -> None:
    async with store.keep(HOME) as kept:
        await make(kept, "ab", all=Choice(url="https://x"))
        kept.events.add([due(1), due(2)])
    one, _ = await claim(store, NOON)
    await settle(store, one, DELIVERED, NOON)
    async with store.keep(HOME) as kept:
        assert await kept.events.forget(NOON + HOUR, 10) == 1
    assert await states(store) == [(2, WAITING)]
