"""Whether answered data are of the schema's types, by the specification alone: the schema is read from its text, and no code of the
service has a part in it.

Sources: the GraphQL specification (October 2021), 6.3.2 (CollectFields), 6.4.3 (CompleteValue), 3.5 (scalars); RFC 3339, 5.6; from memory.
"""

import math
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any

from graphql import (
    DocumentNode,
    FieldNode,
    FragmentDefinitionNode,
    FragmentSpreadNode,
    GraphQLEnumType,
    GraphQLList,
    GraphQLNonNull,
    GraphQLObjectType,
    GraphQLScalarType,
    GraphQLSchema,
    GraphQLUnionType,
    InlineFragmentNode,
    OperationDefinitionNode,
    SelectionSetNode,
    VariableNode,
    value_from_ast_untyped,
)

_MOMENT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)\Z", re.ASCII)
_DAY = re.compile(r"\d{4}-\d\d-\d\d\Z", re.ASCII)
_MOST = 5  # complaints of one answer


def _is_whole(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def _is_number(value: Any) -> bool:
    return _is_whole(value) or (isinstance(value, float) and math.isfinite(value))


FORMS: Mapping[str, Callable[[Any], bool]] = {
    "String": lambda v: isinstance(v, str),
    "ID": lambda v: isinstance(v, str),
    "Boolean": lambda v: isinstance(v, bool),
    "Int": lambda v: _is_whole(v) and -(2**31) <= v < 2**31,
    "Float": _is_number,
    "Int64": lambda v: _is_whole(v) and -(2**63) <= v < 2**63,
    "DateTime": lambda v: isinstance(v, str) and _MOMENT.match(v) is not None,
    "Date": lambda v: isinstance(v, str) and _DAY.match(v) is not None,
    "JSON": lambda v: v is not None,
    "Amount": lambda v: v is not None,
    "FactValue": lambda v: v is not None,
    "RulebookRef": lambda v: v is not None,
}
"""How each scalar is written. One that the schema has and this has not is a complaint."""


class Shape:
    """What the answers to one schema look like."""

    def __init__(self, schema: GraphQLSchema) -> None:
        self.schema = schema

    def of(
        self, document: DocumentNode, operation: OperationDefinitionNode, variables: Mapping[str, Any], data: Mapping[str, Any]
    ) -> list[str]:
        """What is to be said against the data of an operation."""
        defaults = {
            each.variable.name.value: value_from_ast_untyped(each.default_value)
            for each in operation.variable_definitions or ()
            if each.default_value is not None
        }
        fragments = {each.name.value: each for each in document.definitions if isinstance(each, FragmentDefinitionNode)}
        looked = _Looked(self.schema, fragments, {**defaults, **variables})
        root = self.schema.get_root_type(operation.operation)
        assert root is not None
        looked.thing(root, [operation.selection_set], data, "data")
        return looked.complaints[:_MOST]

    def nulled(self, document: DocumentNode, operation: OperationDefinitionNode, path: Sequence[Any], at: int) -> bool:
        """
        Whether an error at a path may have made what stands after so many of its steps null: all that lies below is what may not be null,
        so that the null went up to there (6.4.4).
        """
        fragments = {each.name.value: each for each in document.definitions if isinstance(each, FragmentDefinitionNode)}
        looked = _Looked(self.schema, fragments, {})
        of: Any = GraphQLNonNull(self.schema.get_root_type(operation.operation))
        selected = [operation.selection_set]
        for i, step in enumerate(path):
            if isinstance(step, int):
                of = _without_null(of)
                if not isinstance(of, GraphQLList):
                    return False
                of = of.of_type
            else:
                found = looked.named(of, selected, str(step))
                if found is None:
                    return False
                of, selected = found
            if i >= at and not isinstance(of, GraphQLNonNull):
                return False
        return True


def _without_null(of: Any) -> Any:
    return of.of_type if isinstance(of, GraphQLNonNull) else of


class _Looked:
    def __init__(self, schema: GraphQLSchema, fragments: Mapping[str, FragmentDefinitionNode], variables: Mapping[str, Any]) -> None:
        self._schema, self._fragments, self._variables = schema, fragments, variables
        self.complaints: list[str] = []

    def thing(self, of: GraphQLObjectType, selected: Sequence[SelectionSetNode], value: Any, place: str) -> None:
        if not isinstance(value, dict):
            self.complaints.append(f"{place}: no object, but {str(value)[:60]}")
            return
        wanted: dict[str, list[FieldNode]] = {}
        for each in selected:
            for node in self._fields(of, each, set()):
                wanted.setdefault(node.alias.value if node.alias else node.name.value, []).append(node)
        if list(wanted) != list(value):  # 6.3: in the order in which they are met
            self.complaints.append(f"{place}: the members {list(value)[:20]}, not {list(wanted)[:20]}")
            return
        for name, nodes in wanted.items():
            called = nodes[0].name.value
            if called == "__typename":
                if value[name] != of.name:
                    self.complaints.append(f"{place}.{name}: {value[name]}, not {of.name}")
            elif not called.startswith("__"):
                self.value(of.fields[called].type, nodes, value[name], f"{place}.{name}")

    def named(self, of: Any, selected: Sequence[SelectionSetNode], name: str) -> tuple[Any, list[SelectionSetNode]] | None:
        """The type of a member, and what is asked of it; None where there is none of this name."""
        of = _without_null(of)
        for each in of.types if isinstance(of, GraphQLUnionType) else [of] if isinstance(of, GraphQLObjectType) else []:
            nodes = [node for part in selected for node in self._fields(each, part, set())]
            nodes = [node for node in nodes if (node.alias or node.name).value == name and node.name.value in each.fields]
            if nodes:
                return each.fields[nodes[0].name.value].type, [node.selection_set for node in nodes if node.selection_set]
        return None

    def value(self, of: Any, nodes: Sequence[FieldNode], value: Any, place: str) -> None:
        if len(self.complaints) > _MOST:
            return
        if isinstance(of, GraphQLNonNull):
            if value is None:
                self.complaints.append(f"{place}: null, where none may be")
                return
            of = of.of_type
        if value is None:
            return
        if isinstance(of, GraphQLList):
            if not isinstance(value, list):
                self.complaints.append(f"{place}: no list")
                return
            for i, each in enumerate(value):
                self.value(of.of_type, nodes, each, f"{place}[{i}]")
        elif isinstance(of, GraphQLEnumType):
            if not isinstance(value, str) or value not in of.values:
                self.complaints.append(f"{place}: `{str(value)[:60]}` is no {of.name}")
        elif isinstance(of, GraphQLScalarType):
            form = FORMS.get(of.name)
            if form is None or not form(value):
                self.complaints.append(f"{place}: `{str(value)[:60]}` is no {of.name}")
        elif isinstance(of, GraphQLUnionType):
            self._union(of, nodes, value, place)
        else:
            self.thing(of, [node.selection_set for node in nodes if node.selection_set], value, place)

    def _union(self, of: GraphQLUnionType, nodes: Sequence[FieldNode], value: Any, place: str) -> None:
        """Of one of its types; which, its `__typename` says where it was asked for, else any that fits."""
        tried = []
        for each in of.types:
            look = _Looked(self._schema, self._fragments, self._variables)
            look.thing(each, [node.selection_set for node in nodes if node.selection_set], value, place)
            if not look.complaints:
                return
            tried.append(look.complaints)
        named = isinstance(value, dict) and next((i for i, each in enumerate(of.types) if value.get("__typename") == each.name), None)
        self.complaints += tried[named or 0]

    def _fields(self, of: GraphQLObjectType, selected: SelectionSetNode, seen: set[str]) -> Iterator[FieldNode]:
        """6.3.2: of fragments each named one once, and only where its type is met."""
        for node in selected.selections:
            if self._left_out(node):
                continue
            if isinstance(node, FieldNode):
                yield node
            elif isinstance(node, FragmentSpreadNode):
                if node.name.value not in seen:
                    seen.add(node.name.value)
                    made = self._fragments[node.name.value]
                    if self._meets(of, made.type_condition.name.value):
                        yield from self._fields(of, made.selection_set, seen)
            elif isinstance(node, InlineFragmentNode) and (node.type_condition is None or self._meets(of, node.type_condition.name.value)):
                yield from self._fields(of, node.selection_set, seen)

    def _meets(self, of: GraphQLObjectType, name: str) -> bool:
        other = self._schema.get_type(name)
        return other is of or (isinstance(other, GraphQLUnionType) and of in other.types)

    def _left_out(self, node: Any) -> bool:
        for each in node.directives or ():
            unwanted = {"skip": True, "include": False}.get(each.name.value)
            if unwanted is None:
                continue
            said = each.arguments[0].value
            if (self._variables.get(said.name.value) if isinstance(said, VariableNode) else said.value) is unwanted:
                return True
        return False
