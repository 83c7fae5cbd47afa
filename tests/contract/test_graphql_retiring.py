"""A rehearsal of how things go in GraphQL: one declaration on the wire, and the schema says `@deprecated` wherever it is met.

Source: GraphQL specification, October 2021, 3.13.3 (`@deprecated`); that it may stand on arguments and input fields, but not on those that
must be given, is of the drafts that followed (from memory). Held to it by graphql-core's own validation of schemas.
"""

import re
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Annotated, Any, NotRequired

import pytest
import strawberry
from graphql import build_schema, validate_schema
from pydantic import Field
from typing_extensions import TypedDict

from fieldworthy.graph import inputs
from fieldworthy.graph.context import Info
from fieldworthy.graph.description import Schema
from fieldworthy.graph.fields import field
from fieldworthy.graph.inputs import Given, input_of
from fieldworthy.graph.shapes import make_type, type_of
from fieldworthy.graph.table import QUERY, READ, TABLE, Row
from fieldworthy.wire import retiring
from fieldworthy.wire.closed import Closed, Id
from fieldworthy.wire.reading import Shape
from fieldworthy.wire.retiring import Retired, member
from tests.contract.write import breaking_schema, sdl

SINCE = datetime(2023, 6, 30, 23, 59, 59, tzinfo=UTC)
OLD = Retired(SINCE, datetime(2024, 6, 30, 23, 59, 59, tzinfo=UTC), "use `askNew`")
SAYS = "use `newOne`; deprecated since 2023-06-30, and may be gone from 2024-06-30 on"
MEMBER = Retired(SINCE, None, "use `its_name`")
MEMBER_SAYS = "use `itsName`; deprecated since 2023-06-30"


@pytest.fixture(scope="module")
def schema() -> Iterator[Schema]:
    """Two fields: one goes, of one an argument does; members of an answer and of an input go, one of which must be given."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(retiring, "_declared", [])
        made = set(inputs._MADE)
        patch.setitem(TABLE, "askOld", Row(QUERY, "old", READ))  # type: ignore[call-overload]
        patch.setitem(TABLE, "askNew", Row(QUERY, "newOne", READ))  # type: ignore[call-overload]
        patch.setitem(retiring.OPERATIONS, "askOld", OLD)
        patch.setitem(retiring.PARAMETERS, ("askNew", "by_whom"), OLD)
        patch.setitem(retiring.PARAMETERS, ("askNew", "must"), OLD)

        class Rehearsed(Closed):
            its_name: Id
            title: Annotated[Id, Field(description="said so", json_schema_extra=member(MEMBER, "Rehearsed.title"))]
            meters: Annotated[dict[str, float], Field(json_schema_extra=member(MEMBER, "Rehearsed.meters"))]

        class RehearsedIn(TypedDict):
            its_name: str
            may: NotRequired[Annotated[str, Field(json_schema_extra=member(MEMBER, "RehearsedIn.may"))]]
            must: Annotated[str, Field(description="said so", json_schema_extra=member(MEMBER, "RehearsedIn.must"))]

        takes = input_of(Shape("RehearsedIn", RehearsedIn))

        @field("askOld", type_of(Rehearsed), "The old one.")
        async def old(info: Info) -> Any:
            return None

        @field("askNew", type_of(Rehearsed), "The new one.", takes)
        async def new(
            info: Info,
            input: Annotated[Given, strawberry.argument(graphql_type=takes.type)],
            must: Annotated[str, strawberry.argument(description="said so")],
            by_whom: str | None = None,
        ) -> Any:
            return None

        yield Schema(make_type("Query", [old, new]))
        for name in set(inputs._MADE) - made:
            del inputs._MADE[name]


def deprecated(schema: Schema) -> dict[str, str]:
    """What goes, by where it stands."""
    found: dict[str, str] = {}
    for of in ("Query", "Rehearsed", "RehearsedInput"):
        for name, each in schema._schema.type_map[of].fields.items():  # type: ignore[attr-defined]
            places = {f"{of}.{name}": each, **{f"{of}.{name}({arg}:)": of_arg for arg, of_arg in getattr(each, "args", {}).items()}}
            found |= {place: one.deprecation_reason for place, one in places.items() if one.deprecation_reason}
    return found


def test_the_schema_marks_what_goes(schema: Schema) -> None:
    assert deprecated(schema) == {
        "Query.old": SAYS,
        "Query.newOne(byWhom:)": SAYS,
        "Rehearsed.title": MEMBER_SAYS,
        "Rehearsed.meters": MEMBER_SAYS,
        "RehearsedInput.may": MEMBER_SAYS,
    }
    assert validate_schema(schema._schema) == []


def test_of_what_must_be_given_the_description_says_it(schema: Schema) -> None:
    types: Any = schema._schema.type_map
    assert types["RehearsedInput"].fields["must"].description == f"said so; {MEMBER_SAYS}"
    assert types["Query"].fields["newOne"].args["must"].description == f"said so; {SAYS}"


def test_the_written_schema_says_the_same(schema: Schema) -> None:
    text = schema.as_str()
    assert f'  old: Rehearsed @deprecated(reason: "{SAYS}")' in text
    assert f'  may: String @deprecated(reason: "{MEMBER_SAYS}")' in text
    assert validate_schema(build_schema(text)) == []


@pytest.mark.parametrize(
    ("gone", "said"),
    [
        ("  old: ", f"Field Query.old was removed. It was to go: {SAYS}"),
        ("  may: ", f"Field RehearsedInput.may was removed. It was to go: {MEMBER_SAYS}"),
        ("byWhom: ", f"Argument Query.newOne(byWhom:) was removed. It was to go: {SAYS}"),
        ("type Rehearsed {\n  itsName: ", "Field Rehearsed.itsName was removed. Nobody was told."),
    ],
)
def test_what_was_to_go_is_told_apart_from_what_nobody_was_told_of(schema: Schema, gone: str, said: str) -> None:
    text = schema.as_str()
    assert gone in text
    after = text.replace(gone, re.sub(r"\w+: $", "another: ", gone))
    assert said in breaking_schema(text, after)


def test_nothing_goes_yet() -> None:
    assert "@deprecated" not in sdl()
