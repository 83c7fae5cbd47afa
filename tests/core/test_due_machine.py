"""Whole questions of what is due on a machine: which tasks are answered, in which order, and what is refused."""

from datetime import datetime, timedelta
from typing import Any

import pytest

from fieldworthy.core.answer.due import answer_due, read_due_question
from fieldworthy.core.base.finding import Finding, Refused
from fieldworthy.core.rulebook.check import check_rulebook
from fieldworthy.core.rulebook.model import CheckedRulebook
from tests.due_cases import question

NOW = "2026-07-15T12:00:00+01:00"


def book(tasks: dict[str, Any], **more: Any) -> CheckedRulebook:
    """A checked rulebook with these tasks and one engine meter."""
    data = {
        "rulebook": "whole",
        "title": "Whole machines",
        "language": 1,
        "meters": {"engine": {"unit": "h", "default": True}},
        "occurrences": {"belt fitted": {}},
        "tasks": {name: {"title": name, "kind": "inspect", **task} for name, task in tasks.items()},
        **more,
    }
    made, findings = check_rulebook(data)
    assert made is not None, findings
    return made


def machine(**more: Any) -> dict[str, Any]:
    """A machine in service new at 0 h, at 100 h now."""
    return {
        "id": "m-1",
        "timezone": "Europe/London",
        "in_service": {"on": "2026-03-01", "as": "new", "meters": {"engine": 0}},
        "meters": [{"meter": "engine", "value": 100, "unit": "h", "at": NOW}],
        **more,
    }


def ask(of: CheckedRulebook, **more: Any) -> list[dict[str, Any]]:
    """The tasks of the answer, as on the wire."""
    request = {"now": NOW, "machine": machine(), **more}
    answer: list[dict[str, Any]] = answer_due(of, read_due_question(of, request)).to_json()["tasks"]
    return answer


def refused(of: CheckedRulebook, **more: Any) -> list[Finding]:
    """The findings with which a question is refused."""
    with pytest.raises(Refused) as caught:
        ask(of, **more)
    return list(caught.value.findings)


def test_tasks_stand_in_the_order_of_their_urgency() -> None:
    """Overdue, due, unknown, upcoming, clear; then by share used, then by name."""
    of = book(
        {
            "clear-a": {"interval": "every 400 h"},
            "clear-b": {"interval": "every 200 h"},
            "due-b": {"interval": "every 100 h"},
            "overdue": {"interval": "every 99 h"},
            "overdue-more": {"interval": "every 50 h"},
            "due-a": {"interval": "every 100 h"},
            "upcoming": {"interval": "every 105 h"},
            "unknown": {"interval": "every 10 bales"},
        },
        meters={"engine": {"unit": "h", "default": True}, "bales": {"unit": "bales"}},
    )
    assert [t["task"] for t in ask(of)] == ["overdue-more", "overdue", "due-a", "due-b", "unknown", "upcoming", "clear-b", "clear-a"]


def test_a_task_without_an_interval_appears_only_when_asked_for() -> None:
    of = book({"couple": {"kind": "couple"}, "grease": {"interval": "every 50 h"}})
    assert [t["task"] for t in ask(of)] == ["grease"]
    [only] = ask(of, tasks=["couple"])
    assert only["standing"] == "clear"
    assert only["due_at"] == {"meters": {}, "date": None}
    assert [r["code"] for r in only["because"]] == ["when-asked"]


def test_tasks_asked_for_by_name_are_answered_alone_and_once() -> None:
    of = book({"a": {"interval": "every 50 h"}, "b": {"interval": "every 60 h"}})
    assert [t["task"] for t in ask(of, tasks=["b", "b"])] == ["b"]


def test_an_unknown_task_is_refused_with_the_nearest_name() -> None:
    [finding] = refused(book({"grease": {"interval": "every 50 h"}}), tasks=["greese"])
    assert finding.path == "/tasks/0"
    assert "grease" in finding.mend


def test_a_task_that_does_not_fit_is_left_out() -> None:
    of = book({"net": {"interval": "every 50 h", "only_with": {"options": ["net wrap"]}}}, options=["net wrap"])
    assert ask(of, machine=machine(options=[])) == []
    assert [t["standing"] for t in ask(of, machine=machine(options=["net wrap"]))] == ["overdue"]


def test_a_task_whose_fit_is_not_known_is_unknown_and_says_what_to_supply() -> None:
    of = book({"net": {"interval": "every 50 h", "only_with": {"options": ["net wrap"]}}}, options=["net wrap"])
    [task] = ask(of)
    assert task["standing"] == "unknown"
    assert task["because"][0]["code"] == "fit-not-known"
    assert task["because"][0]["values"]["supply"] == ["options"]


def test_serials_decide_by_their_trailing_number() -> None:
    of = book({"early": {"interval": "every 50 h", "only_with": {"serials": {"to": "R5-0200"}}}})
    assert [t["standing"] for t in ask(of, machine=machine(serial="R5-0200"))] == ["overdue"]
    assert ask(of, machine=machine(serial="R5-0201")) == []
    assert [t["standing"] for t in ask(of, machine=machine(serial="X-1"))] == ["unknown"]


def test_a_machine_that_the_rulebook_is_not_for_is_refused() -> None:
    of = book({"a": {"interval": "every 50 h"}}, applies_to={"models": ["R5"]})
    [finding] = refused(of, machine=machine(model="R6"))
    assert finding.code == "question.other_machine"
    assert [t["standing"] for t in ask(of, machine=machine(model="r5"))] == ["overdue"]


def _records(count: int, task: str = "a") -> list[dict[str, Any]]:
    first = datetime.fromisoformat("2026-03-02T00:00:00+00:00")
    return [{"task": task, "at": (first + timedelta(hours=i)).isoformat(), "meters": {"engine": i / 100}} for i in range(count)]


def test_a_thousand_records_are_folded() -> None:
    """`since last due`, 1,000 records each 0.01 h after the other: all early, so from the last of them."""
    of = book({"a": {"interval": "every 50 h since last due"}})
    [task] = ask(of, machine=machine(done=_records(1000)))
    assert task["due_at"]["meters"]["engine"]["value"] == 59.99


def test_more_than_a_thousand_records_are_refused() -> None:
    of = book({"a": {"interval": "every 50 h since last due"}})
    [finding] = refused(of, machine=machine(done=_records(1001)))
    assert finding.code == "question.too_many_records"
    assert finding.path == "/machine/done"


def test_records_of_covering_tasks_count_towards_the_thousand() -> None:
    of = book({"a": {"interval": "every 50 h"}, "b": {"interval": "every 90 h", "covers": ["a"]}})
    [finding] = refused(of, machine=machine(done=_records(600) + _records(401, "b")))
    assert finding.code == "question.too_many_records"


def test_every_fault_of_a_machine_is_told_at_once() -> None:
    of = book({"a": {"interval": "every 50 h"}})
    found = refused(
        of,
        machine=machine(
            meters=[{"meter": "engin", "value": 1, "unit": "h", "at": NOW}],
            occurrences=[{"occurrence": "belt fited", "at": NOW}],
            done=[{"task": "a", "at": "2026-07-14T06:00:00"}],
        ),
    )
    assert sorted(f.path or "" for f in found) == ["/machine/done/0/at", "/machine/meters/0/meter", "/machine/occurrences/0/occurrence"]


def test_the_answer_is_the_same_alone_and_among_others() -> None:
    tasks = {f"t{i}": {"interval": f"every {20 + 7 * i} h or every {i + 1} months"} for i in range(12)}
    of = book(tasks)
    together = {t["task"]: t for t in ask(of)}
    assert all(ask(of, tasks=[name]) == [together[name]] for name in tasks)


@pytest.mark.parametrize(("seconds", "standing"), [(120, "due"), (121, "upcoming")])
def test_a_clock_may_be_two_minutes_ahead(seconds: int, standing: str) -> None:
    of = book({"a": {"interval": "every 101 h"}})
    at = (datetime.fromisoformat(NOW) + timedelta(seconds=seconds)).isoformat()
    [task] = ask(of, machine=machine(readings=[{"meter": "engine", "value": 101, "unit": "h", "at": at}]))
    assert task["standing"] == standing


def test_two_states_from_the_same_instant_are_refused_in_either_order() -> None:
    told = [{"condition": "ground", "value": v, "from": "2026-07-14T00:00:00+01:00"} for v in ("stony", "normal")]
    for order in (told, told[::-1]):
        request = question({"interval": "every 10 h", "now": "2026-07-15T12:00:00+01:00", "machine": {"working_conditions": order}})
        book, _ = check_rulebook(request["rulebook"])
        assert book is not None
        with pytest.raises(Refused) as refused:
            read_due_question(book, request)
        assert [(f.code, f.path) for f in refused.value.findings] == [("question.two_states", "/machine/working_conditions/1")]
