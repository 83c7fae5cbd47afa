"""Members of answers, looked up as plainly as can be: one call for each, in place of the three that Strawberry's own resolvers make.

What a member is, and under which key it stands, is said by `shapes.Member`; here it is only told to the executor. Only members that are
that class itself, with no arguments and nothing around them, are: any other field keeps the resolver that Strawberry made. What is plain
asks nobody and waits for nothing, so it may be looked up for many objects together (`graph.columns`).

A list is counted where it is looked up, before an item of it is answered: how long it is nobody knows earlier (`graph.taken`).
"""

from collections.abc import Callable
from dataclasses import dataclass
from operator import itemgetter
from typing import Any

from graphql import (
    GraphQLField,
    GraphQLInterfaceType,
    GraphQLObjectType,
    GraphQLResolveInfo,
    GraphQLSchema,
    get_nullable_type,
    is_list_type,
)

from fieldworthy.graph.columns import Look, Values
from fieldworthy.graph.context import Context
from fieldworthy.graph.shapes import Entries, Member

STRAWBERRY = "strawberry-definition"
"""Where Strawberry keeps its own field in the extensions of graphql-core's."""

_PLAIN = "fieldworthy-plain"

Resolve = Callable[[Any, GraphQLResolveInfo[Any]], Any]


@dataclass(frozen=True, slots=True)
class Plain:
    """How a plain member is looked up: of one object, which counts the list that it may be; and of many, which does not."""

    resolve: Resolve
    look: Look


def quicken(schema: GraphQLSchema) -> int:
    """Gives plain members plain resolvers; how many there are."""
    found = 0
    for each in schema.type_map.values():
        if isinstance(each, GraphQLObjectType | GraphQLInterfaceType):
            for field in each.fields.values():
                member = field.extensions.get(STRAWBERRY)
                if type(member) not in (Member, Entries) or field.args or member.extensions or member.permission_classes:
                    continue
                resolve = _listing(member) if is_list_type(get_nullable_type(field.type)) else _looking_up(member.key)
                look = _each_by(member.key) if type(member) is Member else _each_of(member)
                field.resolve = resolve
                field.extensions[_PLAIN] = Plain(resolve, look)
                found += 1
    return found


def plain_of(field: GraphQLField) -> Plain | None:
    """How a member is looked up that has its plain resolver still; None for any other field."""
    found: Plain | None = field.extensions.get(_PLAIN)
    return found if found is not None and field.resolve is found.resolve else None


def _looking_up(key: str) -> Resolve:
    def resolve(source: Any, _info: Any) -> Any:
        return source.get(key)

    return resolve


def _listing(member: Member) -> Resolve:
    look = member.get_result

    def resolve(source: Any, info: GraphQLResolveInfo[Any]) -> Any:
        value = look(source, None, [], {})
        if value and isinstance(value, list) and isinstance(info.context, Context):
            info.context.taken.take(value, info)
        return value

    return resolve


def _each_by(key: str) -> Look:
    there = itemgetter(key)

    def look(objects: Values) -> Values:
        try:
            return list(map(there, objects))
        except KeyError:
            return [each.get(key) for each in objects]

    return look


def _each_of(member: Member) -> Look:
    def look(objects: Values) -> Values:
        return [member.get_result(each, None, [], {}) for each in objects]

    return look
