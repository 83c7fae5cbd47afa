"""From what is kept to the machine of a question: what is left out and why, what is placed in time, and that nothing else is changed."""

import json
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fieldworthy.core.answer.machine import MOST_RECORDS
from fieldworthy.core.base.finding import Finding, Refused
from fieldworthy.core.base.micros import HOUR, micros_of
from fieldworthy.usecases.ask_due import due
from fieldworthy.usecases.ask_kept_due import Read, answer_kept
from fieldworthy.usecases.assemble import Assembled, Told, assemble
from fieldworthy.usecases.find_rulebook import Found, checked
from fieldworthy.usecases.kept import Machine
from fieldworthy.usecases.old_history import Days
from fieldworthy.usecases.ports import Version
from fieldworthy.usecases.refusals import QuestionDoesNotFit
from tests.keep.histories import KINDS, entry

NOW = "2026-07-14T06:00:00Z"
AT = datetime.fromisoformat(NOW)
BOOK = checked(
    {
        "rulebook": "baler",
        "title": "A machine of the tests",
        "meters": {"work": {"unit": "h", "default": True}, "bales": {"unit": "bales"}},
        "seasons": {"harvest": {"from": "06-01", "to": "09-30"}},
        "working_conditions": {"dust": ["light", "heavy"]},
        "occurrences": {"belt fitted": {}},
        "options": ["net wrap"],
        "tasks": {
            "grease": {"title": "Grease", "kind": "lubricate", "interval": "every 80 h", "uses": [{"part": "PL-1", "amount": "60 g"}]},
            "filter": {"title": "Clean the filter", "kind": "clean", "interval": "every 50 h; when dust is heavy, every 10 h"},
            "oil": {"title": "Change the oil", "kind": "replace", "interval": "every 12 months", "covers": ["look"]},
            "look": {
                "title": "Look at the oil",
                "kind": "inspect",
                "interval": "weekly",
                "if_found": {"metal": {"unfit": True}, "low": {"then": "oil", "within": "5 days"}, "drop": {"then": "grease"}},
            },
        },
        "parts": {"PL-1": {"title": "Grease", "unit": "g", "packs": ["400 g"]}},
    }
)
DAYS = Days.of({}, BOOK)


def told(document: dict[str, Any] | None = None, readings: dict[str, Any] | None = None, **rooms: list[dict[str, Any]]) -> Told:
    entries = [
        entry(*KINDS[room][:1], f"{i:05}", 1, item, item[KINDS[room][1]]) for room, items in rooms.items() for i, item in enumerate(items)
    ]
    return Told("r5-17", {"rulebook": "baler", **(document or {})}, entries, readings or {})


def assembled(*args: Any, **rooms: Any) -> Assembled:
    return assemble(told(*args, **rooms), BOOK, DAYS)


def answer(of: Told) -> dict[str, Any]:
    version = Version("baler", 1, BOOK.digest, BOOK.title, AT)
    return answer_kept(Read(Machine(1, of.id, 1, 1, "baler", None), of, version, 1), Found(BOOK, 1), NOW).to_json()


def hour(hours: float) -> int:
    return micros_of(AT - timedelta(hours=hours))


GREASED = {"task": "grease", "at": "2026-07-01T06:00:00Z"}
LEFT_OUT: list[tuple[str, dict[str, Any], list[tuple[str, str, str, int]]]] = [
    ("nothing", {"document": {"options": ["Net Wrap"]}, "done": [GREASED]}, []),
    (
        "a task that is gone",
        {"done": [{**GREASED, "task": "gone"}, {**GREASED, "task": "gone"}, GREASED]},
        [("done", "gone", "not-declared", 2)],
    ),
    ("a meter of a record", {"done": [{**GREASED, "meters": {"drum": 5, "work": 6}}]}, [("meter-value", "drum", "not-declared", 1)]),
    ("a unit that does not fit", {"done": [{**GREASED, "meters": {"work": "6 ha"}}]}, [("meter-value", "work", "unit", 1)]),
    (
        "a part",
        {"done": [{**GREASED, "used": [{"part": "PL-1", "amount": 1}, {"part": "PL-9", "amount": 1}]}]},
        [("part", "PL-9", "not-declared", 1)],
    ),
    ("an option", {"document": {"options": ["net wrap", "knife"]}}, [("option", "knife", "not-declared", 1)]),
    ("a season", {"document": {"seasons": {"silage": []}}}, [("season", "silage", "not-declared", 1)]),
    ("a stated use", {"document": {"usage": {"drum": {"per_day": 9}}}}, [("usage", "drum", "not-declared", 1)]),
    ("a use in another unit", {"document": {"usage": {"work": {"per_day": 9, "unit": "km"}}}}, [("usage", "work", "unit", 1)]),
    (
        "of its beginning",
        {"document": {"in_service": {"on": "2024-03-01", "meters": {"drum": 0}}}},
        [("meter-value", "drum", "not-declared", 1)],
    ),
    (
        "a condition",
        {"working_conditions": [{"condition": "ground", "value": "stony", "from": NOW}]},
        [("working-condition", "ground", "not-declared", 1)],
    ),
    (
        "a state",
        {"working_conditions": [{"condition": "dust", "value": "some", "from": NOW}]},
        [("working-condition", "dust is some", "not-declared", 1)],
    ),
    ("an occurrence", {"occurrences": [{"occurrence": "fire", "at": NOW}]}, [("occurrence", "fire", "not-declared", 1)]),
    ("a deferral", {"deferrals": [{"task": "gone", "at": NOW, "by": "p-1", "why": "rain"}]}, [("deferral", "gone", "not-declared", 1)]),
    (
        "a replaced meter",
        {"replaced_meters": [{"meter": "drum", "at": NOW, "old_value": 1, "new_value": 0}]},
        [("meter-replacement", "drum", "not-declared", 1)],
    ),
    ("readings", {"readings": {"drum": [(1, 1, None), (2, 1, None)]}}, [("reading", "drum", "not-declared", 2)]),
    ("readings in another unit", {"readings": {"work": [(1, 1, "km"), (2, 1, None)]}}, [("reading", "work", "unit", 1)]),
    ("old history of no time", {"done": [{"task": "grease", "meters": {"work": 5}}]}, [("done", "grease", "no-time", 1)]),
    ("what says nothing", {"done": [{"task": "grease"}]}, [("done", "grease", "no-time", 1)]),
    ("a time of no calendar", {"done": [{**GREASED, "at": "1700-01-01T00:00:00Z"}, GREASED]}, [("done", "grease", "unusable", 1)]),
    (
        "an amount without a unit",
        {"deferrals": [{"task": "grease", "at": NOW, "by": "p", "why": "w", "amount": 5}]},
        [("deferral", "grease", "unusable", 1)],
    ),
]


@pytest.mark.parametrize(("given_", "expected"), [c[1:] for c in LEFT_OUT], ids=[c[0] for c in LEFT_OUT])
def test_what_the_rulebook_can_not_use_is_left_out_and_counted(given_: dict[str, Any], expected: list[tuple[str, str, str, int]]) -> None:
    given_ = dict(given_)
    found = answer(told(given_.pop("document", None), given_.pop("readings", None), **given_))
    assert [(o["what"], o["name"], o["why"], o["count"]) for o in found["left_out"]] == expected
    assert [t["task"] for t in found["tasks"]]


FOUND = {"what": "a crack", "at": "2026-07-13T06:00:00Z"}


def test_what_was_found_goes_on_and_what_is_settled_does_not() -> None:
    made = assembled(found=[{**FOUND, "then": "grease", "within": "10 h"}, {**FOUND, "settled": {"at": NOW}}])
    assert made.machine["found"] == [{**FOUND, "then": "grease", "within": "10 h"}]


def test_what_makes_the_machine_unfit_is_never_left_out() -> None:
    made = assembled(found=[{**FOUND, "task": "gone", "then": "gone", "within": "10 h", "unfit": True}])
    assert made.machine["found"] == [{**FOUND, "unfit": True}]
    assert made.left_out == {("found", "gone", "not-declared"): 2}
    wrong = Finding("question.within", "it can't be read", "mend it", path="/machine/found/0/within")
    made = assembled(found=[{**FOUND, "then": "grease", "within": "10 km", "unfit": True}])
    assert made.leave_out([wrong])
    assert made.machine["found"] == [{**FOUND, "then": "grease", "unfit": True}]
    assert not made.leave_out([wrong])


GONE = {"task": "gone", "at": "2026-07-10T06:00:00Z"}
UNREAD: list[tuple[str, dict[str, Any], str, list[tuple[str, str | None]]]] = [
    ("a record of a task that is gone", {"done": [{**GONE, "found": "worn"}]}, "unknown", [("worn", "2026-07-10")]),
    ("a finding at a task that is gone", {"found": [{**FOUND, "task": "gone"}]}, "unknown", [("a crack", "2026-07-13")]),
    (
        "both, the newest first",
        {"done": [{**GONE, "found": "worn"}], "found": [{**FOUND, "task": "Gone"}]},
        "unknown",
        [("a crack", "2026-07-13"), ("worn", "2026-07-10")],
    ),
    ("done again with nothing found", {"done": [{**GONE, "found": "worn"}, {**GONE, "at": "2026-07-11T06:00:00Z"}]}, "fit", []),
    (
        "done before with nothing found",
        {"done": [{**GONE, "found": "worn"}, {**GONE, "at": "2026-07-09T06:00:00Z"}]},
        "unknown",
        [("worn", "2026-07-10")],
    ),
    ("done again at the same moment", {"done": [{**GONE, "found": "worn"}, GONE]}, "unknown", [("worn", "2026-07-10")]),
    (
        "skipped the next time",
        {"done": [{**GONE, "found": "worn"}, {**GONE, "at": NOW, "result": "skipped"}]},
        "unknown",
        [("worn", "2026-07-10")],
    ),
    ("nothing was found", {"done": [{**GONE, "found": " "}]}, "fit", []),
    ("settled", {"found": [{**FOUND, "task": "gone", "settled": {"at": NOW}}]}, "fit", []),
    ("what follows is told with it", {"found": [{**FOUND, "task": "gone", "then": "grease", "within": "10 h"}]}, "fit", []),
    ("at no time that is known", {"done": [{"task": "look", "meters": {"work": 5}, "found": "metal"}]}, "unknown", [("metal", None)]),
    ("at no time, at a task that is gone", {"done": [{"task": "gone", "found": "metal"}, GONE]}, "unknown", [("metal", None)]),
    (
        "a word that its task does not declare",
        {"done": [{"task": "look", "at": NOW, "found": "mettal"}]},
        "unknown",
        [("mettal", NOW[:10])],
    ),
    ("the same, told by itself", {"found": [{**FOUND, "task": "look"}]}, "unknown", [("a crack", "2026-07-13")]),
    ("and settled", {"found": [{**FOUND, "task": "look", "settled": {"at": NOW}}]}, "fit", []),
    ("and told with what follows", {"found": [{**FOUND, "task": "look", "unfit": False}]}, "fit", []),
    ("any word at a task that declares none", {"done": [{"task": "grease", "at": NOW, "found": "mettal"}]}, "fit", []),
    ("at a time of no calendar", {"done": [{**GREASED, "at": "1700-01-01T00:00:00Z", "found": "dry"}]}, "unknown", [("dry", None)]),
]


@pytest.mark.parametrize(("rooms", "fit", "because"), [c[1:] for c in UNREAD], ids=[c[0] for c in UNREAD])
def test_no_machine_is_fit_for_want_of_a_word(rooms: dict[str, Any], fit: str, because: list[tuple[str, str | None]]) -> None:
    found = answer(told(**rooms))["fit"]
    assert found["fit"] == fit
    assert [(r["values"]["found"], r["values"]["on"]) for r in found["because"] if r["code"] == "found-not-read"] == because


def test_what_is_known_to_make_it_unfit_is_said_first() -> None:
    found = answer(told(done=[{**GONE, "found": "worn"}, {"task": "look", "at": NOW, "found": "metal"}]))["fit"]
    assert (found["fit"], [r["code"] for r in found["because"]]) == ("unfit", ["unfit"])


@pytest.mark.parametrize(("word", "fit"), [("metal", "unfit"), ("low", "fit"), ("metall", "unknown")])
def test_what_was_found_stands_though_its_record_is_too_old_to_count(word: str, fit: str) -> None:
    """Every later look found something else that makes nothing unfit, so none of them settles it."""
    later = [{"task": "look", "at": (AT - timedelta(hours=n)).isoformat(), "found": "drop"} for n in range(MOST_RECORDS)]
    found = answer(told(done=[{"task": "look", "on": "2020-07-01", "found": word, "by": "p-1"}, *later]))
    assert [o["why"] for o in found["left_out"]] == ["too-many"]
    assert found["fit"]["fit"] == fit
    oil = next(t for t in found["tasks"] if t["task"] == "oil")
    assert (oil["standing"] == "overdue") is (word == "low")


def test_of_two_states_that_began_together_a_person_has_to_say_which_holds() -> None:
    both = [{"condition": "dust", "value": value, "from": NOW} for value in ("light", "heavy")]
    with pytest.raises(QuestionDoesNotFit, match="two states"):
        answer(told(working_conditions=both))


def test_only_the_newest_records_count_where_they_are_too_many() -> None:
    records = [{"task": "look", "at": (AT - timedelta(hours=n)).isoformat()} for n in range(MOST_RECORDS - 1)]
    oil = [
        {"task": "oil", "on": "2026-07-01"},
        {"task": "oil", "on": "2020-07-01"},
        {"task": "oil", "on": "2021-07-01", "result": "skipped"},
    ]
    found = answer(told(done=[*records, *oil]))
    assert found["left_out"] == [
        {"what": "done", "name": "oil", "why": "too-many", "count": 1}
    ]  # a change of the oil counts as a look at it
    with pytest.raises(Refused):
        due(BOOK, {"now": NOW, "machine": {"done": [*records, *oil]}})


def test_old_history_is_placed_by_the_readings_and_stands_as_if_it_had_been_told_so() -> None:
    readings = {"work": [(hour(100), 640 * 10**6, None), (hour(20), 720 * 10**6, None)]}
    old = answer(told(None, readings, done=[{"task": "grease", "meters": {"work": 660}}]))
    at = (AT - timedelta(hours=80)).isoformat()
    whole = answer(told(None, readings, done=[{"task": "grease", "at": at, "meters": {"work": 660}}]))
    assert old["placed"] == [{"task": "grease", "count": 1}]
    assert old["tasks"] == whole["tasks"]
    assert [t["used"] for t in old["tasks"] if t["task"] == "grease"] == [0.75]


def test_before_the_first_reading_it_is_placed_from_when_the_machine_came_into_service() -> None:
    document = {"in_service": {"on": "2026-07-04", "as": "new", "meters": {"work": 0}}, "timezone": "UTC"}
    readings = {"work": [(micros_of(datetime(2026, 7, 14, tzinfo=UTC)), 100 * 10**6, None)]}
    one = [{"task": "grease", "meters": {"work": 25}}]
    assert assembled(document, readings, done=one).machine["done"][0]["at"] == "2026-07-06T12:00:00Z"
    assert assembled(None, readings, done=one).left_out["done", "grease", "no-time"] == 1


UNITS = st.sampled_from([None, "h", "min", "s", "hours", "H"])
POINTS = st.lists(st.tuples(st.integers(0, 10_000), st.integers(0, 10**13), UNITS), max_size=20, unique_by=lambda p: p[0])


@given(POINTS, st.lists(st.integers(0, 900), max_size=4))
def test_ready_readings_are_what_the_core_makes_of_plain_data(points: list[tuple[int, int, str | None]], done: list[int]) -> None:
    kept = [(hour(400) + n * HOUR // 30, value, unit) for n, value, unit in sorted(points)]
    records = [{"task": "grease", "at": (AT - timedelta(hours=h)).isoformat()} for h in done]
    made = assembled(None, {"work": kept}, done=records)
    short = due(BOOK, {"now": NOW, "machine": made.machine}, ready=made.points).to_json()
    sent = json.loads(json.dumps({"now": NOW, "machine": made.plain()}))
    assert short == due(BOOK, sent).to_json()
