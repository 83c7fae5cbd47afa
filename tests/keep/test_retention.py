"""Retention in a real store: what goes, what stays, and that the routes answer as before."""

from typing import Any

from fieldworthy.core.base.micros import DAY, HOUR, micros_of, micros_text
from fieldworthy.usecases.kept import HOME
from fieldworthy.usecases.retention import retain
from tests.keep.histories import load, publish
from tests.keep.service import BEGINNING, Service

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
