"""How something of the schema goes: what the wire declares of an operation, a parameter or a member is `@deprecated` here too."""

import re

import strawberry
from strawberry.types.arguments import StrawberryArgument
from strawberry.types.field import StrawberryField

from fieldworthy.graph.table import TABLE
from fieldworthy.graph.words import camel
from fieldworthy.wire.retiring import PARAMETERS, Retired

_NAMED = re.compile("`([A-Za-z]+(?:_[a-z]+)*)`")


def reason(retired: Retired) -> str:
    """What `@deprecated` says. Operations are named by their fields, members as they are called here."""
    until = "" if retired.until is None else f", and may be gone from {retired.until.date()} on"
    return f"{_NAMED.sub(_called, retired.instead)}; deprecated since {retired.since.date()}{until}"


def _called(found: "re.Match[str]") -> str:
    row = TABLE.get(found[1])
    return f"`{row.field if row is not None else camel(found[1])}`"


def mark(made: StrawberryField | StrawberryArgument, retired: Retired | None, needed: bool = False) -> None:
    """
    Marks what goes. needed: it must be given, of which GraphQL takes no mark (drafts since October 2021: whoever leaves it out would be
    refused); then its description says so.
    """
    if retired is None:
        return
    if needed:
        made.description = f"{made.description}; {reason(retired)}" if made.description else reason(retired)
    else:
        made.deprecation_reason = reason(retired)


def mark_arguments(operation: str, made: StrawberryField) -> None:
    """Marks arguments of a field whose parameters go."""
    going = {camel(name): retired for (of, name), retired in PARAMETERS.items() if of == operation}
    for argument in made.arguments if going else ():
        name = argument.graphql_name or camel(argument.python_name)
        mark(argument, going.get(name), argument.default is strawberry.UNSET)
