"""The schema, put together once."""

from functools import cache

import strawberry
from graphql import GraphQLObjectType, GraphQLSchema, Undefined
from strawberry.schema.config import StrawberryConfig

from fieldworthy.graph import due, heard, machines, news, questions, readings, records, rulebooks, work
from fieldworthy.graph.description import Schema
from fieldworthy.graph.fields import mutation_type, query_type, subscription_type
from fieldworthy.graph.plain import quicken
from fieldworthy.graph.scalars import SCALARS

_ROOMS = (questions, machines, due, rulebooks, readings, records, work, heard)
QUERIES = [field for room in _ROOMS for field in getattr(room, "QUERIES", ())]
MUTATIONS = [field for room in _ROOMS for field in getattr(room, "MUTATIONS", ())]


@cache
def make_schema() -> strawberry.Schema:
    """The schema, always the same one; a request's context is a `graph.context.Context`."""
    roots = query_type(QUERIES), mutation_type(MUTATIONS), subscription_type(news.SUBSCRIPTIONS)
    made = Schema(*roots, config=StrawberryConfig(scalar_map=SCALARS))
    _leave_out_nulls(made._schema)
    quicken(made._schema)
    return made


def _leave_out_nulls(schema: GraphQLSchema) -> None:
    """An argument that may be left out says no default of `null`: its resolver has one of its own, which means the same."""
    for each in schema.type_map.values():
        for field in each.fields.values() if isinstance(each, GraphQLObjectType) else ():
            for argument in field.args.values():
                if argument.default_value is None:
                    argument.default_value = Undefined
