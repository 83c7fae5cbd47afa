"""The tables in cases/due, and how one case becomes a whole question on the wire: a rulebook with one task, and one machine.

A case: name, interval, now, and what differs from the rulebook and the machine below. done: records {h, on | at, task, …};
now_h: what the engine meter shows now; read: what it showed at 20:00 on days before, [day, h]. of: the task that is looked at.
want: any of the members that `answered` gives; `codes` must each stand among the reasons, `no_codes` none of them; `says` and `fit_says`
must stand in one of their sentences.
"""

import tomllib
from datetime import date, datetime, time
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

HERE = Path(__file__).parent / "cases" / "due"


def load(pattern: str = "*.toml") -> list[dict[str, Any]]:
    """Every case of the tables, in order; its file's defaults below it."""
    found = []
    for file in sorted(HERE.glob(pattern)):
        table = tomllib.loads(file.read_text("utf-8"))
        defaults = table.get("defaults", {})
        found += [{**defaults, **case, "id": f"{file.stem}: {case['name']}"} for case in table["case"]]
    return found


def rulebook(case: dict[str, Any]) -> dict[str, Any]:
    """A rulebook with the case's interval as its one task, `job`."""
    book: dict[str, Any] = {
        "rulebook": "case",
        "title": "One case",
        "language": 1,
        "meters": {"engine": {"unit": "h", "default": True}, "drum": {"unit": "h"}, "area": {"unit": "ha"}, "bales": {"unit": "bales"}},
        "seasons": {"silage": {"from": "05-10", "to": "09-25"}, "winter": {"from": "11-15", "to": "02-28"}},
        "occurrences": {"wheel fitted": {}, "belt fitted": {}, "stubble day": {"yearly": "08-15"}},
        "working_conditions": {"ground": ["normal", "stony"], "crop": {"states": ["grass", "straw"], "unless_told": "unknown"}},
        "tasks": {
            "job": {"title": "The job", "kind": "inspect", "interval": case["interval"], **case.get("task", {})},
            **case.get("tasks", {}),
        },
    }
    return book | case.get("book", {})


def machine(case: dict[str, Any]) -> dict[str, Any]:
    """The case's machine, in service new on 2024-03-01 at 0 h in Europe/London unless it says otherwise."""
    built: dict[str, Any] = {
        "id": "m-1",
        "timezone": "Europe/London",
        "in_service": {"on": "2024-03-01", "as": "new", "meters": {"engine": 0}},
    }
    if "now_h" in case:
        built["meters"] = [{"meter": "engine", "value": case["now_h"], "unit": "h", "at": case["now"]}]
    if "read" in case:
        zone = ZoneInfo(built["timezone"])
        ats = [datetime.combine(date.fromisoformat(day), time(20), zone).isoformat() for day, _ in case["read"]]
        built["readings"] = [{"meter": "engine", "value": h, "at": at} for at, (_, h) in zip(ats, case["read"], strict=True)]
    built["done"] = [_record(r) for r in case.get("done", [])]
    built |= case.get("machine", {})
    return {k: v for k, v in built.items() if v != "none"}


_AS_SENT = ("on", "at", "meters", "result", "points", "found", "why", "by")


def _record(short: dict[str, Any]) -> dict[str, Any]:
    record = {"task": short.get("task", "job"), **{k: v for k, v in short.items() if k in _AS_SENT}}
    if "h" in short:
        record["meters"] = {"engine": short["h"]}
    if "on" not in record and "at" not in record:
        record["on"] = "2025-06-01"
    return record


def question(case: dict[str, Any]) -> dict[str, Any]:
    """The whole request of POST /v1/due."""
    return {"rulebook": rulebook(case), "now": case["now"], "machine": machine(case), "tasks": ["job"]} | case.get("ask", {})


def answered(answer: dict[str, Any], of: str | None = None, meter: str = "engine") -> dict[str, Any]:
    """One task's answer, and the machine's, in the words of a case's `want`. of: which task; None: the first."""
    task = next(t for t in answer["tasks"] if of in (None, t["task"]))
    due, left, codes = task["due_at"], task["remaining"], [r["code"] for r in task["because"]]
    return {
        "standing": task["standing"],
        "used": task["used"],
        "due_h": due["meters"].get(meter, {}).get("value"),
        "shown_h": due["meters"].get(meter, {}).get("shown"),
        "left_h": left["meters"].get(meter, {}).get("value"),
        "date": due["date"],
        "days": left["days"],
        "at_least": task["at_least"],
        "incomplete": task["incomplete"],
        "resting": task["resting"],
        "rule": task["rule"],
        "decided_by": task["decided_by"],
        "assumed": task["assumed"],
        "codes": codes,
        "no_codes": codes,
        "says": " ".join(r["text"] for r in task["because"]),
        "points": {p["point"]: p["standing"] for p in task["points"]},
        "decides": next((r["values"]["point"] for r in task["because"] if r["code"] == "point-decides"), None),
        "fit": answer["fit"]["fit"],
        "fit_codes": [r["code"] for r in answer["fit"]["because"]],
        "fit_says": " ".join(r["text"] for r in answer["fit"]["because"]),
        "expected": task["expected"] and task["expected"]["date"],
        "range": task["expected"] and task["expected"]["from"] and [task["expected"]["from"], task["expected"]["to"]],
        "share": task["expected"] and task["expected"]["share"],
    }


def differs(case: dict[str, Any], answer: dict[str, Any]) -> dict[str, Any]:
    """What of a case's `want` the answer does not give: {member: (wanted, got)}; empty: all of it is there."""
    got = answered(answer, case.get("of"), case.get("meter", "engine"))
    wrong = {}
    for member, wanted in case["want"].items():
        have = got[member]
        if member in ("codes", "fit_codes"):
            same = all(code in have for code in wanted)
        elif member == "no_codes":
            same = not any(code in have for code in wanted)
        elif member in ("says", "fit_says"):
            same = wanted in have
        else:
            same = have == (None if wanted == "null" else wanted)
        if not same:
            wrong[member] = (wanted, have)
    return wrong
