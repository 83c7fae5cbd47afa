"""A schema with everything in every place, data that fit it more or less, and documents that ask it: drawn by whoever holds two executors
to each other."""

import asyncio
import re
from collections.abc import Callable, Generator
from decimal import Decimal
from random import Random
from typing import Any

import strawberry
from graphql import (
    GraphQLEnumType,
    GraphQLError,
    GraphQLInterfaceType,
    GraphQLList,
    GraphQLNamedType,
    GraphQLNonNull,
    GraphQLObjectType,
    GraphQLOutputType,
    GraphQLScalarType,
    GraphQLSchema,
    GraphQLUnionType,
    Undefined,
    build_schema,
)
from strawberry.permission import BasePermission

from fieldworthy.graph.errors import Refused, is_answer
from fieldworthy.graph.plain import STRAWBERRY, quicken
from fieldworthy.graph.scalars import as_it_is
from fieldworthy.graph.shapes import Entries, Member, member
from fieldworthy.graph.words import camel

LEAVES = ("String", "Int", "Float", "Boolean", "ID", "Kind", "Loose", "Even", "Whatever")
FORMS = ("{}", "{}!", "[{}]", "[{}!]!", "[[{}!]]!")


def _members(names: tuple[str, ...], forms: tuple[str, ...] = FORMS) -> str:
    """Members of these types in every form: `int0: Int  int1: Int!` and so on."""
    return "\n".join(f"{name.lower()}{n}: {form.format(name)}" for name in names for n, form in enumerate(forms))


SDL = f"""
enum Kind {{ oil grease }}
scalar Loose
scalar Even
scalar Whatever
interface Named {{ name: String! size: Int later: Int bottoms: [Bottom] }}
union Either = Middle | Bottom
type Bottom implements Named {{ name: String! size: Int later: Int bottoms: [Bottom] {_members(LEAVES)} }}
type Entry {{ name: String! value: Int! }}
type Answer {{ name: String! int1: Int! bottom2: [Bottom] }}
type Middle implements Named {{
  name: String! size: Int later: Int! bottoms: [Bottom!] secret: String secrets: [Bottom!] some(first: Int): [Bottom!]
  entries: [Entry!] wholes: [Entry!]!
  {_members(("Int", "Kind"))} {_members(("Bottom",))} {_members(("Named", "Either", "Answer"), ("{}", "[{}!]"))}
}}
type Top {{ string1: String! later: Int! {_members(("Middle", "Bottom"))} {_members(("Named",), ("{}", "[{}!]!"))} }}
type Query {{ {_members(("Top", "Middle", "Named", "Either", "Answer"))} }}
"""
_UNLIKE = frozenset({"later", "some", "secret", "secrets"})
"""Fields with a resolver of their own, an argument, or a permission."""


class Never(BasePermission):
    """What Strawberry asks before it resolves a field."""

    message = "this may not be told"

    def has_permission(self, source: Any, info: Any, **kwargs: Any) -> bool:
        raise AssertionError("asked by Strawberry's own resolver alone")


def make_schema() -> GraphQLSchema:
    """Of these types, with plain members wherever there may be some; what stands at the top is taken from the root value."""
    schema = build_schema(SDL)
    for of in schema.type_map.values():
        if isinstance(of, GraphQLObjectType) and of.name != "Query" and not of.name.startswith("__"):
            for name, field in of.fields.items():
                field.extensions[STRAWBERRY] = _member_of(name, "" if of.name == "Entry" else "_")
    scalar(schema, "Loose").coerce_output_value = as_it_is
    scalar(schema, "Even").coerce_output_value = _even
    scalar(schema, "Whatever").coerce_output_value = _whatever
    _object(schema, "Answer").is_type_of = is_answer
    _object(schema, "Entry").is_type_of = lambda value, _info: "value" in value
    for name in ("Top", "Middle", "Bottom"):
        _object(schema, name).fields["later"].resolve = _later
    middle = _object(schema, "Middle").fields
    middle["some"].resolve = _some
    for name in ("secret", "secrets"):
        middle[name].resolve = _withheld
    quicken(schema)
    return schema


def _member_of(name: str, after: str) -> Member:
    if name in ("entries", "wholes"):
        made = Entries(graphql_name=name, python_name=name, type_annotation=None)
        made.key, made.whole = name, name == "wholes"
        return made
    plain = member(name, str, key=name + after)
    if name.startswith("secret"):
        plain.permission_classes = [Never]
    if name in _UNLIKE and not name.startswith("secret"):
        return strawberry.field(name=camel(name))  # type: ignore[no-any-return]
    return plain


def scalar(schema: GraphQLSchema, name: str) -> GraphQLScalarType:
    """A scalar of the schema."""
    found = schema.type_map[name]
    assert isinstance(found, GraphQLScalarType)
    return found


def _object(schema: GraphQLSchema, name: str) -> GraphQLObjectType:
    found = schema.type_map[name]
    assert isinstance(found, GraphQLObjectType)
    return found


def _even(value: Any) -> Any:
    if not isinstance(value, int) or value % 2:
        raise GraphQLError(f"{value} is odd", extensions={"code": "odd"})
    return value // 2 or None  # a half of nothing is nothing, which no scalar may be told as


def _whatever(value: Any) -> Any:
    """Gives what no other scalar gives, where it is asked to."""
    return Odd() if value == "odd" else Later(value) if value == "later" else [value]


async def _later(source: Any, _info: Any) -> Any:
    await asyncio.sleep(0)
    return source.get("later_", 5)


def _some(source: Any, _info: Any, first: int = 2) -> Any:
    return (source.get("some_") or [])[:first]


def _withheld(source: Any, _info: Any) -> Any:
    raise GraphQLError("this may not be told")


class Odd:
    """Nothing that data are made of."""

    def __repr__(self) -> str:
        return "something odd"


class Later:
    """What is to be awaited, as often as one likes."""

    def __init__(self, value: Any) -> None:
        self.value = value

    def __await__(self) -> Generator[Any, None, Any]:
        yield from asyncio.sleep(0).__await__()
        return self.value


class Text(str):
    """A text that is not just a text."""

    __slots__ = ()


class Many(list[Any]):
    """A list that is not just a list."""


class Thing(dict[str, Any]):
    """An object that is not just an object."""


STRANGE: tuple[Callable[[Any], Any], ...] = (
    lambda _: None,
    lambda _: None,
    lambda _: Undefined,
    lambda _: RuntimeError("a value that is a fault"),
    lambda _: GraphQLError("a value that is an error", extensions={"code": "told"}),
    Later,
    lambda _: Later(None),
    lambda _: Odd(),
    lambda value: tuple(value) if isinstance(value, list) else value,
    lambda value: Many(value) if isinstance(value, list) else value,
    lambda value: Thing(value) if isinstance(value, dict) else value,
    lambda value: Refused(value) if isinstance(value, dict) else value,
    lambda value: Text(value) if isinstance(value, str) else value,
    lambda value: [value],
    lambda value: {"name_": value},
    lambda _: float("nan"),
    lambda _: float("inf"),
    lambda _: 2**31,
    lambda _: 2**60 + 1,
    lambda _: -(2**31),
    lambda _: 3,
    lambda _: 3.0,
    lambda _: 3.5,
    lambda _: True,
    lambda _: "7",
    lambda _: "",
    lambda _: "odd",
    lambda _: "later",
    lambda _: Decimal("2.5"),
    lambda _: set(),
)


_MOST_OBJECTS = 60
"""From there on lists hold one item at most."""


class Drawn:
    """Draws data and documents. strange: how likely a value is another than its type wants; each: how many items a list has at most."""

    def __init__(self, schema: GraphQLSchema, random: Random, strange: float, each: int) -> None:
        self._schema, self._random, self._strange, self._each = schema, random, strange, each
        self._fragments: dict[str, tuple[str, str]] = {}
        self._asked: set[str] = set()
        self._room = 0

    def root(self, document: str) -> dict[str, Any]:
        """Data for what a document asks, by the names of its fields wherever they stand."""
        self._room = _MOST_OBJECTS
        self._asked = set(re.findall(r"\w+", document))
        assert self._schema.query_type is not None
        return {name: self._value(field.type, 3) for name, field in self._schema.query_type.fields.items() if name in self._asked}

    def _value(self, of: GraphQLOutputType, deep: int) -> Any:
        if self._random.random() < self._strange:
            return self._random.choice(STRANGE)(self._fitting(of, deep))
        return self._fitting(of, deep)

    def _fitting(self, of: GraphQLOutputType, deep: int) -> Any:
        if isinstance(of, GraphQLNonNull):
            return self._there(of.of_type, deep)
        return None if self._random.random() < 0.1 else self._there(of, deep)

    def _there(self, of: GraphQLOutputType, deep: int) -> Any:
        if isinstance(of, GraphQLList):
            most = self._each if deep > 1 and self._room > 0 else 1
            return [self._value(of.of_type, deep) for _ in range(self._random.randint(0, most))]
        if isinstance(of, GraphQLScalarType | GraphQLEnumType):
            return self._leaf(of.name)
        if isinstance(of, GraphQLInterfaceType | GraphQLUnionType):
            of = self._random.choice(self._schema.get_possible_types(of))
        assert isinstance(of, GraphQLObjectType)
        return self._object(of, deep)

    def _leaf(self, name: str) -> Any:
        match name:
            case "Int" | "Even":
                return self._random.choice((2, 4, 2**31 - 1 if name == "Int" else 6))
            case "Float":
                return self._random.choice((0.5, -1e300, 3.0))
            case "Boolean":
                return self._random.random() < 0.5
            case "Kind":
                return self._random.choice(("oil", "grease"))
            case "Loose" | "Whatever":
                return self._random.choice(("x", 1, [None, 2], {"a": None}, 0.25, False))
            case _:
                return self._random.choice(("", "a text", "é"))

    def _object(self, of: GraphQLObjectType, deep: int) -> dict[str, Any]:
        if of.name == "Entry":
            return {"name": "meter", "value": 7}
        self._room -= 1
        told: dict[str, Any] = {"__typename": of.name}
        if self._random.random() < self._strange:
            told["__typename"] = self._random.choice(("Nobody", None, "Top", "Bottom"))
        for name, field in of.fields.items():
            if name not in self._asked or self._random.random() < self._strange / 2:
                continue
            if name in ("entries", "wholes"):
                told[name] = self._entries(name == "wholes")
            elif deep > 0 or not _holds_objects(field.type):
                told[f"{name}_"] = self._value(field.type, deep - 1)
        return told

    def _entries(self, whole: bool) -> Any:
        if self._random.random() < self._strange * 2:
            return self._random.choice((None, [], "no entries", {"a": 5}, {"a": None}, {1: {"value": "x"}}))
        return {name: n if whole else {"value": n} for n, name in enumerate(("work", "road")[: self._random.randint(0, 2)])}

    def document(self) -> str:
        """A document, which may not fit the schema."""
        self._fragments = {}
        assert self._schema.query_type is not None
        asked = self.selection(self._schema.query_type, 3)
        text = "\n".join([asked, *(f"fragment {name} on {of} {inside}" for name, (of, inside) in self._fragments.items())])
        forms = {"$a": "$a: Boolean!", "$b": "$b: Boolean = true", "$c": "$c: Boolean! = false", "$n": "$n: Int"}
        declared = " ".join(form for name, form in forms.items() if name in text)
        return f"query Q {f'({declared})' if declared else ''} {text}"

    def selection(self, of: GraphQLNamedType, deep: int) -> str:
        """What is asked of a type, fields of one name together or apart."""
        return "{ " + " ".join(self._selected(of, deep) for _ in range(self._random.randint(1, 4))) + " }"

    def _selected(self, of: GraphQLNamedType, deep: int) -> str:
        drawn = self._random.random()
        if drawn < 0.05:
            return self._random.choice(("__typename", "t: __typename")) + self._directive()
        if drawn < 0.15:
            return f"... {self._directive()} {self.selection(of, deep)}" if deep > 0 else "__typename"
        if drawn < 0.3 and deep > 0:
            inner = self._narrowed(of)
            return f"... on {inner.name} {self._directive()} {self.selection(inner, deep - 1)}"
        if drawn < 0.45 and deep > 0:
            return f"...{self._spread(of, deep)} {self._directive()}"
        if not isinstance(of, GraphQLObjectType | GraphQLInterfaceType):
            return "__typename"
        return self._field(of, deep)

    def _field(self, of: GraphQLObjectType | GraphQLInterfaceType, deep: int) -> str:
        names = [name for name, field in of.fields.items() if deep > 0 or not _holds_objects(field.type)]
        if not names:
            return "__typename"
        name = self._random.choice(names)
        alias, argument = self._random.choice(("", "", f"x_{name}: ", f"y_{name}: ")), ""
        if name == "some":
            alias, argument = self._random.choice((("", "(first: 1)"), ("n_some: ", "(first: $n)"), ("all_some: ", "")))
        inner = _named(of.fields[name].type)
        inside = "" if isinstance(inner, GraphQLScalarType | GraphQLEnumType) else self.selection(inner, deep - 1)
        return f"{alias}{name}{argument} {self._directive()} {inside}"

    def _narrowed(self, of: GraphQLNamedType) -> GraphQLNamedType:
        if isinstance(of, GraphQLInterfaceType | GraphQLUnionType):
            return self._random.choice([of, *self._schema.get_possible_types(of)])
        return self._random.choice([of, self._schema.type_map["Named"]]) if of.name in ("Middle", "Bottom") else of

    def _spread(self, of: GraphQLNamedType, deep: int) -> str:
        of = self._narrowed(of)
        known = [name for name, (on, _) in self._fragments.items() if on == of.name]
        if known and self._random.random() < 0.5:
            return self._random.choice(known)
        inside = self.selection(of, deep - 1)
        name = f"F{len(self._fragments)}"
        self._fragments[name] = (of.name, inside)
        return name

    def _directive(self) -> str:
        if self._random.random() < 0.8:
            return ""
        word, value = self._random.choice(("skip", "include")), self._random.choice(("$a", "$b", "$c", "true", "false"))
        return f"@{word}(if: {value})"


def _named(of: Any) -> Any:
    while isinstance(of, GraphQLNonNull | GraphQLList):
        of = of.of_type
    return of


def _holds_objects(of: Any) -> bool:
    return not isinstance(_named(of), GraphQLScalarType | GraphQLEnumType)
