"""Selections of plain members, answered for all objects of a list together: member by member, and not object by object.

A column holds one value for each object. It is looked up, checked and completed whole: a thousand texts are let through by one look at
their types. What lists inside the objects hold is put behind each other into one column, and parted again.

Only what can be answered without a word is answered here. Whatever is out of the ordinary (a null where none may stand, a value that its
type may refuse or that may have to be awaited, too much for the answer) ends it with an exception, nothing is kept of it, and the executor
does it all as it always does: so errors are made in one place alone.
"""

from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import chain, islice
from math import isfinite
from types import NoneType
from typing import Any

from graphql import (
    GRAPHQL_MAX_INT,
    GRAPHQL_MIN_INT,
    GraphQLBoolean,
    GraphQLEnumType,
    GraphQLFloat,
    GraphQLID,
    GraphQLInt,
    GraphQLLeafType,
    GraphQLString,
)

from fieldworthy.graph.scalars import as_it_is

PLAIN = frozenset({str, int, float, bool, dict, list})
"""What the data of answers are made of, but for null. Nothing of these very types is awaitable, an exception, or has a way of its own."""

Values = list[Any]
Look = Callable[[Values], Values]
"""Looks a member up in each of many objects."""


class Unusual(Exception):
    """What is to be answered by the executor."""


class Tally:
    """Fields that lists inside hold (`graph.taken`), counted before an item of theirs is looked at. most: None where all may be told."""

    __slots__ = ("_most", "fields")

    def __init__(self, most: int | None) -> None:
        self.fields = 0
        self._most = most

    def add(self, fields: int) -> None:
        """Raises Unusual where it is too much."""
        self.fields += fields
        if self._most is not None and self.fields > self._most:
            raise Unusual


@dataclass(frozen=True, slots=True)
class Column(ABC):
    """What completes values of one type. null: whether it may be null."""

    null: bool

    def complete(self, values: Values, tally: Tally) -> Values:
        """The values as they are told, in their order. Raises Unusual, or whatever a value raises that is not what it should be."""
        kinds = set(map(type, values))
        if NoneType not in kinds:
            return self._whole(values, kinds, tally) if values else []
        if not self.null:
            raise Unusual
        kinds.discard(NoneType)
        told = iter(self._whole([value for value in values if value is not None], kinds, tally) if kinds else ())
        return [None if value is None else next(told) for value in values]

    @abstractmethod
    def _whole(self, values: Values, kinds: set[type], tally: Tally) -> Values:
        """The same of values of these types, none of which is null; there is at least one."""


@dataclass(frozen=True, slots=True)
class Leaves(Column):
    """Scalars. kept: types of values that are told as they are, where they fit; coerce: of the scalar."""

    kept: frozenset[type]
    fit: Callable[[Values], bool] | None
    coerce: Callable[[Any], Any]

    def _whole(self, values: Values, kinds: set[type], tally: Tally) -> Values:
        if kinds <= self.kept and (self.fit is None or self.fit(values)):
            return values
        if not kinds <= PLAIN:
            raise Unusual
        told = list(map(self.coerce, values))
        if not PLAIN.issuperset(map(type, told)):
            raise Unusual
        return told


@dataclass(frozen=True, slots=True)
class Words(Column):
    """Words of an enum. told: how each is told."""

    told: Mapping[str, str]

    def _whole(self, values: Values, kinds: set[type], tally: Tally) -> Values:
        if kinds != {str}:
            raise Unusual
        return list(map(self.told.__getitem__, values))


@dataclass(frozen=True, slots=True)
class Lists(Column):
    """Lists. each: fields that an item has, 0 where they are not counted."""

    items: Column
    each: int

    def _whole(self, values: Values, kinds: set[type], tally: Tally) -> Values:
        if kinds != {list}:
            raise Unusual
        within = list(chain.from_iterable(values))
        if within:
            tally.add(len(within) * self.each)
        told = iter(self.items.complete(within, tally))
        return [list(islice(told, len(value))) for value in values]


@dataclass(frozen=True, slots=True)
class Objects(Column):
    """Objects. members: under which name each is told, how it is looked up, what completes it."""

    members: Sequence[tuple[str, Look, Column]]

    def _whole(self, values: Values, kinds: set[type], tally: Tally) -> Values:
        if kinds != {dict}:
            raise Unusual
        told: list[dict[str, Any]] = [{} for _ in values]
        for name, look, column in self.members:
            for each, value in zip(told, column.complete(look(values), tally), strict=True):
                each[name] = value
        return told


@lru_cache(maxsize=256)
def leaves(of: GraphQLLeafType, null: bool) -> Column:
    """What completes the values of a scalar or an enum, the same for all of its members."""
    coerce = of.coerce_output_value
    if isinstance(of, GraphQLEnumType):
        return Words(null, {each.value: coerce(each.value) for each in of.values.values() if type(each.value) is str})
    return Leaves(null, *_KEPT.get(coerce, _NONE), coerce)


def _in_32_bits(values: Values) -> bool:
    return bool(min(values) >= GRAPHQL_MIN_INT and max(values) <= GRAPHQL_MAX_INT)


def _finite(values: Values) -> bool:
    return all(map(isfinite, values))


_Kept = tuple[frozenset[type], Callable[[Values], bool] | None]
_NONE: _Kept = (frozenset(), None)
_KEPT: dict[Callable[[Any], Any], _Kept] = {
    as_it_is: (PLAIN, None),
    GraphQLString.coerce_output_value: (frozenset({str}), None),
    GraphQLID.coerce_output_value: (frozenset({str}), None),
    GraphQLBoolean.coerce_output_value: (frozenset({bool}), None),
    GraphQLInt.coerce_output_value: (frozenset({int}), _in_32_bits),
    GraphQLFloat.coerce_output_value: (frozenset({float}), _finite),
}
"""By what coerces a scalar's values: which of them it tells as they are."""
