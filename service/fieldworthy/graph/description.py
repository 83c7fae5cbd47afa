"""How the schema describes itself, and what that costs: counted on the schema, which is all that it tells of, before anything is answered.

The count is never less than what is answered: fields of one name in several fragments are counted in each. A type that is met again below
the same selection was counted before, so the work grows neither with the answer nor beyond the bound.
"""

from collections import OrderedDict
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
    get_named_type,
    get_nullable_type,
    introspection_types,
    is_input_object_type,
    is_list_type,
    value_from_ast_untyped,
)

from fieldworthy.graph.told import turned
from fieldworthy.usecases.limits import MAX_QUERY_DESCRIPTION

_SCHEMA: Any = introspection_types["__Schema"]
_TYPE: Any = introspection_types["__Type"]
_MOST_KEPT = 100

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


class Description:
    """Counts what `__schema` and `__type` are answered of one schema."""

    def __init__(self, schema: GraphQLSchema) -> None:
        self._schema = schema
        self._known: OrderedDict[int, tuple[FieldNode, int]] = OrderedDict()

    def fields(
        self, node: FieldNode, fragments: Mapping[str, FragmentDefinitionNode], variables: Mapping[str, Any], left_out: LeftOut
    ) -> int:
        """
        Fields below one of the two, itself not counted. left_out: whether a directive says so. What hangs on no variable is counted once
        for a document that is kept. Raises Turned where they are more than may be.
        """
        known = self._known.get(id(node))
        if known is not None and not variables:
            return known[1]
        walk = _Walk(self._schema, node, fragments, left_out)
        if node.name.value == "__schema":
            found = walk.below(node.selection_set, _SCHEMA, self._schema)
        else:
            names = [value_from_ast_untyped(each.value, dict(variables)) for each in node.arguments or ()]
            of = self._schema.type_map.get(names[0]) if names and isinstance(names[0], str) else None
            found = 0 if of is None else walk.below(node.selection_set, _TYPE, of)
        if not variables:
            self._known[id(node)] = node, found  # the node too, so that no other has its id
            if len(self._known) > _MOST_KEPT:
                self._known.popitem(last=False)
        return found


class _Walk:
    def __init__(self, schema: GraphQLSchema, root: FieldNode, fragments: Mapping[str, FragmentDefinitionNode], left_out: LeftOut) -> None:
        self._info = SimpleNamespace(schema=schema)  # all that the resolvers of the description look at
        self._root = root
        self._fragments = fragments
        self._left_out = left_out
        self._asked: dict[int, list[SelectionNode]] = {}
        self._known: dict[tuple[int, int], int] = {}
        self._visited = 0

    def below(self, selected: SelectionSetNode | None, of: Any, thing: Any) -> int:
        """Fields of one thing of the schema. of: its type in the description."""
        place = (id(selected), id(thing))
        if of is _TYPE and place in self._known:
            return self._known[place]
        self._hold(self._visited)
        self._visited += 1
        total = 0
        for node in self._selections(selected):
            if isinstance(node, FieldNode):
                total += 1 + self._inside(node, of, thing)
            elif isinstance(node, FragmentSpreadNode):
                total += self.below(self._fragments[node.name.value].selection_set, of, thing)
            elif isinstance(node, InlineFragmentNode):
                total += self.below(node.selection_set, of, thing)
            self._hold(total)
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
            total += self.below(node.selection_set, inner, item)
            self._hold(total)
        return total

    def _selections(self, selected: SelectionSetNode | None) -> list[SelectionNode]:
        """What is asked in a selection; what its directives leave out is looked at once."""
        if selected is None:
            return []
        asked = self._asked.get(id(selected))
        if asked is None:
            asked = self._asked[id(selected)] = [node for node in selected.selections if not self._left_out(node)]
        return asked

    def _hold(self, count: int) -> None:
        if count > MAX_QUERY_DESCRIPTION:
            detail = f"what is asked of the schema's description holds more than {MAX_QUERY_DESCRIPTION:,} fields"
            raise turned("query.too_dear", detail, "ask for fewer fields of it, or fewer lists inside each other", nodes=self._root)
