"""Linters that no one here wrote find nothing in the contract that is neither mended nor answered in writing."""

import re

import pytest

from tests.strangers.lint import CONTRACT, Answer, Found, answers, lint, unanswered, unasked
from tests.strangers.programs import Programs


@pytest.mark.slow
def test_every_finding_has_an_answer_and_every_answer_a_finding(programs: Programs) -> None:
    found, given = lint(programs), answers()
    assert unanswered(found, given) == []
    assert unasked(found, given) == []
    assert len(found) > 100, "the rules were not applied"


def test_every_answer_says_why() -> None:
    assert all(len(answer.because) > 20 for answer in answers())


FINDING = Found("warning", "a-rule", "paths//v1/due/get", "words")


@pytest.mark.parametrize(
    ("rule", "at", "fits"),
    [
        ("a-rule", "paths//v1/due/get", True),
        ("a-rule", "paths/.*", True),
        ("a-rule", "paths//v1/due", False),  # the whole place
        ("another", "paths/.*", False),
    ],
)
def test_an_answer_is_for_its_rule_and_place(rule: str, at: str, fits: bool) -> None:
    answer = Answer(rule, re.compile(at), "")
    assert (unanswered([FINDING], [answer]) == []) is fits
    assert (unasked([FINDING], [answer]) == []) is fits


@pytest.mark.slow
def test_the_linters_find_what_is_wrong(programs: Programs, tmp_path_factory: pytest.TempPathFactory) -> None:
    """A small contract with three mistakes that the real one must not have: no contact, no limit of a list, no key asked for."""
    assert CONTRACT.exists()
    small = tmp_path_factory.mktemp("small") / "rest.json"
    small.write_text(
        """{"openapi": "3.1.0", "info": {"title": "small", "version": "1", "license": {"name": "MIT", "identifier": "MIT"}},
        "servers": [{"url": "https://small.example", "description": "in production", "x-internal": false}], "tags": [{"name": "a"}],
        "paths": {"/lists": {"put": {"operationId": "putList", "tags": ["a"], "summary": "x", "description": "x", "responses": {"204": {
        "description": "x"}}, "requestBody": {"content": {"application/json": {"schema": {"type": "array", "items": {}}}}}}}}}""",
        "utf-8",
    )
    rules = {found.rule for found in lint(programs, small)}
    assert {"info-contact", "owasp:api4:2023-array-limit", "owasp:api2:2023-write-restricted"} <= rules
