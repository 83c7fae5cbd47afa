"""Worked examples: every form runs, and a failing one shows what was expected and what came."""

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fieldworthy.core.answer.examples import run_example
from fieldworthy.core.rulebook.check import check_rulebook, check_text
from fieldworthy.core.rulebook.model import Example
from fieldworthy.core.rulebook.text import Document, read_document
from tests.core.test_rulebook_check import ANY, CASES, GOOD
from tests.effort import examples

BOOK = check_text(GOOD)[0]
assert BOOK is not None


def cases() -> list[Any]:
    read = read_document((CASES / "examples.yaml").read_text("utf-8"))
    assert isinstance(read, Document), read
    found = read.data["cases"]
    assert isinstance(found, list)
    return found


@pytest.mark.parametrize("case", cases(), ids=lambda case: str(case["given"])[:80])
def test_examples(case: dict[str, Any]) -> None:
    assert BOOK is not None
    found = [(f.path, f.message.removeprefix("the example `x` ")) for f in run_example(BOOK, Example("x", case["given"], case["expect"]))]
    assert [path for path, _ in found] == [path for path, _ in case["want"]]
    assert all(message.startswith(wanted) for (_, message), (_, wanted) in zip(found, case["want"], strict=True)), found


def test_a_failing_example_refuses_the_rulebook() -> None:
    document = {
        "rulebook": "x",
        "title": "X",
        "meters": {"work": {"unit": "h"}},
        "tasks": {"oil": {"title": "Oil", "kind": "lubricate", "interval": "every 50 h"}},
        "examples": [{"name": "wrong", "given": {"task": "oil", "done_at": "0 h", "now_at": "60 h"}, "expect": {"standing": "due"}}],
    }
    book, findings = check_rulebook(document, run=run_example)
    assert book is None
    assert [(f.code, f.path) for f in findings] == [("rulebook.example_failed", "/examples/0/expect/standing")]
    assert "`overdue`" in findings[0].message
    assert check_rulebook(document)[0] is not None


MEMBERS = [
    "task",
    "done_at",
    "now_at",
    "now",
    "machine",
    "tasks",
    "facts",
    "needs",
    "evidence",
    "for",
    "on",
    "stock",
    "step",
    "lines",
    "parts",
    "clearance",
    "standing",
]
VALUES = ANY | st.sampled_from(["roller-bearing-grease", "640 h", "2026-01-01", "2026-01-01T00:00:00Z", "key is removed"])


@settings(max_examples=examples(300), deadline=None)
@given(
    st.dictionaries(st.sampled_from(MEMBERS), VALUES, min_size=1, max_size=4),
    st.dictionaries(st.sampled_from(MEMBERS), VALUES, min_size=1, max_size=3),
)
def test_no_example_raises(told: dict[str, Any], expect: dict[str, Any]) -> None:
    assert BOOK is not None
    for finding in run_example(BOOK, Example("x", told, expect)):
        assert finding.mend
