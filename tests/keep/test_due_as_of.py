"""An answer, asked again with its own `now` and `as_of`, is the same to the byte, whatever was kept, corrected or published since."""

import asyncio
import itertools
import json
from collections import Counter
from datetime import timedelta
from random import Random
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fieldworthy.core.base.micros import DAY, HOUR, SECOND, micros_of, micros_text
from fieldworthy.usecases.kept import HOME, MACHINE, Entry, next_known
from tests.effort import examples
from tests.keep.histories import publish, put_machine, read, tell
from tests.keep.service import BEGINNING, Service

pytestmark = pytest.mark.both_databases

NUMBERS = itertools.count(1)
SEEN: Counter[str] = Counter()

FIRST: dict[str, Any] = {
    "title": "A machine of the tests",
    "meters": {"engine": {"unit": "h", "default": True}, "drum": {"unit": "h"}},
    "working_conditions": {"ground": ["light", "stony"]},
    "occurrences": {"belt fitted": {}},
    "options": ["chopper"],
    "tasks": {
        "oil": {"title": "Change the oil", "kind": "replace", "interval": "every 250 h or every 12 months, whichever first"},
        "grease": {"title": "Grease", "kind": "lubricate", "interval": "every 50 h; when ground is stony, every 20 h"},
        "belt": {"title": "Check the belt", "kind": "inspect", "interval": "once 10 h after belt fitted"},
        "knives": {"title": "Turn the knives", "kind": "adjust", "interval": "every 40 h of drum since last due", "may_defer": "10 h"},
        "look": {"title": "Look around", "kind": "inspect", "interval": "every working day"},
    },
}
VERSIONS: list[dict[str, Any]] = [
    FIRST,
    {**FIRST, "tasks": {**FIRST["tasks"], "oil": {**FIRST["tasks"]["oil"], "interval": "every 300 h"}}},
    {  # a meter, a condition and three tasks are gone
        **{k: v for k, v in FIRST.items() if k != "working_conditions"},
        "meters": {"engine": {"unit": "min", "default": True}},
        "tasks": {"oil": {**FIRST["tasks"]["oil"], "interval": "every 9000 min"}, "belt": FIRST["tasks"]["belt"]},
    },
    {
        **FIRST,
        "occurrences": {"knife fitted": {}},
        "options": ["spreader"],
        "tasks": {k: v for k, v in FIRST["tasks"].items() if k != "belt"},
    },
]

Step = tuple[Any, ...]


class History:
    """Random things that may happen to what is kept of a machine. One seed, one history; fewer steps are its beginning."""

    def __init__(self, seed: int) -> None:
        self.random = Random(seed)

    def hour(self) -> int:
        return self.random.randint(-400 * 24, 20) * HOUR

    def moment(self) -> str:
        return (BEGINNING + timedelta(microseconds=self.hour())).isoformat()

    def day(self) -> str:
        return self.moment()[:10]

    def when(self) -> dict[str, str]:
        return self.random.choice([{"at": self.moment()}, {"at": self.moment()}, {"on": self.day()}])

    def meters(self) -> dict[str, int]:
        shown = {"engine": self.random.randint(0, 900), "drum": self.random.randint(0, 400)}
        return {meter: value for meter, value in shown.items() if self.random.random() < 0.6}

    def body(self, kind: str) -> tuple[dict[str, Any], str]:
        match kind:
            case "done":
                task = self.random.choice([*FIRST["tasks"], "gone"])
                when = self.when() if self.random.random() < 0.6 else {}
                return {"task": task, "meters": self.meters(), **when}, task
            case "occurrence":
                return {"occurrence": "belt fitted", "meters": self.meters(), **self.when()}, "belt fitted"
            case "working-condition":
                return {"condition": "ground", "value": self.random.choice(["light", "stony"]), "from": self.moment()}, "ground"
            case "deferral":
                return {"task": "knives", "by": "p-1", "why": "rain", "at": self.moment()}, "knives"
        old, new = self.random.randint(300, 900), self.random.randint(0, 5)
        return {"meter": "engine", "at": self.moment(), "old_value": old, "new_value": new}, "engine"

    def tell(self) -> Step:
        kind = self.random.choice(["done", "done", "done", "occurrence", "working-condition", "deferral", "meter-replacement"])
        body, about = self.body(kind)
        return "tell", kind, self.random.choice("abcdef"), body if self.random.random() < 0.8 else None, about

    def read(self) -> Step:
        """A few readings, most of them as a meter counts; some take the place of others, or only withdraw them."""
        told = {}
        for _ in range(self.random.randint(1, 6)):
            meter, at = self.random.choice(["engine", "drum"]), self.hour() // (24 * HOUR) * 24 * HOUR
            value = (at // HOUR + 400 * 24) * 90_000 if self.random.random() < 0.8 else self.random.randint(0, 900 * 10**6)
            unit = self.random.choice([None, None, "h", "min"])
            told[meter, at] = (meter, at, value if self.random.random() < 0.9 else None, unit)
        return "read", list(told.values())

    def change(self) -> Step:
        may = {
            "options": ["chopper"],
            "timezone": "Europe/London",
            "in_service": {"on": "2025-03-01", "as": "new", "meters": {"engine": 0, "drum": 0}},
            "usage": {"engine": {"per_day": 6}},
            "notice": {"share": 0.25},
        }
        return "change", self.random.random() < 0.3, {k: v for k, v in may.items() if self.random.random() < 0.5}

    def step(self) -> Step:
        match self.random.randint(0, 9):
            case 0 | 1 | 2:
                return self.tell()
            case 3 | 4:
                return self.read()
            case 5:
                return self.change()
            case 6:
                return "publish", self.random.choice(VERSIONS)
            case 7:
                return "later", self.random.randint(1, 3 * DAY)
        return "ask", self.random.random() < 0.5, self.random.randint(-30, 400), self.random.random() < 0.7


@settings(max_examples=examples(24), suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.integers(0, 2**64), st.integers(5, 30))
async def test_an_answer_stays_what_it_was(service: Service, seed: int, length: int) -> None:
    history = History(seed)
    steps = [history.step() for _ in range(length)]
    number = next(NUMBERS)
    book, machine = f"book-{number}", f"m-{number}"
    published = 0

    async def next_version(document: dict[str, Any]) -> None:
        nonlocal published
        published += 1
        await publish(service, {"rulebook": book, **document})

    async def answer(**params: str) -> tuple[int, bytes]:
        given = await service.http.get(f"/v1/machines/{machine}/due", params=params)
        assert given.status_code in (200, 422), given.text
        return given.status_code, given.content

    service.now = BEGINNING + timedelta(days=number)
    await next_version(FIRST)
    service.later(minutes=1)
    await put_machine(service, machine, {"rulebook": book})
    given_then: list[tuple[dict[str, str], tuple[int, bytes]]] = []
    for step in [*steps, ("ask", True, 0, True)]:
        service.later(milliseconds=1)  # no two things happen at one moment
        match step:
            case ("tell", kind, own, body, about):
                await tell(service, machine, [(kind, own, body, about)])
            case ("read", told):
                await read(service, machine, [(m, micros_of(BEGINNING) + at, value, unit) for m, at, value, unit in told])
            case ("change", pinned, document):
                await put_machine(service, machine, {"rulebook": f"{book}@{published}" if pinned else book, **document})
            case ("publish", document):
                await next_version(document)
            case ("later", micros):
                service.later(microseconds=micros)
            case ("ask", plain, ago, all_tasks):
                asked: dict[str, str] = {} if plain else {"now": (service.now - timedelta(days=ago)).isoformat(), "notice_days": "20"}
                if not all_tasks:
                    asked["tasks"] = "oil"
                status, body = await answer(**asked)
                SEEN[str(status)] += 1
                if status == 200:
                    told = json.loads(body)
                    again = {**asked, "now": told["now"], "as_of": told["as_of"]}
                    given_then.append((again, (status, body)))
                    SEEN.update(thing["why"] for thing in told["left_out"])
                    SEEN["placed"] += bool(told["placed"])
                if plain:  # as of the moment itself, and no `now`
                    given_then.append((({**asked, "as_of": service.now.isoformat()}), (status, body)))
    service.later(days=1)
    for document in (VERSIONS[2], VERSIONS[1]):
        service.later(hours=1)
        await next_version(document)
    await tell(service, machine, [("done", own, None, "oil") for own in "abcde"])
    await read(service, machine, [("engine", micros_of(BEGINNING) - h * HOUR, 10**6 * (900 - h), None) for h in range(5)])
    for asked, then in given_then:
        assert await answer(**asked) == then


def test_the_histories_held_what_they_should_try() -> None:
    """Runs after the property: histories in which nothing was ever left out, or placed, would prove little."""
    assert SEEN["200"] > 50
    assert SEEN["not-declared"]
    assert SEEN["no-time"]
    assert SEEN["placed"]


async def test_what_is_being_kept_at_the_moment_is_waited_for(service: Service) -> None:
    """Who asks as of just now, while somebody is in the middle of keeping something, gets an answer that holds it, and holds for ever."""
    await put_machine(service, "c-1", {"rulebook": "combine"})
    asked = {"as_of": ""}
    async with service.store.keep(HOME) as kept:
        machine = (await kept.machines.lock(["c-1"]))["c-1"]
        known = await next_known(kept, [machine])
        service.later(seconds=1)
        asked["as_of"] = micros_text(micros_of(service.now))
        first = asyncio.create_task(service.http.get("/v1/machines/c-1", params=asked))
        await asyncio.sleep(0.2)
        assert not first.done()
        document = json.dumps({"rulebook": "combine", "site": "north"})
        await kept.entries.put(machine.key, [Entry(MACHINE, "", known, known, "", document)])
        await kept.machines.touch([machine], known)
    assert (await first).json()["document"] == {"rulebook": "combine", "site": "north"}
    service.later(seconds=5)
    await put_machine(service, "c-1", {"rulebook": "combine", "site": "south"})
    assert (await service.http.get("/v1/machines/c-1", params=asked)).content == (await first).content


async def test_as_of_a_moment_that_lies_ahead_nothing_is_known(service: Service) -> None:
    await put_machine(service, "c-1", {"rulebook": "combine"})
    for path in ("/v1/due", "/v1/machines/c-1", "/v1/machines/c-1/due", "/v1/machines/c-1/done", "/v1/machines/c-1/locks"):
        ahead = await service.http.get(path, params={"as_of": micros_text(micros_of(service.now) + 2 * SECOND)})
        assert (ahead.status_code, ahead.json()["errors"][0]["code"]) == (422, "question.as_of"), path
