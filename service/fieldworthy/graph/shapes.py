"""GraphQL object types, made from the published shapes of answers.

Members keep their names, in camelCase; what is null in a shape is nullable, and nothing else. An object by names (`meters`) becomes a list
of entries that carry their name; a document that has no shape is JSON. What is answered is the plain data that every door writes, so a
member is looked up in a dict, and no value is copied or converted on its way.
"""

import inspect
from collections.abc import Awaitable, Iterable, Mapping
from functools import cache
from types import NoneType, UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo
from strawberry.annotation import StrawberryAnnotation
from strawberry.tools import create_type
from strawberry.types.field import StrawberryField
from strawberry.types.info import Info

from fieldworthy.graph.own_words import code_of, spoken
from fieldworthy.graph.retired import mark
from fieldworthy.graph.scalars import Date, DateTime, Int64, Json
from fieldworthy.graph.words import attribute, camel, capital, enum_of, is_enum, listed, nullable
from fieldworthy.wire.retiring import read_mark

_FORMATS: Mapping[str, Any] = {"date-time": DateTime, "date": Date, "int64": Int64}
_PLAIN: Mapping[Any, Any] = {str: str, int: int, float: float, bool: bool, Any: Json, **{scalar: scalar for scalar in _FORMATS.values()}}
_KEYS = {"meters": "meter", "seasons": "season", "usage": "meter", "measured": "measurement", "declared": "room"}
"""What the name of an entry is called, by the member that holds the entries."""

_NAMES = {f"{what}Input": f"{what}Wanted" for what in ("Meter", "Season", "Occurrence", "WorkingCondition", "Fact")}
"""Shapes of answers that are called as inputs are here."""


class Member(StrawberryField):
    """A member of an answer that is plain data. key: as the wire writes it."""

    key: str = ""

    def get_result(self, source: Any, info: Info | None, args: list[Any], kwargs: Any) -> Awaitable[Any] | Any:
        return source.get(self.key)


class Entries(Member):
    """An object by names, as a list of entries. entry: what the name is called in each; whole: an entry is a value of its own."""

    entry: str = "name"
    whole: bool = False

    def get_result(self, source: Any, info: Info | None, args: list[Any], kwargs: Any) -> Awaitable[Any] | Any:
        given = source.get(self.key)
        if given is None:
            return None
        if self.whole:
            return [{self.entry: name, "value": value} for name, value in given.items()]
        return [{self.entry: name, **value} for name, value in given.items()]


class Spoken(Member):
    """A text about what was sent, in the words of this door."""

    def get_result(self, source: Any, info: Info | None, args: list[Any], kwargs: Any) -> Awaitable[Any] | Any:
        return spoken(source[self.key], code_of(source))


_SPOKEN = {
    "Problem": ("detail", "mend"),
    "ProblemError": ("detail", "mend"),
    "AsideItem": ("mend",),
    "AsideTold": ("mend",),
    "ClearanceMissing": ("how",),
}
"""Texts that name what REST has, by their shapes."""


def key_of(member: str) -> str:
    """What the name of an entry is called."""
    return _KEYS.get(member, "name")


def described(model: type) -> str | None:
    """What is said of a shape."""
    return inspect.cleandoc(model.__doc__) if model.__doc__ else None


def member(name: str, annotation: Any, description: str | None = None, key: str | None = None, of: type[Member] = Member) -> Member:
    """A member. name: as GraphQL has it; key: as the wire does, if otherwise."""
    made = of(graphql_name=name, python_name=attribute(name), type_annotation=StrawberryAnnotation(annotation), description=description)
    made.key = key or name
    return made


def make_type(name: str, fields: Iterable[StrawberryField], description: str | None = None) -> Any:
    """An object type of these fields."""
    return create_type(name, list(fields), description=description)


@cache
def type_of(model: type[BaseModel]) -> Any:
    """The object type of a shape, always the same one."""
    return make_type(_NAMES.get(model.__name__, model.__name__), members_of(model), described(model))


def members_of(model: type[BaseModel], leave: Iterable[str] = ()) -> list[StrawberryField]:
    """The members of a shape, but for those that are left out."""
    return [_member(model.__name__, name, info) for name, info in model.model_fields.items() if name not in leave]


def _member(owner: str, name: str, info: FieldInfo) -> StrawberryField:
    key = info.alias or name
    annotation, extra = info.annotation, info.json_schema_extra
    retired = read_mark(extra) if isinstance(extra, dict) else None
    if isinstance(extra, dict) and extra.get("format") in _FORMATS:
        annotation = _FORMATS[str(extra["format"])]
    inner, null = _without_null(annotation)
    if get_origin(inner) is dict and get_args(inner)[1] is not Any:
        made = _entries(owner, key, get_args(inner)[1], null, info.description)
    else:
        of = Spoken if key in _SPOKEN.get(owner, ()) else Member
        made = member(camel(key), annotation_of(annotation, owner, key), _said(info.description, inner), key, of)
    mark(made, retired)
    return made


def _entries(owner: str, key: str, value: Any, null: bool, description: str | None) -> StrawberryField:
    named = key_of(key)
    models = [part for part in _parts(value) if isinstance(part, type) and issubclass(part, BaseModel)]
    about = member(named, str, "whose it is")
    name = owner + capital(key) + "Entry"
    if models:
        held = make_type(name, [about, *_merged(models)], described(models[0]))
    else:
        held = make_type(name, [about, member("value", annotation_of(value, owner, key))], None)
    entries: Any = listed(held)
    made = Entries(
        graphql_name=camel(key),
        python_name=attribute(camel(key)),
        type_annotation=StrawberryAnnotation(nullable(entries) if null else entries),
        description=description,
    )
    made.key, made.entry, made.whole = key, named, not models
    return made


def _merged(models: list[type[BaseModel]]) -> list[StrawberryField]:
    """The members of shapes that stand for one thing, each of the first and more; what one of them lacks is nullable."""
    found: dict[str, StrawberryField] = {}
    for model in models:
        for name, info in model.model_fields.items():
            if name in found:
                continue
            if all(name in each.model_fields for each in models):
                found[name] = _member(model.__name__, name, info)
            else:
                annotation = annotation_of(info.annotation, model.__name__, name)
                found[name] = member(camel(name), nullable(annotation), f"null: it is no {model.__name__}; {described(model)}", name)
    return list(found.values())


def annotation_of(hint: Any, owner: str, name: str) -> Any:
    """The annotation that stands for a hint of a shape. owner, name: where it stands. Raises TypeError for what GraphQL can't say."""
    origin, args = get_origin(hint), get_args(hint)
    if origin is Annotated:
        for told in args[1:]:
            extra = told.json_schema_extra if isinstance(told, FieldInfo) else None
            if isinstance(extra, dict) and extra.get("format") in _FORMATS:
                return _FORMATS[str(extra["format"])]
        return annotation_of(args[0], owner, name)
    if hint is Any:
        return nullable(Json)  # any value: null too
    if hint in _PLAIN:
        return _PLAIN[hint]
    if origin is Literal:
        return enum_of(args, owner + capital(name)) if is_enum(args) else type(args[0])
    if origin is list:
        return listed(annotation_of(args[0], owner, name))
    if origin is dict and args[1] is Any:
        return Json
    if origin in (Union, UnionType):
        inner, null = _without_null(hint)
        if null:
            return nullable(annotation_of(inner, owner, name))
    if isinstance(hint, type) and issubclass(hint, BaseModel):
        return type_of(hint)
    raise TypeError(f"{owner}.{name}: no type of GraphQL stands for {hint}")


def _without_null(hint: Any) -> tuple[Any, bool]:
    """A hint without null, and whether it had one."""
    if get_origin(hint) not in (Union, UnionType):
        return hint, False
    parts = [part for part in get_args(hint) if part is not NoneType]
    if len(parts) == len(get_args(hint)):
        return hint, False
    return parts[0] if len(parts) == 1 else Union[tuple(parts)], True  # noqa: UP007  # told from the shape


def _parts(hint: Any) -> tuple[Any, ...]:
    return get_args(hint) if get_origin(hint) in (Union, UnionType) else (hint,)


def _said(description: str | None, hint: Any) -> str | None:
    """The description, with the words that it may have where those can be no enum."""
    while get_origin(hint) is Annotated:
        hint = get_args(hint)[0]
    if get_origin(hint) is list:
        return _said(description, get_args(hint)[0])
    if get_origin(hint) is not Literal or is_enum(get_args(hint)):
        return description
    known = ", ".join(f"`{word}`" for word in get_args(hint))
    return f"{description}: {known}" if description else f"one of {known}"
