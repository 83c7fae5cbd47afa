"""The tables of the exploration's findings and of the comparison for safety, over REST."""

from typing import Any

import pytest

from fieldworthy.core.procedure.explore import MOST_STATES
from fieldworthy.wire import shelf_answers as answers
from tests.core import books, test_check_safety, test_compare_safety
from tests.doors.test_rest_tables import http as http  # the fixture
from tests.doors.test_rest_tables import on_the_shelf
from tests.doors_app import client, make_test_app


@pytest.mark.parametrize("case", test_check_safety.TABLE["case"], ids=lambda case: case["name"])
async def test_check(case: dict[str, Any]) -> None:
    async with client(make_test_app(max_states=case.get("states", MOST_STATES))) as http:
        response = await http.post("/v1/rulebooks/check", json=books.document_of(test_check_safety.pieces(case)))
    assert response.status_code == 200, response.text
    findings = answers.CheckAnswer.model_validate(response.json()).findings
    told = [f for f in findings if f.code.startswith("procedure.") or f.code in ("condition.never_true", "condition.always_true")]
    assert [[f.code, f.path] for f in told] == case["want"]
    if told:
        assert books.differs({k: case[k] for k in ("start", "steps", "hazard") if k in case}, told[0].trace or {}) is None


@pytest.mark.parametrize("case", test_compare_safety.TABLE["case"], ids=lambda case: case["name"])
async def test_compare(http: Any, case: dict[str, Any]) -> None:
    base = test_compare_safety.TABLE["book"]
    before, after = (
        on_the_shelf(books.document_of({**base, **pieces, "facts": {**base["facts"], **pieces.get("facts", {})}}))
        for pieces in (case["before"], case["after"])
    )
    name, first, second = before.split("@")[0], before.split("@")[1], after.split("@")[1]
    response = await http.get(f"/v1/rulebooks/{name}/compare?from={first}&to={second}")
    assert response.status_code == 200, response.text
    told = answers.CompareAnswer.model_validate(response.json()).safety
    assert books.differs(case["want"], [c.model_dump() for c in told.changes]) is None
    assert books.differs(case.get("want_hazards", []), [h.model_dump() for h in told.hazards]) is None
