"""The contract's examples as requests of GraphQL: each operation's field, with the same arguments and all that it tells."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from graphql import (
    GraphQLEnumType,
    GraphQLField,
    GraphQLInputObjectType,
    GraphQLList,
    GraphQLObjectType,
    GraphQLUnionType,
    get_named_type,
    get_nullable_type,
)

from fieldworthy.graph.inputs import things
from fieldworthy.graph.schema import make_schema
from fieldworthy.graph.table import MACHINE, MUTATION, TABLE
from fieldworthy.rest.examples import Example
from tests.graph_door import as_input

DEEPEST = 5
TYPES = make_schema()._schema.type_map


@dataclass(frozen=True, slots=True)
class Asked:
    """A request. field: what is asked, as the answer's data hold it."""

    operation: str
    query: str
    variables: Mapping[str, Any]
    field: str


def selection(type_: Any, depth: int = DEEPEST) -> str:
    """All that a type tells without arguments, as deep as that."""
    named = get_named_type(type_)
    if isinstance(named, GraphQLUnionType):
        return "{ __typename " + " ".join(f"... on {each.name} {selection(each, depth)}" for each in named.types) + " }"
    if not isinstance(named, GraphQLObjectType):
        return ""
    told = []
    for name, field in named.fields.items():
        inside = selection(field.type, depth - 1) if depth else ""
        if not field.args and (inside or not isinstance(get_named_type(field.type), GraphQLObjectType | GraphQLUnionType)):
            told.append(f"{name} {inside}".strip())
    return "{ " + " ".join(told) + " }" if told else ""


def request_of(example: Example, made: Mapping[str, str]) -> Asked:
    """An example's request. made: ids that the service made meanwhile, by the operation that asks for them."""
    operation, row = example.operation, TABLE[example.operation]
    field: GraphQLField = TYPES[row.on].fields[row.field]  # type: ignore[attr-defined]
    given = arguments_of(example, made)
    declared = ", ".join(f"${name}: {field.args[name].type}" for name in given)
    arguments = ", ".join(f"{name}: ${name}" for name in given)
    asked = f"{row.field}{f'({arguments})' if given else ''} {selection(field.type)}"
    if row.on == MACHINE:
        asked, declared, given = f"machine(id: $owner) {{ id {asked} }}", f"{declared}, $owner: String!", {**given, "owner": "r5-17"}
    head = "mutation" if row.on == MUTATION else "query"
    return Asked(
        operation, f"{head} {f'({declared})' if given else ''} {{ {asked} }}", given, "machine" if row.on == MACHINE else row.field
    )


def arguments_of(example: Example, made: Mapping[str, str]) -> dict[str, Any]:
    """The arguments of an example's field, as variables have them. made: as above."""
    row = TABLE[example.operation]
    field: GraphQLField = TYPES[row.on].fields[row.field]  # type: ignore[attr-defined]
    return {name: value for name in field.args if (value := _value(example, name, field, made)) is not None}


def _value(example: Example, name: str, field: GraphQLField, made: Mapping[str, str]) -> Any:
    """An argument's value, as the example has it; None where it says nothing of it."""
    type_: Any = get_nullable_type(field.args[name].type)
    if name == "input":
        assert isinstance(type_, GraphQLInputObjectType)
        body = {"readings": example.body} if example.operation == "keepReadings" else example.body
        return as_input(things()[type_.name], body)
    if name in ("text", "document"):
        return example.body
    if name == "ifRevision":
        seen = example.parameters.get("If-Match")
        return 0 if "If-None-Match" in example.parameters else seen and int(seen.strip('"'))
    if name == "id" and example.operation in made:
        return made[example.operation]
    of_machine = example.path.startswith("/v1/machines/{id}")
    called = {"machine": "id"}.get(name, name) if of_machine else name
    if name == "id" and "{record}" in example.path:
        called = "record"
    said = example.parameters.get(called)
    if said is None or (name == "closed"):
        return None
    if isinstance(type_, GraphQLList):
        return said.split(",")
    if isinstance(type_, GraphQLEnumType) or type_.name != "Int":
        return said
    return int(said)
