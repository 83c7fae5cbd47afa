"""What is expected stands the same in an answer that is written straight away and in one that is judged; and again when asked again."""

import json
from typing import Any

import pytest

from fieldworthy.core.answer.due import answer_due, read_due_question
from fieldworthy.core.rulebook.check import check_rulebook
from tests.core.asking import answered_both_ways
from tests.due_cases import load, question

CASES = load("expected*.toml")


@pytest.mark.parametrize("case", CASES, ids=[c["id"] for c in CASES])
def test_both_ways_expect_the_same(case: dict[str, Any]) -> None:
    request = question(case)
    book, findings = check_rulebook(request["rulebook"])
    assert book is not None, findings
    assert answered_both_ways(book, request) == answered_both_ways(book, request)


def test_some_of_them_are_written_straight_away_with_a_range() -> None:
    """Otherwise the comparison above would compare a way with itself."""
    written = []
    for case in CASES:
        request = question(case)
        book, _ = check_rulebook(request["rulebook"])
        assert book is not None
        written += [json.loads(t)["expected"] for t in answer_due(book, read_due_question(book, request)).tasks if isinstance(t, str)]
    assert len([e for e in written if e and e["share"]]) >= 8


def test_readings_in_any_order_expect_the_same() -> None:
    case = next(c for c in CASES if c["name"] == "60 h at 6 a day, within the season")
    request = question(case)
    book, _ = check_rulebook(request["rulebook"])
    assert book is not None
    turned = {**request, "machine": {**request["machine"], "readings": request["machine"]["readings"][::-1] * 2}}
    assert answered_both_ways(book, request)["tasks"] == answered_both_ways(book, turned)["tasks"]
