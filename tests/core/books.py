"""Small rulebooks for the tables, from inline pieces in a rulebook's own words, and clearance requests as they are on the wire.

The pieces are those of a rulebook document (`facts`, `actions`, `hazards`, `happenings`, `procedures`, `tasks`, `applies_to`,
`options`), so that the same table can be sent to a running service. In a request `ago` (seconds) stands for `at`.
"""

import tomllib
from collections.abc import Mapping
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from fieldworthy.core.answer.clearance import ClearanceQuestion, Evidence, HandOver, OpenWork, PutOn
from fieldworthy.core.base.finding import Finding
from fieldworthy.core.base.fit import Identity
from fieldworthy.core.base.names import key
from fieldworthy.core.base.quantity import UNITS, Quantity, exact, find_unit, read_amount
from fieldworthy.core.base.vocabulary import Fact
from fieldworthy.core.condition.ast import Condition
from fieldworthy.core.condition.check import check_condition
from fieldworthy.core.condition.parse import parse
from fieldworthy.core.rulebook.check import check_rulebook
from fieldworthy.core.rulebook.model import CheckedRulebook

CASES = Path(__file__).parents[1] / "cases"
NOW = "2026-07-14T06:00:00+01:00"
_SECONDS = {"s": 1, "min": 60, "h": 3600, "day": 86400}


def tables(room: str) -> list[tuple[str, dict[str, Any]]]:
    """Every case of a room's tables, with its file and name; `books` of the file ride along."""
    found: list[tuple[str, dict[str, Any]]] = []
    for path in sorted((CASES / room).glob("*.toml")):
        data = tomllib.loads(path.read_text("utf-8"))
        shared = {**data.get("defaults", {}), "books": data.get("books", {})}
        found += [(f"{path.stem}: {case['name']}", {**shared, **case}) for case in data["case"]]
    names = [name for name, _ in found]
    assert len(set(names)) == len(names), "two cases of one name"
    return found


def condition(text: str | None, facts: Mapping[str, Fact] | None = None) -> Condition | None:
    if text is None:
        return None
    found = parse(text)
    assert not isinstance(found, Finding), found
    if facts is not None:
        findings = check_condition(found, facts, "fact")
        assert not [f for f in findings if f.severity == "error"], findings
    return found


def facts_of(pieces: Mapping[str, Any]) -> dict[str, Fact]:
    facts = {}
    for name, each in pieces.items():
        good = read_amount(each["good_for"]) if "good_for" in each else None
        unit = find_unit(each["unit"]) if each.get("unit", "number") != "number" else None
        good_for = timedelta(seconds=float(good.value) * _SECONDS[good.unit.name]) if good is not None else None
        known_by = frozenset(each.get("known_by", ["sensor", "seen"]))
        facts[key(name)] = Fact(name, tuple(each.get("states", ())), unit, known_by, good_for, each.get("per") == "person")
    return facts


def document_of(pieces: Mapping[str, Any]) -> dict[str, Any]:
    """The pieces as a whole rulebook document: what every rulebook says filled in."""
    tasks = {name: {"title": name, "kind": "inspect", **task} for name, task in pieces.get("tasks", {}).items()}
    return {"rulebook": "book", "title": "A book", **pieces, "tasks": tasks}


def book_of(pieces: Mapping[str, Any]) -> CheckedRulebook:
    """A rulebook of these pieces; whatever is wrong with them fails the test that made it."""
    book, findings = check_rulebook(document_of(pieces))
    assert book is not None, findings
    return book


def _value(value: Any) -> Any:
    if isinstance(value, dict):
        return Quantity(exact(value["value"]), UNITS[value["unit"]])
    return value if isinstance(value, str) else exact(value)


def on_the_wire(request: Mapping[str, Any]) -> dict[str, Any]:
    """The request as it is sent: `ago` worked out, what every request has filled in."""
    sent: dict[str, Any] = {"now": NOW, "machine": {}, **request}
    now = datetime.fromisoformat(sent["now"])
    sent["evidence"] = [
        {k: v for k, v in {"via": "seen", "at": (now - timedelta(seconds=e.get("ago", 0))).isoformat(), **e}.items() if k != "ago"}
        for e in sent.get("evidence", [])
    ]
    return sent


def question_of(sent: Mapping[str, Any]) -> ClearanceQuestion:
    machine = sent["machine"]
    options = machine.get("options")
    return ClearanceQuestion(
        now=datetime.fromisoformat(sent["now"]),
        machine=Identity(
            machine.get("id"), machine.get("model"), machine.get("serial"), None if options is None else frozenset(key(o) for o in options)
        ),
        task=sent["for"].get("task"),
        step=sent["for"].get("step"),
        action=sent["for"].get("action"),
        needs=sent["for"].get("needs"),
        evidence=tuple(
            Evidence(e["fact"], _value(e["value"]), datetime.fromisoformat(e["at"]), e["via"], e.get("by")) for e in sent["evidence"]
        ),
        open_work=tuple(
            OpenWork(w["work"], w["task"], w.get("step"), w.get("by"), _hand_over(w.get("hand_over"))) for w in sent.get("open_work", [])
        ),
        by=sent.get("by"),
        put_on=tuple(PutOn(p["fact"], p["state"], p["by"], _hand_over(p.get("hand_over"))) for p in sent.get("put_on", [])),
    )


def _hand_over(given: Any) -> HandOver | None:
    return None if given is None else HandOver(given["to"], given["by"], given["why"])


def differs(expected: Any, answer: Any, where: str = "") -> str | None:
    """Where the answer lacks what is expected: members of a mapping may be fewer, lists are whole, `~text` asks for a part of a text."""
    if isinstance(expected, dict):
        if not isinstance(answer, dict):
            return f"{where}: {answer!r} is no mapping"
        return next((d for k, v in expected.items() if (d := differs(v, answer.get(k, "absent"), f"{where}/{k}"))), None)
    if isinstance(expected, list):
        if not isinstance(answer, list) or len(answer) != len(expected):
            return f"{where}: {answer!r} instead of {expected!r}"
        return next((d for i, (e, a) in enumerate(zip(expected, answer, strict=True)) if (d := differs(e, a, f"{where}/{i}"))), None)
    if isinstance(expected, str) and expected.startswith("~"):
        return None if expected[1:] in str(answer) else f"{where}: {answer!r} does not hold {expected[1:]!r}"
    if expected == "null":
        return None if answer is None else f"{where}: {answer!r} instead of null"
    return None if expected == answer else f"{where}: {answer!r} instead of {expected!r}"
