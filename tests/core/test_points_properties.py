"""A task with points against a slow and obvious way: each point asked for as a task of its own, and the worst of the answers."""

from datetime import UTC, datetime, timedelta
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from fieldworthy.core.rulebook.check import check_rulebook
from tests.core.asking import answered_both_ways
from tests.due_cases import rulebook

POINTS = ("left", "middle", "right")
INTERVALS = (
    "every 100 h",
    "every 100 h, within 10 % late",
    "every 100 h since last due",
    "every 75 h on schedule, within 10 %",
    "every 30 days",
    "every 100 h or every 30 days, whichever first",
    "every 100 h and every 30 days, whichever last",
    "first at 50 h, then every 250 h",
    "once at 200 h",
    "before each silage",
    "every 100 h; when ground is stony, every 50 h",
    "every 40 h during silage",
)
START = datetime(2026, 3, 1, 8, tzinfo=UTC)
NOW = "2026-07-15T12:00:00+00:00"
URGENCY = ("overdue", "due", "unknown", "upcoming", "clear")

RECORDS = st.lists(
    st.tuples(
        st.integers(0, 135),
        st.sampled_from(["job", "yearly"]),
        st.sampled_from(["done", "partly", "skipped"]),
        st.sets(st.sampled_from(POINTS)),
    ),
    max_size=6,
    unique_by=lambda record: record[0],
)


def at(day: int) -> str:
    return (START + timedelta(days=day)).isoformat()


@given(st.sampled_from(INTERVALS), RECORDS, st.booleans(), st.integers(0, 12), st.lists(st.integers(0, 135), max_size=2))
def test_a_task_with_points_stands_as_the_worst_of_its_points_asked_for_alone(
    interval: str, records: list[tuple[int, str, str, set[str]]], new: bool, speed: int, deferred: list[int]
) -> None:
    task = {"points": list(POINTS), "may_defer": "20 h"}
    tasks = {"yearly": {"title": "Yearly", "kind": "inspect", "covers": ["job"], "points": list(POINTS)}}
    whole, findings = check_rulebook(rulebook({"interval": interval, "task": task, "tasks": tasks}))
    plain, _ = check_rulebook(rulebook({"interval": interval, "task": {"may_defer": "20 h"}, "tasks": {"yearly": {**tasks["yearly"]}}}))
    assert whole is not None, findings
    assert plain is not None
    machine: dict[str, Any] = {
        "in_service": {"on": "2026-03-01", "as": "new" if new else "used", "meters": {"engine": 0 if new else 30}},
        "meters": [{"meter": "engine", "value": 30 + 136 * speed, "at": NOW}],
        "readings": [{"meter": "engine", "value": 30 + day * speed, "at": at(day)} for day in range(0, 136, 3)],
        "working_conditions": [{"condition": "ground", "value": "stony", "from": at(100)}],
        "deferrals": [{"task": "job", "at": at(day), "by": "foreman", "why": "rain", "amount": "20 h"} for day in deferred],
    }
    done = [
        {"task": name, "at": at(day), "result": result, **({"points": sorted(points)} if points and result != "done" else {})}
        for day, name, result, points in records
    ]
    (got,) = answered_both_ways(whole, {"now": NOW, "machine": {**machine, "done": done}, "tasks": ["job"]})["tasks"]
    alone = {}
    for point in POINTS:
        of_point = [
            {"task": name, "at": at(day)}
            for day, name, result, points in records
            if result == "done" or (result == "partly" and name == "job" and point in points)
        ]
        (alone[point],) = answered_both_ways(plain, {"now": NOW, "machine": {**machine, "done": of_point}, "tasks": ["job"]})["tasks"]
    worst = min(POINTS, key=lambda p: (URGENCY.index(alone[p]["standing"]), -(alone[p]["used"] or 0.0)))
    assert [(p["point"], p["standing"], p["used"], p["due_at"]) for p in got["points"]] == [
        (p, alone[p]["standing"], alone[p]["used"], alone[p]["due_at"]) for p in POINTS
    ]
    for member in got:
        if member not in ("points", "because"):
            assert got[member] == alone[worst][member], member
    assert got["because"][0]["values"] == {"point": worst, "standings": {p: alone[p]["standing"] for p in POINTS}}
    own = [r for r in got["because"] if r["code"] not in ("point-decides", "records-not-whole")]
    assert own == alone[worst]["because"]
