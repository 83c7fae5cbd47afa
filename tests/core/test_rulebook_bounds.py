"""How much one rulebook may say: all expressions together."""

import json
from typing import Any

import pytest

from fieldworthy.core.base.finding import Severity
from fieldworthy.core.interval.parse import MAX_TEXT
from fieldworthy.core.rulebook.check import check_rulebook, check_text
from fieldworthy.core.rulebook.report import MOST_EXPRESSIONS


def filled(unit: str, joiner: str, length: int) -> str:
    """A text of exactly this length: units, joined, and blanks at the end."""
    return joiner.join([unit] * ((length + len(joiner)) // (len(unit) + len(joiner)))).ljust(length)


def rulebook(**members: list[str]) -> dict[str, Any]:
    """A rulebook with a task for each text: interval=[…], needs=[…]."""
    texts = [(member, text) for member, listed in members.items() for text in listed]
    return {
        "rulebook": "wordy",
        "title": "Wordy",
        "language": 1,
        "working_conditions": {"state": ["dry", "wet"]},
        "facts": {"state": {"states": ["dry", "wet"]}},
        "tasks": {f"t{n}": {"title": "T", "kind": "inspect", member: text} for n, (member, text) in enumerate(texts)},
    }


def errors(data: dict[str, Any]) -> set[tuple[str, str]]:
    return {(f.code, f.path) for f in check_rulebook(data)[1] if f.severity is Severity.ERROR}


LONG = 1_000
MANY = MOST_EXPRESSIONS // LONG


def test_so_many_characters_are_read_and_one_more_is_not() -> None:
    half = MANY // 2
    intervals = [filled("daily", " or ", LONG)] * half
    needs = [filled("state is wet", " or ", LONG)] * half
    assert errors(rulebook(interval=intervals, needs=needs)) == set()
    one_more = rulebook(interval=intervals, needs=[*needs[:-1], needs[-1] + " "])
    assert errors(one_more) == {("rulebook.too_many_expressions", f"/tasks/t{MANY - 1}/needs")}


@pytest.mark.parametrize("member", ["interval", "needs", "holds"])
def test_the_finding_says_how_many_and_stands_at_the_first_that_was_not_read(member: str) -> None:
    text = filled("daily" if member == "interval" else "state is wet", " or ", LONG)
    data = rulebook(**{member: [text] * (MANY + 7)})
    book, findings = check_text(json.dumps(data, indent=1))
    assert book is None
    (found,) = [f for f in findings if f.severity is Severity.ERROR]
    assert (found.code, found.path) == ("rulebook.too_many_expressions", f"/tasks/t{MANY}/{member}")
    assert f"{MOST_EXPRESSIONS + 7 * LONG:,} characters" in found.message
    assert f"more than {MOST_EXPRESSIONS:,}" in found.message
    assert "several rulebooks" in found.mend
    line = json.dumps(data, indent=1).splitlines()[(found.line or 0) - 1]
    assert line.lstrip().startswith(f'"{member}"')


def test_a_list_of_rules_counts_as_the_one_text_that_it_is_read_as() -> None:
    rules = ["daily", *["when state is dry, weekly"] * 50]
    texts = MOST_EXPRESSIONS // len("; ".join(rules)) + 1
    data = rulebook(interval=["daily"] * texts)
    for task in data["tasks"].values():
        task["interval"] = rules
    assert errors(data) == {("rulebook.too_many_expressions", f"/tasks/t{texts - 1}/interval/0")}


def test_what_is_written_beyond_the_bound_is_not_read() -> None:
    wrong = ["no interval at all"]
    data = rulebook(interval=[*wrong, *[filled("daily", " or ", LONG)] * MANY, *wrong])
    assert errors(data) == {("interval.syntax", "/tasks/t0/interval"), ("rulebook.too_many_expressions", f"/tasks/t{MANY}/interval")}


def test_rules_that_are_too_long_by_themselves_are_told_as_that() -> None:
    data = rulebook(interval=[filled("daily", " or ", LONG)] * MANY)
    data["tasks"]["t0"]["interval"] = [filled("daily", " or ", LONG)] * (MAX_TEXT // LONG)
    assert errors(data) == {("interval.too_long", "/tasks/t0/interval/1")}
