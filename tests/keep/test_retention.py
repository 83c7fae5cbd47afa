"""Retention in a real store: what goes, what stays, and that the routes answer as before."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

import pytest

from fieldworthy.core.base.micros import DAY, HOUR, micros_of, micros_text
from fieldworthy.storage.engine import SqlStore
from fieldworthy.usecases.audit import Actor
from fieldworthy.usecases.kept import HOME
from fieldworthy.usecases.retention import Thinning, months_before, retain
from tests.keep.histories import load, publish
from tests.keep.service import BEGINNING, Service

pytestmark = pytest.mark.both_databases

RULEBOOK = {
    "rulebook": "tests",
    "title": "A machine of the tests",
    "meters": {"engine": {"unit": "h", "default": True}},
    "tasks": {
        "oil": {"title": "Oil", "kind": "replace", "interval": "every 250 h or every 12 months, whichever first"},
        "look": {"title": "Look", "kind": "inspect", "interval": "every working day"},
    },
}


def readings(days: int, a_day: int) -> list[dict[str, Any]]:
    """So many readings on each of so many days before the beginning, an hour apart; the newest are of yesterday."""
    first = micros_of(BEGINNING) - days * DAY
    return [
        {"meter": "engine", "at": micros_text(first + day * DAY + hour * HOUR), "value": day * a_day * 0.5 + hour * 0.5}
        for day in range(days)
        for hour in range(a_day)
    ]


async def load_all(service: Service, id: str, sent: list[dict[str, Any]], done: list[dict[str, Any]]) -> None:
    """The machine, its readings through the route that takes many, and its records."""
    await load(service, "tests", {"id": id, "done": done})
    answer = await service.post("/v1/readings", [{"machine": id, **reading} for reading in sent])
    assert answer["kept"] == len(sent)


async def due(service: Service, id: str) -> Any:
    answer = await service.get(f"/v1/machines/{id}/due", params={"now": BEGINNING.isoformat()})
    for task in answer["tasks"]:
        del task["expected"]
    del answer["as_of"]
    return answer


async def count(service: Service) -> dict[str, int]:
    async with service.store.look(HOME) as kept:
        found = {}
        for machine in await kept.machines.page(None, 1000):
            keys = [meter.key for meter in (await kept.readings.meters_of([machine.key])).values()]
            found[machine.id] = sum(map(len, (await kept.readings.series(keys)).values()))
    return found


async def test_old_readings_go_and_no_due_date(service: Service) -> None:
    await publish(service, RULEBOOK)
    old = micros_of(BEGINNING) - 390 * DAY
    done = [{"task": "oil", "at": micros_text(old + 3 * HOUR)}]
    await load_all(service, "r5-1", readings(400, 6), done)
    await load_all(service, "r5-2", readings(400, 6), [])
    before = {id: await due(service, id) for id in ("r5-1", "r5-2")}
    told = await retain(service.store, 12)
    # 35 days are older than twelve months; the one with a record stays whole
    assert await count(service) == {"r5-1": 2400 - 34 * 4, "r5-2": 2400 - 35 * 4}
    assert (told.machines, told.dropped) == (2, 69 * 4)
    assert {id: await due(service, id) for id in ("r5-1", "r5-2")} == before
    again = await retain(service.store, 12)
    assert (again.machines, again.dropped, again.kept) == (2, 0, told.kept)
    service.later(days=3)  # and the day of the cut before is a day as any other
    await retain(service.store, 12)
    assert await count(service) == {"r5-1": 2400 - 37 * 4, "r5-2": 2400 - 38 * 4}
    assert {id: await due(service, id) for id in ("r5-1", "r5-2")} == before


NOW = micros_of(BEGINNING)
CUT = micros_of(months_before(BEGINNING, 12))
NOON = micros_of(BEGINNING) - 380 * DAY + 2 * HOUR + HOUR // 2
"""In the middle of a day that is thinned out."""


def uneven(days: int) -> list[dict[str, Any]]:
    """Of each day a reading at its beginning, one at its end, and between them two that lie off the line."""
    first = NOW - days * DAY
    hours = ((0, 0.0), (1, 0.2), (4, 4.0), (5, 4.0))
    return [
        {"meter": "engine", "at": micros_text(first + day * DAY + hour * HOUR), "value": 4 * day + value}
        for day in range(days)
        for hour, value in hours
    ]


# the moment asked about, that of which it was known, and whether that is told as one from before the readings were thinned out
ASKED: list[tuple[str, dict[str, int], bool]] = [
    ("now", {}, False),
    ("at a moment since", {"now": CUT}, False),
    ("at a moment of before", {"now": CUT - 1}, True),
    ("by what was known since", {"as_of": NOW}, False),
    ("of before, by what was known since", {"now": NOON, "as_of": NOW}, True),
    ("in time to come", {"now": NOW + DAY}, False),
]


@pytest.mark.parametrize(("asked", "told"), [each[1:] for each in ASKED], ids=[each[0] for each in ASKED])
async def test_what_is_drawn_from_readings_that_stayed_says_so(service: Service, asked: dict[str, int], told: bool) -> None:
    await publish(service, RULEBOOK)
    await load_all(service, "r5-1", uneven(400), [])
    await load_all(service, "r5-2", uneven(300), [])  # none is older than twelve months
    params = {name: micros_text(at) for name, at in asked.items()}
    for id in ("r5-1", "r5-2"):
        assert (await service.get(f"/v1/machines/{id}/due", params=params))["thinned_before"] is None
    await retain(service.store, 12)
    since = {id: (await service.get(f"/v1/machines/{id}/due", params=params))["thinned_before"] for id in ("r5-1", "r5-2")}
    assert since == {"r5-1": micros_text(CUT) if told else None, "r5-2": None}
    await retain(service.store, 13)  # an earlier cut: what went stays gone
    assert (await service.get("/v1/machines/r5-1/due", params=params))["thinned_before"] == since["r5-1"]


async def test_the_fleet_of_an_earlier_moment_says_so_too(service: Service) -> None:
    """Machines that were there before the cut: their documents, and what was told of them, are known since then."""
    await publish(service, RULEBOOK)
    await load_all(service, "r5-1", uneven(40), [])
    await load_all(service, "r5-2", uneven(1)[:2], [])
    of = micros_text(micros_of(service.now))
    service.later(days=500)
    assert (await service.get("/v1/due", params={"as_of": of}))["thinned_before"] is None
    told = await retain(service.store, 12)
    assert told.dropped > 0
    cut = micros_text(micros_of(months_before(service.now, 12)))
    assert (await service.get("/v1/due", params={"as_of": of}))["thinned_before"] == cut
    assert (await service.get("/v1/due", params={"as_of": of, "machine": "r5-2"}))["thinned_before"] is None
    for params in ({}, {"as_of": micros_text(micros_of(service.now))}):
        assert (await service.get("/v1/due", params=params))["thinned_before"] is None
    # and so do the readings themselves, wherever they are asked for from before the cut
    for id, query, said in (
        ("r5-1", {}, cut),
        ("r5-1", {"as_of": of}, cut),
        ("r5-1", {"as_of": of, "from": micros_text(micros_of(months_before(service.now, 12)) - 1)}, cut),
        ("r5-1", {"as_of": of, "from": cut}, None),
        ("r5-2", {"as_of": of}, None),
    ):
        assert (await service.get(f"/v1/machines/{id}/readings", params=query))["thinned_before"] == said, (id, query)


class Slow:
    """A store that ends each of its thinning transactions only after a while."""

    def __init__(self, store: SqlStore) -> None:
        self._store = store
        self.dropped = asyncio.Event()

    @asynccontextmanager
    async def thin(self, organisation: int, actor: Actor) -> AsyncIterator[Thinning]:
        async with self._store.thin(organisation, actor) as thinning:
            yield thinning
            if (machine := await thinning.kept.machines.find("r5-1")) is not None:
                (meter,) = (await thinning.kept.readings.meters_of([machine.key])).values()
                if len((await thinning.kept.readings.series([meter.key]))[meter.key]) < 1600:
                    self.dropped.set()
                    await asyncio.sleep(0.5)


async def test_a_moment_that_is_asked_of_while_readings_go_is_answered_the_same_ever_after(service: Service) -> None:
    """The answer waits for the readings that are going: what is known at that moment is what stayed of them."""
    await publish(service, RULEBOOK)
    await load_all(service, "r5-1", uneven(400), [{"task": "oil", "at": micros_text(NOW - 399 * DAY), "meters": {"engine": 4}}])
    service.later(seconds=1)
    params = {"now": micros_text(NOON), "as_of": micros_text(micros_of(service.now))}
    before = await service.http.get("/v1/machines/r5-1/due", params=params)
    slow = Slow(service.store)
    thinning = asyncio.create_task(retain(slow, 12))
    await asyncio.wait_for(slow.dropped.wait(), 20)
    during = await service.http.get("/v1/machines/r5-1/due", params=params)
    await thinning
    service.later(days=1)
    after = await service.http.get("/v1/machines/r5-1/due", params=params)
    assert during.content == after.content
    assert before.json()["tasks"] != after.json()["tasks"], "between a day's first reading and its last the count lies on a line now"


async def test_standings_that_are_kept_ready_are_drawn_from_what_stayed(service: Service) -> None:
    await publish(service, RULEBOOK)
    await load_all(service, "r5-1", uneven(400), [])
    before = (await service.get("/v1/due"))["items"]
    service.later(seconds=1)
    await retain(service.store, 12)
    page = await service.get("/v1/due")
    assert page["stale"] == 0
    assert {item["as_of"] for item in page["items"]} == {micros_text(micros_of(service.now))} != {item["as_of"] for item in before}
    own = await service.get("/v1/machines/r5-1/due", params={"now": page["items"][0]["computed_at"]})
    assert [item["expected"] for item in page["items"]] == [task["expected"] for task in own["tasks"]]


async def test_answers_to_repeated_requests_are_forgotten_after_a_week(service: Service) -> None:
    await publish(service, RULEBOOK)
    sent = {"headers": {"idempotency-key": "k-1"}}
    await service.put("/v1/machines/r5-1", {"rulebook": "tests"}, **sent)
    service.later(days=6)
    assert (await retain(service.store, 24)).answers == 0
    again = await service.http.put("/v1/machines/r5-1", json={"rulebook": "tests"}, **sent)
    assert again.status_code == 201
    service.later(days=2)
    assert (await retain(service.store, 24)).answers == 1
    forgotten = await service.http.put("/v1/machines/r5-1", json={"rulebook": "tests"}, **sent)
    assert forgotten.status_code != 201
