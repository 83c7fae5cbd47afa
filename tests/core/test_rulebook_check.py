"""The check of a rulebook: every finding with its place and its remedy, and never anything but findings."""

import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fieldworthy.core.answer.examples import run_example
from fieldworthy.core.base.finding import Finding, Severity
from fieldworthy.core.rulebook.check import check_rulebook, check_text
from fieldworthy.core.rulebook.text import Document, read_document
from tests.effort import examples

CASES = Path(__file__).parents[1] / "cases" / "rulebook"
GOOD = (CASES / "good.yaml").read_text("utf-8")
TABLES = ("findings.toml", "findings_of_parts.toml", "findings_of_found.toml")
CHANGED = [case for table in TABLES for case in tomllib.loads((CASES / table).read_text("utf-8"))["case"]]


def lines(findings: list[Finding]) -> list[str]:
    return [f"{f.code} {f.line} {f.column} {f.path}" for f in findings]


def test_the_good_rulebook() -> None:
    book, findings = check_text(GOOD, run_example)
    assert book is not None, lines(findings)
    assert [f for f in findings if f.severity is Severity.ERROR] == []
    assert book.warnings == tuple(findings)
    assert book.tasks["roller-bearing-grease"].covered_by == ("winter-service",)
    assert book.tasks["roller-bearing-grease"].skill == "operator"
    assert book.tasks["belt-replace"].plan is None
    assert book.tasks["belt-check"].points == {"left": "left", "right": "right"}
    assert [(f.what, f.then, f.within and f.within.text, f.unfit) for f in book.tasks["belt-check"].if_found.values()] == [
        ("frayed", "belt-replace", "10 h", False),
        ("torn", "belt-replace", None, True),
    ]
    assert book.vocabulary.facts["side panel"].states == ("on", "off")
    assert book.vocabulary.working_conditions["crop"].assumed is False
    assert list(book.parts) == ["PL-0400", "PL-1180", "PL-1181", "PL-1182"]
    assert book.works.actions["raise tailgate"].makes == {"tailgate": "raised"}
    assert book.digest.startswith("sha256:")


def test_the_same_rulebook_as_data_has_the_same_digest_and_no_places() -> None:
    read = read_document(GOOD)
    assert isinstance(read, Document)
    book, findings = check_rulebook(read.data)
    with_places, placed = check_text(GOOD)
    assert book is not None
    assert with_places is not None
    assert book.digest == with_places.digest
    assert sorted((f.code, f.path) for f in findings) == sorted((f.code, f.path) for f in placed)
    assert all(f.line is None for f in findings)


def test_five_mistakes_are_five_findings() -> None:
    book, findings = check_text((CASES / "five_mistakes.yaml").read_text("utf-8"))
    assert book is None
    errors = [f for f in findings if f.severity is Severity.ERROR]
    assert lines(errors) == [
        "rulebook.name 1 11 /rulebook",
        "rulebook.unknown_member 4 19 /meters/work/defalt",
        "rulebook.duration 6 50 /facts/engine/good_for",
        "interval.unknown_unit 11 21 /tasks/chain-oil/interval",
        "condition.unknown_state 12 12 /tasks/chain-oil/needs",
    ]
    assert all(f.mend for f in findings)


@pytest.mark.parametrize("case", CHANGED, ids=lambda case: case["name"])
def test_changed_rulebooks(case: Mapping[str, Any]) -> None:
    old, new = case["change"]
    assert old in GOOD, "the case changes nothing"
    text = GOOD.replace(old, new, 1)
    book, findings = check_text(text, run_example)
    known = {(f.code, f.path) for f in check_text(GOOD, run_example)[1]}
    fresh = [f for f in findings if (f.code, f.path) not in known]
    if case.get("only"):
        fresh = [f for f in fresh if not f.code.startswith(("condition.", "rulebook.unused", "procedure."))]
    assert sorted((f.code, f.path) for f in fresh) == sorted((code, path) for code, path, _ in case["want"])
    rows = text.split("\n")
    for code, path, here in case["want"]:
        found = next(f for f in fresh if (f.code, f.path) == (code, path))
        assert found.line is not None
        assert found.column is not None
        assert rows[found.line - 1][found.column - 1 :].startswith(here)
    if not case["want"]:
        assert book is not None
        return
    first = next(f for f in fresh if f.code == case["want"][0][0])
    assert case.get("says", "") in first.message
    assert case.get("mend", "") in first.mend
    assert (book is None) == any(f.severity is Severity.ERROR for f in fresh)


def test_findings_are_in_the_order_of_the_text() -> None:
    _, findings = check_text((CASES / "five_mistakes.yaml").read_text("utf-8"))
    assert [(f.line, f.column) for f in findings] == sorted((f.line, f.column) for f in findings)  # type: ignore[type-var]


def test_what_the_text_itself_has_wrong_does_not_hide_the_rest() -> None:
    book, findings = check_text("rulebook: x\ntitle: a\ntitle: b\nmeters: {m: {unit: hh}}\n")
    assert book is None
    assert [f.code for f in findings] == ["document.duplicate_key", "rulebook.unknown_unit"]


def test_the_smallest_rulebook() -> None:
    book, findings = check_rulebook({"rulebook": "x", "title": "X", "tasks": {"oil": {"title": "Oil", "kind": "lubricate"}}})
    assert book is not None
    assert [f.code for f in findings] == ["rulebook.no_example"]


ANY = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=8)
    | st.sampled_from(["every 5 h", "a is b", "5 g", "net wrap"]),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=6), inner, max_size=3),
    max_leaves=8,
)


def nodes(data: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    inner = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
    return [path, *(p for name, value in inner for p in nodes(value, (*path, name)))]


def changed(data: Any, path: tuple[Any, ...], how: str, value: Any) -> Any:
    """A copy of `data` with the node at `path` replaced, deleted, or given one more member."""
    if not path:
        if how == "add" and isinstance(data, dict):
            return {**data, "surplus": value}
        if how == "add" and isinstance(data, list):
            return [*data, value]
        return value
    name, rest = path[0], path[1:]
    if isinstance(data, dict):
        if how == "delete" and not rest:
            return {k: v for k, v in data.items() if k != name}
        return {k: changed(v, rest, how, value) if k == name else v for k, v in data.items()}
    if how == "delete" and not rest:
        return [v for i, v in enumerate(data) if i != name]
    return [changed(v, rest, how, value) if i == name else v for i, v in enumerate(data)]


_READ = read_document(GOOD)
assert isinstance(_READ, Document)
PLAIN: dict[str, Any] = _READ.data
PATHS = nodes(PLAIN)


@settings(max_examples=examples(300), deadline=None)
@given(st.sampled_from(PATHS), st.sampled_from(["replace", "delete", "add"]), ANY)
def test_any_change_gives_findings_and_never_an_exception(path: tuple[Any, ...], how: str, value: Any) -> None:
    book, findings = check_rulebook(changed(PLAIN, path, how, value), run=run_example)
    assert (book is None) == any(f.severity is Severity.ERROR for f in findings)
    for finding in findings:
        assert finding.mend
        assert finding.message
        assert not finding.message.endswith(".")
        assert finding.message[0] == "`" or finding.message[0].lower() == finding.message[0]


@settings(deadline=None)
@given(ANY)
def test_any_json_gives_findings_and_never_an_exception(data: Any) -> None:
    book, findings = check_rulebook(data)
    assert (book is None) == any(f.severity is Severity.ERROR for f in findings)


@settings(max_examples=examples(200), deadline=None)
@given(st.data())
def test_any_cut_of_a_good_text_gives_findings(data: st.DataObject) -> None:
    start = data.draw(st.integers(0, len(GOOD)))
    end = data.draw(st.integers(start, len(GOOD)))
    put = data.draw(st.text(st.sampled_from("{}[]:,#&*'\" \n-é\x00"), max_size=4))
    book, findings = check_text(GOOD[:start] + put + GOOD[end:])
    assert (book is None) == any(f.severity is Severity.ERROR for f in findings)
    assert all(f.line is not None and f.column is not None for f in findings)
