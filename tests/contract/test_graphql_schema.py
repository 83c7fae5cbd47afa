"""The schema of GraphQL: committed as it is, nothing in it broken unnoticed, and a field for every operation that can have one."""

import json

import pytest

from fieldworthy.graph.schema import make_schema
from fieldworthy.graph.table import TABLE, WITHOUT
from fieldworthy.rest.admission import SCHEME
from tests.contract.write import CONTRACT, SCHEMA, breaking_schema, sdl

REWRITE = "rewrite it: python tests/contract/write.py, and say in openapi/CHANGES.md what changed"
OPERATIONS = {
    operation["operationId"]: operation
    for path in json.loads(CONTRACT.read_text("utf-8"))["paths"].values()
    for method, operation in path.items()
    if method in ("get", "put", "post", "delete", "patch")
}
PENDING: frozenset[str] = frozenset()
"""Operations whose field is still to come."""


def test_nothing_is_broken_for_who_asks_by_the_committed_schema() -> None:
    broken = breaking_schema(SCHEMA.read_text("utf-8"), sdl())
    assert not broken, f"{broken}: {REWRITE}"


def test_the_committed_schema_is_that_of_the_service() -> None:
    assert SCHEMA.read_text("utf-8") == sdl(), REWRITE


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("  machine(\n", "  machineOfOld(\n", "Query.machine was removed. Nobody was told."),
        ("input: DueInput!", "input: DueInput!, more: Int!", "A required argument Query.due(more:) was added."),
        ("  standing: Standing!", "  standing: Standing", "DueTask.standing changed type from Standing! to Standing."),
        ("enum TaskKind {\n  adjust\n", "enum TaskKind {\n", "Enum value TaskKind.adjust was removed."),
        ("union PutMachineOutcome = MachinePut | Refusal", "union PutMachineOutcome = MachinePut", "Refusal was removed from union type"),
    ],
)
def test_a_break_is_found(old: str, new: str, said: str) -> None:
    """Otherwise the test above could not fail."""
    assert old in sdl()
    assert any(said in change for change in breaking_schema(sdl(), sdl().replace(old, new)))


def test_every_operation_has_a_field_or_says_why_it_has_none() -> None:
    assert set(TABLE) | set(WITHOUT) == set(OPERATIONS)
    assert not set(TABLE) & set(WITHOUT)


@pytest.mark.parametrize("operation", sorted(TABLE))
def test_a_field_needs_the_scope_of_its_operation(operation: str) -> None:
    row = TABLE[operation]
    assert OPERATIONS[operation]["security"] == [{SCHEME: [str(row.needs)]}]


def test_every_field_of_the_table_is_there_and_no_other() -> None:
    types = make_schema()._schema.type_map
    there = {f"{on}.{name}" for on in ("Query", "Mutation") for name in types[on].fields}  # type: ignore[attr-defined]
    there |= {f"Machine.{name}" for name, field in types["Machine"].fields.items() if field.args}  # type: ignore[attr-defined]
    named = {operation: f"{row.on}.{row.field}" for operation, row in TABLE.items()}
    assert there <= set(named.values())
    assert {operation for operation, name in named.items() if name not in there} == PENDING
