"""The same tables that the core and REST are asked run over GraphQL: the same cases, the same comparisons, whole answers."""

from collections.abc import AsyncIterator
from typing import Any

import httpx
import pytest
import pytest_asyncio
from pydantic import BaseModel

from fieldworthy.graph import questions
from fieldworthy.graph.inputs import Input
from fieldworthy.graph.shapes import type_of
from fieldworthy.wire import answers, procedure_answers, shelf_answers
from tests import due_cases
from tests.core import books, procedures, test_check_safety, test_compare_safety
from tests.core.test_parts_cases import cases as parts_cases
from tests.core.test_parts_cases import hold
from tests.doors import test_rest_tables as rest
from tests.doors_app import client
from tests.graph_door import as_input, as_rest, ask, everything


@pytest_asyncio.fixture
async def http() -> AsyncIterator[httpx.AsyncClient]:
    async with client(rest.APP) as http:
        yield http


async def asked(http: httpx.AsyncClient, field: str, takes: Input, shape: type[BaseModel], sent: dict[str, Any]) -> Any:
    """The answer as REST gives it, of its published shape; or a refusal's extensions, where it is a list of things to mend."""
    kind = takes.thing
    query = f"query ($input: {kind.name}!) {{ answer: {field}(input: $input) {everything(type_of(shape))} }}"
    answer = await ask(http, query, input=as_input(kind, sent))
    if "errors" in answer:
        assert answer.get("data") in (None, {"answer": None})
        return answer["errors"]
    told = as_rest(type_of(shape), answer["data"]["answer"])
    assert shape.model_validate(told)
    return told


def refused(errors: Any, sent: dict[str, Any], takes: Input, want: list[dict[str, Any]]) -> None:
    """Holds a refusal to a table's: the same findings, at the places where the arguments have them."""
    assert isinstance(errors, list), errors
    if all(error["extensions"]["code"].startswith("query.") for error in errors):  # GraphQL's own types refused it
        assert all("input" in error["message"] for error in errors), errors
        return
    (error,) = errors
    given = as_input(takes.thing, sent)
    told = [
        {**e, "path": httpx.URL(e["pointer"]).fragment, "message": e["detail"]}
        for e in error["extensions"]["errors"]
        if e["severity"] == "error"
    ]
    want = [{k: v for k, v in w.items() if not (k == "mend" and "/v1/" in v)} for w in want]  # an address is a field here
    assert not any("/v1/" in e["mend"] for e in told), told
    placed = [{**w, "path": takes.place(w["path"], given)} if "path" in w else w for w in want]
    if rest.shape_alone(told):
        assert {e["path"] for e in told} <= {w["path"] for w in placed}
    else:
        assert books.differs(placed, told) is None


@pytest.mark.parametrize("case", rest.DUE, ids=[c["id"] for c in rest.DUE])
async def test_due(http: httpx.AsyncClient, case: dict[str, Any]) -> None:
    answer = await asked(http, "due", questions.DUE, answers.DueAnswer, due_cases.question(case))
    assert isinstance(answer, dict), answer
    assert due_cases.differs(case, answer) == {}


@pytest.mark.parametrize("case", parts_cases())
async def test_parts(http: httpx.AsyncClient, case: dict[str, Any]) -> None:
    sent = {"on": "2026-07-14", "machine": {}, **case["request"], "rulebook": case["document"]}
    answer = await asked(http, "parts", questions.PARTS, answers.PartsAnswer, sent)
    if "refused" in case:
        refused(answer, sent, questions.PARTS, case["refused"])
    else:
        assert isinstance(answer, dict), answer
        hold(answer, case["want"])


@pytest.mark.parametrize("case", [c for _, c in rest.CLEARANCE], ids=[n for n, _ in rest.CLEARANCE])
async def test_clearance(http: httpx.AsyncClient, case: dict[str, Any]) -> None:
    sent = {**books.on_the_wire(case["request"]), "rulebook": rest.on_the_shelf(rest.document(case))}
    answer = await asked(http, "clearance", questions.CLEARANCE, answers.ClearanceAnswer, sent)
    if "refused" in case:
        refused(answer, sent, questions.CLEARANCE, case["refused"])
    else:
        assert isinstance(answer, dict), answer
        assert books.differs(case["expect"], answer) is None


PROCEDURES = books.tables("procedure")


@pytest.mark.parametrize("case", [c for _, c in PROCEDURES], ids=[n for n, _ in PROCEDURES])
async def test_procedure(http: httpx.AsyncClient, case: dict[str, Any]) -> None:
    sent = {**procedures.on_the_wire(case["request"]), "rulebook": rest.document(case)}
    answer = await asked(http, "procedure", questions.PROCEDURE, procedure_answers.ProcedureAnswer, sent)
    if "refused" in case:
        refused(answer, sent, questions.PROCEDURE, case["refused"])
    else:
        assert isinstance(answer, dict), answer
        assert books.differs(case["expect"], answer) is None


@pytest.mark.parametrize("case", test_compare_safety.TABLE["case"], ids=lambda case: case["name"])
async def test_compare(http: httpx.AsyncClient, case: dict[str, Any]) -> None:
    base = test_compare_safety.TABLE["book"]
    before, after = (
        rest.on_the_shelf(books.document_of({**base, **pieces, "facts": {**base["facts"], **pieces.get("facts", {})}}))
        for pieces in (case["before"], case["after"])
    )
    (name, first), (_, second) = before.split("@"), after.split("@")
    shape = type_of(shelf_answers.CompareAnswer)
    query = f'{{ comparison(name: "{name}", from: {first}, to: {second}) {everything(shape)} }}'
    told = shelf_answers.CompareAnswer.model_validate(as_rest(shape, (await ask(http, query))["data"]["comparison"])).safety
    assert books.differs(case["want"], [c.model_dump() for c in told.changes]) is None
    assert books.differs(case.get("want_hazards", []), [h.model_dump() for h in told.hazards]) is None


@pytest.mark.parametrize("case", [c for c in test_check_safety.TABLE["case"] if "states" not in c], ids=lambda case: case["name"])
async def test_check(http: httpx.AsyncClient, case: dict[str, Any]) -> None:
    shape = type_of(shelf_answers.CheckAnswer)
    query = f"query ($document: JSON!) {{ checkRulebook(document: $document) {everything(shape)} }}"
    answer = await ask(http, query, document=books.document_of(test_check_safety.pieces(case)))
    findings = shelf_answers.CheckAnswer.model_validate(as_rest(shape, answer["data"]["checkRulebook"])).findings
    told = [f for f in findings if f.code.startswith("procedure.") or f.code in ("condition.never_true", "condition.always_true")]
    assert [[f.code, f.path] for f in told] == case["want"]
