"""The plainest cases are written straight as JSON text: it is what is judged, and the plain cases do take that way."""

from datetime import UTC, datetime, timedelta
from fractions import Fraction
from typing import Any

import pytest

from fieldworthy.core.answer.due import answer_due, read_due_question
from fieldworthy.core.answer.reader import Reader, instant_of
from fieldworthy.core.base.quantity import TICKS
from fieldworthy.core.interval.evaluate.written_line import share_json
from fieldworthy.core.rulebook.check import check_rulebook
from tests.core.asking import answered_both_ways
from tests.due_cases import rulebook

NOW = "2026-07-14T06:00:00+01:00"
PLAIN = (
    "every 80 h",
    "every 80 h, within 10 % late",
    "every 1200 min of drum",
    "every 100 h since last due",
    "every 75 h on schedule, within 10 % at most 5 h",
    "every 250 h on the meter, within 25 h early",
    "every 6 months",
    "weekly",
    "every 12 months on the calendar",
    "every 30 days on schedule, within 10 %",
    "before each silage",
    "after each silage, within 9 days late",
    "every 250 h or every 12 months, whichever first",
    "every 500 h and every 12 months, whichever last",
    "every 500 h or every 80 h of drum or monthly, whichever first",
    "first at 50 h, then every 250 h",
    "first at 10 h, then every 250 h or yearly, whichever first",
    "once at 2000 h",
    "once 90 h after wheel fitted",
    "once 90 h after wheel fitted, within 10 h late",
    "first at 60 h and 120 h after wheel fitted, then every 50 h",
)


def asked(interval: str, at_h: float, now: float, **machine: Any) -> tuple[Any, dict[str, Any]]:
    case = {"interval": interval, "task": {"title": 'Grease "A", both \\ sides: 5 °C', "needs": "tailgate is closed"}}
    book, findings = check_rulebook({**rulebook(case), "facts": {"tailgate": {"states": ["closed", "raised"]}}})
    assert book is not None, findings
    at = datetime(2026, 4, 9, 8, tzinfo=UTC)
    built = {
        "id": "m-1",
        "timezone": "Europe/London",
        "in_service": {"on": "2024-03-01", "as": "new", "meters": {"engine": 0, "drum": 0, "area": 0}},
        "meters": [{"meter": m, "value": now, "at": NOW} for m in ("engine", "drum", "area")],
        "occurrences": [{"occurrence": "wheel fitted", "at": at.isoformat(), "meters": {"engine": 97.5}}],
        "done": [
            {"task": "job", "at": (at - timedelta(days=90)).isoformat(), "meters": {"engine": 90, "drum": 61.5, "area": 40}},
            {"task": "job", "at": at.isoformat(), "meters": dict.fromkeys(("engine", "drum", "area"), at_h)},
        ],
    }
    return book, {"now": NOW, "machine": {**built, **machine}}


@pytest.mark.parametrize("interval", PLAIN)
@pytest.mark.parametrize(("done", "now"), [(100, 130), (100.4, 180.4), (100, 187.9), (112.5, 192.5), (100, 700.0625), (99.9999, 100)])
def test_a_plain_case_is_written_as_it_is_judged(interval: str, done: float, now: float) -> None:
    book, request = asked(interval, done, now)
    assert [type(t) for t in answer_due(book, read_due_question(book, request)).tasks] == [str]
    answered_both_ways(book, request)


NOT_PLAIN = {
    "a finer value": ("every 80 h", {}, 100.00001),
    "no reading": ("every 80 h of drum", {"meters": [], "done": [{"task": "job", "on": "2026-04-09"}], "in_service": None}, 100),
    "a deferral": ("every 80 h", {"deferrals": [{"task": "job", "at": NOW, "by": "p-1", "why": "rain"}]}, 100),
    "a stated use": ("every 80 h", {"usage": {"engine": {"per_day": 9}}}, 100),
    "a replaced meter": ("every 80 h", {"replaced_meters": [{"meter": "engine", "at": NOW, "old_value": 200, "new_value": 0}]}, 100),
    "a record of a part": ("every 80 h", {"done": [{"task": "job", "on": "2026-04-09", "result": "partly"}]}, 100),
    "a point that was met": ("once at 50 h", {}, 100),
    "working conditions": ("every 80 h; when ground is stony, every 40 h", {}, 100),
    "a season's rest": ("every 80 h during silage", {}, 100),
}


@pytest.mark.parametrize("name", NOT_PLAIN)
def test_what_is_not_plain_is_judged(name: str) -> None:
    interval, machine, done = NOT_PLAIN[name]
    book, request = asked(interval, done, 130, **{k: v for k, v in machine.items() if v is not None})  # type: ignore[attr-defined]
    if machine.get("in_service", 0) is None:  # type: ignore[attr-defined]
        del request["machine"]["in_service"]
    assert not any(isinstance(t, str) for t in answer_due(book, read_due_question(book, request)).tasks)
    answered_both_ways(book, request)


@pytest.mark.parametrize(
    "used", [0.0, 0.0005, 0.0000005, 0.1234565, 0.34, 0.999_999_6, 1.0, 1.25, 12.000_000_4, 999.999_999_9, 4321.5, 1e-9, 1e17]
)
def test_a_share_is_written_as_it_is_rounded(used: float) -> None:
    assert share_json(used) == repr(round(used, 6))


@pytest.mark.parametrize(
    "shown", [0.0, 0.1, 0.000_001, 0.123_456_7, 97.5, 1712.4, 1234.567_891, 999_999_999.999_999, 1e9, 123_456_789_012.3]
)
def test_what_a_record_tells_of_a_meter_counts_as_it_was_written(shown: float) -> None:
    book, request = asked("every 80 h", shown, 130)
    record = read_due_question(book, request).machine.records["job"][-1]
    assert record.counts["engine"] == Fraction(str(shown)) * TICKS


@pytest.mark.parametrize(
    ("text", "quick"),
    [
        ("2026-07-14T05:50:00+01:00", True),
        ("2026-07-14T05:50:00.25-09:30", True),
        ("2026-07-14T05:50:00Z", True),
        ("2026-07-14T05:50:00+05:45", True),
        ("2026-07-14T05:50:00+05:40", False),  # no zone has it
        ("2026-07-14t05:50:00z", False),
        ("1900-01-01T00:30:00+01:00", False),
        ("1899-12-31T23:30:00-01:00", False),
        ("2300-12-31T23:30:00-01:00", False),
        ("2026-02-30T05:50:00Z", False),
        ("2026-07-14T05:50:00", False),
        ("20260714T055000Z", False),
        ("2026", False),
        ("", False),
    ],
)
def test_a_time_as_it_is_nearly_always_written_is_read_as_the_reader_reads_it(text: str, quick: bool) -> None:
    book, _ = asked("every 80 h", 100, 130)
    reader, at = Reader(book), instant_of(text)
    assert (at is not None) is quick
    assert at is None or (at == reader.instant(text, "/now") and at.tzinfo is UTC and not reader.findings)
