"""The tables of `tests/cases/parts`, asked of the core. The same tables are meant to be asked of every door."""

import tomllib
from collections.abc import Mapping
from copy import deepcopy
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from fieldworthy.core.answer.parts_list import PartsQuestion, Stock, TaskCount, answer_parts
from fieldworthy.core.base.finding import Refused, Severity
from fieldworthy.core.base.fit import Identity
from fieldworthy.core.base.names import key
from fieldworthy.core.base.quantity import read_amount
from fieldworthy.core.rulebook.check import check_rulebook
from fieldworthy.core.rulebook.model import CheckedRulebook

TABLES = sorted((Path(__file__).parents[1] / "cases" / "parts").glob("*.toml"))


def laid_over(below: Mapping[str, Any], above: Mapping[str, Any]) -> dict[str, Any]:
    """Mappings join key by key; anything else of `above` stands in place of what is below."""
    joined = dict(deepcopy(below))
    for name, value in above.items():
        old = joined.get(name)
        joined[name] = laid_over(old, value) if isinstance(old, Mapping) and isinstance(value, Mapping) else value
    return joined


def cases() -> list[Any]:
    found = []
    for table in TABLES:
        content = tomllib.loads(table.read_text(encoding="utf-8"))
        for case in content["case"]:
            base = {"rulebook": "test-baler", "title": "Test baler", "language": 1, **content.get("book", {})}
            case["document"] = laid_over(base, case.get("book", {}))
            found.append(pytest.param(case, id=f"{table.stem}: {case['name']}"))
    return found


def book_of(document: dict[str, Any]) -> CheckedRulebook:
    book, findings = check_rulebook(document)
    assert book is not None, [f"{f.path}: {f.message}" for f in findings]
    assert not [f for f in findings if f.severity is Severity.ERROR]
    return book


def question_of(request: Mapping[str, Any]) -> PartsQuestion:
    machine = request.get("machine", {})
    options = machine.get("options")
    stock = []
    for one in request.get("stock", []):
        amount = read_amount(one["amount"])
        assert amount is not None
        stock.append(Stock(one["part"], amount))
    return PartsQuestion(
        on=date.fromisoformat(request.get("on", "2026-07-14")),
        machine=Identity(None, machine.get("model"), machine.get("serial"), None if options is None else frozenset(map(key, options))),
        tasks=tuple(TaskCount(t["task"], t["times"]) for t in request["tasks"]),
        stock=tuple(stock),
    )


def hold(got: Any, want: Any, where: str = "") -> None:
    """`want` is a part of `got`; TOML has no null, so the word stands for it."""
    if isinstance(want, dict):
        for name, value in want.items():
            assert name in got, f"{where}/{name} is missing"
            hold(got[name], value, f"{where}/{name}")
    elif isinstance(want, list):
        assert isinstance(got, list), where
        assert len(got) == len(want), f"{where}: {got}"
        for i, (g, w) in enumerate(zip(got, want, strict=True)):
            hold(g, w, f"{where}/{i}")
    else:
        assert got == (None if want == "null" else want), where


@pytest.mark.parametrize("case", cases())
def test_case(case: dict[str, Any]) -> None:
    book = book_of(case["document"])
    question = question_of(case["request"])
    if "refused" in case:
        with pytest.raises(Refused) as refused:
            answer_parts(book, question)
        found = [{"code": f.code, "path": f.path, "mend": f.mend} for f in refused.value.findings]
        hold(found, case["refused"])
    else:
        hold(answer_parts(book, question).to_json(), case["want"])


@pytest.mark.parametrize("case", [c for c in cases() if "refused" not in c.values[0]])
def test_every_line_adds_up_and_says_why(case: dict[str, Any]) -> None:
    answer = answer_parts(book_of(case["document"]), question_of(case["request"]))
    for line in answer.lines:
        assert line.because
        assert line.tasks
        assert line.used_stock.value + line.to_get.value == line.amount.value
        if line.choice is not None:
            held = sum(n * p.to(line.part.unit).value for n, p in zip(line.choice.counts, line.part.packs, strict=True))
            assert held == (line.to_get.value + line.choice.left_over.value)
