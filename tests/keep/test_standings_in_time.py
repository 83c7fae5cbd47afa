"""Time alone changes where tasks stand: the fleet's list then says what each machine's own answer says, at whatever moment it is asked.

Nothing is kept while the clock is turned. The two doors share what computes; what is held here is when the fleet computes anew.
"""

from collections.abc import Iterator, Mapping
from datetime import UTC, date, datetime, timedelta
from random import Random
from typing import Any

import pytest

from tests.keep.histories import load, publish
from tests.keep.service import BEGINNING, Service

MINUTE = timedelta(minutes=1)
AHEAD = 2 * MINUTE
TICK = timedelta(microseconds=1)


def book(tasks: Mapping[str, str]) -> dict[str, Any]:
    return {
        "rulebook": "baler",
        "title": "A machine of the tests",
        "meters": {"work": {"unit": "h", "default": True, "good_for": "2 days"}, "drum": {"unit": "min"}, "bales": {"unit": "bales"}},
        "working_conditions": {"ground": ["light", "stony"], "dust": {"states": ["low", "heavy"], "unless_told": "unknown"}},
        "occurrences": {"belt fitted": {}, "show day": {"yearly": "07-16"}},
        "seasons": {"hay": {"from": "05-10", "to": "07-15"}, "winter": {"from": "07-17", "to": "02-28"}},
        "tasks": {
            name: {"title": name, "kind": "inspect", "interval": interval, "may_defer": "10 h"} | FOLLOWED.get(name, {})
            for name, interval in tasks.items()
        },
    }


FOLLOWED = {"daily": {"if_found": {"dry": {"then": "hours", "within": "3 h"}, "worn": {"then": "weeks", "within": "2 days"}}}}
TASKS = {
    "hours": "every 60 h",
    "weeks": "every 2 weeks or every 60 h, whichever first",
    "both": "every 40 h and every 10 days, whichever last",
    "stony": "every 60 h; when ground is stony, every 20 h",
    "rough": "every 60 h, within 10 h late; when ground is stony, every 20 h",
    "dusty": "every 10 days; when dust is heavy, every 3 days",
    "minutes": "every 900 min of drum on schedule, within 10 % at most 5 h",
    "hay": "every 25 h during hay",
    "bales": "every 900 bales of bales",
    "daily": "daily",
    "works": "every working day",
    "once": "once 10 h after belt fitted",
    "first": "first at 5 days and 9 days after belt fitted, then every 2 weeks",
    "fitted": "every belt fitted, within 1 day early",
    "shown": "every show day",
    "before": "before each hay",
    "after": "after each hay",
    "winter": "once each winter",
}
ZONES = ("UTC", "Europe/London", "Pacific/Kiritimati", "America/New_York", "Australia/Lord_Howe")


class Lives:
    """Random machines, of which some things are told a little ahead of time."""

    def __init__(self, seed: int) -> None:
        self.random = Random(seed)
        self.times: list[datetime] = []

    def at(self, days: float = 12) -> str:
        """Mostly some days ago, now and then so near that clocks differ."""
        by = timedelta(seconds=self.random.randint(-120, 119)) if self.random.random() < 0.3 else -self.random.random() * timedelta(days)
        self.times.append(BEGINNING + by)
        return self.times[-1].isoformat()

    def later(self, days: float = 3) -> str:
        self.times.append(BEGINNING + self.random.random() * timedelta(days))
        return self.times[-1].isoformat()

    def when(self) -> dict[str, str]:
        return {"at": self.at()} if self.random.random() < 0.7 else {"on": self.at()[:10]}

    def some(self, least: int, most: int) -> Iterator[int]:
        return iter(range(self.random.randint(least, most)))

    def meters(self) -> dict[str, int]:
        return {m: n for m, n in (("work", self.random.randint(90, 110)), ("drum", 900), ("bales", 500)) if self.random.random() < 0.4}

    def machine(self, id: str) -> dict[str, Any]:
        draw = self.random
        told: dict[str, Any] = {
            "id": id,
            "timezone": draw.choice(ZONES),
            "done": [{"task": t, **self.when(), "meters": self.meters()} for t in TASKS for _ in self.some(0, 2)],
            "occurrences": [{"occurrence": "belt fitted", **self.when()} for _ in self.some(0, 2)],
            "deferrals": [{"task": draw.choice(["hours", "weeks"]), "at": self.at(3), "by": "p-1", "why": "Rain"} for _ in self.some(0, 2)],
            "working_conditions": [self.condition(n) for n in self.some(0, 4)],
            "found": [{"what": draw.choice(["dry", "worn"]), "task": "daily", **self.when()} for _ in self.some(0, 2)],
            "readings": [],
        }
        if draw.random() < 0.5:
            told["day_starts"] = draw.choice(["05:00", "12:00", "23:30"])
        if draw.random() < 0.5:
            told["in_service"] = {"on": "2025-05-01", "as": draw.choice(["new", "used"]), "meters": {"work": 0}}
        if draw.random() < 0.3:
            told["usage"] = {"work": {"per_day": 6}}
        if draw.random() < 0.3:
            told["working_days"] = [str(date(2026, 7, 13) + timedelta(days=n)) for n in self.some(1, 4)]
        count = 100.0
        for at in sorted(self.at(draw.choice([3, 12])) for _ in self.some(0, 6)):
            count += draw.choice([0, 2, 5, 12])
            told["readings"] += [{"meter": "work", "value": count, "at": at}, {"meter": "drum", "value": count * 10, "at": at}]
        newest = max((datetime.fromisoformat(r["at"]) for r in told["readings"]), default=BEGINNING)
        self.times += [newest + timedelta(days=2), newest + timedelta(days=2, hours=draw.randint(0, 40))]
        return told

    def condition(self, n: int) -> dict[str, str]:
        name, value = self.random.choice([("ground", "light"), ("ground", "stony"), ("dust", "low"), ("dust", "heavy")])
        told = {"condition": name, "value": value, "from": self.later() if self.random.random() < 0.3 else self.at()}
        since = max(datetime.fromisoformat(told["from"]), BEGINNING)
        if self.random.random() < 0.6:
            self.times.append(since + self.random.random() * timedelta(days=1))
            told["to"] = self.times[-1].isoformat()
        return told

    def moments(self, several: int) -> list[datetime]:
        """When it is asked: now and then, and just before and just behind what was told and where days begin."""
        draw, until = self.random, BEGINNING + timedelta(days=4)
        turns = [at for at in self.times if BEGINNING < at < until]
        turns += [datetime(2026, 7, 15 + n, hour, tzinfo=UTC) for n in range(3) for hour in (0, 4, 10, 14, 23)]
        chosen = draw.sample(turns, several)
        near = [at - draw.random() * AHEAD for at in chosen]
        near += [at + draw.choice([0 * TICK, TICK, MINUTE]) for at in chosen]
        return sorted(at for at in (*near, *(BEGINNING + draw.random() * (until - BEGINNING) for _ in range(4))) if at > BEGINNING + MINUTE)


async def fleet(service: Service) -> dict[tuple[str, str], Any]:
    page = await service.get("/v1/due", params={"limit": 200})
    assert (page["stale"], page.get("problems", [])) == (0, [])
    return {(item["machine"], item["task"]): item for item in page["items"]}


@pytest.mark.parametrize("seed", range(2))
async def test_at_whatever_moment_the_fleet_says_what_each_machine_says(service: Service, seed: int) -> None:
    lives = Lives(seed)
    await publish(service, book(TASKS))
    service.later(seconds=1)
    ids = [f"b-{n}" for n in range(4)]
    for id in ids:
        await load(service, "baler", lives.machine(id))
    changed = 0
    before: list[tuple[str, str, str]] = []
    for moment in lives.moments(9):
        service.now = moment
        listed = await fleet(service)
        standings = [(id, task, item["standing"]) for (id, task), item in listed.items()]
        changed += standings != before
        before = standings
        for id in ids:
            answer = await service.get(f"/v1/machines/{id}/due")
            for task in answer["tasks"]:
                kept = listed.pop((id, task["task"]))
                told = {member: value for member, value in kept.items() if member in task}
                assert (task, answer["fit"]["fit"]) == (told, kept["fit"]), (moment, id, kept["computed_at"])
        assert not listed
    assert changed > 3  # else it would show nothing


def told_until(by: timedelta) -> dict[str, Any]:
    return {"working_conditions": [{"condition": "ground", "value": "stony", "from": iso(-timedelta(days=60))}, lighter(by)]}


def told_from(by: timedelta) -> dict[str, Any]:
    return {"working_conditions": [{"condition": "ground", "value": "stony", "from": iso(by)}]}


def lighter(by: timedelta) -> dict[str, str]:
    return {"condition": "ground", "value": "light", "from": iso(-MINUTE), "to": iso(by)}


def iso(by: timedelta) -> str:
    return (BEGINNING + by).isoformat()


HOUR = timedelta(hours=1)
GOOD = timedelta(days=2)

# what is told of a machine whose meter shows 100 h at the record of 50 days ago; its newest reading (by, hours); the task; when it
# changes, from what to what
TURNS = [
    ("a working condition ends", told_until(HOUR), (-HOUR, 122), "rough", HOUR, "due", "overdue"),
    ("a working condition begins", told_from(HOUR), (-HOUR, 163), "rough", HOUR, "due", "overdue"),
    ("a reading grows old, and little is left", {}, (-3 * HOUR, 152), "hours", GOOD - 3 * HOUR + TICK, "clear", "unknown"),
    ("it was old, and may have run so far", {}, (-3 * HOUR, 102), "hours", GOOD - 3 * HOUR + 4 * HOUR, "clear", "unknown"),
    ("it may have run so far, and the fleet is asked day by day", {}, (-3 * HOUR, 104), "hours", GOOD - HOUR, "clear", "unknown"),
]


@pytest.mark.parametrize(("told", "reading", "task", "turns", "before", "then"), [t[1:] for t in TURNS], ids=[t[0] for t in TURNS])
@pytest.mark.parametrize("asked_before", [TICK, HOUR / 2], ids=["just before", "half an hour before"])
async def test_a_standing_turns_at_its_moment(
    service: Service,
    told: Mapping[str, Any],
    reading: tuple[timedelta, float],
    task: str,
    turns: timedelta,
    before: str,
    then: str,
    asked_before: timedelta,
) -> None:
    await publish(service, book({task: TASKS[task]}))
    service.later(seconds=1)
    done = [{"task": task, "at": iso(-timedelta(days=50)), "meters": {"work": 100}}]
    shown = [{"meter": "work", "at": iso(reading[0]), "value": reading[1]}]
    await load(service, "baler", {"id": "b-1", "timezone": "Europe/London", "done": done, "readings": shown, **told})
    found = []
    for by in (-asked_before, timedelta(0), TICK):
        service.now = BEGINNING + turns + by
        (item,) = (await fleet(service)).values()
        (own,) = (await service.get("/v1/machines/b-1/due"))["tasks"]
        assert item["standing"] == own["standing"]
        found.append(item["standing"])
    assert found == [before, then, then]
