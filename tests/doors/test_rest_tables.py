"""The same tables that the core is asked run over REST: a door that changes an answer fails on the case's name."""

import json
from collections.abc import AsyncIterator
from typing import Any

import httpx
import pytest
import pytest_asyncio

from fieldworthy.core.rulebook.load_words import NO_UNIT
from fieldworthy.usecases.find_rulebook import checked
from fieldworthy.usecases.publish import published_of
from fieldworthy.wire import answers
from tests import due_cases
from tests.core import books
from tests.core.test_parts_cases import cases as parts_cases
from tests.core.test_parts_cases import hold
from tests.doors_app import NOW, MemoryStore, client, make_test_app

STORE = MemoryStore()
APP = make_test_app(STORE)
CLEARANCE = books.tables("clearance")
DUE = due_cases.load()
SHAPE = {"request.one_of", "request.unknown_value", "request.out_of_range", "time.unreadable"}


@pytest_asyncio.fixture
async def http() -> AsyncIterator[httpx.AsyncClient]:
    async with client(APP) as http:
        yield http


@pytest.mark.parametrize("case", DUE, ids=[c["id"] for c in DUE])
async def test_due(http: httpx.AsyncClient, case: dict[str, Any]) -> None:
    response = await http.post("/v1/due", json=due_cases.question(case))
    assert response.status_code == 200, response.text
    answer = response.json()
    assert answers.DueAnswer.model_validate(answer)
    assert due_cases.differs(case, answer) == {}


@pytest.mark.parametrize("case", parts_cases())
async def test_parts(http: httpx.AsyncClient, case: dict[str, Any]) -> None:
    asked = {"on": "2026-07-14", "machine": {}, **case["request"], "rulebook": case["document"]}
    response = await http.post("/v1/parts", json=asked)
    if "refused" not in case:
        assert response.status_code == 200, response.text
        assert answers.PartsAnswer.model_validate(response.json())
        hold(response.json(), case["want"])
        return
    assert response.status_code == 422, response.text
    assert response.headers["content-type"] == "application/problem+json"
    errors = told(response)
    if shape_alone(errors):
        assert {e["path"] for e in errors} <= {e["path"] for e in case["refused"]}
    else:
        hold(errors, case["refused"])


def told(response: httpx.Response) -> list[dict[str, Any]]:
    """The problem's errors in the words of a table."""
    errors = response.json()["errors"]
    return [{**e, "path": httpx.URL(e["pointer"]).fragment, "message": e["detail"]} for e in errors if e["severity"] == "error"]


def shape_alone(errors: list[dict[str, Any]]) -> bool:
    """Whether the request's shape refused it, before its rulebook was asked: at the same places, in the door's own words."""
    return all(e["code"] in SHAPE for e in errors)


def document(case: dict[str, Any]) -> dict[str, Any]:
    """The whole rulebook of a case's pieces."""
    pieces = case["books"][case["book"]] if isinstance(case.get("book"), str) else case["book"]
    facts = {
        name: fact if "states" in fact or "unit" in fact else {**fact, "unit": NO_UNIT} for name, fact in pieces.get("facts", {}).items()
    }
    tasks = {name: {"title": name, "kind": "inspect", **task} for name, task in pieces.get("tasks", {}).items()}
    return {
        "rulebook": "book",
        "title": "A book",
        **pieces,
        "facts": facts,
        "tasks": tasks or {"none": {"title": "none", "kind": "inspect"}},
    }


def on_the_shelf(document: dict[str, Any]) -> str:
    """Its reference as a version that was published before. Some of these rulebooks are unsafe on purpose, and would be refused today."""
    book = checked(document)
    kept = STORE.kept.setdefault("book", [])
    known = next((version for version in kept if json.loads(version.declared) == document), None)
    if known is None:
        kept.append(known := published_of(book, len(kept) + 1, "", "application/json", NOW))
    return f"book@{known.version}"


@pytest.mark.parametrize("case", [c for _, c in CLEARANCE], ids=[n for n, _ in CLEARANCE])
async def test_clearance(http: httpx.AsyncClient, case: dict[str, Any]) -> None:
    sent = {**books.on_the_wire(case["request"]), "rulebook": on_the_shelf(document(case))}
    response = await http.post("/v1/clearance", json=sent)
    if "refused" in case:
        assert response.status_code == 422, response.text
        errors = told(response)
        if shape_alone(errors):
            assert {e["path"] for e in errors} <= {e["path"] for e in case["refused"]}
        else:
            assert books.differs(case["refused"], errors) is None
        return
    assert response.status_code == 200, response.text
    assert answers.ClearanceAnswer.model_validate(response.json())
    assert books.differs(case["expect"], response.json()) is None
