"""A rehearsal of how things go: in a made-up service an operation, a parameter and a member are declared, and met in contract and answers.

Fields: RFC 9745 (Deprecation, a Date of RFC 9651), with its own example of section 2.1; RFC 8594 (Sunset, an HTTP-date of RFC 9110).
"""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Annotated, Any

import httpx
import pytest
from fastapi import APIRouter, FastAPI
from pydantic import Field
from starlette.requests import Request
from starlette.responses import Response

from fieldworthy.rest.admission import ANYBODY
from fieldworthy.rest.answers import json_answer
from fieldworthy.rest.body import RawRoute
from fieldworthy.rest.described import described, query_parameter
from fieldworthy.rest.openapi import contract
from fieldworthy.rest.quota import Telling
from fieldworthy.wire import retiring
from fieldworthy.wire.closed import Closed, Id
from fieldworthy.wire.retiring import Retired, member, soonest

SINCE = datetime(2023, 6, 30, 23, 59, 59, tzinfo=UTC)
UNTIL = datetime(2024, 6, 30, 23, 59, 59, tzinfo=UTC)
DEPRECATION = "@1688169599"  # RFC 9745, 2.1: Friday, June 30, 2023 at 23:59:59 UTC
SUNSET = "Sun, 30 Jun 2024 23:59:59 GMT"
LINK = '</docs>; rel="deprecation"; type="text/html"'
OLD = Retired(SINCE, UNTIL, "use `askNew`")
LONG = {"type": "string", "maxLength": 10}


@pytest.fixture(scope="module")
def app() -> Iterator[FastAPI]:
    """Four operations: one that goes, one with a parameter that goes, one with a member that goes (within a list), one that stays."""
    before = len(retiring._declared)

    class Row(Closed):
        name: Id
        title: Annotated[Id, Field(json_schema_extra=member(Retired(SINCE, None, "use `name`"), "Row.title"))]

    class Rows(Closed):
        items: Annotated[list[Row], Field(max_length=10)] | None

    class Stays(Closed):
        name: Id

    router = APIRouter(route_class=RawRoute)

    async def answer(request: Request) -> Response:
        if request.query_params.get("fail"):
            raise ValueError("on purpose")
        return json_answer({"name": "n"})

    by, fail = query_parameter("by", "in whose name", LONG), query_parameter("fail", "fail", LONG)
    retiring.OPERATIONS["askOld"] = retiring.PARAMETERS["askBy", "by"] = OLD
    router.add_api_route("/old", answer, **described("askOld", "t", ANYBODY, "Old", "Old.", Stays, parameters=[fail]))
    router.add_api_route("/by", answer, **described("askBy", "t", ANYBODY, "By", "By.", Stays, parameters=[by]))
    router.add_api_route("/rows", answer, **described("askRows", "t", ANYBODY, "Rows", "Rows.", Rows))
    router.add_api_route("/new", answer, **described("askNew", "t", ANYBODY, "New", "New.", Stays))
    made = FastAPI()
    made.include_router(router)
    made.add_middleware(Telling)
    yield made
    del retiring._declared[before:], retiring.OPERATIONS["askOld"], retiring.PARAMETERS["askBy", "by"]


CASES = [
    ("/old", DEPRECATION, SUNSET),
    ("/by?by=me", DEPRECATION, SUNSET),
    ("/by", None, None),  # the parameter was not sent
    ("/rows", DEPRECATION, None),  # when it will be gone is not settled
    ("/new", None, None),
]


@pytest.mark.parametrize(("address", "deprecation", "sunset"), CASES)
async def test_answers_say_what_goes(app: FastAPI, address: str, deprecation: str | None, sunset: str | None) -> None:
    async with httpx.AsyncClient(transport=httpx.ASGITransport(app), base_url="http://t") as http:
        answer = await http.get(address)
    assert answer.status_code == 200
    told = answer.headers
    assert (told.get("deprecation"), told.get("sunset"), told.get("link")) == (deprecation, sunset, deprecation and LINK)


def test_the_contract_marks_what_goes(app: FastAPI) -> None:
    made = contract(app)
    old, by, rows, new = (made["paths"][path]["get"] for path in ("/old", "/by", "/rows", "/new"))
    assert old["deprecated"] is True
    assert old["x-retired"] == {"since": SINCE.isoformat(), "until": UNTIL.isoformat(), "instead": "use `askNew`"}
    assert [p["deprecated"] for p in by["parameters"]] == [True]
    assert "deprecated" not in by
    headers: dict[str, Any] = {path: set(made["paths"][path]["get"]["responses"]["200"]["headers"]) for path in made["paths"]}
    assert {path: {"Deprecation", "Sunset", "Link"} <= found for path, found in headers.items()} == {
        "/old": True,
        "/by": True,
        "/rows": True,
        "/new": False,
    }
    assert set(made["components"]["headers"]) >= {"Deprecation", "Sunset", "Link"}
    assert "x-retired-members" not in rows
    assert "deprecated" not in new


def test_nothing_goes_yet() -> None:
    """The real contract declares none, and so carries no header of it."""
    from tests.contract.test_openapi import write

    text = write.CONTRACT.read_text("utf-8")
    assert "x-retired" not in text
    assert '"deprecated"' not in text
    assert '"Sunset"' not in text


@pytest.mark.parametrize(
    ("several", "since", "until"),
    [
        ([], None, None),
        ([(5, None)], 5, None),
        ([(5, None), (3, 9)], 3, 9),
        ([(5, 8), (3, 9)], 3, 8),  # the first to go
    ],
)
def test_an_answer_tells_the_soonest(several: list[tuple[int, int | None]], since: int | None, until: int | None) -> None:
    def moment(day: int) -> datetime:
        return SINCE + timedelta(days=day)

    found = soonest([Retired(moment(a), None if b is None else moment(b), "x") for a, b in several])
    assert (found and found.since) == (since and moment(since))
    assert (found and found.until) == (until and moment(until))


def test_nothing_is_gone_before_it_is_deprecated() -> None:
    with pytest.raises(ValueError, match="before"):
        Retired(UNTIL, SINCE, "x")
