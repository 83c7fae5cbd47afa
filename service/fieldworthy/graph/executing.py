"""The executor of graphql-core, but that objects of which plain members alone are asked are answered in columns (`graph.columns`).

It leans on methods that graphql-core keeps to itself. So it was held to that executor's own answers, value by value and error by error, in
the release that is named here, and is used with that release alone; with any other the service answers the same at more cost. Whatever
columns can't answer goes the executor's own way, and what is below it is tried again.

How a selection is answered is found once, and kept with its document.
"""

from collections import OrderedDict
from collections.abc import Callable, Collection, Iterable, Sequence
from typing import TYPE_CHECKING, Any, TypeAlias

import graphql
from graphql import (
    Executor,
    GraphQLField,
    GraphQLObjectType,
    GraphQLOutputType,
    GraphQLString,
    NamedTypeNode,
    NonNullTypeNode,
    OperationDefinitionNode,
    TypeNode,
    VariableValues,
    get_named_type,
    get_nullable_type,
    is_leaf_type,
    is_list_type,
    is_non_null_type,
    is_object_type,
)

from fieldworthy.graph.columns import Column, Lists, Look, Objects, Tally, Values, leaves
from fieldworthy.graph.context import Context
from fieldworthy.graph.errors import is_answer
from fieldworthy.graph.plain import plain_of
from fieldworthy.graph.taken import Answering, fields_of_each

if TYPE_CHECKING:
    from graphql.execution.collect_fields import FieldDetails
    from graphql.pyutils import AwaitableOrValue, Path

PROVED = "3.3.2"
"""The release of graphql-core that columns were held to (`tests/graph/test_columns.py`)."""

_MOST_FOUND = 16
_LEAST_MEMBERS = 64
_CHARACTERS_A_MEMBER = 4

_Members: TypeAlias = Sequence[tuple[str, Look, Column]]
_Place: TypeAlias = tuple[GraphQLOutputType, tuple[int, ...]]
"""A type and the nodes that ask for it, which stay where they are as long as their document."""


def is_proved() -> bool:
    """Whether that release is the one which is installed."""
    return graphql.version == PROVED


class _NotPlain(Exception):
    """A selection that columns can't answer, whatever its values."""


class Found:
    """How the selections of one operation are answered; None: by the executor. size: members and nodes that are kept of it."""

    def __init__(self, make_room: "Callable[[Found, int], bool]") -> None:
        self.columns: dict[_Place, Column | None] = {}
        self.members: dict[_Place, _Members | None] = {}
        self.size = 0
        self._make_room = make_room

    def keep(self, more: int) -> None:
        """Raises _NotPlain where there is no room for so many."""
        if not self._make_room(self, more):
            raise _NotPlain
        self.size += more

    def forget(self, size: int, members: int) -> None:
        """What was kept since it had this size, and so many members' selections: room for what can be answered."""
        while len(self.members) > members:
            self.members.popitem()
        self.size = size


class Selections:
    """
    How the selections of one document are answered, for each of its operations, and for the values of the variables that may leave
    something out: those that were asked last, as many as its length allows.
    """

    def __init__(self, characters: int) -> None:
        self._most = _LEAST_MEMBERS + characters // _CHARACTERS_A_MEMBER
        self._found: OrderedDict[tuple[Any, ...], Found] = OrderedDict()

    @property
    def kept(self) -> Collection[Found]:
        """What is kept of it now."""
        return self._found.values()

    def of(self, operation: OperationDefinitionNode, variables: VariableValues) -> Found:
        """What was found of an operation, or is to be."""
        steered = [variables.coerced.get(name) for name in _steering(operation)]
        key = (operation.name.value if operation.name else None, *steered)
        found = self._found.get(key)
        if found is not None:
            self._found.move_to_end(key)
            return found
        if len(self._found) >= _MOST_FOUND:
            self._found.popitem(last=False)
        found = self._found[key] = Found(self._make_room)
        return found

    def _make_room(self, of: Found, more: int) -> bool:
        """Whether there is room, by then: others are given up for it, those that were asked longest ago first."""
        if all(each is not of for each in self._found.values()):  # it was given up itself, and is nobody's but the request's
            return of.size + more <= self._most
        over = sum(each.size for each in self._found.values()) + more - self._most
        for key, other in list(self._found.items()) if over > 0 else ():
            if other is not of:
                over -= self._found.pop(key).size
            if over <= 0:
                break
        return over <= 0


class ColumnExecutor(Executor[None]):
    """One operation. selections: of its document, which has to fit the schema."""

    def __init__(self, *args: Any, selections: Selections, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._found = selections.of(self.operation, self.variable_values)

    def complete_iterable_value(
        self,
        item_type: GraphQLOutputType,
        field_details_list: "list[FieldDetails]",
        info: Any,
        path: "Path",
        items: Iterable[Any],
        position_context: None,
    ) -> "AwaitableOrValue[list[Any]]":
        """A list of objects in one pass, where that can be."""
        if type(items) is list and items and is_object_type(get_named_type(item_type)):
            told = self._together(item_type, field_details_list, items)
            if told is not None:
                return told
        return super().complete_iterable_value(item_type, field_details_list, info, path, items, position_context)

    def collect_and_execute_subfields(
        self,
        return_type: GraphQLObjectType,
        field_details_list: "list[FieldDetails]",
        path: "Path",
        result: Any,
        position_context: None,
    ) -> "AwaitableOrValue[dict[str, Any]]":
        """An object, whose type was looked at, in one pass with all that is in it, where that can be."""
        told = self._together(return_type, field_details_list, [result])
        if told is not None:
            only: dict[str, Any] = told[0]
            return only
        return super().collect_and_execute_subfields(return_type, field_details_list, path, result, position_context)

    def _together(self, of: GraphQLOutputType, asked: "list[FieldDetails]", values: Values) -> Values | None:
        """Values of one type, answered; None where the executor is to do it, and nothing was done."""
        column = self._column(of, asked)
        if column is None:
            return None
        context = self.context_value
        taken = context.taken if isinstance(context, Context) else None
        tally = Tally(None if taken is None else taken.left)
        try:
            told = column.complete(values, tally)
        except Exception:  # whatever it is, the executor meets it again, and says where
            return None
        if taken is not None:
            taken.took(tally.fields)
        return told

    def _column(self, of: GraphQLOutputType, asked: "list[FieldDetails]") -> Column | None:
        place = (of, tuple([id(each.node) for each in asked]))
        found = self._found
        if place not in found.columns:
            try:
                found.keep(1 + len(asked))
            except _NotPlain:
                return None
            found.columns[place] = None
            size, members = found.size, len(found.members)
            try:
                found.columns[place] = self._made(of, asked)
            except Exception:  # of a variable that a directive can't take too: the executor says so
                found.forget(size, members)
        return found.columns[place]

    def _made(self, of: GraphQLOutputType, asked: "list[FieldDetails]", each: int = 0) -> Column:
        """each: fields of an item, where it is a list that is counted. Raises _NotPlain."""
        null, inner = not is_non_null_type(of), get_nullable_type(of)
        if is_leaf_type(inner):
            return leaves(inner, null)
        if is_list_type(inner):
            return Lists(null, self._made(inner.of_type, asked), each)
        if is_object_type(inner) and inner.is_type_of in (None, is_answer):  # a dict and nothing more is an answer
            return Objects(null, self._members(inner, asked))
        raise _NotPlain

    def _members(self, of: GraphQLObjectType, asked: "list[FieldDetails]") -> _Members:
        place = (of, tuple([id(each.node) for each in asked]))
        known = self._found.members
        if place not in known:
            self._found.keep(1 + len(asked))
            known[place] = None
            fields = [(name, self._looked_up(of, nodes), nodes) for name, nodes in self.collect_subfields(of, asked)[0].items()]
            self._found.keep(len(fields))
            known[place] = [(name, look, self._member(field, nodes)) for name, (field, look), nodes in fields]
        members = known[place]
        if members is None:
            raise _NotPlain
        return members

    def _looked_up(self, of: GraphQLObjectType, asked: "list[FieldDetails]") -> tuple[GraphQLField | None, Look]:
        """A field, None for the name of its type, and how it is looked up. Raises _NotPlain."""
        name = asked[0].node.name.value
        if name == "__typename":
            return None, lambda values: [of.name] * len(values)
        field = of.fields.get(name)
        plain = None if field is None or self.middleware_manager else plain_of(field)
        if plain is None or any(each.defer_usage or each.fragment_variable_values for each in asked):
            raise _NotPlain
        return field, plain.look

    def _member(self, field: GraphQLField | None, asked: "list[FieldDetails]") -> Column:
        if field is None:
            return leaves(GraphQLString, False)
        each = 0
        if is_list_type(get_nullable_type(field.type)):
            answering = Answering(self.schema, self.fragment_definitions, self.variable_values)
            each = fields_of_each([each.node for each in asked], field.type, answering)
        return self._made(field.type, asked, each)


def _steering(operation: OperationDefinitionNode) -> Iterable[str]:
    """The variables that directives may take."""
    for each in operation.variable_definitions or ():
        of: TypeNode = each.type.type if isinstance(each.type, NonNullTypeNode) else each.type
        if isinstance(of, NamedTypeNode) and of.name.value == "Boolean":
            yield each.variable.name.value
