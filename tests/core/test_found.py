"""What is found and what is done in part: lists, refusals, and two ways of saying the same that must come to the same."""

import json
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fieldworthy.core.answer.due import answer_due, read_due_question
from fieldworthy.core.base.finding import Refused
from fieldworthy.core.rulebook.check import check_rulebook
from fieldworthy.core.rulebook.model import CheckedRulebook
from tests.core.asking import answered_both_ways

NOW = "2026-07-15T12:00:00Z"
IF_FOUND = {
    "frayed": {"then": "renew", "within": "10 h"},
    "worn": {"then": "renew", "within": "3 days"},
    "torn": {"then": "renew", "unfit": True},
    "cracked": {"unfit": True},
}


def book_of(tasks: dict[str, Any]) -> CheckedRulebook:
    meters = {"engine": {"unit": "h", "default": True}}
    book, findings = check_rulebook({"rulebook": "case", "title": "Case", "meters": meters, "tasks": tasks})
    assert book is not None, findings
    return book


BOOK = book_of(
    {
        "look": {"title": "Look", "kind": "inspect", "interval": "every 100 h", "points": ["left", "right"], "if_found": IF_FOUND},
        "renew": {"title": "Renew", "kind": "replace"},
        "oil": {"title": "Oil", "kind": "lubricate", "interval": "every 50 h"},
    }
)


def asked(*done: dict[str, Any], tasks: list[str] | None = None, **machine: Any) -> dict[str, Any]:
    built = {
        "id": "m-1",
        "in_service": {"on": "2024-03-01", "as": "new", "meters": {"engine": 0}},
        "meters": [{"meter": "engine", "value": 645, "at": NOW}],
        "done": [{"meters": {"engine": 640}, **record} for record in done],
        **machine,
    }
    return {"now": NOW, "machine": built, **({} if tasks is None else {"tasks": tasks})}


def ask(*done: dict[str, Any], **machine: Any) -> Any:
    return answered_both_ways(BOOK, asked(*done, **machine))


def look(found: str | None = None, on: str = "2026-07-14", **more: Any) -> dict[str, Any]:
    return {"task": "look", "on": on, **({} if found is None else {"found": found}), **more}


def test_a_follow_up_without_an_interval_is_listed_while_it_is_open() -> None:
    def listed(*done: dict[str, Any]) -> list[str]:
        return sorted(t["task"] for t in ask(*done)["tasks"])

    assert listed(look()) == ["look", "oil"]
    assert listed(look("frayed")) == ["look", "oil", "renew"]
    assert listed(look("frayed"), {"task": "renew", "on": "2026-07-15"}) == ["look", "oil"]


def test_what_is_found_is_listed_by_its_urgency() -> None:
    oiled = {"task": "oil", "on": "2026-07-14"}
    assert [t["task"] for t in ask(look("torn"), oiled)["tasks"]] == ["renew", "oil", "look"]


def test_tasks_that_nothing_was_found_of_are_written_straight_away() -> None:
    oiled = {"task": "oil", "on": "2026-07-14"}
    answer = answer_due(BOOK, read_due_question(BOOK, asked(look("torn"), oiled)))
    assert sorted(type(t).__name__ for t in answer.tasks) == ["TaskStanding", "TaskStanding", "str"]


def test_the_points_of_a_task_carry_their_due_points() -> None:
    answer = ask(look(on="2026-06-01"), look(on="2026-07-01", result="partly", points=["Right"], meters={"engine": 642}), tasks=["look"])
    (task,) = answer["tasks"]
    assert [(p["point"], p["standing"], p["used"]) for p in task["points"]] == [("left", "clear", 0.05), ("right", "clear", 0.03)]
    assert [p["due_at"] for p in task["points"]] == [
        {"meters": {"engine": {"value": due, "unit": "h"}}, "date": None} for due in (740.0, 742.0)
    ]
    first = task["because"][0]
    assert (first["code"], first["values"]) == ("point-decides", {"point": "left", "standings": {"left": "clear", "right": "clear"}})
    assert task["due_at"] == task["points"][0]["due_at"]


def test_of_many_things_that_make_it_unfit_the_newest_are_told() -> None:
    days = [(datetime(2026, 1, 1, 12, tzinfo=UTC) + timedelta(days=i)).isoformat() for i in range(150)]
    fit = ask(found=[{"what": f"crack {i}", "at": at, "unfit": True} for i, at in enumerate(days)])["fit"]
    assert fit["fit"] == "unfit"
    assert [r["values"]["found"] for r in fit["because"]] == [f"crack {i}" for i in range(149, 49, -1)]


def test_of_many_records_that_count_for_nothing_the_newest_are_told() -> None:
    days = [f"2026-06-{day:02d}" for day in range(1, 21)]
    (task,) = ask(*(look(on=day, result="skipped", why="x" * 2000) for day in days), tasks=["look"])["tasks"]
    told = next(r for r in task["because"] if r["code"] == "records-not-whole")
    assert [r["on"] for r in told["values"]["records"]] == days[-5:]
    assert told["text"].endswith(", and 15 earlier.")
    assert len(told["text"]) < 2000


def test_a_replaced_meter_counts_on_for_parts_and_findings() -> None:
    swap = [{"meter": "engine", "at": "2026-07-10T00:00:00Z", "old_value": 640, "new_value": 0}]
    found = look("frayed", on="2026-07-12", result="partly", points=["left"], meters={"engine": 2})
    answer = ask(found, replaced_meters=swap, meters=[{"meter": "engine", "value": 5, "at": NOW}], tasks=["renew", "look"])
    tasks = {t["task"]: t for t in answer["tasks"]}
    assert tasks["renew"]["due_at"]["meters"]["engine"] == {"value": 652.0, "unit": "h", "shown": 12.0}
    assert tasks["look"]["points"][0]["due_at"]["meters"]["engine"] == {"value": 742.0, "unit": "h", "shown": 102.0}


REFUSED: dict[str, tuple[dict[str, Any], str, str, str]] = {
    "a point that is none": (
        {"done": [look(result="partly", points=["left", "rihgt"])]},
        "question.unknown_point",
        "/machine/done/0/points/1",
        "did you mean `right`?",
    ),
    "points of a task that has none": (
        {"done": [{"task": "oil", "on": "2026-07-14", "result": "partly", "points": ["left"]}]},
        "question.unknown_point",
        "/machine/done/0/points/0",
        "leave `points` out",
    ),
    "points of what was done as a whole": (
        {"done": [look(points=["left"])]},
        "question.points",
        "/machine/done/0/points",
        "send `partly` for these points",
    ),
    "found at an unknown task": (
        {"found": [{"what": "torn", "on": "2026-07-14", "task": "loook"}]},
        "question.unknown_task",
        "/machine/found/0/task",
        "did you mean `look`?",
    ),
    "an unknown task follows": (
        {"found": [{"what": "torn", "on": "2026-07-14", "then": "renw"}]},
        "question.unknown_task",
        "/machine/found/0/then",
        "did you mean `renew`?",
    ),
    "nothing says when it was found": ({"found": [{"what": "torn", "then": "renew"}]}, "question.when", "/machine/found/0", "`at`"),
    "both say when it was found": (
        {"found": [{"what": "torn", "on": "2026-07-14", "at": NOW}]},
        "question.when",
        "/machine/found/0",
        "send one of them",
    ),
    "how soon, and not what": (
        {"found": [{"what": "torn", "on": "2026-07-14", "within": "10 h"}]},
        "question.within",
        "/machine/found/0",
        "name the task in `then`",
    ),
    "how soon on a meter that there is none of": (
        {"found": [{"what": "torn", "on": "2026-07-14", "then": "renew", "within": "10 ha"}]},
        "question.within",
        "/machine/found/0/within",
        "declared: `engine` (h)",
    ),
    "how soon in no unit": (
        {"found": [{"what": "torn", "on": "2026-07-14", "then": "renew", "within": 10}]},
        "question.amount",
        "/machine/found/0/within",
        "write a number and a unit",
    ),
    "sooner than at once": (
        {"found": [{"what": "torn", "on": "2026-07-14", "then": "renew", "within": "-1 h"}]},
        "question.amount",
        "/machine/found/0/within",
        "`6 h`",
    ),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_does_not_fit_is_refused(name: str) -> None:
    machine, code, path, mend = REFUSED[name]
    with pytest.raises(Refused) as refused:
        read_due_question(BOOK, {"now": NOW, "machine": machine})
    (finding,) = refused.value.findings
    assert (finding.code, finding.path) == (code, path)
    assert mend in finding.mend


HOURS = st.integers(0, 400).map(lambda n: n / 4)
DAY = st.integers(0, 40)


@given(st.sampled_from(sorted(IF_FOUND)), DAY, st.lists(DAY, max_size=3), st.lists(DAY, max_size=2))
def test_it_is_the_same_whether_a_record_says_it_or_it_is_told_by_itself(
    word: str, day: int, looked: list[int], renewed: list[int]
) -> None:
    def at(n: int, hour: int = 0) -> str:
        return (datetime(2026, 6, 1, 8 + hour, tzinfo=UTC) + timedelta(days=n)).isoformat()

    readings = [{"meter": "engine", "value": 600 + n, "at": at(n)} for n in range(0, 41, 5)]
    done = [{"task": "look", "at": at(n, 1)} for n in looked] + [{"task": "renew", "at": at(n, 2)} for n in renewed]
    by_record = asked(readings=readings, done=[*done, {"task": "look", "at": at(day), "found": word, "result": "skipped"}], tasks=["renew"])
    alone = asked(readings=readings, done=done, found=[{"what": word, "at": at(day), "task": "look"}], tasks=["renew"])
    assert json.dumps(answered_both_ways(BOOK, by_record)) == json.dumps(answered_both_ways(BOOK, alone))


@given(HOURS, st.integers(1, 120), st.integers(0, 1), st.integers(1, 40))
def test_a_follow_up_is_due_as_an_interval_of_that_length_from_the_finding_would_be(ran: float, within: int, days: int, every: int) -> None:
    """Ours against ours: `every N` since the finding, announced from its first moment, with its forecast."""
    unit = "days" if days else "h"
    plain = {"title": "Renew", "kind": "replace"}
    word = {"torn": {"then": "renew", "within": f"{within} {unit}"}}
    follows = book_of({"look": {"title": "Look", "kind": "inspect", "if_found": word}, "renew": plain})
    notice = f"{within} {unit}"
    repeats = book_of({"renew": {**plain, "interval": f"every {within} {unit}", "notice": notice}})
    start = datetime(2026, 6, 1, 8, tzinfo=UTC)
    at = start.isoformat()
    machine = {
        "in_service": {"on": "2024-01-01", "as": "used"},
        "readings": [
            {"meter": "engine", "value": 100 + i * every / 4, "at": (start - timedelta(days=90 - i)).isoformat()} for i in range(0, 91, 3)
        ],
    }
    found = 100 + 90 * every / 4
    machine["meters"] = [{"meter": "engine", "value": found + ran, "at": NOW}]
    one = {"now": NOW, "machine": {**machine, "done": [{"task": "look", "at": at, "found": "torn"}]}, "tasks": ["renew"]}
    other = {"now": NOW, "machine": {**machine, "done": [{"task": "renew", "at": at}]}, "tasks": ["renew"]}
    got, wanted = answered_both_ways(follows, one)["tasks"][0], answered_both_ways(repeats, other)["tasks"][0]
    for member in ("standing", "used", "due_at", "remaining", "expected"):
        assert got[member] == wanted[member], member


WORDS = st.sampled_from([None, "torn", "cracked", "other words"])
MOMENT = st.tuples(st.integers(1, 6), st.sampled_from([None, 8, 12, 16]))
LOOKED = st.tuples(st.just("look"), MOMENT, WORDS, st.sampled_from(["done", "partly", "skipped"]), st.sampled_from(["left", "right"]))
RENEWED = st.tuples(st.just("renew"), MOMENT, st.none(), st.sampled_from(["done", "skipped"]), st.none())
Told = tuple[str, tuple[int, int | None], str | None, str, str | None]


@given(st.lists(LOOKED | RENEWED, max_size=7))
def test_fitness_against_every_record_looked_at_for_each_thing_found(told: list[Told]) -> None:
    """The slow and obvious way: no meters, so that of a day alone and another time of that day nothing tells which was first."""
    answer = ask(*map(_sent, told), in_service={"on": "2024-03-01", "as": "used"}, meters=[])
    settled = [_settled(i, told) for i, (_, _, word, _, _) in enumerate(told) if word is not None]
    wanted = "unfit" if False in settled else "unknown" if None in settled else "fit"
    assert answer["fit"]["fit"] == wanted


def _sent(told: Told) -> dict[str, Any]:
    task, (day, hour), word, result, point = told
    when = {"on": f"2026-07-{day:02d}"} if hour is None else {"at": f"2026-07-{day:02d}T{hour:02d}:00:00Z"}
    points = {"points": [point]} if result == "partly" else {}
    return {"task": task, **when, "result": result, **points, **({} if word is None else {"found": word}), "meters": {}}


def _settled(number: int, told: list[Told]) -> bool | None:
    """
    Whether what was found there was followed by what ends it, at each point that it is of; None: it can't be told, or nothing tells what
    the word means.
    """
    _, at, word, result, point = told[number]
    if word == "torn":
        return _any(_after(r[1], at) for r in told if r[0] == "renew" and r[3] == "done")
    points = ["left", "right"] if result != "partly" else [point]
    each = []
    for one in points:
        clean = [r for r in told if r[0] == "look" and r[2] is None and (r[3] == "done" or (r[3] == "partly" and r[4] == one))]
        each.append(_any(_after(r[1], at) for r in clean))
    return True if all(each) else False if False in each and word == "cracked" else None


def _after(one: tuple[int, int | None], other: tuple[int, int | None]) -> bool | None:
    (day, hour), (of_day, of_hour) = one, other
    if day != of_day:
        return day > of_day
    return None if hour is None or of_hour is None else hour >= of_hour


def _any(found: Iterable[bool | None]) -> bool | None:
    all_found = list(found)
    return True if True in all_found else None if None in all_found else False


WORDS_AT = [
    ("one letter too many", "torn belts", ["torn belt"]),
    ("letters in another order", "tron belt", ["torn belt"]),
    ("a mark behind it", "torn belt!", ["torn belt"]),
    ("a word like two of them", "torn bearing", ["torn belt", "worn bearing"]),
    ("a sentence", "the left one does not look good to me", []),
    ("that nothing was found, in words", "none", []),
    ("and in others", "Nothing found.", []),
    ("by a dash", "-", []),
]


@pytest.mark.parametrize(("word", "near"), [w[1:] for w in WORDS_AT], ids=[w[0] for w in WORDS_AT])
def test_another_word_than_those_of_its_task_leaves_the_machine_neither_fit_nor_unfit(word: str, near: list[str]) -> None:
    """Misspelt it may be any of them: the safe way, by our own rule."""
    book = book_of(
        {
            "look": {"title": "Look", "kind": "inspect", "if_found": {"torn belt": {"unfit": True}, "worn bearing": {"then": "renew"}}},
            "renew": {"title": "Renew", "kind": "replace"},
        }
    )
    said = {"task": "look", "at": "2026-07-14T08:00:00Z", "found": word}
    again = {"task": "look", "at": "2026-07-14T09:00:00Z"}
    for machine in ({"done": [said]}, {"found": [{"task": "look", "at": said["at"], "what": word}]}):
        fit = answered_both_ways(book, {"now": NOW, "machine": machine})["fit"]
        (reason,) = fit["because"]
        assert (fit["fit"], reason["code"], reason["values"]["found"]) == ("unknown", "found-not-read", word)
        assert sorted(reason["values"]["near"]) == near
        assert all(f"`{each}`" in reason["text"] for each in (word, *(near or ("torn belt", "worn bearing"))))
        assert "eave `found` out" in reason["text"]
        assert ("it is not read as that nothing was found" in reason["text"]) is (word in ("none", "Nothing found.", "-"))
    told = {"now": NOW, "machine": {"done": [said, again]}}
    assert answered_both_ways(book, told)["fit"]["fit"] == "fit"
    both = {"now": NOW, "machine": {"done": [said, {**said, "found": "torn belt"}]}}
    fit = answered_both_ways(book, both)["fit"]
    assert (fit["fit"], [r["code"] for r in fit["because"]]) == ("unfit", ["unfit"])


def test_a_task_without_such_words_takes_any_text() -> None:
    book = book_of({"look": {"title": "Look", "kind": "inspect"}})
    done = [{"task": "look", "at": "2026-07-14T08:00:00Z", "found": "a little dust"}]
    assert answered_both_ways(book, {"now": NOW, "machine": {"done": done}})["fit"]["fit"] == "fit"
