"""Asking the GraphQL door in tests: whole answers, and both ways between its form and that of REST."""

from functools import cache
from typing import Any

import httpx
from strawberry.types.base import StrawberryList, StrawberryOptional

from fieldworthy.graph.inputs import Kind, Many, Named, Thing
from fieldworthy.graph.shapes import Entries, Member


async def ask(http: httpx.AsyncClient, query: str, /, **variables: Any) -> dict[str, Any]:
    """The whole answer; fails where it is none of GraphQL."""
    response = await http.post("/graphql", json={"query": query, "variables": variables})
    assert response.status_code == 200, response.text
    answer: dict[str, Any] = response.json()
    return answer


async def data(http: httpx.AsyncClient, query: str, /, **variables: Any) -> dict[str, Any]:
    """The data of an answer; fails where it has errors."""
    answer = await ask(http, query, **variables)
    assert "errors" not in answer, answer
    told: dict[str, Any] = answer["data"]
    return told


def _plain(type_: Any) -> Any:
    """An object type without lists and nulls; None for a leaf."""
    while isinstance(type_, StrawberryList | StrawberryOptional):
        type_ = type_.of_type
    return type_ if hasattr(type_, "__strawberry_definition__") and hasattr(type_.__strawberry_definition__, "fields") else None


@cache
def everything(type_: Any) -> str:
    """A selection of all that a type tells without arguments."""
    fields = []
    for field in type_.__strawberry_definition__.fields:
        if not isinstance(field, Member):
            continue
        inside = _plain(field.type)
        fields.append(f"{field.graphql_name} {everything(inside) if inside else ''}".strip())
    return "{ " + " ".join(fields) + " }"


def as_rest(type_: Any, told: Any) -> Any:
    """What was told of a type, as REST tells it."""
    if told is None:
        return None
    if isinstance(told, list):
        return [as_rest(type_, each) for each in told]
    found: dict[str, Any] = {}
    for field in type_.__strawberry_definition__.fields:
        if not isinstance(field, Member):
            continue
        value, inside = told[field.graphql_name], _plain(field.type)
        if inside:
            value = as_rest(inside, value)
        if isinstance(field, Entries) and value is not None:
            value = {each[field.entry]: each["value"] if field.whole else _entry(each, field.entry) for each in value}
        found[field.key] = value
    return found


def _entry(told: dict[str, Any], named: str) -> dict[str, Any]:
    """An entry without its name; what a dial will show stands only where the meter was replaced."""
    return {k: v for k, v in told.items() if k != named and (k != "shown" or v is not None)}


def as_input(kind: Kind, given: Any) -> Any:
    """A request of REST as the variables of GraphQL have it; what no member stands for is sent as it is."""
    match kind:
        case Thing() if isinstance(given, dict):
            names = {room.key: (name, room.kind) for name, room in kind.rooms.items()}
            return {names[k][0] if k in names else k: as_input(names[k][1], v) if k in names else v for k, v in given.items()}
        case Many() if isinstance(given, list):
            return [as_input(kind.of, each) for each in given]
        case Named() if isinstance(given, dict):
            return [
                {kind.called: name, **({kind.inner: as_input(kind.of, value)} if kind.inner else as_input(kind.of, value))}
                for name, value in given.items()
            ]
    return given
