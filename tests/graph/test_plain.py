"""Plain resolvers, and columns too, give what Strawberry's own give: over nulls, fragments, aliases, directives, objects by names."""

from typing import Any

import pytest
import strawberry
from graphql import ExecutionResult, GraphQLSchema, execute, parse, validate
from strawberry.schema.config import StrawberryConfig

from fieldworthy.graph.description import Schema
from fieldworthy.graph.executing import ColumnExecutor, Selections
from fieldworthy.graph.plain import quicken
from fieldworthy.graph.scalars import SCALARS
from fieldworthy.graph.shapes import make_type, type_of
from fieldworthy.rest.examples import EXAMPLES
from fieldworthy.wire import answers
from tests.graph_door import everything

DUE = type_of(answers.DueAnswer)
DIRECTED = """
query ($no: Boolean = true) {
  due { now @skip(if: $no) machine @include(if: $no) tasks { task @skip(if: false) ...T @include(if: $no) } }
}
fragment T on DueTask { title kind standing dueAt { meters { meter value unit } date } }
"""


def schema(told: Any, quick: bool) -> GraphQLSchema:
    def due() -> Any:
        return told

    made = strawberry.field(resolver=due, graphql_type=DUE)
    found = Schema(make_type("Query", [made]), config=StrawberryConfig(scalar_map=SCALARS))._schema
    assert (quicken(found) > 30) if quick else True
    return found


def broken(told: Any) -> Any:
    """The same, with what its type says can't be: one text that is no text, one null, one member that is not there."""
    first, *rest = told["tasks"]
    return {**told, "tasks": [{**first, "title": ["no text"], "kind": None, "used": "much"}, *rest]}


@pytest.mark.parametrize("of", [lambda told: told, broken, lambda told: {**told, "tasks": []}, lambda told: {"now": told["now"]}])
@pytest.mark.parametrize(
    "query",
    [
        f"{{ due {everything(DUE)} }}",
        "{ a: due { b: machine now } c: due { now tasks { x: task y: task title } } }",
        DIRECTED,
        "{ due { tasks { ... on DueTask { __typename used remaining { days } expected { date share } because { code values } } } } }",
        "{ __typename due { __typename rulebook { name version digest } tasks { kind title used } } }",
    ],
)
def test_all_ways_give_the_same_data_and_the_same_errors(query: str, of: Any) -> None:
    told = of(EXAMPLES["askDue"].answer)
    document = parse(query)
    results = []
    for quick, columns in ((False, False), (True, False), (True, True)):
        made = schema(told, quick)
        assert validate(made, document) == []
        how: dict[str, Any] = {"executor_class": ColumnExecutor, "selections": Selections(len(query))} if columns else {}
        result = execute(made, document, **how)
        assert isinstance(result, ExecutionResult)
        results.append((result.data, sorted((e.message, str(e.path)) for e in result.errors or ())))
    assert results[0] == results[1] == results[2]
    if of is broken and "title" in query:
        assert results[0][1]
