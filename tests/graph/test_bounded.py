"""What one request may ask is bounded however it is written: by other names, fragments, page sizes, and lists that come in no pages."""

from typing import Any

import pytest
from graphql import get_introspection_query

from tests.doors_app import client, make_test_app
from tests.graph.small import small_app

APP, SMALL = make_test_app(), small_app()


async def answered(app: Any, query: str, **variables: Any) -> dict[str, Any]:
    async with client(app) as http:
        answer = await http.post("/graphql", json={"query": query, "variables": variables})
    assert answer.status_code == 200, answer.text
    told: dict[str, Any] = answer.json()
    return told


def code(told: dict[str, Any]) -> str:
    """The code of an answer that is an error alone."""
    assert "data" not in told
    (error,) = told["errors"]
    found: str = error["extensions"]["code"]
    return found


ASIDE = "{ __schema { " + " ".join(f"t{n}: types {{ name }}" for n in range(25)) + " } }"
BELOW = (
    "{ __schema { types { ...A } } } fragment A on __Type { f1: fields { ...B } f2: fields { ...B } } "
    "fragment B on __Field { a1: type { ...C } a2: type { ...C } } fragment C on __Type { name }"
)


@pytest.mark.parametrize(
    "query",
    [
        ASIDE,
        BELOW,
        "{ " + " ".join(f's{n}: __type(name: "Query") {{ name }}' for n in range(3)) + " }",
        "{ ... { other: __schema { types { name } } } }",
        "{ __schema { ... { types { ... on __Type { n: name } } } } }",
        "{ __schema { types { kind: __typename } } }",
    ],
)
async def test_what_describes_the_schema_has_no_other_names(query: str) -> None:
    assert code(await answered(APP, query)) == "query.too_many_aliases"


async def test_the_descriptions_breadth_is_bounded_as_any() -> None:
    assert code(await answered(APP, "{ __schema { types { " + "name " * 201 + "} } }")) == "query.too_broad"


async def test_the_introspection_of_the_tools_passes_and_has_its_price() -> None:
    """As graphql-js asks it with all that it can ask; graphql-core writes the same text."""
    whole = get_introspection_query(
        specified_by_url=True, directive_is_repeatable=True, schema_description=True, input_value_deprecation=True
    )
    told = await answered(APP, whole)
    assert "errors" not in told
    assert len(told["data"]["__schema"]["types"]) > 150
    assert told["extensions"]["cost"]["requests"] == 21
    one = await answered(APP, '{ __type(name: "Machine") { name fields { name } } }')
    assert one["extensions"]["cost"]["requests"] == 21


LEAVES = "query ($n: Int!) { leaves(first: $n) { edges { node { name size a: leaf { name size } b: leaf { name size } } } } }"


@pytest.mark.parametrize(("whole", "real"), [(200, 200.0), (120, 120.0), (10**9, 1e9), (0, 0.0)])
async def test_a_page_costs_the_same_however_its_size_is_written(whole: int, real: float) -> None:
    first, second = [await answered(SMALL, LEAVES, n=n) for n in (whole, real)]
    assert first == second
    assert first["extensions"]["cost"]["requests"] == (1 if whole == 0 else 2 if whole == 120 else 3)


async def test_what_nests_pages_is_turned_away_by_both_writings() -> None:
    query = "query ($n: Int!) { machines(first: $n) { edges { node { readings(first: $n) { edges { node { meter value at } } } } } } }"
    for n in (200, 200.0):
        async with client(APP) as http:
            answer = await http.post("/graphql", json={"query": query, "variables": {"n": n}})
        assert code(answer.json()) == "query.too_dear"


PUTS = " ".join(f'p{n}: put(name: "bounded")' for n in range(25))


@pytest.mark.parametrize(
    ("query", "requests"),
    [
        ("{ ...F } fragment F on Query { a: leaf { name } b: leaf { name } c: who }", 3),
        ("{ ... { a: leaf { name } ... on Query { b: leaf { name } } } }", 2),
        (
            "{ ...F ... { ...F } } fragment F on Query { a: leaf { name } a: leaf { size } ...G } fragment G on Query { leaf { name } }",
            2,
        ),
        ("{ ...F @skip(if: true) ... @include(if: false) { b: leaf { name } } who } fragment F on Query { a: leaf { name } }", 1),
        ("{ ... on Query @skip(if: false) { a: leaf { name } b: leaf @skip(if: true) { name } } }", 1),
        (f"mutation {{ ...M }} fragment M on Mutation {{ {PUTS} }}", 25),
    ],
)
async def test_each_field_at_the_top_counts_as_a_request_in_a_fragment_too(query: str, requests: int) -> None:
    assert (await answered(SMALL, query))["extensions"]["cost"]["requests"] == requests
