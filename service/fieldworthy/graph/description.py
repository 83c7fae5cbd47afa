"""How the schema describes itself, and what that costs: counted on the schema, which is all that it tells of, before anything is answered.

The count is never less than what is answered: fields of one name in several fragments are counted in each. A type that is met again below
the same selection was counted before, so the work does not grow with the answer; and the bound is one for all that an operation asks of
the description, and holds what is looked at as well as what is found.
"""

from collections.abc import Callable, Mapping
from types import SimpleNamespace
from typing import Any

import strawberry
from graphql import (
    FieldNode,
    FragmentDefinitionNode,
    FragmentSpreadNode,
    GraphQLObjectType,
    GraphQLSchema,
    InlineFragmentNode,
    SelectionNode,
    SelectionSetNode,
    ValueNode,
    get_named_type,
    get_nullable_type,
    introspection_types,
    is_input_object_type,
    is_list_type,
)

from fieldworthy.graph.told import turned
from fieldworthy.usecases.limits import MAX_QUERY_DESCRIPTION

_SCHEMA: Any = introspection_types["__Schema"]
_TYPE: Any = introspection_types["__Type"]

LeftOut = Callable[[SelectionNode], bool]


class Schema(strawberry.Schema):
    """
    Strawberry's schema, but for `isOneOf` of the description: Strawberry's own resolver fails for lists and what is never null, and says
    false of what is no input. It is one for all schemas of a process, that which was made last.
    """

    def _extend_introspection(self) -> None:
        _TYPE.fields["isOneOf"].resolve = _is_one_of


def _is_one_of(of: Any, _info: Any) -> bool | None:
    return of.is_one_of if is_input_object_type(of) else None  # GraphQL specification (September 2025), 4.2.2


class _TooMuchError(Exception):
    """More than may be asked."""


class Description:
    """
    Counts what `__schema` and `__type` are answered in one operation. left_out: whether a directive says so; value: what an argument is
    given.
    """

    def __init__(
        self, schema: GraphQLSchema, fragments: Mapping[str, FragmentDefinitionNode], left_out: LeftOut, value: Callable[[ValueNode], Any]
    ) -> None:
        self._schema = schema
        self._info = SimpleNamespace(schema=schema)  # all that the resolvers of the description look at
        self._fragments = fragments
        self._left_out = left_out
        self._value = value
        self._asked: dict[int, list[SelectionNode]] = {}
        self._known: dict[tuple[int, int], int] = {}
        self._visited = 0
        self._counted = 0

    def fields(self, node: FieldNode) -> int:
        """
        Fields below one of the two, itself not counted; selections that hold none, and are looked at all the same, count as one each.
        Raises Turned where with all that were counted before they are more than may be.
        """
        before = self._visited
        try:
            if node.name.value == "__schema":
                found = self._below(node.selection_set, _SCHEMA, self._schema)
            else:
                names = [self._value(each.value) for each in node.arguments or ()]
                of = self._schema.type_map.get(names[0]) if names and isinstance(names[0], str) else None
                found = 0 if of is None else self._below(node.selection_set, _TYPE, of)
            self._counted += max(found, self._visited - before)
            _hold(self._counted)
        except _TooMuchError:
            detail = f"what is asked of the schema's description holds more than {MAX_QUERY_DESCRIPTION:,} fields"
            raise turned("query.too_dear", detail, "ask for fewer fields of it, or fewer lists inside each other", nodes=node) from None
        return max(found, self._visited - before)

    def _below(self, selected: SelectionSetNode | None, of: Any, thing: Any) -> int:
        """Fields of one thing of the schema. of: its type in the description."""
        place = (id(selected), id(thing))
        self._visited += 1
        _hold(self._visited)
        if of is _TYPE and place in self._known:
            return self._known[place]
        total = 0
        for node in self._selections(selected):
            if isinstance(node, FieldNode):
                total += 1 + self._inside(node, of, thing)
            elif isinstance(node, FragmentSpreadNode):
                total += self._below(self._fragments[node.name.value].selection_set, of, thing)
            elif isinstance(node, InlineFragmentNode):
                total += self._below(node.selection_set, of, thing)
            _hold(total)
        if of is _TYPE:  # all else is made anew each time, or met once in each selection
            self._known[place] = total
        return total

    def _inside(self, node: FieldNode, of: GraphQLObjectType, thing: Any) -> int:
        field = of.fields.get(node.name.value)
        if field is None or node.selection_set is None:
            return 0
        assert field.resolve is not None  # as all of the description have
        found: Any = field.resolve(thing, self._info, **({"includeDeprecated": True} if field.args else {}))
        if found is None:
            return 0
        inner, total = get_named_type(field.type), 0
        for item in found if is_list_type(get_nullable_type(field.type)) else (found,):
            total += self._below(node.selection_set, inner, item)
            _hold(total)
        return total

    def _selections(self, selected: SelectionSetNode | None) -> list[SelectionNode]:
        """What is asked in a selection; what its directives leave out is looked at once."""
        if selected is None:
            return []
        asked = self._asked.get(id(selected))
        if asked is None:
            asked = self._asked[id(selected)] = [node for node in selected.selections if not self._left_out(node)]
        return asked


def _hold(count: int) -> None:
    if count > MAX_QUERY_DESCRIPTION:
        raise _TooMuchError
