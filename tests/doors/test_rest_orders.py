"""The same logs over REST."""

from collections.abc import AsyncIterator
from typing import Any

import httpx
import pytest
import pytest_asyncio

from fieldworthy.wire import answers
from tests.core import books
from tests.core.orders import replay
from tests.doors_app import client, make_test_app

APP = make_test_app()
CASES = books.tables("orders")


@pytest_asyncio.fixture
async def http() -> AsyncIterator[httpx.AsyncClient]:
    async with client(APP) as http:
        yield http


@pytest.mark.parametrize("case", [case for _, case in CASES], ids=[name for name, _ in CASES])
async def test_order(http: httpx.AsyncClient, case: dict[str, Any]) -> None:
    rulebook = books.document_of(case["books"][case["book"]])
    log = replay(case)
    request = next(log)
    while True:
        response = await http.post("/v1/clearance", json={**books.on_the_wire(request), "rulebook": rulebook})
        assert response.status_code == 200, response.text
        assert answers.ClearanceAnswer.model_validate(response.json())
        try:
            request = log.send(response.json())
        except StopIteration:
            return
