"""What an operation costs, counted before anything of it runs: the fields that its answer may hold, by the sizes of its pages.

A list in pages counts by what is asked for (`first`, `last`), or would be if nothing is said; any other list is taken to have a usual
length. What is dear beside the number of its fields has a weight; what the schema tells of itself is counted on the schema. Of a fragment
that stands in several places the cost below it is found once, so the work grows with the document, and not with what it would unfold to.
"""

from collections.abc import Mapping
from typing import Any, NamedTuple

from graphql import (
    DirectiveNode,
    FieldNode,
    FragmentDefinitionNode,
    FragmentSpreadNode,
    GraphQLField,
    GraphQLInterfaceType,
    GraphQLNamedType,
    GraphQLObjectType,
    GraphQLSchema,
    InlineFragmentNode,
    IntValueNode,
    OperationDefinitionNode,
    SelectionNode,
    SelectionSetNode,
    ValueNode,
    VariableNode,
    get_named_type,
    get_nullable_type,
    is_list_type,
    value_from_ast_untyped,
)

from fieldworthy.graph.bounds import DESCRIPTION
from fieldworthy.graph.description import Description
from fieldworthy.usecases.limits import MAX_PAGE, QUERY_FIELDS_A_REQUEST, QUERY_LIST_LENGTH

PAGE_SIZES = ("first", "last")
_USUAL_PAGE = 50
_NEVER = 10**12  # where counting ends: far beyond any bound

Weights = Mapping[str, int]
"""By `Type.field`: so many fields more than itself each time that it is asked."""


class Cost:
    """Counts the operations of one schema."""

    def __init__(self, schema: GraphQLSchema, weights: Weights) -> None:
        self._schema = schema
        self._weights = weights

    def of(
        self, operation: OperationDefinitionNode, fragments: Mapping[str, FragmentDefinitionNode], variables: Mapping[str, Any]
    ) -> "Counted":
        """
        What an operation may ask. variables: as they were sent; the document was found to fit the schema. Raises Turned where it asks for
        too much of the schema's description.
        """
        given = {
            each.variable.name.value: value_from_ast_untyped(each.default_value)
            for each in operation.variable_definitions or ()
            if each.default_value is not None
        }
        count = _Count(self._schema, self._weights, fragments, {**given, **variables})
        fields = count.below(operation.selection_set, self._schema.get_root_type(operation.operation), None)
        top: set[str] = set()
        count.names(operation.selection_set, top, set())
        return Counted(fields, len(top), count.steered)


class Counted(NamedTuple):
    """
    fields: that the answer may hold; top: those that stand at its top, in fragments too; steered: whether a variable had a say, so that
    with other values it is counted anew.
    """

    fields: int
    top: int
    steered: bool

    @property
    def requests(self) -> int:
        """As how many it counts: one for so many fields, and at least one for each that stands at the top."""
        return max(self.top, -(-self.fields // QUERY_FIELDS_A_REQUEST), 1)


class _Count:
    def __init__(
        self,
        schema: GraphQLSchema,
        weights: Weights,
        fragments: Mapping[str, FragmentDefinitionNode],
        variables: Mapping[str, Any],
    ) -> None:
        self._schema = schema
        self._weights = weights
        self._fragments = fragments
        self._variables = variables
        self._known: dict[tuple[str, str, int | None], int] = {}
        self._description = Description(schema, fragments, self._is_out, self._value)
        self.steered = False

    def below(self, selected: SelectionSetNode | None, parent: GraphQLNamedType | None, page: int | None) -> int:
        """Fields below one value. page: how many items a list right below has, where it is known."""
        total = 0
        for node in selected.selections if selected else ():
            if node.directives and self._left_out(node.directives):
                continue
            if isinstance(node, FieldNode):
                total += self._field(node, parent, page)
            elif isinstance(node, FragmentSpreadNode):
                total += self._fragment(node.name.value, parent, page)
            elif isinstance(node, InlineFragmentNode):
                inner = self._schema.get_type(node.type_condition.name.value) if node.type_condition else parent
                total += self.below(node.selection_set, inner, page)
            if total > _NEVER:
                return _NEVER
        return total

    def names(self, selected: SelectionSetNode, found: set[str], seen: set[str]) -> None:
        """Gathers the names under which the fields of a selection are answered, through fragments. seen: fragments that were gathered."""
        for node in selected.selections:
            if node.directives and self._left_out(node.directives):
                continue
            if isinstance(node, FieldNode):
                found.add(node.alias.value if node.alias else node.name.value)
            elif isinstance(node, InlineFragmentNode):
                self.names(node.selection_set, found, seen)
            elif isinstance(node, FragmentSpreadNode) and node.name.value not in seen:
                seen.add(node.name.value)
                self.names(self._fragments[node.name.value].selection_set, found, seen)

    def _fragment(self, name: str, parent: GraphQLNamedType | None, page: int | None) -> int:
        place = (name, parent.name if parent else "", page)
        if place not in self._known:
            definition = self._fragments[name]
            inner = self._schema.get_type(definition.type_condition.name.value)
            self._known[place] = self.below(definition.selection_set, inner, page)
        return self._known[place]

    def _field(self, node: FieldNode, parent: GraphQLNamedType | None, page: int | None) -> int:
        weight = 1 + (self._weights.get(f"{parent.name}.{node.name.value}", 0) if parent else 0)
        field = _of(parent, node.name.value)
        if node.name.value in DESCRIPTION:
            return weight + self._description.fields(node)
        if field is None or node.selection_set is None:  # not known: `__typename`
            return weight
        asked = self._page(node, field)
        times = 1
        if is_list_type(get_nullable_type(field.type)):
            times, asked = asked or page or QUERY_LIST_LENGTH, None
        return min(_NEVER, weight + times * self.below(node.selection_set, get_named_type(field.type), asked))

    def _page(self, node: FieldNode, field: GraphQLField) -> int | None:
        """How many items are asked for, at most a full page; None of what comes in no pages."""
        if not any(name in field.args for name in PAGE_SIZES):
            return None
        for argument in node.arguments or ():
            if argument.name.value in PAGE_SIZES:
                value = argument.value
                size: Any = None
                if isinstance(value, IntValueNode):
                    size = int(value.value)
                elif isinstance(value, VariableNode):
                    size = self._variable(value)
                if size is not None:
                    return _read(size)
        return _USUAL_PAGE

    def _is_out(self, node: SelectionNode) -> bool:
        return bool(node.directives) and self._left_out(node.directives or ())

    def _left_out(self, directives: tuple[DirectiveNode, ...]) -> bool:
        for each in directives:
            wanted = {"skip": True, "include": False}.get(each.name.value)
            for argument in each.arguments or () if wanted is not None else ():
                if self._value(argument.value) is wanted:
                    return True
        return False

    def _value(self, node: ValueNode) -> Any:
        return self._variable(node) if isinstance(node, VariableNode) else value_from_ast_untyped(node)

    def _variable(self, node: VariableNode) -> Any:
        self.steered = True
        return self._variables.get(node.name.value)


def _read(size: Any) -> int:
    """How many items a size means: a variable may say it as `200.0` too. What it can't be is refused later, and counts as a full page."""
    if isinstance(size, int | float) and 0 <= size < MAX_PAGE:
        return int(size)
    return MAX_PAGE


def _of(parent: GraphQLNamedType | None, name: str) -> GraphQLField | None:
    return parent.fields.get(name) if isinstance(parent, GraphQLObjectType | GraphQLInterfaceType) else None
