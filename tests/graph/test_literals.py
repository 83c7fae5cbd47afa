"""Numbers and objects written in a document are taken as JSON would bring them: kept exactly, or refused with their place.

Source: RFC 8259, section 6 (numbers that a double does not keep do not interoperate); GraphQL, October 2021, 2.9.8 and 3.10 (a member of a
variable that was not sent is left out, an item is null).
"""

from collections.abc import AsyncIterator
from functools import cache
from typing import Any

import httpx
import pytest
import pytest_asyncio
from fastapi import FastAPI

from tests.doors_app import client, make_test_app

LONG = "1" * 4301  # more digits than Python makes a number of by itself


@cache
def usual_app() -> FastAPI:
    """One for all: nothing of what is asked of it changes what another test is answered."""
    return make_test_app(graphql="on")


@pytest_asyncio.fixture
async def http() -> AsyncIterator[httpx.AsyncClient]:
    async with client(usual_app()) as opened:
        yield opened


def due(rulebook: str, machine: str = "{}") -> str:
    return f'{{ due(input: {{rulebook: {rulebook}, now: "2026-07-14T06:00:00Z", machine: {machine}}}) {{ now }} }}'


async def errors(http: httpx.AsyncClient, query: str, **variables: Any) -> tuple[int, list[Any]]:
    answer = await http.post(
        "/graphql",
        json={"query": query, "variables": variables},
        headers={"accept": "application/graphql-response+json"},
    )
    return answer.status_code, answer.json()["errors"]


@pytest.mark.parametrize(
    "number",
    ["0.50000000000000000001", "1e-400", "1e999", "-1e999", "1234567890123456789", "18446744073709551617", LONG, "0." + LONG],
    ids=lambda number: number[:30],
)
@pytest.mark.parametrize(
    "document",
    [
        due("{a: N}"),
        "{ machines(first: N) { edges { cursor } } }",
        "query ($n: Int = N) { machines(first: $n) { edges { cursor } } }",
    ],
    ids=["scalar", "argument", "default"],
)
async def test_a_number_that_is_not_kept_is_refused_with_its_place(http: httpx.AsyncClient, document: str, number: str) -> None:
    query = document.replace("N", number)
    status, (error, *more) = await errors(http, query)
    assert (status, error["extensions"]["code"], more) == (400, "query.does_not_fit", [])
    assert error["locations"] == [{"line": 1, "column": query.index(number) + 1}]
    assert "more digits than can be kept" in error["message"]
    assert len(error["message"]) < 200


@pytest.mark.parametrize(
    "rulebook",
    ["{a: 10000000000000000000}", "{a: -10000000000000000000}", "{a: [1e300, 20000000000000000000000]}"],
)
async def test_a_large_number_that_is_kept_goes_on_to_what_reads_it(http: httpx.AsyncClient, rulebook: str) -> None:
    _, found = await errors(http, due(rulebook))
    assert {error["extensions"]["code"] for error in found} == {"rulebook.has_errors"}
    by_variable = await errors(http, due("$r").replace("{", "query ($r: RulebookRef!) {", 1), r={"a": 10**19})
    assert by_variable[1][0]["extensions"]["code"] == "rulebook.has_errors"


@pytest.mark.parametrize("rulebook", ["{a: $x}", "{a: {b: [$x]}}", "{a: [{b: $x}]}"])
async def test_what_was_not_sent_inside_of_an_object_is_no_fault(http: httpx.AsyncClient, rulebook: str) -> None:
    query = due(rulebook).replace("{", "query ($x: Float) {", 1)
    _, (error, *_) = await errors(http, query)
    assert error["extensions"]["code"] == "rulebook.has_errors"


async def test_what_is_nested_too_deep_by_literal_and_variable_together_is_no_fault(http: httpx.AsyncClient) -> None:
    value: Any = 1
    for _ in range(90):
        value = {"a": value}
    query = due("{a: " * 90 + "$x" + "}" * 90).replace("{", "query ($x: JSON) {", 1)
    _, (error, *_) = await errors(http, query, x=value)
    assert error["extensions"]["code"] == "query.does_not_fit"
    assert "nested too deep" in error["message"]
