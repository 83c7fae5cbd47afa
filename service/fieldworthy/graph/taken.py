"""What the lists of an answer hold, counted while it is made: how long one is that comes in no pages nobody knows beforehand.

A list is counted before any item of it is answered, so what passes the bound is refused before it costs anything, and so is every list
after it.
"""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, NamedTuple

from graphql import (
    FieldNode,
    FragmentDefinitionNode,
    FragmentSpreadNode,
    GraphQLIncludeDirective,
    GraphQLInterfaceType,
    GraphQLNamedType,
    GraphQLObjectType,
    GraphQLOutputType,
    GraphQLResolveInfo,
    GraphQLSchema,
    GraphQLSkipDirective,
    InlineFragmentNode,
    SelectionNode,
    SelectionSetNode,
    VariableValues,
    get_directive_values,
    get_named_type,
    get_nullable_type,
    is_list_type,
)

from fieldworthy.graph.errors import error_of
from fieldworthy.usecases.limits import MAX_QUERY_FIELDS
from fieldworthy.wire.problems import problem


class Taken:
    """The fields in lists of one answer."""

    def __init__(self) -> None:
        self._left = MAX_QUERY_FIELDS
        self._each: dict[tuple[int, ...], int] = {}

    @property
    def held(self) -> int:
        """How many there were, at most as many as may be."""
        return min(MAX_QUERY_FIELDS - self._left, MAX_QUERY_FIELDS)

    @property
    def left(self) -> int:
        """Fields that lists may hold still; below 0 where something was too much."""
        return self._left

    def anew(self) -> None:
        """Another answer begins: the next event of a subscription."""
        self._left = MAX_QUERY_FIELDS

    def take(self, items: Sequence[Any], info: GraphQLResolveInfo[Any]) -> None:
        """Counts a list that is about to be answered. Raises GraphQLError where all lists together hold too much."""
        self.took(len(items) * self._of_each(info))
        if self._left < 0:
            detail = f"the lists of the answer hold more than {MAX_QUERY_FIELDS:,} fields"
            mend = "ask for fewer fields of each item, or fewer lists; what a mutation did is done"
            raise error_of(problem("query.too_dear", detail, mend))

    def took(self, fields: int) -> None:
        """Counts what is not too much."""
        self._left -= fields

    def _of_each(self, info: GraphQLResolveInfo[Any]) -> int:
        place = tuple(map(id, info.field_nodes))  # they stay as long as the document that is answered
        if place not in self._each:
            asked = Answering(info.schema, info.fragments, info.variable_values)
            self._each[place] = fields_of_each(info.field_nodes, info.return_type, asked)
        return self._each[place]


class Answering(NamedTuple):
    """What is answered: by which schema, with which fragments and values of variables."""

    schema: GraphQLSchema
    fragments: Mapping[str, FragmentDefinitionNode]
    variables: VariableValues


def fields_of_each(nodes: Iterable[FieldNode], of: GraphQLOutputType, asked: Answering) -> int:
    """
    How many fields an item of a list has, those of objects in it too. What is in lists of its own is counted with them. nodes: where the
    list is asked for; of: its type.
    """
    count, named = _Count(asked), get_named_type(of)
    return max(1, sum(count.below(node.selection_set, named) for node in nodes))


class _Count:
    def __init__(self, asked: Answering) -> None:
        self._asked = asked
        self._known: dict[str, int] = {}

    def below(self, selected: SelectionSetNode | None, parent: GraphQLNamedType | None) -> int:
        total = 0
        for node in selected.selections if selected else ():
            if node.directives and self._left_out(node):
                continue
            if isinstance(node, FieldNode):
                total += 1 + self._inside(node, parent)
            elif isinstance(node, FragmentSpreadNode):
                total += self._fragment(node.name.value)
            elif isinstance(node, InlineFragmentNode):
                of = self._asked.schema.get_type(node.type_condition.name.value) if node.type_condition else parent
                total += self.below(node.selection_set, of)
        return total

    def _inside(self, node: FieldNode, parent: GraphQLNamedType | None) -> int:
        field = parent.fields.get(node.name.value) if isinstance(parent, GraphQLObjectType | GraphQLInterfaceType) else None
        if field is None or is_list_type(get_nullable_type(field.type)):
            return 0
        return self.below(node.selection_set, get_named_type(field.type))

    def _fragment(self, name: str) -> int:
        if name not in self._known:  # each is walked once, however often it stands somewhere
            definition = self._asked.fragments[name]
            of = self._asked.schema.get_type(definition.type_condition.name.value)
            self._known[name] = self.below(definition.selection_set, of)
        return self._known[name]

    def _left_out(self, node: SelectionNode) -> bool:
        skip = get_directive_values(GraphQLSkipDirective, node, self._asked.variables)
        include = get_directive_values(GraphQLIncludeDirective, node, self._asked.variables)
        return bool(skip and skip["if"]) or bool(include and not include["if"])
