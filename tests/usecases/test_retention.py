"""Retention drops readings, and no due date: what is answered before and after it is the same at every later moment."""

import json
from collections import Counter
from datetime import UTC, datetime, timedelta
from random import Random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fieldworthy.core.base.micros import DAY, HOUR, at_micros, micros_of, micros_text
from fieldworthy.usecases.ask_kept_due import Read, answer_kept
from fieldworthy.usecases.assemble import Told
from fieldworthy.usecases.find_rulebook import Found, checked
from fieldworthy.usecases.kept import MACHINE, WITHDRAWN, Entry, Machine
from fieldworthy.usecases.kept_readings import Point
from fieldworthy.usecases.ports import Version
from fieldworthy.usecases.refusals import QuestionDoesNotFit
from fieldworthy.usecases.retention import hanging_on, months_before, spare
from tests.effort import examples

BEGINNING = datetime(2024, 3, 20, 5, 30, tzinfo=UTC)
START = micros_of(BEGINNING)
CUT, END = 60, 110  # days: readings from before the cut are old

FOUND = Found(
    checked(
        {
            "rulebook": "tests",
            "title": "A machine of the tests",
            "meters": {"engine": {"unit": "h", "default": True, "good_for": "3 days"}, "drum": {"unit": "h"}},
            "working_conditions": {"ground": ["light", "stony"]},
            "occurrences": {"belt fitted": {}},
            "seasons": {"harvest": {"from": "04-10", "to": "06-01"}},
            "tasks": {
                "oil": {"title": "Oil", "kind": "replace", "interval": "every 250 h or every 2 months, whichever first"},
                "grease": {"title": "Grease", "kind": "lubricate", "interval": "every 50 h; when ground is stony, every 20 h"},
                "belt": {"title": "Belt", "kind": "inspect", "interval": "once 10 h after belt fitted"},
                "knives": {"title": "Knives", "kind": "adjust", "interval": "every 40 h of drum since last due", "may_defer": "10 h"},
                "look": {"title": "Look", "kind": "inspect", "interval": "every working day"},
                "season": {"title": "Season", "kind": "clean", "interval": "every 60 h during harvest"},
                "daily": {"title": "Daily", "kind": "clean", "interval": "daily during harvest"},
                "both": {"title": "Both", "kind": "inspect", "interval": "every 30 h and every 3 weeks, whichever last"},
                "plan": {"title": "Plan", "kind": "replace", "interval": "every 100 h on the meter, within 10 h late"},
            },
        }
    ),
    1,
)
VERSION = Version("tests", 1, "sha256:0", "T", BEGINNING)
SEEN: Counter[str] = Counter()


class History:
    """A machine of which readings came several times a day, and of which this and that was told now and then."""

    def __init__(self, seed: int) -> None:
        self.random = random = Random(seed)
        self.document = {
            "rulebook": "tests",
            "timezone": random.choice(["UTC", "Europe/Berlin", "America/Chicago"]),
            "day_starts": random.choice(["00:00", "04:00"]),
            "in_service": {"on": "2024-03-10", "as": "new", "meters": {"engine": 0, "drum": 0}},
            "usage": {"engine": {"per_day": 5}},
        }
        self.readings = {meter: self.series() for meter in ("engine", "drum")}
        self.states = [Entry(MACHINE, "", START, START, "tests", json.dumps(self.document))]
        for number in range(random.randint(0, 14)):
            self.tell(number)

    def day(self) -> int:
        return self.random.randint(0, END)

    def series(self) -> list[Point]:
        random, points, value = self.random, [], self.random.randint(0, 20) * 1_000_000
        at = START + random.randint(0, DAY)
        pace = random.choice([0.1, 0.4, 0.8])
        while at < START + END * DAY:
            points.append((at, value, None))
            step = random.choice([HOUR // 2, HOUR, 2 * HOUR, 5 * HOUR, 13 * HOUR, 2 * DAY]) + random.randint(0, HOUR // 3)
            at += step
            if random.random() < 0.7:
                value += int(step / HOUR * 1_000_000 * pace * random.random())
            if random.random() < 0.002:
                value = max(0, value - random.randint(0, 50) * 1_000_000)  # as after a meter that nobody declared
        return points

    def when(self) -> dict[str, str]:
        at = self.instant()
        return self.random.choice([{"at": at}, {"at": at}, {"on": at[:10]}])

    def instant(self) -> str:
        return micros_text(START + self.day() * DAY + self.random.randint(0, DAY))

    def shown(self, item: dict[str, str]) -> dict[str, float]:
        """What the meters showed about then."""
        until = micros_of(datetime.fromisoformat(item.get("at") or f"{item['on']}T12:00:00+00:00"))
        found = {}
        for meter, points in self.readings.items():
            before = [value for at, value, _ in points if at <= until]
            if before and self.random.random() < 0.4:
                found[meter] = before[-1] / 1_000_000
        return found

    def tell(self, number: int) -> None:
        random = self.random
        kind = random.choice(["done", "done", "done", "working-condition", "occurrence", "deferral", "meter-replacement", "withdrawn"])
        body: dict[str, Any] | None
        match kind:
            case "done":
                when = self.when()
                body = {"task": random.choice(list(FOUND.book.tasks)), **when, "meters": self.shown(when)}
                if random.random() < 0.03:
                    body = {"task": "grease", "meters": {"engine": random.randint(0, 200)}}
            case "working-condition":
                since, until = sorted([self.instant(), self.instant()])
                body = {"condition": "ground", "value": random.choice(["light", "stony"]), "from": since}
                if random.random() < 0.6:
                    body["to"] = until
            case "occurrence":
                when = self.when()
                body = {"occurrence": "belt fitted", **when, "meters": self.shown(when)}
            case "deferral":
                body = {"task": "knives", "at": self.instant(), "by": "p-1", "why": "rain", "amount": "5 h"}
            case "meter-replacement":
                at = self.instant()
                old = self.shown({"at": at}).get("engine", 100)
                body = {"meter": "engine", "at": at, "old_value": old, "new_value": old if random.random() < 0.5 else 0}
            case _:
                kind, body = "done", None
        SEEN[kind] += 1
        at = (body or {}).get("at") or (body or {}).get("from")
        moment = micros_of(datetime.fromisoformat(at)) if at else START
        self.states.append(Entry(kind, f"e{number}", START + number, moment, "x", WITHDRAWN if body is None else json.dumps(body)))

    def due(self, readings: dict[str, list[Point]], now: str) -> Any:
        """What is answered, without what is expected."""
        stand = [e for e in self.states if e.body != WITHDRAWN and e.kind != MACHINE]
        read = Read(Machine(1, "m", 1, START, "tests", None), Told("m", self.document, stand, readings), VERSION, START)
        try:
            answer = answer_kept(read, FOUND, now).to_json()
        except QuestionDoesNotFit as refused:
            return [finding.code for finding in refused.findings]
        SEEN["answered"] += 1
        for task in answer["tasks"]:
            SEEN[task["standing"]] += 1
            del task["expected"]
        return answer


def thin(history: History) -> dict[str, list[Point]]:
    spoken = hanging_on(history.states)
    thinned = {}
    for meter, points in history.readings.items():
        gone = set() if spoken is None else set(spare(points, spoken, at_micros(START + CUT * DAY)))
        thinned[meter] = [point for point in points if point[0] not in gone]
        SEEN["dropped"] += len(gone)
        assert all(at < START + CUT * DAY for at in gone)
    return thinned


@given(seed=st.integers(0, 2**32), laters=st.lists(st.integers(0, 400 * 24), min_size=3, max_size=6))
@settings(max_examples=examples(120))
def test_what_is_answered_later_is_the_same(seed: int, laters: list[int]) -> None:
    history = History(seed)
    thinned = thin(history)
    for later in (0, 1, *laters):
        now = micros_text(START + CUT * DAY + later * HOUR)
        assert history.due(thinned, now) == history.due(history.readings, now)


def test_the_histories_hold_what_the_property_is_about() -> None:
    """Otherwise it would hold of nothing."""
    SEEN.clear()
    for seed in range(40):
        history = History(seed)
        thinned = thin(history)
        assert history.due(thinned, micros_text(START + (CUT + seed) * DAY))
    for word in ("answered", "dropped", "clear", "overdue", "upcoming", "unknown", "working-condition", "meter-replacement"):
        assert SEEN[word] > 2, (word, SEEN)


def at(text: str) -> int:
    return micros_of(datetime.fromisoformat(text))


DAYS: dict[str, list[Point]] = {
    "two a day": [(at(f"2024-05-0{d}T{h}:00:00+00:00"), d * 10 + h, None) for d in (1, 2) for h in (10, 16)],
    "many": [(at(f"2024-05-0{d}T{h}:00:00+00:00"), d * 100 + h, None) for d in (1, 2, 3) for h in range(10, 16)],
    "backward": [(at(f"2024-05-01T{h}:00:00+00:00"), v, None) for h, v in ((10, 5), (11, 9), (12, 7), (13, 9))],
    "two units": [(at(f"2024-05-01T{h}:00:00+00:00"), h, u) for h, u in ((10, None), (11, "min"), (12, None), (13, None))],
}


def machine(**document: Any) -> Entry:
    return Entry(MACHINE, "", 0, 0, "tests", json.dumps({"rulebook": "tests", **document}))


def told(kind: str, moment: str, **body: Any) -> Entry:
    return Entry(kind, "e", 0, at(moment), "x", json.dumps(body))


@pytest.mark.parametrize(
    ("points", "states", "before", "gone"),
    [
        ("two a day", [machine()], "2025-01-01", []),
        ("many", [machine()], "2025-01-01", [(d, h) for d in (1, 2, 3) for h in (11, 12, 13, 14)]),
        ("many", [machine()], "2024-05-02T23:00", [(1, h) for h in (11, 12, 13, 14)]),  # the day of the cut is not over
        # there a day ends at 15:00 UTC: 14:00 is its last reading, and 15:00 the first of the next
        ("many", [machine(timezone="Asia/Tokyo")], "2025-01-01",
         [(1, 11), (1, 12), (1, 13)] + [(d, h) for d in (2, 3) for h in (10, 11, 12, 13)]),
        ("many", [machine(), machine(timezone="Asia/Tokyo")], "2025-01-01", [(d, h) for d in (1, 2, 3) for h in (11, 12, 13)]),
        ("many", [machine(), told("occurrence", "2024-05-02T12:00:00+00:00")], "2025-01-01",
         [(d, h) for d in (1, 3) for h in (11, 12, 13, 14)]),
        ("many", [machine(), told("working-condition", "2024-04-01T00:00:00+00:00", to="2024-05-03T23:59:00Z")], "2025-01-01",
         [(d, h) for d in (1, 2) for h in (11, 12, 13, 14)]),
        ("many", [machine(), told("done", "2024-05-03T00:00:00+00:00", on="2024-05-03")], "2025-01-01", [(1, h) for h in (11, 12, 13, 14)]),
        ("many", [machine(), told("done", "1970-01-01T00:00:00+00:00", task="oil", meters={"engine": 5})], "2025-01-01", None),
        ("many", [machine(timezone="Nowhere/Nothing")], "2025-01-01", None),
        ("backward", [machine()], "2025-01-01", []),
        ("two units", [machine()], "2025-01-01", []),
    ],
)  # fmt: skip
def test_which_readings_go(points: str, states: list[Entry], before: str, gone: list[tuple[int, int]] | None) -> None:
    spoken = hanging_on(states)
    if gone is None:
        assert spoken is None
        return
    assert spoken is not None
    found = spare(DAYS[points], spoken, datetime.fromisoformat(before).replace(tzinfo=UTC))
    assert found == [at(f"2024-05-0{d}T{h}:00:00+00:00") for d, h in gone]


@pytest.mark.parametrize(
    ("moment", "months", "found"),
    [
        ("2026-07-14T06:00:00+00:00", 24, "2024-07-14T06:00:00+00:00"),
        ("2026-03-31T00:00:00+00:00", 1, "2026-02-28T00:00:00+00:00"),
        ("2026-01-31T00:00:00+00:00", 1, "2025-12-31T00:00:00+00:00"),
        ("2026-05-31T00:00:00+00:00", 6, "2025-11-30T00:00:00+00:00"),
        ("2026-02-28T00:00:00+00:00", 24, "2024-02-28T00:00:00+00:00"),
        ("2026-12-31T00:00:00+00:00", 12, "2025-12-31T00:00:00+00:00"),
        ("2026-07-14T06:00:00+00:00", 30000, "0001-01-01T00:00:00+00:00"),
    ],
)
def test_months_are_those_of_the_calendar(moment: str, months: int, found: str) -> None:
    assert months_before(datetime.fromisoformat(moment), months).isoformat() == found
    assert timedelta(0) < datetime.fromisoformat(moment) - months_before(datetime.fromisoformat(moment), months)
