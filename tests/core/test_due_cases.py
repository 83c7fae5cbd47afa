"""The tables of cases/due straight into the core."""

from typing import Any

import pytest

from fieldworthy.core.rulebook.check import check_rulebook
from tests.core.asking import answered_both_ways
from tests.due_cases import differs, load, question

CASES = load()


@pytest.mark.parametrize("case", CASES, ids=[c["id"] for c in CASES])
def test_a_case_is_answered_as_the_table_says(case: dict[str, Any]) -> None:
    request = question(case)
    book, findings = check_rulebook(request["rulebook"])
    assert book is not None, findings
    answer = answered_both_ways(book, request)
    assert differs(case, answer) == {}
