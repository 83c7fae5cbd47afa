"""The schema, put together once."""

from functools import cache

import strawberry
from strawberry.schema.config import StrawberryConfig

from fieldworthy.graph import machines, questions, rulebooks
from fieldworthy.graph.fields import mutation_type, query_type
from fieldworthy.graph.scalars import SCALARS

QUERIES = [*questions.QUERIES, *machines.QUERIES, *rulebooks.QUERIES]
MUTATIONS = [*machines.MUTATIONS, *rulebooks.MUTATIONS]


@cache
def make_schema() -> strawberry.Schema:
    """The schema, always the same one; a request's context is a `graph.context.Context`."""
    return strawberry.Schema(query_type(QUERIES), mutation_type(MUTATIONS), config=StrawberryConfig(scalar_map=SCALARS))
