"""One task asked of the core in a line, for tests that compute their questions."""

import json
from functools import cache
from typing import Any

from fieldworthy.core.answer.due import answer_due, read_due_question
from fieldworthy.core.rulebook.check import check_rulebook
from fieldworthy.core.rulebook.model import CheckedRulebook
from tests.due_cases import rulebook

USED = {"on": "1990-01-01", "as": "used"}


@cache
def _book(text: str) -> CheckedRulebook:
    book, findings = check_rulebook(json.loads(text))
    assert book is not None, findings
    return book


def book_of(interval: str, **case: Any) -> CheckedRulebook:
    """The rulebook of the tables with one task of this interval."""
    return _book(json.dumps(rulebook({"interval": interval, **case})))


def ask(interval: str, now: str, done: list[dict[str, Any]], book: dict[str, Any] | None = None, **machine: Any) -> dict[str, Any]:
    """The answer for the task `job` of a used machine in UTC, unless `machine` says otherwise."""
    checked = book_of(interval, **(book or {}))
    built = {"id": "m-1", "timezone": "UTC", "in_service": USED, "done": done, **machine}
    return answered_both_ways(checked, {"now": now, "machine": built, "tasks": ["job"]})["tasks"][0]


def answered_both_ways(book: CheckedRulebook, request: dict[str, Any]) -> Any:
    """The answer as it is written straight away, held to the one that is judged: members, their order, numbers and texts."""
    short = answer_due(book, read_due_question(book, request)).to_json()
    whole = answer_due(book, read_due_question(book, request), written=False).to_json()
    assert json.dumps(short) == json.dumps(whole)
    return short


def done(*days: object) -> list[dict[str, Any]]:
    """Records of the task on these days."""
    return [{"task": "job", "on": str(day)} for day in days]
