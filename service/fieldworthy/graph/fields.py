"""How a field is made: its name and scope come from one table, and what it is refused with becomes an error, or data."""

from collections.abc import Awaitable, Callable, Collection, Sequence
from functools import wraps
from typing import Annotated, Any, Union

import strawberry
from graphql import GraphQLError
from strawberry.types.field import StrawberryField

from fieldworthy.graph.context import Info
from fieldworthy.graph.errors import REFUSAL, Refused, error_of, is_answer
from fieldworthy.graph.inputs import Input
from fieldworthy.graph.retired import mark, mark_arguments
from fieldworthy.graph.shapes import make_type
from fieldworthy.graph.table import QUERY, TABLE
from fieldworthy.graph.words import capital, nullable
from fieldworthy.wire.retiring import OPERATIONS
from fieldworthy.wire.troubles import problem_of

Resolve = Callable[..., Awaitable[Any]]


def field(
    operation: str, of: Any, description: str, takes: Input | None = None, data: Collection[str] = ()
) -> Callable[[Resolve], StrawberryField]:
    """
    Makes a field of a resolver. operation: of REST, which names it and says its scope; of: its type; takes: what its request is sent in;
    data: codes of refusals that are answered as data.

    The field is nullable: where it is refused it is null, and the other fields of the same request are answered all the same.
    """
    row = TABLE[operation]

    def make(resolve: Resolve) -> StrawberryField:
        @wraps(resolve)
        async def guarded(*args: Any, **kwargs: Any) -> Any:
            info: Info = kwargs["info"]
            try:
                info.context.needs(row.needs)
                if row.on != QUERY:  # mutations go one after the other, and what machines ask takes its turn where it is loaded
                    return await resolve(*args, **kwargs)
                async with info.context.turns:
                    return await resolve(*args, **kwargs)
            except GraphQLError:
                raise
            except Exception as trouble:
                place = None if takes is None else lambda path: takes.place(path, kwargs[takes.argument])
                problem = problem_of(trouble, place)
                if problem is None:
                    raise
                if problem["code"] in data:
                    return Refused(problem)
                raise error_of(problem, getattr(trouble, "retry_after", None)) from None

        made: StrawberryField = strawberry.field(resolver=guarded, name=row.field, description=description, graphql_type=nullable(of))
        made.python_name = row.field  # a type keeps its fields by it, and resolvers made in a loop are called the same
        mark(made, OPERATIONS.get(operation))
        mark_arguments(operation, made)
        return made

    return make


def mutation(
    operation: str, of: Any, description: str, takes: Input | None = None, data: Sequence[str] = ()
) -> Callable[[Resolve], StrawberryField]:
    """A field that changes something, answered with what came of it, or with a refusal that the caller can act on (`data`)."""
    said = ", ".join(f"`{code}`" for code in data)
    outcome = Annotated[
        Union[of, REFUSAL],  # noqa: UP007  # a type made from a shape
        strawberry.union(capital(operation) + "Outcome", description=f"What came of it, or why it was refused: {said}."),
    ]
    definition = of.__strawberry_definition__
    if definition.is_type_of is None:
        definition.is_type_of = is_answer
    return field(operation, outcome, description, takes, data)


def query_type(fields: Sequence[StrawberryField]) -> Any:
    """The root of what only reads."""
    return make_type("Query", fields, "Everything that can be asked. A field that is refused is null, beside its entry in `errors`.")


def subscription_type(fields: Sequence[StrawberryField]) -> Any:
    """The root of what goes on."""
    return make_type("Subscription", fields, "Everything that goes on, over a WebSocket with the subprotocol `graphql-transport-ws`.")


def mutation_type(fields: Sequence[StrawberryField]) -> Any:
    """The root of what changes something."""
    return make_type("Mutation", fields, "Everything that can be changed: one after the other, each in a transaction of its own.")
