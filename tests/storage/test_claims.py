"""Whose turn it is: what waits behind others hides nothing, mails go together, and tests are counted. On both databases."""

from dataclasses import replace
from datetime import time

from fieldworthy.storage.engine import SqlStore
from fieldworthy.usecases.deliveries import DELIVERED, MAIL_EVERY, UNDELIVERED, WAITING, Claim, WantedDeliveries
from fieldworthy.usecases.events import TEST, UNFIT
from fieldworthy.usecases.kept import HOME
from fieldworthy.usecases.listeners import Choice
from tests.storage.test_deliveries import DUE, HOUR, NOON, SECOND, claim, due, make, settle

MAIL = Choice(email="foreman@farm.example")
MANY = 300  # more than one claim looks at of one listener


def numbers(one: Claim) -> list[int]:
    return [event.n for event in one.events]


async def test_many_that_wait_behind_one_hide_nobody_else(store: SqlStore) -> None:
    async with store.keep(HOME) as kept:
        told = await make(kept, "abc", all=Choice(url="https://x"), other=Choice(url="https://x", sites=("south",)))
        kept.events.add([due(1)] * MANY)
    async with store.keep(HOME) as kept:
        kept.events.add([due(2, NOON + 1), due(None, NOON + 2), due(3, NOON + 3, site="south"), due(2, NOON + 4)])
    (first,) = await claim(store, NOON, "one", 1)
    assert numbers(first) == [1]
    others = await claim(store, NOON + SECOND, "another")
    assert [(one.listener.key, numbers(one)) for one in others] == [
        (told["all"].key, [MANY + 1]),
        (told["all"].key, [MANY + 2]),
        (told["all"].key, [MANY + 3]),
        (told["other"].key, [MANY + 3]),
    ]
    assert await settle(store, first, DELIVERED, NOON + SECOND)
    assert [numbers(one) for one in await claim(store, NOON + SECOND)] == [[2]]


async def test_the_longest_due_come_first_whoever_they_are_for(store: SqlStore) -> None:
    async with store.keep(HOME) as kept:
        await make(kept, "ab", held=Choice(url="https://x"), b=Choice(url="https://x", sites=("s",)), a=Choice(url="https://x"))
        kept.events.add([due(None, NOON + at, site="s") for at in (0, 2, 4)] + [due(None, NOON + at) for at in (1, 3, 5)])
        await kept.listeners.health(1, NOON, NOON + HOUR)
    got = [(one.events[0].at - NOON, one.listener.key) for one in await claim(store, NOON + SECOND, most=5)]
    assert got == [(0, 2), (0, 3), (1, 3), (2, 2), (2, 3)]
    async with store.dispatch(HOME) as kept:
        busy = await kept.deliveries.claim(NOON + SECOND, NOON + HOUR, "w", 9, [3])
    assert [one.events[0].at - NOON for one in busy] == [4]


async def test_what_waits_for_a_mail_goes_in_one(store: SqlStore) -> None:
    """The first at once, the next ten minutes later, with all that came up meanwhile; at each try as it was."""
    async with store.keep(HOME) as kept:
        await make(kept, "ab", foreman=MAIL)
        kept.events.add([due(1)])
    (first,) = await claim(store, NOON)
    assert numbers(first) == [1]
    for n in range(1, 151):
        async with store.keep(HOME) as kept:
            kept.events.add([due(1 + n % 2, NOON + n * SECOND)])
    assert await settle(store, first, DELIVERED, NOON + 200 * SECOND)
    async with store.keep(HOME) as kept:
        kept.events.add([due(1, NOON + 201 * SECOND, type=UNFIT)])
    (urgent,) = await claim(store, NOON + 201 * SECOND)
    assert (numbers(urgent), urgent.id) == ([152], urgent.events[0].id)
    assert await settle(store, urgent, DELIVERED, NOON + 201 * SECOND)
    next = NOON + 200 * SECOND + MAIL_EVERY
    assert await claim(store, next - 1) == []
    async with store.look(HOME) as kept:
        page = await kept.deliveries.page(WantedDeliveries(state=WAITING), None, 200)
        assert {each.due for each in page} == {next}, "it is said when it is tried"
    (second,) = [one for one in await claim(store, next) if one.is_digest]
    assert numbers(second) == list(range(2, 152))
    assert second.id.startswith("dig_")
    assert await settle(store, second, WAITING, next, next + 5 * SECOND, 421)
    (again,) = [one for one in await claim(store, next + 5 * SECOND) if one.is_digest]
    assert (again.id, numbers(again), again.tries) == (second.id, numbers(second), 1)


async def test_what_failed_by_http_goes_in_one_mail_once_there_is_an_address(store: SqlStore) -> None:
    async with store.keep(HOME) as kept:
        told = await make(kept, "ab", all=Choice(url="https://x"))
        kept.events.add([due(1), due(2), due(None)])
    for one in await claim(store, NOON):
        await settle(store, one, WAITING, NOON, NOON + HOUR, 500)
    async with store.keep(HOME) as kept:
        locked = await kept.listeners.find(told["all"].id, lock=True)
        assert locked is not None
        mail = await kept.listeners.change(locked, "x", MAIL, locked.state, NOON)
    (one,) = await claim(store, NOON)
    assert numbers(one) == [1, 2, 3]
    assert await settle(store, one, UNDELIVERED, NOON)
    async with store.keep(HOME) as kept:
        assert await kept.deliveries.again(mail.key, None, None, NOON) == 3
    assert await claim(store, NOON + MAIL_EVERY - 1) == [], "nor does sending again bring more mails"
    (one,) = await claim(store, NOON + MAIL_EVERY)
    assert numbers(one) == [1, 2, 3]


def test_lanes_of_mails() -> None:
    digest = replace(MAIL, digest=time(6))
    assert [choice.lane(type).name for choice in (MAIL, digest) for type in (DUE, UNFIT, TEST)] == ["DIGEST", "URGENT", "URGENT"] * 2
    assert MAIL.when(MAIL.lane(DUE), NOON) == NOON


async def test_tests_are_counted(store: SqlStore) -> None:
    """By the last hour, whatever o'clock it is; what another clock noted as to come does not count."""
    async with store.keep(HOME) as kept:
        listener = (await make(kept, "", all=MAIL))["all"]
        came = [await kept.listeners.tested(listener, NOON + n, 3, HOUR) for n in range(5)]
        assert came == [None, None, None, NOON + HOUR, NOON + HOUR]
        came = [await kept.listeners.tested(listener, NOON + HOUR + n, 3, HOUR) for n in (0, 0, 1, 2, 3)]
        assert came == [None, NOON + HOUR + 1, None, None, NOON + 2 * HOUR]
        assert await kept.listeners.tested(listener, NOON, 3, HOUR) is None
