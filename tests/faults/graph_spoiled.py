"""Right calls spoiled a little: one leaf, one member, an id; and inputs made by chance of all that their types have."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from random import Random
from typing import Any

from graphql import (
    GraphQLEnumType,
    GraphQLInputObjectType,
    GraphQLList,
    GraphQLNonNull,
    GraphQLSchema,
)

from tests.faults.graph_rounds import Call, Rounds
from tests.faults.graph_written import Raw

Path = tuple[str | int, ...]


def _deep(times: int) -> Any:
    value: Any = 1
    for i in range(times):
        value = [value] if i % 2 else {"a": value}
    return value


HOSTILE: Sequence[Any] = (
    *(
        None,
        "",
        " ",
        "x" * 121,
        "x" * 5_000,
        "é\u0301𝄞\u200b\u202e",
        "\x00",
        "a\x00b",
        "\x07\n\x1b[0m",
        "\x7f\u0085\u2028",
        "\ud800",
        "a\udfff",
    ),
    *("%", "_", "..", "../x", "a/b", "'; --", "{}", "null", "-1", "1e5", "٣", "NaN", "İ", "ß" * 120, "\ufeff", "\ufffe"),
    *(0, -1, 1, 2, 2**31 - 1, 2**31, -(2**31) - 1, 2**53, 2**53 + 1, 2**63 - 1, 2**63, -(2**63) - 1, 10**40),
    *(0.0, -0.0, 0.1, 1.5, 1e-300, 5e-324, 1e15, 1e17, 9.2e18, 1e308, -1e308, True, False, [], {}, [[]], [None], {"a": None}),
    *("2026-07-14", "2026-02-30", "0001-01-01", "9999-12-31", "0001-01-01T00:00:00+14:00", "9999-12-31T23:59:59-12:00"),
    *("2026-07-14T06:00:60Z", "2026-07-14T24:00:00Z", "2026-07-14T06:00:00.1234567891Z", "1969-12-31T23:59:59Z", "2026-07-14t06:00:00z"),
    *("6 h", "-6 h", "1e9 h", "0.000001 h", "6 furlongs", "h", {"value": 6, "unit": "h"}, {"value": 1e300, "unit": "h"}, {"value": None}),
    *(_deep(8), _deep(150), {"": 1}, {"a b": 1}, {"__proto__": 1}),
    *(Raw("NaN"), Raw("-Infinity"), Raw("1e400"), Raw("1E5"), Raw("-0"), Raw("01"), Raw("0." + "1" * 40), Raw("9" * 400)),
)
"""What may stand in place of any leaf."""

MOMENTS = ("2026-07-14T05:59:30Z", "2026-07-14T06:00:00+01:00", "2026-01-01T00:00:00Z", "2026-07-14T06:00:00Z", "2031-01-01T00:00:00-12:00")
WORDS = (
    "work",
    "engine",
    "key",
    "tailgate",
    "roller-bearing-grease",
    "pick-up-look",
    "dust",
    "heavy",
    "belt fitted",
    "h",
    "stopped",
    "seen",
)


def places(value: Any, at: Path = ()) -> Iterator[Path]:
    """The places of all leaves below, and of empty objects and lists."""
    if isinstance(value, dict) and value:
        for name, inner in value.items():
            yield from places(inner, (*at, name))
    elif isinstance(value, list) and value:
        for i, inner in enumerate(value):
            yield from places(inner, (*at, i))
    else:
        yield at


def changed(value: Any, path: Path, change: Callable[[Any], Any]) -> Any:
    """A copy in which what stands at a place is another."""
    if not path:
        return change(value)
    step, *rest = path
    if isinstance(value, dict):
        return {name: changed(inner, tuple(rest), change) if name == step else inner for name, inner in value.items()}
    return [changed(inner, tuple(rest), change) if i == step else inner for i, inner in enumerate(value)]


class Spoiler:
    """Spoils calls of one schema. rounds: whose earlier answers lend ids."""

    def __init__(self, schema: GraphQLSchema, chance: Random, rounds: Rounds) -> None:
        self.rounds = rounds
        self._schema, self._chance = schema, chance
        self.ways: Mapping[str, Callable[[Call], Call]] = {
            "leaf": self.leaf,
            "member": self.member,
            "ids": self.ids,
            "by chance": self.by_chance,
        }

    def leaf(self, call: Call) -> Call:
        """One leaf is another value: half of the time one of its own kind, which may be taken."""
        found = list(places(dict(call.args)))
        if call.args and self._chance.random() < 0.5:
            return replace(call, args=changed(dict(call.args), self._chance.choice(found), self._near))
        if not call.args or self._chance.random() < 0.1:
            return replace(call, args={**call.args, self._argument(call): self._chance.choice(HOSTILE)})
        return replace(call, args=changed(dict(call.args), self._chance.choice(found), lambda _: self._chance.choice(HOSTILE)))

    def _near(self, value: Any) -> Any:
        """Another value of the same kind."""
        chance = self._chance
        match value:
            case bool():
                return not value
            case int() | float():
                numbers = [each for each in HOSTILE if isinstance(each, int | float) and not isinstance(each, bool)]
                return chance.choice((value + 1, value - 1, -value, value * 60, value + 0.000_001, value / 3, chance.choice(numbers)))
            case str() if value[:2] == "20" and "T" in value:
                return chance.choice((*MOMENTS, value.replace("Z", ".999999Z"), value.replace("Z", "+00:00"), value.replace("6", "5")))
            case str():
                texts = [each for each in HOSTILE if isinstance(each, str)]
                words = (
                    *WORDS,
                    str(self.rounds.known()),
                    value.upper(),
                    value[:-1] + "İ",
                    value + " ",
                    value * 2,
                    value[:1],
                    chance.choice(texts),
                )
                return chance.choice(words)
        return chance.choice(HOSTILE)

    def member(self, call: Call) -> Call:
        """A member less or more, an item twice."""
        place = self._chance.choice(list(places(dict(call.args))))
        around, last = place[:-1], place[-1:]
        if not around:
            return self.leaf(call)

        def other(value: Any) -> Any:
            if isinstance(value, list):
                return self._chance.choice(([], [*value, *value], value * 40, value[1:], [None, *value], {"0": value}, value[0]))
            if not isinstance(value, dict):
                return value
            if self._chance.random() < 0.4:
                return {name: inner for name, inner in value.items() if name != last[0]}
            if self._chance.random() < 0.3:
                return {**value, self._chance.choice(("extra", "at", "on", "id", "from", "task")): self._chance.choice(HOSTILE)}
            return self._more(call, around, value)

        return replace(call, args=changed(dict(call.args), around, other))

    def ids(self, call: Call) -> Call:
        """Ids, names, cursors and moments of other things."""
        if self._chance.random() < 0.6:
            return self.rounds.swapped(call, 0.5)
        texts = [place for place in places(dict(call.args)) if isinstance(_at(call.args, place), str)]
        if not texts:
            return self.rounds.swapped(call)
        return replace(call, args=changed(dict(call.args), self._chance.choice(texts), lambda _: self.rounds.known()))

    def by_chance(self, call: Call) -> Call:
        """The whole input, or another argument, is made of its type alone."""
        made: Any = self._schema.get_type(call.on)
        args = made.fields[call.field].args
        name = "input" if "input" in args and self._chance.random() < 0.8 else self._argument(call)
        return replace(call, args={**call.args, name: self.value(args[name].type, 4)} if name in args else call.args)

    def value(self, of: Any, deepest: int) -> Any:
        """A value that fits a type, as far as the type knows."""
        chance = self._chance
        if isinstance(of, GraphQLNonNull):
            of = of.of_type
        elif chance.random() < 0.05:
            return None
        if isinstance(of, GraphQLList):
            return [self.value(of.of_type, deepest - 1) for _ in range(chance.choice((0, 1, 1, 2)))]
        if isinstance(of, GraphQLEnumType):
            return chance.choice(list(of.values))
        if isinstance(of, GraphQLInputObjectType):
            share = 0.4 if deepest > 0 else 0.0
            wanted = [n for n, field in of.fields.items() if isinstance(field.type, GraphQLNonNull) or chance.random() < share]
            return {name: self.value(of.fields[name].type, deepest - 1) for name in wanted}
        match of.name:
            case "Int" | "Int64":
                return chance.choice((0, 1, 2, 3, 7, 200, 2**31 - 1))
            case "Float":
                return chance.choice((0.5, 0, 700, 712.5, 1e9))
            case "Boolean":
                return chance.random() < 0.5
            case "DateTime":
                return chance.choice(MOMENTS)
            case "Date":
                return chance.choice(("2026-07-14", "2026-07-01", "2031-02-28", "0001-01-01"))
            case "Amount" | "FactValue":
                return chance.choice((6, "6 h", {"value": 2, "unit": "h"}, "closed", "removed", "stopped"))
            case "RulebookRef":
                return chance.choice((self.rounds.known(), {"rulebook": "x", "title": "X"}, "sha256:" + "0" * 64))
            case "JSON":
                return chance.choice(({"rulebook": "x", "title": "X", "meters": {"work": {"unit": "h"}}}, [], "a: b", {"minutes": 3}))
        return chance.choice((chance.choice(WORDS), str(self.rounds.known()), f"new-{chance.randrange(9999)}"))

    def _argument(self, call: Call) -> str:
        made: Any = self._schema.get_type(call.on)
        name: str = self._chance.choice(list(made.fields[call.field].args) or ["extra"])
        return name

    def _more(self, call: Call, around: Path, value: dict[str, Any]) -> Any:
        """A member that its type has and the call has not."""
        made: Any = self._schema.get_type(call.on)
        of: Any = made.fields[call.field].args[around[0]].type if around[0] in made.fields[call.field].args else None
        for step in around[1:]:
            while isinstance(of, GraphQLNonNull) or (isinstance(of, GraphQLList) and isinstance(step, int)):
                is_list = isinstance(of, GraphQLList)
                of = of.of_type
                if is_list:
                    break
            if isinstance(step, str):
                of = of.fields[step].type if isinstance(of, GraphQLInputObjectType) and step in of.fields else None
        while isinstance(of, GraphQLNonNull):
            of = of.of_type
        if not isinstance(of, GraphQLInputObjectType):
            return {**value, "extra": 1}
        more = [name for name in of.fields if name not in value] or list(of.fields)
        name = self._chance.choice(more)
        return {**value, name: self.value(of.fields[name].type, 3)}


def _at(value: Any, path: Path) -> Any:
    for step in path:
        value = value[step]
    return value
