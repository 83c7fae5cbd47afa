"""The tables of procedures over REST: the same answers, and the same refusals as problems."""

from collections.abc import AsyncIterator
from typing import Any

import httpx
import pytest
import pytest_asyncio

from fieldworthy.wire import procedure_answers
from tests.core import books, procedures
from tests.doors.test_rest_tables import document, shape_alone, told
from tests.doors_app import client, make_test_app

APP = make_test_app()
CASES = books.tables("procedure")


@pytest_asyncio.fixture
async def http() -> AsyncIterator[httpx.AsyncClient]:
    async with client(APP) as http:
        yield http


@pytest.mark.parametrize("case", [c for _, c in CASES], ids=[n for n, _ in CASES])
async def test_procedure(http: httpx.AsyncClient, case: dict[str, Any]) -> None:
    sent = {**procedures.on_the_wire(case["request"]), "rulebook": document(case)}
    response = await http.post("/v1/procedure", json=sent)
    if "refused" in case:
        assert response.status_code == 422, response.text
        assert response.headers["content-type"] == "application/problem+json"
        errors = told(response)
        assert not shape_alone(errors)
        assert books.differs(case["refused"], errors) is None
        return
    assert response.status_code == 200, response.text
    assert procedure_answers.ProcedureAnswer.model_validate(response.json())
    assert books.differs(case["expect"], response.json()) is None


GOOD: dict[str, Any] = {
    "rulebook": document(next(c for n, c in CASES if n.startswith("rules"))),
    "now": books.NOW,
    "machine": {"model": "P1"},
    "task": "chain-look",
    "done": [{"step": 1, "at": books.NOW}],
}


@pytest.mark.parametrize(
    ("change", "pointer", "code"),
    [
        ({"done": [{"step": 0, "at": books.NOW}]}, "#/done/0/step", "request.out_of_range"),
        ({"done": [{"step": 1.5, "at": books.NOW}]}, "#/done/0/step", "request.not_whole"),
        ({"done": [{"step": "1", "at": books.NOW}]}, "#/done/0/step", "request.not_whole"),
        ({"done": [{"step": 1}]}, "#/done/0", "request.missing"),
        ({"done": [{"step": 1, "at": "2026-07-14T05:00:00"}]}, "#/done/0/at", "time.unreadable"),
        ({"done": [{"step": 1, "at": "2026-02-30T05:00:00Z"}]}, "#/done/0/at", "time.unreadable"),
        ({"done": [{"step": 1, "at": books.NOW, "when": 1}]}, "#/done/0/when", "request.unknown_member"),
        ({"done": {"step": 1}}, "#/done", "request.not_a_list"),
        ({"begun": None}, "#/begun", "request.not_a_text"),
        ({"task": None}, "#/task", "request.not_a_text"),
        ({"steps": []}, "#/steps", "request.unknown_member"),
        ({"by": " "}, "#/by", "question.nobody_named"),
        ({"put_on": [{"fact": "lok", "state": "on", "by": "p-3"}]}, "#/put_on/0/fact", "question.unknown_fact"),
    ],
    ids=str,
)
async def test_bad_requests(http: httpx.AsyncClient, change: dict[str, Any], pointer: str, code: str) -> None:
    response = await http.post("/v1/procedure", json={**GOOD, **change})
    assert response.status_code == 422, response.text
    errors = response.json()["errors"]
    assert (pointer, code) in [(e["pointer"], e["code"]) for e in errors], errors
    assert all(e["mend"] for e in errors)


@pytest.mark.parametrize("at", ["0001-01-01T00:00:00+23:59", "0001-01-01T00:00:00Z", "9999-12-31T23:59:59-23:59"])
@pytest.mark.parametrize("now", ["0001-01-01T00:00:00Z", "9999-12-31T23:59:59-23:59", books.NOW])
async def test_times_at_the_ends_of_the_calendar(http: httpx.AsyncClient, at: str, now: str) -> None:
    sent = {**GOOD, "now": now, "done": [{"step": 1, "at": at}, {"step": 2, "at": at}], "begun": at}
    response = await http.post("/v1/procedure", json=sent)
    assert response.status_code in (200, 422), response.text


async def test_a_good_request_is_answered(http: httpx.AsyncClient) -> None:
    response = await http.post("/v1/procedure", json=GOOD)
    assert response.status_code == 200, response.text
    assert response.json()["rulebook"]["name"] == "book"
