"""What counts as breaking, on small contracts; and that the committed one is held to it."""

import copy
import json
from typing import Any

import pytest

from tests.contract.breaking import breaking

OLD: dict[str, Any] = {
    "paths": {
        "/v1/rows/{id}": {
            "put": {
                "operationId": "putRow",
                "security": [{"key": ["read"]}],
                "parameters": [{"name": "id", "in": "path", "required": True, "schema": {"type": "string", "maxLength": 10}}],
                "requestBody": {"content": {"application/json": {"schema": {"$ref": "#/components/schemas/RowIn"}}}},
                "responses": {"200": {"content": {"application/json": {"schema": {"$ref": "#/components/schemas/Row"}}}}},
            }
        }
    },
    "components": {
        "schemas": {
            "RowIn": {
                "type": "object",
                "required": ["name"],
                "properties": {"name": {"type": "string"}, "kind": {"type": "string", "enum": ["a", "b"]}},
            },
            "Row": {
                "type": "object",
                "required": ["name", "kind"],
                "properties": {"name": {"type": "string"}, "kind": {"enum": ["a", "b"]}, "of": {"$ref": "#/components/schemas/Row"}},
            },
        }
    },
}
PUT = "paths//v1/rows/{id}/put"
CASES: list[tuple[str, str, Any, list[str]]] = [
    ("nothing", "components/schemas/Row/title", "x", []),
    ("a member more in an answer", "components/schemas/Row/properties/more", {"type": "string"}, []),
    ("a member of a request that may be left out", "components/schemas/RowIn/properties/more", {"type": "string"}, []),
    ("a word more that is taken", "components/schemas/RowIn/properties/kind/enum", ["a", "b", "c"], []),
    ("a word less that is answered", "components/schemas/Row/properties/kind/enum", ["a"], []),
    ("a longer id", f"{PUT}/parameters/0/schema/maxLength", 20, []),
    ("another name", f"{PUT}/operationId", "setRow", ["putRow: is gone"]),
    ("a shorter id", f"{PUT}/parameters/0/schema/maxLength", 5, ["putRow: parameter id: maxLength is 5, and was 10"]),
    ("no such parameter", f"{PUT}/parameters", [], ["putRow: the parameter id is gone"]),
    (
        "another scope",
        f"{PUT}/security",
        [{"key": ["write"]}],
        ["putRow: it asks for [{'key': ['write']}], and asked for [{'key': ['read']}]"],
    ),
    ("a member that must be given", "components/schemas/RowIn/required", ["name", "kind"], ["putRow: body/kind: must be given"]),
    ("a word that is not taken", "components/schemas/RowIn/properties/kind/enum", ["a"], ["putRow: body/kind: b is not taken"]),
    (
        "a word that was never answered",
        "components/schemas/Row/properties/kind/enum",
        ["a", "b", "c"],
        ["putRow: answer 200/kind: may be c"],
    ),
    ("a member that may be missing", "components/schemas/Row/required", ["name"], ["putRow: answer 200/kind: may be missing"]),
    ("another type", "components/schemas/Row/properties/name/type", "integer", ["putRow: answer 200/name: is integer, and was string"]),
    (
        "a member that may be null",
        "components/schemas/Row/properties/name",
        {"anyOf": [{"type": "string"}, {"type": "null"}]},
        ["putRow: answer 200/name: may be null"],
    ),
    ("no JSON", f"{PUT}/responses/200/content", {"text/csv": {}}, ["putRow: 200 is not answered as application/json"]),
    ("no JSON taken", f"{PUT}/requestBody/content", {"text/csv": {}}, ["putRow: application/json is not taken"]),
]


@pytest.mark.parametrize(("what", "at", "value", "told"), CASES)
def test_what_a_client_would_notice(what: str, at: str, value: Any, told: list[str]) -> None:
    new = copy.deepcopy(OLD)
    node: Any = new
    *way, last = _steps(at)
    for step in way:
        node = node[int(step)] if isinstance(node, list) else node[step]
    node[last] = value
    assert breaking(OLD, new) == told, what


def _steps(at: str) -> list[str]:
    """The steps of a place; the one address has slashes of its own."""
    steps = at.replace("/v1/rows/{id}", "ADDRESS").split("/")
    return [step.replace("ADDRESS", "/v1/rows/{id}") for step in steps]


def test_a_member_that_is_gone_and_an_operation_elsewhere() -> None:
    new = copy.deepcopy(OLD)
    del new["components"]["schemas"]["Row"]["properties"]["name"]
    del new["components"]["schemas"]["RowIn"]["properties"]["kind"]
    new["paths"]["/v2/rows/{id}"] = new["paths"].pop("/v1/rows/{id}")
    assert breaking(OLD, new) == [
        "putRow: is at PUT /v2/rows/{id}, and was at PUT /v1/rows/{id}",
        "putRow: body/kind: is not taken",
        "putRow: answer 200/name: is gone",
    ]


def test_what_was_to_go_is_told_apart_from_what_nobody_was_told_of() -> None:
    old = copy.deepcopy(OLD)
    going = {"deprecated": True, "x-retired": {"since": "2023-06-30T23:59:59+00:00", "instead": "use `name`"}}
    old["components"]["schemas"]["Row"]["properties"]["kind"] |= going
    old["components"]["schemas"]["RowIn"]["properties"]["kind"] |= going
    new = copy.deepcopy(OLD)
    for schema in ("Row", "RowIn"):
        new["components"]["schemas"][schema]["properties"] = {}
    assert breaking(old, new) == [
        "putRow: body/name: is not taken",
        "putRow: body/kind: is not taken, as was told: use `name`",
        "putRow: answer 200/name: is gone",
        "putRow: answer 200/kind: is gone, as was told: use `name`",
        "putRow: answer 200/of: is gone",
    ]
    old["paths"]["/v1/rows/{id}"]["put"] |= going
    assert breaking(old, {"paths": {}}) == ["putRow: is gone, as was told: use `name`"]


def test_the_real_contract_can_be_compared() -> None:
    from tests.contract.test_openapi import CONTRACT

    new = json.loads(json.dumps(CONTRACT))
    assert breaking(CONTRACT, new) == []
    del new["components"]["schemas"]["DueTask"]["properties"]["standing"]
    assert "askDue: answer 200/tasks/-/standing: is gone" in breaking(CONTRACT, new)
