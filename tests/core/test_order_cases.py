"""Logs in order and out of order: what may start then, and the way that is left."""

from typing import Any

import pytest

from fieldworthy.core.answer.clearance import answer_clearance
from tests.core.books import book_of, on_the_wire, question_of, tables
from tests.core.orders import replay

CASES = tables("orders")


@pytest.mark.parametrize("case", [case for _, case in CASES], ids=[name for name, _ in CASES])
def test_case(case: dict[str, Any]) -> None:
    book = book_of(case["books"][case["book"]])
    log = replay(case)
    request = next(log)
    while True:
        answer = answer_clearance(book, question_of(on_the_wire(request))).to_json()
        try:
            request = log.send(answer)
        except StopIteration:
            return
