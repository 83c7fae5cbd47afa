"""Right requests of GraphQL: the contract's examples as calls of fields, round after round, each of a world of its own.

A round is all examples in their order, in which they make a world, with another rulebook, other machines and other persons than any round
before, a day later. So what a mutation made is read, changed and withdrawn by those that come after it, by ids that the service gave or was
given.
"""

import json
import re
from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from random import Random
from typing import Any

from fieldworthy.graph.table import MACHINE, MUTATION, TABLE
from fieldworthy.rest.examples import EXAMPLES
from tests.contract.write import NAME, RULEBOOK
from tests.keep.graph_requests import arguments_of

POOLED = ("id", "machine", "cursor", "endCursor", "known", "asOf", "at", "work", "name", "version", "revision", "event", "task", "fact")
"""Members of answers that later calls are made with."""

FROM_POOL: Mapping[str, tuple[str, ...]] = {
    "id": ("id", "machine", "work"),
    "machine": ("machine", "id"),
    "work": ("work", "id"),
    "name": ("name",),
    "listener": ("id",),
    "version": ("version",),
    "from": ("version", "at"),
    "to": ("version", "at"),
    "after": ("cursor", "endCursor"),
    "asOf": ("known", "asOf", "at"),
    "ifKnown": ("known", "asOf"),
    "now": ("at", "known"),
    "ifRevision": ("revision",),
    "about": ("task", "fact", "id"),
    "rulebook": ("name",),
    "kind": ("task",),
}
"""By an argument: what of earlier answers may stand in it."""


_DAY = re.compile(r"\b20\d\d-\d\d-\d\d(?=\b|T)")

SETTLED = {"acceptSetAside": "looks-like-minutes", "dismissSetAside": "runs-backward"}
"""Which of the readings that were set aside the examples settle, and how."""


@dataclass(frozen=True)
class Call:
    """A field with its arguments, as variables have them. on: the type that has it; owner: the machine, of a field of one."""

    operation: str
    args: Mapping[str, Any]
    owner: str = ""

    @property
    def on(self) -> str:
        return TABLE[self.operation].on

    @property
    def field(self) -> str:
        return TABLE[self.operation].field

    @property
    def changes(self) -> bool:
        return self.on == MUTATION


@dataclass
class Marks:
    """What an organisation's things are called by. ids: in each id of its own; secret: in its persons, sites, names and reasons."""

    ids: str
    secret: str


MINE, THEIRS = Marks("oxq", "nineoxensown"), Marks("sfk", "southfarmsown")


@dataclass
class Rounds:
    """The rounds of one organisation. pool: what was answered, by the member's name; number: of the round."""

    marks: Marks
    chance: Random
    number: int = 0
    pool: dict[str, list[Any]] = field(default_factory=lambda: defaultdict(list))
    _made: dict[str, str] = field(default_factory=dict)

    def calls(self) -> Iterator[Call]:
        """One round. What was answered to a call is to be told (`seen`) before the next is taken."""
        self.number += 1
        self._made.clear()
        earlier = RULEBOOK.replace("every 80 h", "every 100 h").replace("needs: tailgate is closed and engine", "needs: engine")
        yield self._named(Call("putDraft", {"name": NAME, "text": earlier, "json": False}))
        yield self._named(Call("publishRulebook", {"name": NAME}))
        for operation, example in EXAMPLES.items():
            row = TABLE.get(operation)
            if row is None:
                continue
            args = arguments_of(example, self._made)
            if operation in SETTLED and operation in self._made:
                args["id"] = self._made[operation]
            yield self._named(Call(operation, args, "r5-17" if row.on == MACHINE else ""))
            if operation == "acceptSetAside":
                yield self._named(Call("keepReadings", {"input": {"readings": [self._backwards()]}}))
                yield self._named(Call("listSetAside", {"machine": "r5-17", "first": 50}))

    def seen(self, call: Call, told: Any) -> None:
        """What a call was answered: later ones are made with it."""
        self._gather(told)
        if not isinstance(told, dict):
            return
        if call.operation == "makeFeed" and "id" in told:
            self._made["revokeFeed"] = told["id"]
        if call.operation == "testListener" and "delivery" in told:
            self._made["getDelivery"] = told["delivery"]
        if call.operation == "listSetAside":
            nodes = [edge["node"] for edge in told.get("edges") or ()]
            self._made |= {settled: node["id"] for node in nodes for settled, why in SETTLED.items() if node["why"] == why}

    def aside(self, call: Call) -> Call:
        """The same call where what comes of it when it is spoiled is in nobody's way: of another rulebook than the round's own."""
        if call.operation not in ("putDraft", "publishRulebook"):
            return call
        args = _reworded(dict(call.args), f"{self.marks.ids}-baler-", f"{self.marks.ids}-aside-")
        return replace(call, args={name: value for name, value in args.items() if name != "ifRevision"})

    def chained(self) -> Call:
        """A query, with arguments out of earlier answers."""
        operation = self.chance.choice([each for each, row in TABLE.items() if row.on != MUTATION])
        call = self._named(
            Call(operation, arguments_of(EXAMPLES[operation], self._made), "r5-17" if TABLE[operation].on == MACHINE else "")
        )
        return self.swapped(call, 0.4)

    def swapped(self, call: Call, share: float = 1.0) -> Call:
        """The same with arguments out of earlier answers, so many of them."""
        from tests.keep.graph_requests import TYPES

        field = TYPES[call.on].fields[call.field]  # type: ignore[attr-defined]
        args = dict(call.args)
        for name in field.args:
            known = [value for member in FROM_POOL.get(name, ()) for value in self.pool[member][-40:]]
            fits = [value for value in known if isinstance(value, int) == ("Int" in str(field.args[name].type))]
            if fits and self.chance.random() < share:
                args[name] = self.chance.choice(fits)
        if "first" in field.args:
            args["first"] = self.chance.choice((0, 1, 2, 3, 50, 200))
        return replace(call, args=args)

    def known(self) -> Any:
        """An id, a name or a moment that an earlier answer told."""
        found = [value for values in self.pool.values() for value in values[-20:]]
        return self.chance.choice(found) if found else "none"

    def _gather(self, told: Any) -> None:
        match told:
            case dict():
                for name, value in told.items():
                    if name in POOLED and isinstance(value, str | int):
                        self.pool[name] = [*self.pool[name][-200:], value]
                    self._gather(value)
            case list():
                for each in told:
                    self._gather(each)

    def _backwards(self) -> dict[str, Any]:
        return {"machine": "r5-17", "meter": "work", "value": 3, "at": "2026-07-14T05:59:30Z"}

    def _named(self, call: Call) -> Call:
        """The same in this round's world, on its day, and in this organisation's words."""
        ids, secret, k = self.marks.ids, self.marks.secret, self.number
        swaps = (
            ("r5-17", f"{ids}-17-{k}"),
            ("r5-18", f"{ids}-18-{k}"),
            ("farm-software", f"{ids}-farm-{k}"),
            (NAME, f"{ids}-baler-{k}"),
            ("Plover R5 round baler", f"Plover R5 {secret}"),
            ("R5-0417", f"R5-{(400 + 2 * k) % 4900 + 100:04}"),
            ("R5-0418", f"R5-{(401 + 2 * k) % 4900 + 100:04}"),
            ("bridge-2026", f"{ids}-{k}-bridge-2026"),
            ('"p-', f'"{secret}-p-'),
            ('"north"', f'"{secret} north"'),
            ('"south"', f'"{secret} south"'),
            ("rain is coming", f"{secret}: rain is coming"),
            ("end of the shift", f"{secret}: end of the shift"),
            ("oil below the gearbox", f"{secret}: oil below the gearbox"),
            ("The farm's software", f"The software of {secret}"),
        )
        text = json.dumps([call.args, call.owner])
        for before, after in swaps:
            text = text.replace(before, after)
        later = timedelta(days=k - 1)
        text = _DAY.sub(lambda day: (date.fromisoformat(day[0]) + later).isoformat(), text)
        args, owner = json.loads(text)
        return replace(call, args=args, owner=owner)


def of_another(call: Call, mine: Marks, theirs: Marks) -> Call:
    """What another organisation asks with these ids: what only the first would say is said in their own words."""
    return replace(call, args=_reworded(dict(call.args), mine.secret, theirs.secret))


def _reworded(value: Any, before: str, after: str) -> Any:
    match value:
        case str():
            return value.replace(before, after)
        case dict():
            return {name: _reworded(inner, before, after) for name, inner in value.items()}
        case list():
            return [_reworded(inner, before, after) for inner in value]
    return value
