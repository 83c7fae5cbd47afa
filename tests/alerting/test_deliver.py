"""Workers over a real store, with a real receiver: what arrives, in which order, how often it is tried, and who is left in peace."""

import asyncio
import json
import time
from datetime import UTC, datetime, timedelta

from cloudevents.core.bindings.http import HTTPMessage, from_structured_event
from sqlalchemy import update

from fieldworthy.storage.engine import SqlStore
from fieldworthy.storage.tables import deliveries
from fieldworthy.usecases.deliveries import DELIVERED, UNDELIVERED, WAITING
from fieldworthy.usecases.kept import HOME
from fieldworthy.usecases.listeners import GONE, ON
from fieldworthy.usecases.retrying import Schedule
from fieldworthy.usecases.signing import secret_text
from tests.faults.alerts_at_work import AtWork
from tests.faults.receiver import SLOW, Receiver, receiving


async def until(truth: object, within: float = 10.0) -> None:
    """Waits for what a function (awaited) says to be true."""
    end = time.monotonic() + within
    while not await truth():  # type: ignore[operator]
        assert time.monotonic() < end, "it never came about"
        await asyncio.sleep(0.02)


async def test_events_arrive_signed_once_and_in_order(store: SqlStore) -> None:
    work = AtWork(store)
    await work.machines("a", "b")
    async with receiving() as receiver, work.worker():
        await work.listener(receiver)
        first = await work.cause(5, machine=1)
        second = await work.cause(5, machine=2)
        third = await work.cause(3, machine=1)
        assert await receiver.took(13, 10)
        await until(lambda: all_are(work, DELIVERED))
    assert receiver.doubles == 0
    assert receiver.refused == []
    mine = [id for id in receiver.ids if id in {*first, *third}]
    assert mine == [*first, *third], "what is of one machine goes in order"
    assert [id for id in receiver.ids if id in second] == second
    told = receiver.taken[0]
    event = from_structured_event(HTTPMessage(told.headers, json.dumps(told.events[0]).encode()))
    assert (event.get_id(), event.get_specversion(), event.get_type()) == (told.id, "1.0", "fieldworthy.task.due")
    assert told.headers["content-type"] == "application/cloudevents+json"
    (tried,) = await work.attempts((await work.deliveries())[0])
    assert (tried.status, tried.trouble) == (200, None)


async def all_are(work: AtWork, state: str) -> bool:
    return {each.state for each in await work.deliveries()} == {state}


async def test_what_fails_is_tried_by_the_schedule_and_then_kept(store: SqlStore) -> None:
    work = AtWork(store)
    async with receiving(how="500") as receiver, work.worker(schedule=Schedule((0.0, 0.02, 0.02), 0.0)):
        listener = await work.listener(receiver)
        (id,) = await work.cause(1)
        await until(lambda: all_are(work, UNDELIVERED))
        (one,) = await work.deliveries()
        assert (one.event_id, one.tries, one.last_status, one.last_trouble) == (id, 3, 500, "it answered 500")
        assert [(each.status, each.trouble) for each in await work.attempts(one)] == [(500, "it answered 500")] * 3
        assert receiver.requests == 3
        assert (await work.read(listener)).failing is not None
        await receiver.does("well")
        async with store.dispatch(HOME) as kept:
            assert await kept.deliveries.again(listener.key, None, None, await kept.moment()) == 1
        assert await receiver.took(1, 5)
        await until(lambda: all_are(work, DELIVERED))
    assert receiver.ids == [id]
    assert (await work.read(listener)).failing is None


async def test_410_ends_a_listener_and_keeps_what_was_not_delivered(store: SqlStore) -> None:
    work = AtWork(store)
    await work.machines("a")
    async with receiving(how="410") as receiver, work.worker():
        listener = await work.listener(receiver)
        await work.cause(3, machine=1)
        await until(lambda: all_are(work, UNDELIVERED))
        assert (await work.read(listener)).state == GONE
        assert receiver.requests == 1
        await work.cause(1)
        await asyncio.sleep(0.1)
        assert receiver.requests == 1
        assert len(await work.deliveries()) == 3, "who is gone is told nothing more"


async def test_retry_after_holds_the_whole_listener(store: SqlStore) -> None:
    work = AtWork(store)
    async with receiving(how="429", retry_after="1") as receiver, work.worker():
        await work.listener(receiver)
        await work.cause(1)
        await until(lambda: asked(receiver, 1))
        began = time.monotonic()
        await receiver.does("well")
        await work.cause(2)
        assert await receiver.took(3, 5)
        assert time.monotonic() - began > 0.7, "it asked for a second"


async def asked(receiver: Receiver, n: int) -> bool:
    return receiver.requests >= n


async def test_a_receiver_that_is_back_is_told_soon(store: SqlStore) -> None:
    """What would have been tried in an hour goes out when something gets through; it is not waited for that hour."""
    work = AtWork(store)
    slow = Schedule((0.0, 3600.0, 3600.0))
    async with receiving(how="500") as receiver, work.worker(schedule=slow):
        await work.listener(receiver)
        first = await work.cause(3)
        await until(lambda: asked(receiver, 3))
        await receiver.does("well")
        assert not await receiver.took(1, 0.3)
        (new,) = await work.cause(1)
        assert await receiver.took(4, 5)
    assert {*receiver.ids} == {*first, new}


async def test_a_poisonous_event_is_not_tried_at_the_pace_of_others(store: SqlStore) -> None:
    class Choosy(Receiver):
        """Can't bear events that are about the first machine."""

        def _believed(self, headers: dict[str, str], body: bytes) -> bool:
            return json.loads(body)["subject"] != "machines/a" and super()._believed(headers, body)

    work = AtWork(store)
    await work.machines("a", "b")
    receiver = Choosy()
    await receiver.start()
    async with work.worker(schedule=Schedule((0.0, 3600.0, 3600.0, 3600.0, 3600.0, 3600.0)), most_hurried=2):
        await work.listener(receiver)
        await work.cause(1, machine=1)
        await until(lambda: asked(receiver, 1))
        for n in range(1, 7):
            await work.cause(1, machine=2)
            assert await receiver.took(n, 5)
        await until(lambda: count(work, DELIVERED, 6))
        await asyncio.sleep(0.1)
    await receiver.stop()
    (poison,) = await work.deliveries(state=WAITING)
    assert (poison.machine_id, poison.tries, poison.hurried) == ("a", 3, 2)


async def count(work: AtWork, state: str, n: int) -> bool:
    return len(await work.deliveries(state=state)) == n


async def test_a_slow_receiver_does_not_keep_the_others_waiting(store: SqlStore) -> None:
    work = AtWork(store)
    """The slow one takes longer than all of this may: so what the quick one got, it got beside attempts that were under way."""
    pace = {"at_once": 8, "at_once_each": 3, "lease": 120.0}
    async with receiving(how=SLOW, slow=60.0) as slow, receiving() as quick, work.worker(seconds=60.0, within=0.1, **pace):
        await work.listener(slow)
        await work.cause(20)
        await work.listener(quick)
        await work.cause(20)
        assert await quick.took(20, 30)
        assert slow.requests == 3, "so many at one time to one listener"


async def test_a_worker_that_stops_finishes_what_it_began(store: SqlStore) -> None:
    work = AtWork(store)
    async with receiving(how=SLOW, slow=0.3) as receiver:
        await work.listener(receiver)
        async with work.worker(seconds=3.0):
            await work.cause(1)
            await until(lambda: asked(receiver, 1))
        assert await all_are(work, DELIVERED)


async def test_a_worker_that_may_not_wait_lets_its_claim_go(store: SqlStore) -> None:
    work = AtWork(store)
    async with receiving(how=SLOW, slow=5.0) as receiver:
        await work.listener(receiver)
        async with work.worker(seconds=6.0, within=0.05, lease=3600.0):
            await work.cause(1)
            await until(lambda: asked(receiver, 1))
        await receiver.does("well")
        async with work.worker("two", lease=3600.0):
            assert await receiver.took(1, 3), "it need not wait for a lease of an hour"
    assert receiver.doubles == 0


async def test_a_claim_whose_worker_is_dead_is_taken_over(store: SqlStore) -> None:
    work = AtWork(store)
    async with receiving() as receiver:
        await work.listener(receiver)
        (id,) = await work.cause(1)
        async with store.dispatch(HOME) as kept:
            moment = await kept.moment()
            (dead,) = await kept.deliveries.claim(moment, moment + 1_500_000, "dead", 10)
        async with work.worker():
            assert not await receiver.took(1, 0.3), "it is another's until the lease ends"
            assert await receiver.took(1, 10)
            await until(lambda: all_are(work, DELIVERED))
    assert receiver.ids == [id] == [dead.id]


async def test_several_workers_send_each_once(store: SqlStore) -> None:
    work = AtWork(store)
    await work.machines("a", "b", "c")
    async with receiving() as receiver, work.worker("one"), work.worker("two"), work.worker("three"):
        await work.listener(receiver)
        told = [id for machine in (1, 2, 3, None) for id in await work.cause(10, machine=machine)]
        assert await receiver.took(40, 20)
        await until(lambda: all_are(work, DELIVERED))
    assert sorted(receiver.ids) == sorted(told)
    assert receiver.doubles == 0


async def test_a_secret_is_rotated_without_a_gap(store: SqlStore) -> None:
    """The receiver knows the old one, then the new one: at no time is an event refused, until the old one's time is over."""
    work = AtWork(store)
    new = secret_text(b"a new secret of this test, long")
    async with receiving() as receiver, work.worker():
        listener = await work.listener(receiver)
        (old,) = receiver.secrets

        async def rotate(overlap: int) -> None:
            async with store.keep(HOME) as kept:
                found = await kept.listeners.find(listener.id, lock=True)
                assert found is not None
                moment = await kept.moment()
                await kept.listeners.rotate(found, new, moment + overlap, moment)

        await rotate(60_000_000)
        for n, known in enumerate((old, new), 1):
            receiver.secrets[:] = [known]
            await work.cause(1)
            assert await receiver.took(n, 5)
        assert receiver.refused == []
        assert len(receiver.taken[0].headers["webhook-signature"].split(" ")) == 2
        await rotate(0)
        await work.cause(1)
        assert await receiver.took(3, 5)
        assert len(receiver.taken[2].headers["webhook-signature"].split(" ")) == 1
        receiver.secrets[:] = [old]
        await work.cause(1)
        await until(lambda: refused(receiver))
    assert (await work.read(listener)).state == ON


async def refused(receiver: Receiver) -> bool:
    return bool(receiver.refused)


async def test_what_a_listener_hears_once_a_day(store: SqlStore) -> None:
    """A digest is one request with all events, with an id of its own that stays the same, and urgent ones pass it."""
    soon = (datetime.now(UTC) + timedelta(minutes=1)).time().replace(second=0, microsecond=0)
    work = AtWork(store)
    async with receiving() as receiver, work.worker():
        await work.listener(receiver, digest=soon)
        told = await work.cause(3)
        (urgent,) = await work.cause(1, type="fieldworthy.machine.unfit")
        assert await receiver.took(1, 5)
        assert receiver.ids == [urgent]
        async with store.dispatch(HOME) as kept:  # a day is too long for a test: the moment comes at once
            await kept.connection.execute(update(deliveries).where(deliveries.c.state == WAITING).values(due=1))  # type: ignore[attr-defined]
        assert await receiver.took(4, 5)
    digest = receiver.taken[1]
    assert [event["id"] for event in digest.events] == told
    assert digest.headers["content-type"] == "application/cloudevents-batch+json"
    assert digest.id.startswith("dig_")
