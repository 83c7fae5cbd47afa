"""What became of the readings of a file, and where in it those stand that were set aside."""

import textwrap
from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from fieldworthy.cli.reading_files import Row

if TYPE_CHECKING:
    from fieldworthy.client.shapes import AsideTold

MOST_PLACES = 8
"""Of one group that are named."""
MOST_MACHINES = 3
MOST_GROUPS = 1_000
MOST_SHOWN = 20
MOST_LISTED = 10_000
"""Readings set aside that are listed one by one (--json)."""


@dataclass(frozen=True, slots=True)
class Stands:
    """A reading's place (`line 7`), and what it was of."""

    place: str
    machine: str
    meter: str


class Passing:
    """Readings on their way: where each stands, until it is answered. No more of them are remembered than are under way."""

    def __init__(self) -> None:
        self._rows: deque[tuple[int, str, str]] = deque()
        self._answered = 0
        self.last = 0
        """The line of the newest that is answered."""

    def readings(self, rows: Iterable[Row]) -> Iterator[Any]:
        for line, reading in rows:
            self._rows.append((line, str(reading.get("machine", ""))[:120], str(reading.get("meter", ""))[:120]))
            yield reading

    def at(self, index: int) -> Stands:
        """Of the reading of that index over all, from 0, which is not answered yet."""
        line, machine, meter = self._rows[index - self._answered]
        return Stands(f"line {line:,}", machine, meter)

    def knows(self, index: int) -> bool:
        return 0 <= index - self._answered < len(self._rows)

    def answered(self, sent: int) -> None:
        """So many are, of all."""
        while self._answered < sent:
            self.last = self._rows.popleft()[0]
            self._answered += 1


@dataclass(slots=True)
class Group:
    """Readings of meters of one name that were set aside for one reason. text, mend: of the first; machines, places: the first few."""

    why: str
    meter: str
    text: str
    mend: str
    count: int = 0
    machines: list[str] = field(default_factory=list)
    places: list[str] = field(default_factory=list)

    def words(self) -> str:
        machines = ", ".join(f"`{name}`" for name in self.machines[:MOST_MACHINES])
        others = " and others" if len(self.machines) > MOST_MACHINES else ""
        places = ", ".join([self.places[0], *(p.removeprefix("line ") for p in self.places[1:])])
        more = f" and {self.count - len(self.places):,} more" if self.count > len(self.places) else ""
        return f"{self.count:,} {self.why}, `{self.meter}` of {machines}{others}: {places}{more}"


@dataclass(slots=True)
class Aside:
    """All that were set aside. beyond: those of groups that are too many; listed: the first, one by one."""

    groups: dict[tuple[str, str], Group] = field(default_factory=dict)
    beyond: int = 0
    listed: list[dict[str, Any]] = field(default_factory=list)

    def add(self, told: "AsideTold", stands: Stands) -> None:
        if len(self.listed) < MOST_LISTED:
            about = {"place": stands.place, "machine": stands.machine, "meter": stands.meter}
            self.listed.append({**about, "id": told["id"], "why": told["why"], "text": told["text"], "mend": told["mend"]})
        key = (told["why"], stands.meter)
        group = self.groups.get(key)
        if group is None:
            if len(self.groups) >= MOST_GROUPS:
                self.beyond += 1
                return
            group = self.groups[key] = Group(*key, told["text"], told["mend"])
        group.count += 1
        if stands.machine not in group.machines and len(group.machines) <= MOST_MACHINES:
            group.machines.append(stands.machine)
        if len(group.places) < MOST_PLACES:
            group.places.append(stands.place)

    def lines(self) -> Sequence[str]:
        """For people: each group and the way out, the largest first."""
        groups = sorted(self.groups.values(), key=lambda g: -g.count)
        found: list[str] = []
        for group in groups[:MOST_SHOWN]:
            first = "the first: " if group.count > 1 else ""
            found += _wrapped(group.words(), 2)
            found += [*_wrapped(f"{first}{group.text}", 6), *_wrapped(f"mend: {group.mend}", 6)]
        rest = sum(g.count for g in groups[MOST_SHOWN:]) + self.beyond
        return [*found, *([f"  and {rest:,} of other meters or for other reasons"] if rest else [])]


def _wrapped(words: str, indent: int) -> list[str]:
    """In 80 columns; addresses stay whole."""
    first, rest = " " * indent, " " * (indent + 2)
    return textwrap.wrap(words, 80, initial_indent=first, subsequent_indent=rest, break_on_hyphens=False, break_long_words=False)
