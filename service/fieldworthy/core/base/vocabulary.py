"""The names that a rulebook declares, for the languages to check their texts against."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import timedelta

from fieldworthy.core.base.calendar import MonthDay
from fieldworthy.core.base.names import key
from fieldworthy.core.base.quantity import Unit


@dataclass(frozen=True, slots=True)
class Meter:
    """default: stands for amounts of its dimension that name no meter. good_for: how long its newest reading stays good."""

    name: str
    unit: Unit
    default: bool = False
    good_for: timedelta | None = None


@dataclass(frozen=True, slots=True)
class Season:
    """First and last day of the year, both included; it may run over the new year."""

    name: str
    start: MonthDay
    end: MonthDay


@dataclass(frozen=True, slots=True)
class Occurrence:
    """yearly: a dated one happens on this day of each year; None: it happens when it is reported."""

    name: str
    yearly: MonthDay | None = None


@dataclass(frozen=True, slots=True)
class WorkingCondition:
    """states: the first is assumed where nothing was declared, unless `assumed` is False (then it is not known)."""

    name: str
    states: tuple[str, ...]
    assumed: bool = True


@dataclass(frozen=True, slots=True)
class Fact:
    """states: the resting one first; () for a number fact, which has a unit (None: a bare number)."""

    name: str
    states: tuple[str, ...] = ()
    unit: Unit | None = None
    known_by: frozenset[str] = frozenset({"sensor", "seen"})
    good_for: timedelta | None = None
    per_person: bool = False

    @property
    def is_number(self) -> bool:
        return not self.states


@dataclass(frozen=True, slots=True)
class Vocabulary:
    """All declared names of one rulebook, by `names.key`."""

    meters: Mapping[str, Meter] = field(default_factory=dict)
    seasons: Mapping[str, Season] = field(default_factory=dict)
    occurrences: Mapping[str, Occurrence] = field(default_factory=dict)
    working_conditions: Mapping[str, WorkingCondition] = field(default_factory=dict)
    facts: Mapping[str, Fact] = field(default_factory=dict)

    def default_meter(self, dimension: str) -> Meter | None:
        """The meter that an amount of this dimension counts on: the declared default, else the only one; None where neither is."""
        fit = [m for m in self.meters.values() if m.unit.dimension == dimension]
        chosen = [m for m in fit if m.default]
        if len(chosen) == 1:
            return chosen[0]
        return fit[0] if len(fit) == 1 else None


def state_of(states: tuple[str, ...], word: str) -> str | None:
    """The declared state that `word` names, as declared; None where it names none."""
    wanted = key(word)
    return next((s for s in states if key(s) == wanted), None)
