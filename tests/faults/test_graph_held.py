"""What `fuzz_graphql` holds answers to: each of its checks finds what is wrong, and finds nothing in what is right."""

import json
from random import Random
from typing import Any

import httpx
import pytest
from graphql import build_schema, parse, print_ast, validate

from tests.contract.write import sdl
from tests.faults.graph_data import FORMS, Shape
from tests.faults.graph_held import ANSWER, LEGACY, PROBLEM, Asked, held, schema_of
from tests.faults.graph_rounds import MINE, Call, Rounds
from tests.faults.graph_spoiled import Spoiler, places
from tests.faults.graph_written import Raw, Writer, dumped

SMALL = Shape(
    build_schema(
        """
        type Query { item(id: String!): Item  items: [Item!]  outcome: Outcome }
        type Item { id: String!  size: Int  at: DateTime!  day: Date  kind: Kind!  large: Int64  share: Float  owner: Item! }
        enum Kind { near far }
        scalar DateTime scalar Date scalar Int64
        type Refusal { code: String! }
        union Outcome = Item | Refusal
        """
    )
)
RIGHT: dict[str, Any] = {"id": "a", "at": "2026-07-14T06:00:00Z", "kind": "near"}
ERROR: dict[str, Any] = {"message": "no", "path": ["item"], "extensions": {"code": "machine.unknown"}}
COUNTED = {"cost": {"requests": 1}}


def complaints(text: str, told: Any, status: int = 200, media: str = ANSWER, accept: str = ANSWER, **variables: Any) -> list[str]:
    """Of an answer to a document."""
    content = told if isinstance(told, bytes) else json.dumps(told).encode()
    response = httpx.Response(status, content=content, headers={"content-type": media})
    return held(response, Asked(text, None, variables), accept, SMALL).complaints


def item(**members: Any) -> dict[str, Any]:
    return {"data": {"item": {**RIGHT, **members}}, "extensions": COUNTED}


ASK = '{ item(id: "a") { id at kind } }'


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (ASK, item()),
        (ASK, {"data": {"item": None}, "errors": [ERROR], "extensions": COUNTED}),
        ("{ outcome { __typename ... on Refusal { code } } }", {"data": {"outcome": {"__typename": "Item"}}, "extensions": COUNTED}),
        ("{ items { b: id @skip(if: true) ...F } } fragment F on Item { id }", {"data": {"items": [{"id": "a"}]}, "extensions": COUNTED}),
        (
            '{ item(id: "a") { owner { owner { id } } } }',
            {"data": {"item": None}, "errors": [{**ERROR, "path": ["item", "owner"]}], "extensions": COUNTED},
        ),
    ],
)
def test_nothing_is_said_against_what_is_right(text: str, told: Any) -> None:
    assert complaints(text, told) == []


@pytest.mark.parametrize(
    ("text", "told", "said"),
    [
        (ASK, item(kind="middle"), "is no Kind"),
        (ASK, item(at="2026-07-14 06:00"), "is no DateTime"),
        (ASK, item(id=None), "null, where none may be"),
        (ASK, item(id=7), "is no String"),
        (ASK, item(more=1), "the members"),
        (ASK, {"data": {"item": {"at": RIGHT["at"], "id": "a", "kind": "near"}}, "extensions": COUNTED}, "the members"),
        (ASK, {"data": {"item": [RIGHT]}, "extensions": COUNTED}, "no object"),
        ("{ items { id } }", {"data": {"items": {}}, "extensions": COUNTED}, "no list"),
        ('{ item(id: "a") { size } }', {"data": {"item": {"size": 2**31}}, "extensions": COUNTED}, "is no Int"),
        ('{ item(id: "a") { large } }', {"data": {"item": {"large": 2**63}}, "extensions": COUNTED}, "is no Int64"),
        ('{ item(id: "a") { size } }', {"data": {"item": {"size": True}}, "extensions": COUNTED}, "is no Int"),
        ("{ outcome { __typename } }", {"data": {"outcome": {"__typename": "Kind"}}, "extensions": COUNTED}, "Kind, not Item"),
        ("{ nothing }", {"data": {"nothing": None}, "extensions": COUNTED}, "does not fit the schema is answered"),
        ("{ items", {"data": {"items": None}, "extensions": COUNTED}, "can't be read is answered"),
        (ASK, {"data": {"item": None}, "errors": [], "extensions": COUNTED}, "holds none"),
        (ASK, {"data": None, "extensions": COUNTED}, "no error says why"),
        (ASK, {"data": {"item": RIGHT}, "errors": [ERROR], "extensions": COUNTED}, "what is no null"),
        (ASK, {"data": {"item": None}, "errors": [{**ERROR, "path": ["other"]}], "extensions": COUNTED}, "leads nowhere"),
        (
            ASK,
            {"data": {"item": None}, "errors": [{"message": "no", "extensions": {"code": "a"}}], "extensions": COUNTED},
            "without a path",
        ),
        (ASK, {"data": {"item": None}, "errors": [{**ERROR, "message": ""}], "extensions": COUNTED}, "without its message"),
        (ASK, {"data": {"item": None}, "errors": [{**ERROR, "extensions": {}}], "extensions": COUNTED}, "without its code"),
        (ASK, {"data": {"item": None}, "errors": [{**ERROR, "more": 1}], "extensions": COUNTED}, "an error that is none"),
        (ASK, {"data": {"item": None}, "errors": [{**ERROR, "extensions": {"code": "no.such"}}], "extensions": COUNTED}, "has not"),
        (ASK, {"data": {"item": None}, "errors": [{**ERROR, "extensions": {"code": "service.failed"}}], "extensions": COUNTED}, "a fault"),
        (ASK, {"data": {"item": None}, "errors": [{**ERROR, "locations": [{"line": 1, "column": 90}]}], "extensions": COUNTED}, "outside"),
        (
            '{ item(id: "a") { size } }',
            {"data": {"item": None}, "errors": [{**ERROR, "path": ["item", "size"]}], "extensions": COUNTED},
            "further up",
        ),
        (ASK, {"data": {"item": None}, "errors": [{**ERROR, "path": ["item", "x"]}], "extensions": COUNTED}, "further up"),
        (ASK, {"data": {"item": RIGHT}}, "what it counted"),
        (ASK, {"data": {"item": RIGHT}, "more": 1, "extensions": COUNTED}, "that are none"),
        (ASK, b'{"data": {"item": NaN}}', "no JSON"),
        (ASK, [], "no object"),
    ],
)
def test_what_is_wrong_is_said(text: str, told: Any, said: str) -> None:
    found = complaints(text, told)
    assert any(said in each for each in found), found


def test_the_status_and_the_media_type_are_held() -> None:
    refused = {"errors": [{"message": "no", "extensions": {"code": "query.unreadable"}}]}
    assert complaints("{", refused, 400) == complaints("{", refused, 200, LEGACY, LEGACY) == []
    assert "the status 200" in complaints("{", refused, 200)[0]
    assert "the status 400" in complaints(ASK, item(), 400)[0]
    assert "the media type" in complaints(ASK, item(), media="text/html")[0]
    assert "did not name it" in complaints(ASK, item(), accept=LEGACY)[0]
    problem = {"type": "/problems/key.missing", "title": "No key", "status": 401, "code": "key.missing"}
    assert complaints(ASK, problem, 401, PROBLEM) == []
    assert "says 401" in complaints(ASK, problem, 403, PROBLEM)[0]


def test_each_scalar_of_the_schema_has_a_form() -> None:
    schema = schema_of(sdl())
    assert {name for name, of in schema.type_map.items() if type(of).__name__ == "GraphQLScalarType"} <= set(FORMS)


def test_what_is_written_fits_the_schema_however_it_is_written() -> None:
    schema, chance = schema_of(sdl()), Random(3)
    rounds, writer = Rounds(MINE, chance), Writer(schema, chance)
    calls = [*rounds.calls(), *rounds.calls()]
    shapes = set()
    for call in calls:
        written = writer.written([call], 3)
        assert not validate(schema, parse(written.text)), written.text
        shapes.add(print_ast(parse(written.text)))
    assert len(shapes) > len(calls) * 0.9
    assert any("fragment" in each for each in shapes)
    assert any("@skip" in each for each in shapes)


def test_each_way_of_spoiling_spoils() -> None:
    schema, chance = schema_of(sdl()), Random(3)
    rounds = Rounds(MINE, chance)
    rounds.seen(Call("listMachines", {}), {"id": "another", "name": "a-name", "known": "2026-07-14T06:00:00Z"})
    spoiler = Spoiler(schema, chance, rounds)
    calls = [call for call in rounds.calls() if "input" in call.args]
    for name, way in spoiler.ways.items():
        spoiled = sum(way(call) != call for call in calls)
        assert spoiled > len(calls) / 3, (name, spoiled, len(calls))


def test_places_and_numbers_that_python_has_none_for() -> None:
    assert list(places({"a": [1, {"b": 2}], "c": {}})) == [("a", 0), ("a", 1, "b"), ("c",)]
    assert dumped({"a": Raw("1e400"), "b": [Raw("NaN")], "c": "\ud800"}) == b'{"a": 1e400, "b": [NaN], "c": "\\ud800"}'
