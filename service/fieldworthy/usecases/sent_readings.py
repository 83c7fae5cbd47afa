"""Readings as they were sent, in columns: of ten thousand, most are only ever looked at together."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Self, TypeVar

from fieldworthy.core.base.quantity import Exact

SentReading = tuple[str, str, int, Exact, str | None]
"""The machine's id, the meter's name, when, millionths of the unit (a Fraction where finer), the unit (None: the meter's own)."""

K = TypeVar("K")

Called = tuple[str, str]
"""A meter as it was called: the machine's id and the meter's name."""


@dataclass(frozen=True)
class SentReadings:
    """The readings of one post, in their order: what stands at one place of all columns is one of them."""

    machines: Sequence[str]
    meters: Sequence[str]
    ats: Sequence[int]
    values: Sequence[Exact]
    units: Sequence[str | None]

    @classmethod
    def of(cls, readings: Iterable[SentReading]) -> Self:
        """Of readings one by one."""
        columns = list(zip(*readings, strict=True))
        return cls(*columns) if columns else cls((), (), (), (), ())

    def __len__(self) -> int:
        return len(self.ats)

    def __getitem__(self, place: int) -> SentReading:
        return self.machines[place], self.meters[place], self.ats[place], self.values[place], self.units[place]

    def look_over(self) -> None:
        """Works out now what is asked of all of them later: where each meter's stand, and whether they are even."""
        _ = self.places, self.even

    @cached_property
    def places(self) -> Mapping[Called, list[int]]:
        """Where in the post the readings of each meter stand, as it was called."""
        meters = distinct(self.meters)
        if len(meters) == 1:  # nearly always: then the machine tells them apart, and no pair is made for each reading
            (meter,) = meters
            return {(machine, meter): places for machine, places in _places(self.machines).items()}
        return _places(zip(self.machines, self.meters, strict=True))

    @cached_property
    def span(self) -> tuple[int, int]:
        """The first and the last moment; of at least one reading."""
        return min(self.ats), max(self.ats)

    @cached_property
    def even(self) -> bool:
        """Whether all values are whole millionths, and all units the same."""
        return len(distinct(self.units)) == 1 and set(map(type, self.values)) == {int}


def distinct(column: Sequence[K]) -> set[K]:
    """What stands in a column. Where it is the same everywhere, as a unit often is, that is seen without a hash of each."""
    if column and column.count(column[0]) == len(column):
        return {column[0]}
    return set(column)


def _places(keys: Iterable[K]) -> dict[K, list[int]]:
    found: dict[K, list[int]] = {}
    for place, key in enumerate(keys):
        if key in found:
            found[key].append(place)
        else:
            found[key] = [place]
    return found
