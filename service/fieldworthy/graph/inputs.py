"""GraphQL input types, made from the shapes of requests, and the way from what was sent to the question that the shape reads.

Members keep their names, in camelCase. What the shape requires is required; the rest may be left out, and `null` says the same as leaving
it out, but where the shape itself takes `null`. An object by names (`meters`) is sent as a list of entries that carry their name. What was
sent is turned into the request that REST takes, and the same shape reads it: so what is refused is refused with the same words; only the
place is told as it is written here.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import Enum
from functools import cache
from types import NoneType, UnionType
from typing import Annotated, Any, Literal, NotRequired, Required, Union, get_args, get_origin

import orjson
import strawberry
from pydantic.fields import FieldInfo
from strawberry.annotation import StrawberryAnnotation
from strawberry.tools import create_type
from strawberry.types.field import StrawberryField
from typing_extensions import get_type_hints, is_typeddict

from fieldworthy.core.base.finding import Finding, Refused, pointer
from fieldworthy.graph.own_words import note_member
from fieldworthy.graph.retired import mark
from fieldworthy.graph.scalars import Amount, Date, DateTime, FactValue, Int64, Json, RulebookRef
from fieldworthy.graph.shapes import described, key_of
from fieldworthy.graph.words import attribute, camel, capital, enum_of, is_enum, listed, nullable
from fieldworthy.wire import scalars
from fieldworthy.wire.reading import Shape
from fieldworthy.wire.retiring import Retired, read_mark

_FORMATS: Mapping[str, Any] = {"date-time": DateTime, "date": Date}
_PLAIN: Mapping[Any, Any] = {str: str, int: int, float: float, bool: bool, Any: Json}

Given = Mapping[str, Any]
Place = Sequence[str]


class Kind:
    """How a value goes from what was sent to the request. This one: as it is."""

    annotation: Any

    def __init__(self, annotation: Any) -> None:
        self.annotation = annotation

    def request(self, given: Any) -> Any:
        """The value of the request."""
        return given.value if isinstance(given, Enum) else given

    def place(self, path: Place, given: Any) -> list[str]:
        """A place in the request as it is written here."""
        return list(path)


class Many(Kind):
    """A list."""

    def __init__(self, of: Kind) -> None:
        super().__init__(listed(of.annotation))
        self.of = of

    def request(self, given: Any) -> Any:
        return [self.of.request(each) for each in given]

    def place(self, path: Place, given: Any) -> list[str]:
        if not path:
            return []
        return [path[0], *self.of.place(path[1:], _at(given, path[0]))]


@dataclass
class Room:
    """A member of an input. key: as the request writes it; null: the request takes one."""

    key: str
    kind: Kind
    null: bool


class Thing(Kind):
    """An input type."""

    def __init__(self, name: str, description: str | None) -> None:
        super().__init__(None)
        self.name = name
        self.rooms: dict[str, Room] = {}
        self._description = description

    def close(self, fields: list[StrawberryField]) -> None:
        """Makes the type, once its members are known. Strawberry gives what was sent for it as it is."""
        self.annotation = create_type(self.name, fields, is_input=True, description=self._description)
        self.annotation.__strawberry_definition__.from_input = lambda _type, value, _context: value

    def request(self, given: Any) -> Any:
        rooms = self.rooms
        found = {}
        for name, value in given.items():
            room = rooms[name]
            if value is not None:
                found[room.key] = room.kind.request(value)
            elif room.null:
                found[room.key] = None
        return found

    def place(self, path: Place, given: Any) -> list[str]:
        if not path:
            return []
        for name, room in self.rooms.items():
            if room.key == path[0]:
                return [name, *room.kind.place(path[1:], given.get(name) if isinstance(given, Mapping) else None)]
        return list(path)


class Named(Kind):
    """An object by names, sent as a list of entries. called: what the name is in each; inner: the member of an entry that is one value."""

    def __init__(self, entry: Thing, called: str, inner: str | None, of: Kind) -> None:
        super().__init__(listed(entry.annotation))
        self.called, self.inner, self.of = called, inner, of

    def request(self, given: Any) -> Any:
        found: dict[str, Any] = {}
        for i, each in enumerate(given):
            name = each[self.called]
            if name in found:
                message = f"the {self.called} `{name[:80]}` is given twice"
                raise Refused([Finding("body.member_twice", message, "give it once", path=pointer(str(i), self.called))])
            rest = each[self.inner] if self.inner else {key: value for key, value in each.items() if key != self.called}
            found[name] = self.of.request(rest)
        return found

    def place(self, path: Place, given: Any) -> list[str]:
        if not path:
            return []
        for i, each in enumerate(given or ()):
            if each[self.called] == path[0]:
                inside = self.of.place(path[1:], each[self.inner] if self.inner else each)
                return [str(i), *((self.inner,) if self.inner else ()), *inside]
        return list(path)


def _at(given: Any, index: str) -> Any:
    return given[int(index)] if isinstance(given, list) and index.isdigit() and int(index) < len(given) else None


@dataclass(frozen=True)
class Input:
    """An argument that holds a whole request. argument: its name."""

    shape: Shape[Any]
    thing: Thing
    argument: str = "input"
    leave: frozenset[str] = field(default_factory=frozenset)

    @property
    def type(self) -> Any:
        """For `strawberry.argument(graphql_type=…)`."""
        return self.thing.annotation

    def read(self, given: Given, **more: Any) -> Any:
        """The validated request. more: members that are told by other arguments. Raises Refused with places in the request."""
        return self.shape.read(orjson.dumps({**self.thing.request(given), **more}))

    def place(self, path: str, given: Given) -> str:
        """A JSON Pointer into the request as one into the arguments."""
        steps = [step.replace("~1", "/").replace("~0", "~") for step in path.split("/")[1:]]
        return pointer(self.argument, *self.thing.place(steps, given))


def input_of(shape: Shape[Any], argument: str = "input", leave: Sequence[str] = (), name: str | None = None) -> Input:
    """
    The input type of a request's shape. leave: members that other arguments tell; name: where it differs from the shape's. One without a
    member that the shape has is another type, and is called `Told…` where it has no name of its own.
    """
    made_of: Any = shape.adapter._type
    gone = frozenset(leave).intersection(get_type_hints(made_of))
    called = name or (f"Told{_called(made_of)}" if gone else None)
    return Input(shape, _thing(made_of, gone, called), argument, gone)


_MADE: dict[str, Thing] = {}


def things() -> Mapping[str, Thing]:
    """The inputs that were made of shapes, by name."""
    return _MADE


def _called(of: Any) -> str:
    return str(of.__name__).removesuffix("In") + "Input"


@cache
def _thing(of: Any, leave: frozenset[str], name: str | None) -> Thing:
    """The input of a TypedDict, always the same one. Raises TypeError where another is called the same."""
    called = name or _called(of)
    if called in _MADE:
        raise TypeError(f"two inputs are called {called}")
    made = _MADE[called] = Thing(called, described(of))
    hints = get_type_hints(of, include_extras=True)
    fields = []
    for key, hint in hints.items():
        if key in leave:
            continue
        hint, needed = _needed(hint, key in of.__required_keys__)
        retired = _retired(hint)
        hint, null = _without_null(hint)
        told, inner = _told(hint)
        kind = kind_of(hint, called, key)
        made.rooms[camel(key)] = Room(key, kind, null)
        note_member(key)
        annotation = kind.annotation if needed and not null else nullable(kind.annotation)
        room = _field(camel(key), annotation, _said(told, inner), needed)
        mark(room, retired, needed and not null)
        fields.append(room)
    made.close(fields)
    return made


def _field(name: str, annotation: Any, description: str | None, needed: bool) -> StrawberryField:
    made = strawberry.field(name=name, description=description, **({} if needed else {"default": strawberry.UNSET}))
    made.python_name = attribute(name)
    made.type_annotation = StrawberryAnnotation(annotation)
    found: StrawberryField = made
    return found


def _needed(hint: Any, needed: bool) -> tuple[Any, bool]:
    while get_origin(hint) in (NotRequired, Required):
        hint = get_args(hint)[0]
    return hint, needed


def _told(hint: Any) -> tuple[str | None, Any]:
    """What is said of a hint, and the hint itself."""
    said = None
    while get_origin(hint) is Annotated:
        inner, *more = get_args(hint)
        said = next((m.description for m in more if isinstance(m, FieldInfo) and m.description), said)
        hint = inner
    return said, hint


def _retired(hint: Any) -> Retired | None:
    """Where a member goes."""
    parts = get_args(hint)[1:] if get_origin(hint) is Annotated else ()
    extras = [part.json_schema_extra for part in parts if isinstance(part, FieldInfo)]
    return next((found for extra in extras if isinstance(extra, dict) and (found := read_mark(extra))), None)


def kind_of(hint: Any, owner: str, name: str) -> Kind:
    """How a value of a hint goes from what was sent to the request. Raises TypeError for what GraphQL can't say."""
    if hint == scalars.When:
        return Kind(DateTime)
    if hint == scalars.Day:
        return Kind(Date)
    formats = [m.json_schema_extra for m in get_args(hint)[1:] if isinstance(m, FieldInfo)] if get_origin(hint) is Annotated else []
    for extra in formats:
        if isinstance(extra, dict) and extra.get("format") in _FORMATS:
            return Kind(_FORMATS[str(extra["format"])])
    inner = _told(hint)[1]
    origin, args = get_origin(inner), get_args(inner)
    if inner is int and _most(hint) >= 2**31:  # GraphQL's own has 32 bits with a sign
        return Kind(Int64)
    if inner in _PLAIN:
        return Kind(_PLAIN[inner])
    if origin is Literal:
        return Kind(enum_of(args, owner.removesuffix("Input") + capital(name)) if is_enum(args) else str)
    if origin is list:
        return Many(kind_of(args[0], owner, name))
    if origin is dict:
        return Kind(Json) if args[1] is Any else _named(args[1], owner, name)
    if origin in (Union, UnionType):
        return Kind(_choice([_told(part)[1] for part in args], owner, name))
    if is_typeddict(inner):
        return _thing(inner, frozenset(), None)
    raise TypeError(f"{owner}.{name}: no input of GraphQL stands for {hint}")


def _most(hint: Any) -> int:
    """The largest that a whole number may be; 0 where its shape does not say."""
    parts = [part for part in get_args(hint)[1:] if isinstance(part, FieldInfo)]
    return max((int(getattr(each, "le", 0)) for part in parts for each in part.metadata), default=0)


def _choice(parts: list[Any], owner: str, name: str) -> Any:
    """The scalar of a value that may be written in several ways."""
    if scalars.AmountIn in parts:
        return FactValue if name == "value" else Amount
    if str in parts and any(get_origin(part) is dict for part in parts):
        return RulebookRef
    raise TypeError(f"{owner}.{name}: no scalar of GraphQL stands for a choice of {parts}")


def _named(value: Any, owner: str, name: str) -> Named:
    called = key_of(name)
    inner = _told(value)[1]
    of = kind_of(value, owner, name)
    entry_name = (f"{capital(name)}Entry" if isinstance(of, Thing) else _ENTRIES[name]) + "Input"
    entry, single = _entry(entry_name, called, inner if is_typeddict(inner) else None, of.annotation if not isinstance(of, Thing) else None)
    return Named(entry, called, single, of)


_ENTRIES = {"meters": "MeterValue", "measured": "MeasuredValue", "seasons": "SeasonEntry"}
_INNER = {"SeasonEntryInput": "days"}


@cache
def _entry(name: str, called: str, of: Any, value: Any) -> tuple[Thing, str | None]:
    """The input of an entry: the name, and the members of what it holds, or its value."""
    made = Thing(name, None)
    fields = [_field(called, str, None, True)]
    made.rooms[called] = Room(called, Kind(str), False)
    if of is None:
        inner = _INNER.get(name, "value")
        made.rooms[inner] = Room(inner, Kind(value), False)
        made.close([*fields, _field(inner, value, None, True)])
        return made, inner
    thing = _thing(of, frozenset(), None)
    made.rooms |= thing.rooms
    made.close([*fields, *(_copy(each) for each in thing.annotation.__strawberry_definition__.fields)])
    return made, None


def _copy(made: StrawberryField) -> StrawberryField:
    copy = _field(str(made.graphql_name), made.type_annotation.annotation, made.description, made.default is not strawberry.UNSET)  # type: ignore[union-attr]
    copy.deprecation_reason = made.deprecation_reason
    return copy


def _without_null(hint: Any) -> tuple[Any, bool]:
    """A hint without null, and whether it had one."""
    if get_origin(hint) not in (Union, UnionType):
        return hint, False
    parts = [part for part in get_args(hint) if part is not NoneType]
    if len(parts) == len(get_args(hint)):
        return hint, False
    return parts[0] if len(parts) == 1 else Union[tuple(parts)], True  # noqa: UP007  # told from the shape


def _said(description: str | None, hint: Any) -> str | None:
    """The description, with the words that it may have where those can be no enum."""
    if get_origin(hint) is not Literal or is_enum(get_args(hint)):
        return description
    known = ", ".join(f"`{word}`" for word in get_args(hint))
    return f"{description}: {known}" if description else f"one of {known}"
