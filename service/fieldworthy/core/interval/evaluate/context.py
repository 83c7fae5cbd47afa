"""What the evaluation of an interval is given, and what it gives."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from enum import IntEnum
from fractions import Fraction
from typing import NamedTuple

from fieldworthy.core.base.calendar import Period, SeasonDates
from fieldworthy.core.base.quantity import Exact, Quantity
from fieldworthy.core.base.reason import Reason
from fieldworthy.core.base.vocabulary import Occurrence, Vocabulary
from fieldworthy.core.interval.ast import Allowance, Notice
from fieldworthy.core.meter.series import Series


class Standing(IntEnum):
    """Where a task stands; in the order in which one is more urgent than the other, but for UNKNOWN, which is beside them."""

    UNKNOWN = -1
    CLEAR = 0
    UPCOMING = 1
    DUE = 2
    OVERDUE = 3

    @property
    def word(self) -> str:
        return WORDS[self]


WORDS = ("clear", "upcoming", "due", "overdue", "unknown")  # by value, -1 the last: an enum's members are slow keys
URGENT = (4, 3, 1, 0, 2)
"""The more urgent the less, by value as well: overdue, due, unknown, upcoming, clear."""


class Share(NamedTuple):
    """A share used, `top / bottom`, exact; a pair rather than a Fraction because most are only ever rounded for the wire."""

    top: Exact
    bottom: Exact

    def exact(self) -> Fraction:
        """The share as a Fraction."""
        return Fraction(self.top) / self.bottom

    def over(self, other: "Share") -> bool:
        """Whether this share is the larger one."""
        return self.top * other.bottom > other.top * self.bottom

    def rounded(self) -> float:
        """The share to six places, as on the wire."""
        return round(float(self.top / self.bottom), 6)


NONE_USED = Share(0, 1)


class Record:
    """A done record that counts: its instant, its meters' running counts by meter key [ticks]. start: the in-service one.

    day: the local day of the instant, computed when it is first asked for.
    """

    __slots__ = ("_day", "_day_of", "at", "counts", "start")

    def __init__(self, at: datetime, day_of: Callable[[datetime], date], counts: Mapping[str, Exact], start: bool = False) -> None:
        self.at, self.counts, self.start = at, counts, start
        self._day_of, self._day = day_of, None

    _day: date | None

    @property
    def day(self) -> date:
        if self._day is None:
            self._day = self._day_of(self.at)
        return self._day


@dataclass(frozen=True, slots=True)
class Happened:
    """An occurrence at its instant, its local day, with its meters' running counts [ticks]. dated: from the calendar (a whole day)."""

    at: datetime
    day: date
    counts: Mapping[str, Exact]
    dated: bool = False


@dataclass(frozen=True, slots=True)
class Declared:
    """A working condition over a time; state by `names.key`; until None: still so."""

    state: str
    since: datetime
    until: datetime | None


@dataclass(frozen=True, slots=True)
class Deferral:
    """Who put one due point off, when and why. amount: how far; None: as far as is permitted."""

    at: datetime
    by: str
    why: str
    amount: Quantity | None = None


@dataclass(slots=True)
class Start:
    """When the machine came into service. new None: not said, and its meters do not tell."""

    day: date
    new: bool | None
    counts: Mapping[str, Exact]


@dataclass(slots=True)
class History:
    """
    One machine up to one moment: the same for every task. Names by `names.key`. horizon: now and the clock's tolerance.

    turns: filled while it is judged, with moments soon after now at which an old reading comes to say less.
    """

    vocabulary: Vocabulary
    now: datetime
    horizon: datetime
    today: date
    day_of: Callable[[datetime], date]
    start_of: Callable[[date], datetime]
    series: Mapping[str, Series]
    start: Start | None = None
    start_record: Record | None = None
    occurrences: Mapping[str, Sequence[Happened]] = field(default_factory=dict)
    seasons: Mapping[str, SeasonDates] = field(default_factory=dict)
    conditions: Mapping[str, Sequence[Declared]] = field(default_factory=dict)
    working_days: frozenset[date] = frozenset()
    usage: Mapping[str, Exact] = field(default_factory=dict)  # ticks a day
    turns: list[datetime] = field(default_factory=list)
    _periods: dict[str, Sequence[Period]] = field(default_factory=dict)

    def happened(self, name: str, since: date | None = None) -> Sequence[Happened]:
        """What happened of one name up to now, oldest first; a dated occurrence on each of its days, from before `since` on."""
        declared: Occurrence = self.vocabulary.occurrences[name]
        reported = self.occurrences.get(name, ())
        if declared.yearly is None:
            return reported
        first = self.start.day.year if self.start else self.today.year - 3
        if since is not None:
            first = min(first, since.year)
        dates = SeasonDates(declared.yearly, declared.yearly).periods(min(first, self.today.year - 3), self.today.year + 1)
        return [Happened(self.start_of(p.first), p.first, {}, dated=True) for p in dates]

    def periods(self, season: str, since: date | None = None) -> Sequence[Period]:
        """The periods of a season from well before the machine came into service (and `since`) to two years ahead, oldest first."""
        found = self._periods.get(season)
        if found is None or (since is not None and found[0].first.year > since.year - 1):
            first = min(self.start.day.year if self.start else self.today.year, self.today.year - 10) - 2
            if since is not None:
                first = min(first, since.year - 2)
            found = self._periods[season] = self.seasons[season].periods(first, self.today.year + 2)
        return found


@dataclass(slots=True)
class TaskHistory:
    """What is known of one task: the records that count for it, and the deferrals of its present due point, both oldest first."""

    records: Sequence[Record]
    deferrals: Sequence[Deferral] = ()

    @property
    def last(self) -> Record | None:
        return self.records[-1] if self.records else None


@dataclass(frozen=True, slots=True)
class Terms:
    """What a rule and its task say beside the interval itself. notices: in the order in which they are asked."""

    allowances: tuple[Allowance, ...] = ()
    notices: tuple[Notice, ...] = ()
    may_defer: Allowance | None = None


@dataclass(slots=True)
class Judged:
    """Where one base, or a combination of them, stands.

    used: share used, exact; None: not known. meters: meter key -> (due count, count now) [ticks]. day: the due day.
    reasons: the deciding first. text: the base that decided. assumed: working condition -> the state that was assumed.
    expected: the day on which the due point will be reached by the stated usage.
    """

    standing: Standing
    used: Share | None
    reasons: list[Reason]
    text: str
    meters: dict[str, tuple[Exact, Exact | None]] = field(default_factory=dict)
    day: date | None = None
    incomplete: bool = False
    at_least: Standing | None = None
    resting: bool = False
    assumed: Mapping[str, str] | None = None
    expected: date | None = None


def unknown(text: str, code: str, sentence: str, values: Mapping[str, object]) -> Judged:
    """A base that can't be told, and why."""
    return Judged(Standing.UNKNOWN, None, [Reason(code, sentence, values)], text)
