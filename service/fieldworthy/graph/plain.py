"""Members of answers, looked up as plainly as can be: one call for each, in place of the three that Strawberry's own resolvers make.

What a member is, and under which key it stands, is said by `shapes.Member`; here it is only told to the executor. Only members that are
that class itself, with no arguments and nothing around them, are: any other field keeps the resolver that Strawberry made.
"""

from collections.abc import Callable
from typing import Any

from graphql import GraphQLInterfaceType, GraphQLObjectType, GraphQLSchema

from fieldworthy.graph.shapes import Member

STRAWBERRY = "strawberry-definition"
"""Where Strawberry keeps its own field in the extensions of graphql-core's."""


def quicken(schema: GraphQLSchema) -> int:
    """Gives plain members plain resolvers; how many there are."""
    found = 0
    for each in schema.type_map.values():
        if isinstance(each, GraphQLObjectType | GraphQLInterfaceType):
            for field in each.fields.values():
                member = field.extensions.get(STRAWBERRY)
                if type(member) is Member and not field.args and not member.extensions and not member.permission_classes:
                    field.resolve = _looking_up(member.key)
                    found += 1
    return found


def _looking_up(key: str) -> Callable[[Any, Any], Any]:
    def resolve(source: Any, _info: Any) -> Any:
        return source.get(key)

    return resolve
