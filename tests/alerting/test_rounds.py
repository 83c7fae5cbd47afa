"""A worker's rounds over several organisations: a fault of one holds up no other, and what was not tried counts as no try."""

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import event, text
from structlog.testing import capture_logs

from fieldworthy.core.base.micros import SECOND
from fieldworthy.storage.engine import SqlStore, open_engine
from fieldworthy.usecases.deliver import Deliver, Pace
from fieldworthy.usecases.deliveries import DELIVERED, UNDELIVERED, WAITING, WantedDeliveries
from fieldworthy.usecases.events import WantedEvents
from fieldworthy.usecases.forget_events import forgetting
from fieldworthy.usecases.keep_keys import create_key
from fieldworthy.usecases.kept import HOME
from fieldworthy.usecases.keys import KeyScope
from fieldworthy.usecases.listeners import Choice
from fieldworthy.usecases.one_by_one import one_by_one
from fieldworthy.usecases.ports import StoreUnavailable
from fieldworthy.usecases.retrying import Schedule
from fieldworthy.usecases.sending import Came, Letter, Outcome, Parcel
from tests.postgres import address_of
from tests.storage.test_deliveries import due, states

TAKEN = Outcome(Came.DELIVERED, 200)
ALL = WantedDeliveries()
LOCKED, AWAY = StoreUnavailable("locked", "wait"), StoreUnavailable("away", "wait")


@pytest.fixture
async def small(request: pytest.FixtureRequest, tmp_path: Path, ended: None) -> AsyncIterator[SqlStore]:
    """On SQLite alone: what the database has no part in."""
    store = SqlStore(open_engine(address_of("sqlite", request, tmp_path)))
    yield store
    await store.close()


class Does:
    """A sender that does what it is told, and remembers what it was to send."""

    def __init__(self, deed: Callable[[str], Awaitable[Outcome]]) -> None:
        self._deed = deed
        self.sent: list[str] = []

    async def send(self, parcel: Parcel) -> Outcome:
        self.sent.append(parcel.url)
        return await self._deed(parcel.url)

    async def mail(self, letter: Letter) -> Outcome:
        self.sent.append(letter.to)
        return await self._deed(letter.to)


def at_once(outcome: Outcome) -> Does:
    async def deed(_: str) -> Outcome:
        return outcome

    return Does(deed)


async def organisations(store: SqlStore, n: int) -> None:
    for i in range(1, n + 1):
        await create_key(store, f"Farm {i}", "so that it is there", [KeyScope.READ])


async def told(store: SqlStore, organisation: int = HOME, n: int = 1, **choice: Any) -> None:
    """One more listener, and so many events for all."""
    async with store.keep(organisation) as kept:
        now = await kept.moment()
        await kept.listeners.add("x", Choice(**(choice or {"url": f"https://{organisation}.example/"})), "whsec_x", now)
    async with store.keep(organisation) as kept:
        kept.events.add([due(None, now)] * n)


async def go(deliver: Deliver) -> int:
    """One round, to the end of what it began."""
    begun = await deliver.round()
    while deliver.under_way:
        await deliver.any_ends(5)
    return begun


async def harm(store: SqlStore, organisation: int, document: str) -> None:
    async with store.keep(organisation) as kept:
        await kept.connection.execute(
            text("update listeners set document = :d where organisation = :o"), {"d": document, "o": organisation}
        )  # type: ignore[attr-defined]


async def test_a_fault_of_one_organisation_holds_up_no_other(small: SqlStore) -> None:
    await organisations(small, 3)
    for organisation in (1, 2, 3):
        await told(small, organisation)
    await harm(small, 1, "{")
    sender = at_once(TAKEN)
    deliver = Deliver(small, sender, "w", Pace(rest=3600.0))
    with capture_logs() as logs:
        assert await go(deliver) == 2
        assert await go(deliver) == 0
    assert sorted(sender.sent) == ["https://2.example/", "https://3.example/"]
    assert [line["organisation"] for line in logs] == [1], "it rests, and is not told of at each look"
    deliver = Deliver(small, sender, "w", Pace(rest=0.0))
    await go(deliver)
    with pytest.raises(ValueError, match="Expecting"):  # nobody else has anything: whoever goes the rounds is told
        await go(deliver)


ROUNDS = [
    # which fail with what, who had their turn
    ({}, [1, 2, 3, 4, 5, 2]),
    ({1: ValueError(), 2: ValueError(), 3: ValueError(), 4: ValueError()}, [1, 2, 3, 4, 5]),
    ({2: LOCKED, 4: LOCKED}, [1, 2, 3, 4, 5]),
    ({1: AWAY, 2: AWAY, 3: AWAY}, [1, 2, 3]),
]


@pytest.mark.parametrize(("fail", "went"), ROUNDS)
async def test_one_after_the_other(fail: dict[int, Exception], went: list[int]) -> None:
    had: list[int] = []

    async def deed(organisation: int) -> bool:
        had.append(organisation)
        if organisation in fail:
            raise fail[organisation]
        return organisation == 2 and had.count(2) == 1

    if fail:
        with pytest.raises(type(next(iter(fail.values())))):
            await one_by_one([1, 2, 3, 4, 5], deed)
    else:
        await one_by_one([1, 2, 3, 4, 5], deed)
    assert had == went


async def test_forgetting_goes_on_behind_a_fault(small: SqlStore) -> None:
    await organisations(small, 2)
    async with small.keep(2) as kept:
        kept.events.add([due(None, 1)] * 2)
    dispatch = small.dispatch

    def faulty(organisation: int) -> Any:
        if organisation == 1:
            raise LOCKED
        return dispatch(organisation)

    small.dispatch = faulty  # type: ignore[method-assign, assignment]
    with pytest.raises(StoreUnavailable):
        await forgetting(small, 1)()
    async with small.look(2) as kept:
        assert [each.n for each in await kept.events.page(WantedEvents(), 0, 10)] == [2]


async def test_a_look_at_many_that_have_nothing_to_say_is_one_transaction(store: SqlStore) -> None:
    await organisations(store, 20)
    await told(store, 7)
    begun: list[object] = []
    event.listen(store.engine.sync_engine, "begin", begun.append)
    deliver = Deliver(store, at_once(TAKEN), "w")
    assert await go(deliver) == 1  # at the beginning it looks at each
    begun.clear()
    assert await go(deliver) == 0
    assert len(begun) == 1
    await told(store, 19)
    begun.clear()
    assert await go(deliver) == 1
    assert len(begun) <= 4, "and of those that have, the claim and the note"


async def test_a_fault_of_our_own_is_a_try_that_failed(small: SqlStore) -> None:
    async def fault(_: str) -> Outcome:
        raise ZeroDivisionError

    await told(small)
    deliver = Deliver(small, Does(fault), "w", Pace(schedule=Schedule((0.0, 0.0), 0.0), least_peace=0.0, most_peace=0.0))
    with capture_logs() as logs:
        assert [await go(deliver) for _ in range(3)] == [1, 1, 0]
    assert [line["log_level"] for line in logs] == ["error"] * 2
    async with small.look(HOME) as kept:
        (one,) = await kept.deliveries.page(ALL, None, 10)
    assert (one.state, one.tries, one.last_trouble) == (UNDELIVERED, 2, "a fault of our own")


async def test_what_was_not_tried_is_no_try(small: SqlStore) -> None:
    await told(small)
    noted: list[object] = []
    deliver = Deliver(small, at_once(Outcome(Came.NOT_TRIED)), "w", noted=lambda *each: noted.append(each))
    assert await go(deliver) == 1
    async with small.look(HOME) as kept:
        (one,) = await kept.deliveries.page(ALL, None, 10)
        assert (one.state, one.tries, await kept.deliveries.attempts(one)) == (WAITING, 0, [])
        assert [each.failing for each in await kept.listeners.page(None, 10)] == [None]
    assert noted == []
    sender = at_once(TAKEN)
    assert await go(Deliver(small, sender, "another")) == 1, "anybody may try it at once"


async def test_a_mail_that_is_cut_off_stays_claimed(small: SqlStore) -> None:
    """It goes on in its thread: whoever sent it again at once would send it twice."""
    await told(small, email="foreman@farm.example")
    await told(small, url="https://farm.example/", types=("fieldworthy.task.due",))

    async def slow(_: str) -> Outcome:
        await asyncio.sleep(60)
        return TAKEN

    cut_off = Deliver(small, Does(slow), "w")
    while await cut_off.round():
        pass
    await asyncio.sleep(0)
    await cut_off.finish(0)
    sender = at_once(TAKEN)
    await go(Deliver(small, sender, "another"))
    assert set(sender.sent) == {"https://farm.example/"}


HOLDS = [
    # a hold [s from now] that was there when the attempt began, one that came while it was under way, what is left of it
    (None, 600, 600),
    (None, None, None),
    (-1, -1, None),
    (-1, 3, None),  # what we give by ourselves ends with a success
    (-1, 600, 600),
]


@pytest.mark.parametrize(("before", "meanwhile", "left"), HOLDS)
async def test_a_success_does_not_end_a_retry_after_that_came_beside_it(
    small: SqlStore, before: int | None, meanwhile: int | None, left: int | None
) -> None:
    await told(small)
    async with small.look(HOME) as kept:
        now = await kept.moment()

    async def hold(seconds: int | None, failing: bool = True) -> None:
        async with small.dispatch(HOME) as kept:
            until = None if seconds is None else now + seconds * SECOND
            await kept.listeners.health(1, now - SECOND if failing else None, until)

    async def meanwhile_held(_: str) -> Outcome:
        await hold(meanwhile)
        return TAKEN

    await hold(before, before is not None)
    assert await go(Deliver(small, Does(meanwhile_held), "w")) == 1
    async with small.look(HOME) as kept:
        (found,) = await kept.listeners.page(None, 10)
    assert found.hold == (None if left is None else now + left * SECOND)
    assert (await states(small)) == [(1, DELIVERED)]


async def test_a_failure_does_not_shorten_a_retry_after(small: SqlStore) -> None:
    await told(small, n=2)
    async with small.look(HOME) as kept:
        now = await kept.moment()
    answers = [Outcome(Came.FAILED, 429, "x", 600.0), Outcome(Came.FAILED, 500, "x")]

    async def deed(_: str) -> Outcome:
        return answers.pop(0)

    assert await go(Deliver(small, Does(deed), "w")) == 2
    async with small.look(HOME) as kept:
        (found,) = await kept.listeners.page(None, 10)
    assert found.hold is not None
    assert found.hold >= now + 600 * SECOND
