"""What is told of a machine's life: each change once, in order, in the transaction that keeps it, and nothing out of season."""

import asyncio
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from datetime import datetime
from random import Random
from typing import Any

import pytest
from cloudevents.core.formats.json import JSONFormat
from cloudevents.core.v1.event import CloudEvent
from sqlalchemy import update

from fieldworthy.rest.fleet import writing
from fieldworthy.storage.engine import SqlStore, open_engine
from fieldworthy.storage.tables import computed
from fieldworthy.usecases.announce import MOST_BYTES, within_bounds
from fieldworthy.usecases.events import TYPES, WantedEvents
from fieldworthy.usecases.find_rulebook import FindRulebooks
from fieldworthy.usecases.kept import HOME
from fieldworthy.usecases.standings import Recompute
from tests.keep.event_lives import BOOK, HARVEST, OF_OTHERS, SOONER, WITHOUT_OIL, Life, Step, short
from tests.keep.service import Service

NEW: list[tuple[Step, list[str]]] = [
    (("publish", BOOK), []),
    (
        ("machine", {"in_service": {"on": "2026-07-01", "as": "new", "meters": {"bales": 0}}}),
        ["oil: None > unknown", "look: None > unknown"],
    ),
    (("reads", 10), ["oil: unknown > clear", "look: unknown > clear"]),
]
"""A new machine of which no meter was read yet; then it was."""

LIVES: dict[str, list[tuple[Step, list[str]]]] = {
    "up to overdue, done, and up again": [
        *NEW,
        (("reads", 100), []),
        (("reads", 230), ["oil: clear > upcoming"]),
        (("reads", 231), []),
        (("compute", 3), []),
        (("reads", 251), ["oil: upcoming > due"]),
        (("reads", 300), ["oil: due > overdue"]),
        (("done", "oil"), ["done oil", "oil: overdue > clear"]),
        (("reads", 560), ["oil: clear > due"]),
        (("done", "oil"), ["done oil", "oil: due > clear"]),
    ],
    "what was in between and never computed is never told": [
        *NEW,
        (("quietly reads", 230), []),
        (("quietly reads", 251), []),
        (("reads", 300), ["oil: clear > overdue"]),
    ],
    "a record is told once": [
        *NEW,
        (("done", ("oil", {"id": "a", "by": "p-1"})), ["done oil"]),
        (("done", ("oil", {"id": "a", "by": "p-2"})), []),
        (("done", ("oil", {"result": "not possible"})), []),
        (("done", ("oil", {"at": "2026-05-01T12:00:00Z", "meters": {"bales": 0}})), []),
        (("reads", 270), ["oil: clear > due"]),
        (("deferred", "look"), ["deferral.used"]),
    ],
    "unfit, and fit again": [
        *NEW,
        (("done", ("look", {"found": "a crack"})), ["done look", "fit: fit > unfit", "weld: None > due"]),
        (("reads", 20), []),
        (("done", "weld"), ["done weld", "fit: unfit > fit", "weld: due > clear"]),
    ],
    "a version that asks sooner, one that asks no more, and back": [
        *NEW,
        (("reads", 120), []),
        (("publish", SOONER), ["oil: clear > overdue"]),
        (("publish", WITHOUT_OIL), ["oil: overdue > clear"]),
        (("publish", SOONER), ["oil: None > overdue"]),
        (("publish", BOOK), ["oil: overdue > clear"]),
    ],
    "a time without an answer": [
        *NEW,
        (("reads", 251), ["oil: clear > due"]),
        (("publish", OF_OTHERS), []),
        (("publish", BOOK), []),
        (("publish", OF_OTHERS), []),
        (("reads", 300), []),
        (("publish", BOOK), ["oil: due > overdue"]),
    ],
    "none at first": [
        (("publish", BOOK), []),
        (("quietly machine", {}), []),
        (("publish", OF_OTHERS), []),
        (("reads", 300), []),
        (("publish", BOOK), ["oil: None > unknown", "look: None > unknown"]),
    ],
    "silent, heard of, and silent again": [
        *NEW,
        (("later", {"days": 6.9}), []),
        (("later", {"days": 0.2}), ["silent bales"]),
        (("later", {"days": 3}), []),
        (("reads", 12), []),
        (("later", {"days": 8}), ["silent bales"]),
        (("quietly reads", 13), []),
        (("later", {"days": 8}), ["silent bales"]),
    ],
    "silent after a machine's own days": [
        (("publish", BOOK), []),
        (("machine", {"silent_after": 30}), ["oil: None > unknown", "look: None > unknown"]),
        (("reads", 10), []),
        (("later", {"days": 29.9}), []),
        (("later", {"days": 0.2}), ["silent bales"]),
        (("machine", {"silent_after": 60}), []),
        (("reads", 11), []),
        (("later", {"days": 31}), []),
        (("machine", {"silent_after": 30}), ["silent bales"]),
        (("reads", 12), []),
        (("machine", {}), []),
        (("later", {"days": 7.1}), ["silent bales"]),
    ],
    "out of season nothing, and in season what still holds": [
        (("publish", HARVEST), []),
        *NEW[1:],
        (("reads", 230), ["oil: clear > upcoming"]),
        (("later", {"days": 60}), []),
        (("reads", 251), []),
        (("reads", 300), []),
        (("done", ("look", {"found": "a crack"})), ["done look"]),
        (("done", "weld"), ["done weld"]),
        (("compute", 2), []),
        (("later", {"days": 240}), []),
        (("later", {"days": 24}), ["oil: upcoming > overdue"]),
        (("later", {"days": 6}), ["silent bales"]),
    ],
    "a machine's own dates stand in place of the season's": [
        (("publish", HARVEST), []),
        (("machine", {"seasons": {"harvest": [{"from": "2026-09-01", "to": "2026-09-30"}]}}), []),
        (("reads", 10), []),
        (("later", {"days": 55}), ["oil: None > unknown", "look: None > unknown"]),
    ],
    "one that comes to be out of season": [
        (("publish", HARVEST), []),
        (("later", {"days": 90}), []),
        (("machine", {}), []),
        (("reads", 10), []),
        (("later", {"days": 234}), ["oil: None > unknown", "look: None > unknown"]),
    ],
    "readings that were set aside, once a post": [
        *NEW,
        (("reads", 5), ["aside 1 runs-backward"]),
        (("later", {"days": 60}), ["silent bales"]),
    ],
}


def chosen(told: list[str]) -> list[str]:
    """In any order where one computation tells of several tasks."""
    return sorted(told)


@pytest.mark.parametrize("name", LIVES)
async def test_lives(service: Service, name: str) -> None:
    life = Life(service)
    for i, (step, expected) in enumerate(LIVES[name]):
        assert chosen(await life.do(step)) == chosen(expected), (i, step)


async def test_of_what_was_computed_before_events_were_nothing_is_told(service: Service) -> None:
    """As an upgrade leaves it: the row is there, and says nothing of what was told."""
    life = Life(service)
    for step, _ in [*NEW, (("reads", 251), [])]:
        await life.do(step)
    async with service.store.writing() as connection:
        await connection.execute(update(computed).values(announced=None))
    assert await life.do(("reads", 252)) == []
    assert await life.do(("reads", 300)) == ["oil: due > overdue"]


async def test_what_is_told_is_a_cloudevent(service: Service) -> None:
    """CloudEvents 1.0.2, "Required Attributes", "Optional Attributes", "Type System"; JSON Event Format 1.0.2; by its SDK and by hand."""
    life = Life(service, "c 1-ü")
    await life.do(("publish", BOOK))
    reading = {"machine": "nobody", "meter": "bales", "value": 1, "at": service.now.isoformat()}
    await service.post("/v1/readings", {"readings": [reading]})
    for step, _ in LIVES["unfit, and fit again"][1:]:
        await life.do(step)
    await life.do(("deferred", "oil"))
    await life.do(("later", {"days": 9}))
    page = await service.get("/v1/events", params={"limit": "200"})
    assert page["next"] is None
    seen = set()
    for told in page["items"]:
        assert set(told) == {"specversion", "id", "source", "type", "subject", "time", "datacontenttype", "data"}
        assert told["specversion"] == "1.0"
        assert all(name.isascii() and name.isalnum() and name.islower() and len(name) <= 20 for name in told)
        assert all(isinstance(value, str) and value for name, value in told.items() if name != "data")
        assert told["type"] in TYPES
        assert datetime.fromisoformat(told["time"]).tzinfo is not None
        assert len(json.dumps(told, ensure_ascii=False).encode()) < 20_000
        read = JSONFormat().read(CloudEvent, json.dumps(told))
        assert (read.get_id(), read.get_source(), read.get_type()) == (told["id"], told["source"], told["type"])
        assert (read.get_subject(), read.get_data()) == (told["subject"], told["data"])
        assert read.get_time() == datetime.fromisoformat(told["time"])
        seen.add((told["source"], told["id"]))
    assert len(seen) == len(page["items"])
    kinds = {told["type"].removeprefix("fieldworthy.") for told in page["items"]}
    assert kinds >= {"task.due", "task.clear", "task.unknown", "task.done", "deferral.used", "machine.unfit", "machine.fit", "meter.silent"}
    assert kinds >= {"readings.set_aside"}


async def test_pages_of_events_go_on_where_the_one_before_ended(service: Service) -> None:
    life = Life(service)
    for step, _ in LIVES["up to overdue, done, and up again"]:
        await life.do(step)
    whole = await service.get("/v1/events", params={"limit": "200"})
    items, after = [], {}
    while True:
        page = await service.get("/v1/events", params={"limit": "3", **after})
        items += page["items"]
        after = {"after": page["resume"]}
        if page["next"] is None:
            break
        assert page["next"] == page["resume"]
    assert items == whole["items"]
    assert await service.get("/v1/events", params=after) == {"items": [], "next": None, "resume": after["after"]}
    await life.do(("reads", 840))
    later = await service.get("/v1/events", params=after)
    assert [each["type"] for each in later["items"]] == ["fieldworthy.task.overdue"]
    due = await service.get("/v1/events", params={"type": "fieldworthy.task.due", "machine": "c-1"})
    assert [each["data"]["standing"] for each in due["items"]] == ["due", "due"]
    assert (await service.get("/v1/events", params={"machine": "another"}))["items"] == []
    first = due["items"][0]["time"]
    assert (await service.get("/v1/events", params={"from": first, "to": first}))["items"] == []
    assert due["items"][0] in (await service.get("/v1/events", params={"from": first}))["items"]
    for bad in ({"type": "fieldworthy.task.eaten"}, {"from": "yesterday"}, {"after": "x"}, {"what": "1"}, {"limit": "0"}):
        answer = await service.http.get("/v1/events", params=bad)
        assert answer.status_code in (400, 422), answer.text


async def test_neither_without_the_other(service: Service) -> None:
    """Standings and their events, a record and its event: where the transaction fails there is neither, and later there are both, once."""
    life = Life(service)
    for step, _ in NEW:
        await life.do(step)
    await life.do(("quietly reads", 251))
    recompute = Recompute(Broken(service.store), FindRulebooks(service.store), writing())  # type: ignore[arg-type]
    with suppress(ZeroDivisionError):
        await recompute(HOME, 100)
    async with service.store.look(HOME) as kept:
        (_, there) = (await kept.standings.computed([1]))[1]
        assert (there.due, await kept.events.page(WantedEvents(type="fieldworthy.task.due"), 0, 10)) == (0, [])
    assert await life.do(("compute", 1)) == ["oil: clear > due"]


class Broken:
    """A store whose transactions fail as their very last deed."""

    def __init__(self, store: SqlStore) -> None:
        self.store, self.look, self.organisations = store, store.look, store.organisations

    def keep(self, *about: Any) -> Any:
        return self._keep(*about)

    @asynccontextmanager
    async def _keep(self, *about: Any) -> AsyncIterator[Any]:
        async with self.store.keep(*about) as kept:
            yield kept
            await kept.finish()  # type: ignore[attr-defined]  # all of it is written
            raise ZeroDivisionError


async def test_many_processes_tell_it_once(service: Service, address: str) -> None:
    life = Life(service)
    for step, _ in NEW:
        await life.do(step)
    others = [SqlStore(open_engine(address), lambda: service.now) for _ in range(3)]
    expected = []
    for bales, told in ((230, "oil: clear > upcoming"), (251, "oil: upcoming > due"), (300, "oil: due > overdue")):
        await life.do(("quietly reads", bales))
        await asyncio.gather(*(Recompute(store, FindRulebooks(store), writing())(HOME, 100) for store in (service.store, *others)))
        expected.append([told])
        assert [short(event) for event in await life.since()] == expected[-1]
    for store in others:
        await store.close()


@pytest.mark.parametrize(
    "large", [{"because": [{"code": "a", "text": "ü" * 3000}] * 20}, {"needs": "x" * 30_000}, {"told": {"why": "x" * 30_000}}]
)
def test_no_event_is_too_large_to_send(large: dict[str, Any]) -> None:
    told = within_bounds({"machine": "c-1", "standing": "due", "because": [{"code": "a", "text": "why"}], **large})
    assert len(json.dumps(told, ensure_ascii=False).encode()) < MOST_BYTES
    assert (told["machine"], told["standing"], told["shortened"]) == ("c-1", "due", True)
    assert told["because"][0]["code"] == "a"


@pytest.mark.parametrize("seed", range(2))
async def test_random_lives_are_told_truly(service: Service, address: str, seed: int) -> None:
    """By two processes that compute at the same time: each event says what the one before it said, and the last what stands."""
    draw = Random(seed)
    life, other = Life(service), SqlStore(open_engine(address), lambda: service.now)
    for step, _ in NEW:
        await life.do(step)
    shown, heard, done = 10, dict[str, str](), 0
    for _ in range(15):
        shown += draw.choice([0, 5, 40, 120])
        deeds: list[Step] = [("reads", shown), ("done", "oil"), ("done", ("look", {"found": draw.choice(["a crack", "a scratch"])}))]
        deeds += [("done", "weld"), ("publish", draw.choice([BOOK, SOONER, WITHOUT_OIL])), ("later", {"days": draw.choice([0.5, 9])})]
        deed, value = draw.choice(deeds)
        with suppress(AssertionError):  # a task that is not asked for any more can't be told of
            await life.do((f"quietly {deed}", value))
        for _ in range(draw.choice([1, 2])):
            await asyncio.gather(*(Recompute(store, FindRulebooks(store), writing())(HOME, 100) for store in (service.store, other)))
    async with service.store.look(HOME) as kept:
        for event in await kept.events.page(WantedEvents(machine="c-1"), 0, 1000):
            if event.standing is None or event.task is None:
                continue
            was = json.loads(event.body)["was"]
            assert (was or "clear") == heard.get(event.task, "clear")
            assert event.standing != heard.get(event.task, "clear")
            heard[event.task], done = event.standing, done + 1
    stands = {item["task"]: item["standing"] for item in (await service.get("/v1/due"))["items"]}
    assert {t: w for t, w in heard.items() if w != "clear"} == {t: w for t, w in stands.items() if w != "clear"}
    assert done > 3
    await other.close()
