"""The published schema: it is the committed file, and it says the same as the check of a rulebook's form."""

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from fieldworthy.core.base.finding import Severity
from fieldworthy.core.rulebook.check import check_rulebook
from fieldworthy.core.rulebook.schema import rulebook_schema
from fieldworthy.core.rulebook.text import Document, read_text
from tests.core.test_rulebook_check import ANY, CHANGED, GOOD, PATHS, PLAIN, changed
from tests.effort import examples

COMMITTED = Path(__file__).parents[2] / "openapi" / "rulebook.schema.json"
VALIDATOR = Draft202012Validator(rulebook_schema())
FORM = {
    f"rulebook.{code}"
    for code in ("unknown_member", "wrong_type", "missing", "unknown_word", "step", "states_and_unit", "no_states", "no_source", "language")
}


def refused(data: Any) -> list[str]:
    return [f"{error.json_path}: {error.message}" for error in VALIDATOR.iter_errors(data)]


def test_the_schema_is_one() -> None:
    Draft202012Validator.check_schema(rulebook_schema())


def test_the_committed_file_is_the_schema() -> None:
    assert json.loads(COMMITTED.read_text("utf-8")) == rulebook_schema(), "run python tests/core/write_rulebook_schema.py"


def test_every_member_is_described() -> None:
    def properties(schema: Any) -> list[dict[str, Any]]:
        if isinstance(schema, list):
            return [p for item in schema for p in properties(item)]
        if not isinstance(schema, dict):
            return []
        return [*schema.get("properties", {}).values(), *(p for item in schema.values() for p in properties(item))]

    found = properties(rulebook_schema())
    assert len(found) > 80
    assert all(p.get("description", "").endswith(".") for p in found)


def test_the_good_rulebook_fits() -> None:
    assert refused(PLAIN) == []


@pytest.mark.parametrize("case", CHANGED, ids=lambda case: case["name"])
def test_changed_rulebooks(case: dict[str, Any]) -> None:
    document, _ = read_text(GOOD.replace(*case["change"], 1))
    assert isinstance(document, Document)
    codes = {want[0] for want in case["want"]}
    if codes & FORM:
        assert refused(document.data)
    elif all(not code.startswith("rulebook.") for code in codes):
        assert refused(document.data) == []


@settings(max_examples=examples(200), deadline=None)
@given(st.sampled_from(PATHS), st.sampled_from(["replace", "delete", "add"]), ANY)
def test_schema_and_check_agree_on_the_form(path: tuple[Any, ...], how: str, value: Any) -> None:
    data = changed(PLAIN, path, how, value)
    _, findings = check_rulebook(data)
    errors = [f for f in findings if f.severity is Severity.ERROR]
    against = refused(data)
    if against:
        assert errors, against
    if any(f.code in FORM for f in errors):
        assert against, errors
