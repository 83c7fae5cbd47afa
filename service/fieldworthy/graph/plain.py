"""Members of answers, looked up as plainly as can be: one call for each, in place of the three that Strawberry's own resolvers make.

What a member is, and under which key it stands, is said by `shapes.Member`; here it is only told to the executor. Only members that are
that class itself, with no arguments and nothing around them, are: any other field keeps the resolver that Strawberry made.

A list is counted where it is looked up, before an item of it is answered: how long it is nobody knows earlier (`graph.taken`).
"""

from collections.abc import Callable
from typing import Any

from graphql import GraphQLInterfaceType, GraphQLObjectType, GraphQLResolveInfo, GraphQLSchema, get_nullable_type, is_list_type

from fieldworthy.graph.context import Context
from fieldworthy.graph.shapes import Entries, Member

STRAWBERRY = "strawberry-definition"
"""Where Strawberry keeps its own field in the extensions of graphql-core's."""


def quicken(schema: GraphQLSchema) -> int:
    """Gives plain members plain resolvers; how many there are."""
    found = 0
    for each in schema.type_map.values():
        if isinstance(each, GraphQLObjectType | GraphQLInterfaceType):
            for field in each.fields.values():
                member = field.extensions.get(STRAWBERRY)
                if type(member) not in (Member, Entries) or field.args or member.extensions or member.permission_classes:
                    continue
                if is_list_type(get_nullable_type(field.type)):
                    field.resolve = _listing(member)
                else:
                    field.resolve = _looking_up(member.key)
                found += 1
    return found


def _looking_up(key: str) -> Callable[[Any, Any], Any]:
    def resolve(source: Any, _info: Any) -> Any:
        return source.get(key)

    return resolve


def _listing(member: Member) -> Callable[[Any, GraphQLResolveInfo[Any]], Any]:
    look = member.get_result

    def resolve(source: Any, info: GraphQLResolveInfo[Any]) -> Any:
        value = look(source, None, [], {})
        if value and isinstance(value, list) and isinstance(info.context, Context):
            info.context.taken.take(value, info)
        return value

    return resolve
