"""Readings that are kept, and those that are set aside, as the use cases see them.

A meter is known by its machine and its name in the key form (`names.key`). Times are microseconds since 1970, values millionths of the unit
that was sent with them; no unit stands for the meter's own, as the rulebook has it.
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple, Protocol

Point = tuple[int, int, str | None]
"""When, the value in millionths of the unit, and the unit (None: the meter's own)."""

Span = tuple[int, int, int]
"""A meter's key, and the first and the last moment of a stretch of time, both included."""

Row = tuple[int, int, int, str | None]
"""A meter's key, and a point."""


class OfMeter(NamedTuple):
    """Readings of one meter in one unit, in columns, oldest first. meter: its key; values: millionths of the unit."""

    meter: int
    unit: str | None
    ats: Sequence[int]
    values: Sequence[int]


class Meter(NamedTuple):
    """One meter of one machine. key: the store's own; machine: its key; name: in the key form; last_*: its newest kept reading, if any."""

    key: int
    machine: int
    name: str
    last_at: int | None
    last_value: int | None
    last_unit: str | None


class PastReading(NamedTuple):
    """A kept reading as it is listed. meter: its key; known: when it was kept."""

    at: int
    meter: int
    value: int
    unit: str | None
    known: int


class Readings(Protocol):
    """Meters and their readings, inside one transaction. What is written belongs to machines that are locked."""

    async def meters_of(self, machines: Collection[int]) -> Mapping[tuple[int, str], Meter]:
        """The meters that have or had a reading, by the machine's key and the meter's name."""

    async def meters_and_replacements(
        self, machines: Collection[int]
    ) -> tuple[Mapping[tuple[int, str], "Meter"], Mapping[int, Sequence[str]]]:
        """Both at once: what `meters_of` and `replacements` give."""

    async def unnamed(self, meters: Collection[int], but_zero: bool = False) -> set[int]:
        """
        Those of these meters of which a reading is kept, or was until it was withdrawn, without a unit: it stands for the meter's own.
        but_zero: one that is not 0.
        """

    async def series(self, meters: Collection[int], as_of: int | None = None, until: int | None = None) -> Mapping[int, Sequence[Point]]:
        """What is kept of each meter that has any, oldest first. as_of: what stood at that moment; until: nothing later than that."""

    async def withdrawn(self, meters: Collection[int]) -> Mapping[int, Sequence[Point]]:
        """What was kept of each meter once and is no longer, each value of a moment once, in the order in which it was kept first."""

    async def page(
        self,
        meters: Collection[int],
        limit: int,
        before: tuple[int, int] | None = None,
        first: int | None = None,
        until: int | None = None,
        as_of: int | None = None,
    ) -> Sequence[PastReading]:
        """The newest first, from before (`at`, meter) on. first: nothing earlier; until: nothing from then on; as_of: as in `series`."""

    async def newest_of_each(
        self,
        meters: Collection[int],
        limit: int,
        before: tuple[int, int] | None = None,
        first: int | None = None,
        until: int | None = None,
        as_of: int | None = None,
    ) -> Mapping[int, Sequence[PastReading]]:
        """As `page`, but so many of each of these meters, by meter."""

    async def onward(self, meter: int, limit: int, first: int | None, until: int | None, as_of: int) -> Sequence[PastReading]:
        """Of one meter, the oldest first; as of a moment. first: nothing earlier; until: nothing from then on."""

    async def replacements(self, machines: Collection[int]) -> Mapping[int, Sequence[str]]:
        """The bodies of the meter replacements that stand, by the machine's key."""

    async def within(self, spans: Sequence[Span]) -> Mapping[int, Sequence[Point]]:
        """What is kept inside these stretches of time, of which no two overlap, by the meter's key, oldest first."""

    async def columns(self, spans: Sequence[Span], unit: str | None) -> Mapping[int, tuple[Sequence[int], Sequence[int]]]:
        """
        The moments and the values that are kept inside these stretches of time, one for a meter, by the meter's key, as the database comes
        upon them; nothing of a meter of which there are some in another unit.
        """

    async def beside(self, spans: Sequence[Span]) -> Mapping[int, Sequence[Point]]:
        """The nearest kept before each stretch and the nearest behind it, by the meter's key, in no order."""

    async def around(self, machine: int, wanted: Collection[tuple[str, int]]) -> Mapping[str, Sequence[Point]]:
        """
        By the meter's name, oldest first, each once: the nearest kept at or before each moment and the nearest after it. wanted: names of
        the machine's meters (`names.key`), with the moments.
        """

    async def add_meters(self, wanted: Collection[tuple[int, str]]) -> Mapping[tuple[int, str], Meter]:
        """New meters for these machines and names."""

    async def keep(self, by_meter: Iterable[OfMeter], known: int, span: tuple[int, int] | None = None) -> None:
        """
        Keeps readings; none is kept yet for its meter and moment. It is quickest in the order of the meters' keys. span: none of them is
        earlier than the first of these moments, or later than the second; where it lies in one year, the next readings are asked for
        while those before them are taken in.
        """

    async def note_last(self, rows: Sequence[Row]) -> None:
        """Notes which reading is the newest of a meter."""

    async def note_kept(self, rows: Sequence[Row], machines: Collection[int], known: int) -> None:
        """The same, and that something of these locked machines changed at `known` (`Machines.touch`)."""

    async def withdraw(self, meter: int, moments: Collection[int], known: int) -> None:
        """What is kept for these moments stands no longer; who asks as of an earlier moment still sees it."""


ACCEPTED, DISMISSED = "accepted", "dismissed"
MEANWHILE = "kept"
"""How a reading is settled that was set aside, and by nobody: sent again or judged again it fits beside what is kept by then."""


@dataclass(frozen=True, slots=True)
class SetAside:
    """One reading that was set aside.

    machine, meter, unit: as they were sent; value: millionths of the unit, as near as it can be kept; details: JSON, what `words_of` made,
    and how it was settled, now and earlier; known: since when it waits; settled: when.
    """

    key: str
    machine: str
    meter: str
    at: int
    value: int
    unit: str | None
    why: str
    details: str
    known: int
    settled: int | None = None
    settled_as: str | None = None
    settled_by: str | None = None
    settled_why: str | None = None


class Mark(NamedTuple):
    """A reading that waits, or was dismissed: enough to know it by when it is sent again."""

    key: str
    machine: str
    at: int
    dismissed: bool


class Aside(Protocol):
    """Readings that were set aside, inside one transaction."""

    async def add(self, readings: Iterable[SetAside]) -> None:
        """Sets aside; one that was before stays as it is."""

    async def among(self, keys: Collection[str]) -> Sequence[SetAside]:
        """Those of these that were set aside before, in no order."""

    async def marks(self, machines: Collection[str], first: int, last: int) -> Sequence[Mark]:
        """Those of these machines, read from `first` to `last`, that wait or were dismissed."""

    async def wait_again(self, readings: Iterable[tuple[SetAside, int | None]]) -> None:
        """These wait, and for the reason that they give. Each with when it was settled before: one that was settled since stays so."""

    async def find(self, key: str, lock: bool = False) -> SetAside | None:
        """lock: nobody else changes it until this transaction ends."""

    async def open_of(self, machines: Collection[str]) -> Sequence[SetAside]:
        """Those of these machines that are not settled."""

    async def settle(self, key: str, known: int, deed: str, by: str | None, why: str | None, details: str | None = None) -> None:
        """Settles one. details: what stands in place of the former ones."""

    async def settle_meanwhile(self, keys: Collection[str], known: int) -> None:
        """Settles many, each by itself and by nobody."""

    async def page(
        self, limit: int, settled: bool, after: tuple[int, int, str] | None = None, machine: str | None = None, why: str | None = None
    ) -> Sequence[SetAside]:
        """In the order of when they were settled (0: not yet), set aside, and key; from behind `after` on."""
