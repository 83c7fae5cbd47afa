"""Calls written as documents of GraphQL, each time in another way: how deep, by which names, through which fragments, with what as a
literal and what as a variable.

All ways are right ones: where the arguments are, so is the document. Numbers that Python has no value for are `Raw`.
"""

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from random import Random
from typing import Any

from graphql import (
    GraphQLEnumType,
    GraphQLInputObjectType,
    GraphQLList,
    GraphQLObjectType,
    GraphQLScalarType,
    GraphQLSchema,
    GraphQLUnionType,
    get_named_type,
    get_nullable_type,
)
from graphql.language.print_string import print_string

from fieldworthy.graph.table import MACHINE, MUTATION
from tests.faults.graph_rounds import Call

_NAME = re.compile(r"[_A-Za-z][_0-9A-Za-z]*\Z", re.ASCII)
_MOST_ALIASES = 12


@dataclass(frozen=True)
class Raw:
    """A number as its text, in a document as in variables."""

    text: str


@dataclass(frozen=True)
class Written:
    """A request. names: under which each call is answered."""

    text: str
    operation: str | None
    variables: Mapping[str, Any]
    names: Sequence[str]

    def body(self, **more: Any) -> bytes:
        """As JSON; what has no character in UTF-8 is written by its escape."""
        told = {
            "query": self.text,
            "variables": self.variables,
            **({} if self.operation is None else {"operationName": self.operation}),
            **more,
        }
        return dumped(told)


def dumped(told: Any) -> bytes:
    """As JSON, `Raw` numbers and all."""
    text = json.dumps(told, default=lambda raw: f"@raw {raw.text} raw@")
    return re.sub(r'"@raw (\S*) raw@"', r"\1", text).encode()


@dataclass
class Writer:
    """Writes calls. schema: the service's, read from its text."""

    schema: GraphQLSchema
    chance: Random
    _variables: dict[str, Any] = field(default_factory=dict)
    _declared: list[str] = field(default_factory=list)
    _fragments: list[str] = field(default_factory=list)
    _aliases: int = 0

    def written(self, calls: Sequence[Call], deepest: int) -> Written:
        """One document of all, which either change something or do not. deepest: how deep the selections go."""
        self._variables, self._declared, self._fragments, self._aliases = {}, [], [], 0
        tops, names = [], []
        for i, call in enumerate(calls):
            alias = f"t{i}: " if i or self._maybe(0.2) else ""
            if call.on == MACHINE:
                owner = self._argument("id", "String!", call.owner)
                tops.append(f"{alias}machine(id: {owner}) {{ id {self._asked(call, deepest)} __typename }}")
            else:
                tops.append(f"{alias}{self._asked(call, deepest)}")
            names.append(alias[:-2] if alias else "machine" if call.on == MACHINE else call.field)
        return self._put_together(tops, names, calls[0].changes)

    def _put_together(self, tops: Sequence[str], names: Sequence[str], changes: bool) -> Written:
        root = "Mutation" if changes else "Query"
        asked = " ".join(tops)
        if self._maybe(0.15):
            self._fragments.append(f"fragment Top on {root} {{ {asked} }}")
            asked = "...Top"
        elif self._maybe(0.1):
            asked = f"... on {root} {{ {asked} }}"
        name = "Asked" if self._maybe(0.4) else ""
        beside = ""
        if name and self._maybe(0.3):
            beside = "query Other { __typename }"
        declared = f"({', '.join(self._declared)})" if self._declared else ""
        head = f"{'mutation' if changes else 'query'} {name}{declared} "
        if head == "query  " and self._maybe(0.5):
            head = ""
        parts = [f"{head}{{ {asked} }}", *self._fragments, *([beside] if beside else [])]
        if self._maybe(0.3):
            self.chance.shuffle(parts)
        between = self.chance.choice((" ", "\n", "\r\n", "\n# a remark: é { \n", ",,"))
        return Written(between.join(parts), name if name and (beside or self._maybe(0.7)) else None, dict(self._variables), names)

    def _asked(self, call: Call, deepest: int) -> str:
        made: Any = self.schema.get_type(call.on)
        of = made.fields[call.field]
        given = [f"{name}: {self._argument(name, str(of.args[name].type), value)}" for name, value in call.args.items() if name in of.args]
        given += [f"{name}: {self._literal(value, None)}" for name, value in call.args.items() if name not in of.args]
        self.chance.shuffle(given)
        selected = self.selection(of.type, deepest, call.on == MUTATION)
        if call.operation == "listSetAside":  # later calls are made with what it tells
            selected = f"{selected[:-1]} edges {{ node {{ id why }} }} }}"
        return f"{call.field}{f'({chr(44).join(given)})' if given else ''} {selected}"

    # --- arguments ----------------------------------------------------------------------------------------------------------------

    def _argument(self, name: str, type_: str, value: Any) -> str:
        if self._maybe(0.5) or not self._can_be_literal(value):
            return self._variable(name, type_, value)
        made: Any = self.schema.get_type(type_.strip("[]!"))
        return self._literal(value, GraphQLList(made) if type_.startswith("[") else made)

    def _variable(self, name: str, type_: str, value: Any) -> str:
        called = f"{name}{len(self._variables) or ''}"
        self._variables[called] = value
        self._declared.append(f"${called}: {type_}")
        return f"${called}"

    def _can_be_literal(self, value: Any) -> bool:
        match value:
            case dict():
                return all(_NAME.match(k) and self._can_be_literal(v) for k, v in value.items())
            case list():
                return all(map(self._can_be_literal, value))
        return True

    def _literal(self, value: Any, of: Any) -> str:
        """of: its type, None where it is not known."""
        of = get_nullable_type(of) if of is not None else None
        match value:
            case Raw():
                return value.text
            case None:
                return "null"
            case bool():
                return "true" if value else "false"
            case int():
                return str(value)
            case float():
                return repr(value) if value == value and abs(value) != float("inf") else "1e999"
            case list():
                inner = of.of_type if isinstance(of, GraphQLList) else of if isinstance(of, GraphQLScalarType) else None
                return "[" + self.chance.choice((" ", ", ")).join(self._literal(each, inner) for each in value) + "]"
            case dict():
                return "{" + ", ".join(f"{name}: {self._member(name, inner, of)}" for name, inner in value.items()) + "}"
        text = str(value)
        if isinstance(of, GraphQLEnumType) and _NAME.match(text):
            return text
        if self._maybe(0.1) and '"' not in text and "\\" not in text and text.isprintable() and text and text.strip() == text:
            return f'"""{text}"""'
        return print_string(text)

    def _member(self, name: str, value: Any, of: Any) -> str:
        if not isinstance(of, GraphQLInputObjectType):
            return self._literal(value, of if isinstance(of, GraphQLScalarType) else None)
        known = of.fields.get(name)
        if known is not None and self._maybe(0.1) and not isinstance(value, Raw):
            return self._variable(name, str(known.type), value)
        return self._literal(value, None if known is None else known.type)

    # --- selections ---------------------------------------------------------------------------------------------------------------

    def selection(self, type_: Any, deepest: int, full: bool = False) -> str:
        """What is asked of a type: some of it, or full: with most of what it has."""
        named = get_named_type(type_)
        if isinstance(named, GraphQLUnionType):
            inside = [f"... on {each.name} {self.selection(each, deepest, full)}" for each in named.types]
            return "{ __typename ... on Refusal { code } " + " ".join(inside) + " }"
        if not isinstance(named, GraphQLObjectType):
            return ""
        share = 0.9 if full else self.chance.choice((0.3, 0.7, 1.0))
        asked = [text for name, made in named.fields.items() if self._maybe(share) and (text := self._told(name, made, deepest))]
        if self._maybe(0.2) or not asked:
            asked.append("__typename")
        for kept in ("id", "delivery", "edges", "node", "cursor"):  # what later calls are made with
            if full and kept in named.fields and not any(each.split(" ")[0] == kept for each in asked) and deepest:
                asked.append(self._plain(kept, named.fields[kept], deepest))
        if self._maybe(0.1):
            asked.append(asked[0].replace("@skip(if: true)", ""))
        if self._maybe(0.15):
            asked = [self._apart(named.name, asked)]
        return "{ " + " ".join(asked) + " }"

    def _apart(self, of: str, asked: Sequence[str]) -> str:
        """A selection inside a fragment."""
        inside = " ".join(asked)
        if self._maybe(0.5):
            name = f"Part{len(self._fragments)}"
            self._fragments.append(f"fragment {name} on {of} {{ {inside} }}")
            return f"...{name}{self._directive()}"
        return f"...{'' if self._maybe(0.3) else f' on {of}'} {self._directive()} {{ {inside} }}"

    def _plain(self, name: str, made: Any, deepest: int) -> str:
        return f"{name} {self.selection(made.type, deepest - 1, True)}".strip()

    def _told(self, name: str, made: Any, deepest: int) -> str:
        """One field, "" where it lies too deep or wants arguments."""
        is_leaf = not isinstance(get_named_type(made.type), GraphQLObjectType | GraphQLUnionType)
        if made.args or not (is_leaf or deepest):
            return ""
        alias = ""
        if self._aliases < _MOST_ALIASES and self._maybe(0.03):
            self._aliases += 1
            alias = f"a{self._aliases}: "
        return f"{alias}{name} {self._directive()} {self.selection(made.type, deepest - 1)}".strip().replace("  ", " ")

    def _directive(self) -> str:
        if not self._maybe(0.04):
            return ""
        word, said = self.chance.choice((("include", True), ("skip", False), ("skip", True), ("include", False)))
        value = self._variable("so", "Boolean!", said) if self._maybe(0.5) else str(said).lower()
        return f"@{word}(if: {value})"

    def _maybe(self, share: float) -> bool:
        return self.chance.random() < share
