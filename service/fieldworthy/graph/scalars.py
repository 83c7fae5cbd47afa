"""What GraphQL has no type of its own for. All of them are written as the wire writes them."""

from collections.abc import Callable, Mapping
from functools import partial
from typing import Any, NewType

import strawberry
from graphql import GraphQLError, Undefined, ValueNode, value_from_ast_untyped
from strawberry.types.scalar import ScalarDefinition

from fieldworthy.wire.reading import MAX_DEPTH

DateTime = NewType("DateTime", str)
Date = NewType("Date", str)
Json = NewType("Json", object)
Int64 = NewType("Int64", int)
Amount = NewType("Amount", object)
FactValue = NewType("FactValue", object)
RulebookRef = NewType("RulebookRef", object)


def as_it_is(value: Any) -> Any:
    """How all of them are written: as the wire has them already."""
    return value


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise GraphQLError("write it as a text, in double quotes")
    return value


def _whole(value: Any) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not -(2**63) <= value < 2**63:
        raise GraphQLError("write a whole number of 64 bits")
    return value


def _literal(read: Callable[[Any], Any], node: ValueNode, variables: dict[str, Any] | None = None) -> Any:
    try:
        return read(_plain(value_from_ast_untyped(node, variables), 1))
    except GraphQLError as trouble:
        raise GraphQLError(trouble.message, node) from None  # by its place it is known as a mistake in what was sent


def _plain(value: Any, depth: int) -> Any:
    """As JSON would have brought it: large whole numbers as doubles, no member of a variable that was not sent, not nested too deep."""
    match value:
        case dict() | list() if depth > MAX_DEPTH:
            raise GraphQLError("objects or lists are nested too deep")
        case dict():
            return {name: _plain(inner, depth + 1) for name, inner in value.items() if inner is not Undefined}
        case list():
            return [None if inner is Undefined else _plain(inner, depth + 1) for inner in value]
        case bool():
            return value
        case int():
            return value if -(2**63) <= value < 2**63 else float(value)
        case _:
            return value


def _scalar(name: str, description: str, read: Callable[[Any], Any] = lambda value: value, url: str | None = None) -> ScalarDefinition:
    """read: of what was sent, raising GraphQLError for what it can't be; the shape behind it says more."""
    return strawberry.scalar(
        name=name,
        description=description,
        specified_by_url=url,
        serialize=as_it_is,
        parse_value=read,
        parse_literal=partial(_literal, read),
    )


_RFC3339, _RFC8259 = "https://www.rfc-editor.org/rfc/rfc3339", "https://www.rfc-editor.org/rfc/rfc8259"

SCALARS: Mapping[object, ScalarDefinition] = {
    DateTime: _scalar("DateTime", "An RFC 3339 time with its offset, as in `2026-07-14T06:00:00Z`.", _text, _RFC3339),
    Date: _scalar("Date", "A date (RFC 3339, `full-date`), as in `2026-07-14`.", _text, _RFC3339),
    Json: _scalar("JSON", "Any JSON value: a document as it was put, or values that a sentence speaks of.", url=_RFC8259),
    Int64: _scalar("Int64", "A whole number of 64 bits, written as a JSON number.", _whole),
    Amount: _scalar("Amount", 'The text `"6 h"`, or `{value: 6, unit: "h"}`, or a bare number in the own unit of what is meant.'),
    FactValue: _scalar("FactValue", 'What a fact is: a state, or `{value: 48, unit: "degC"}`, or a bare number in its own unit.'),
    RulebookRef: _scalar("RulebookRef", "`name` (its newest published version), `name@3`, `sha256:…`, or a whole document as an object."),
}
"""By the annotation that stands for each."""
