"""Standings that are kept ready, as the use cases see them: results, filtered and ordered, and nothing decided."""

from collections.abc import AsyncIterator, Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

from fieldworthy.usecases.kept import Machine

if TYPE_CHECKING:  # which is made of what stands here
    from fieldworthy.usecases.announce import Made

URGENCY = ("overdue", "due", "unknown", "upcoming", "clear")
"""Standings in the order in which a fleet's are listed."""

FITNESS = ("unfit", "unknown", "fit")
"""Whether a machine may work, in the order in which machines that are not fit are listed."""

Place = tuple[int, float, str, str]
"""Where a row stands in that order: urgency, rank, the machine's id, the task."""


@dataclass(frozen=True, slots=True)
class Row:
    """
    One task's standing.

    urgency: the place in URGENCY; rank: the share used, below zero; due_on: the due date, else the expected one; body: JSON, as answered.
    day: on which a calendar shows it; None: on none, or it was not asked for.
    """

    machine: int
    machine_id: str
    task: str
    urgency: int
    rank: float
    kind: str
    skill: str | None
    due_on: str | None
    body: str
    day: str | None = None

    @property
    def place(self) -> Place:
        return self.urgency, self.rank, self.machine_id, self.task


@dataclass(frozen=True, slots=True)
class Computed:
    """
    When and from what a machine's standings were computed.

    at: the moment; known: the machine's own of then; as_of: of all that went in; until: when they may change by themselves;
    version: 0 where no rulebook was found; problem: JSON, why there are no standings; overdue to clear: how many of each there are.
    fit: one of FITNESS, fit_because: JSON, its reasons; None where there is a problem. announced: see `announce`; the store fills it.
    """

    machine: int
    at: int
    known: int
    as_of: int
    until: int
    rulebook: str
    version: int
    digest: str
    problem: str | None = None
    overdue: int = 0
    due: int = 0
    unknown: int = 0
    upcoming: int = 0
    clear: int = 0
    fit: str | None = None
    fit_because: str | None = None
    announced: str | None = None


@dataclass(frozen=True, slots=True)
class Scope:
    """Which machines are meant. rulebook: a name, or `name@3`, of the version that the standings were computed by; machine: its id."""

    site: str | None = None
    rulebook: str | None = None
    machine: str | None = None


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which standings are meant. urgencies, fits: () for all; before: due, or expected to be, before that date."""

    scope: Scope = Scope()
    urgencies: Collection[int] = ()
    kind: str | None = None
    skill: str | None = None
    before: str | None = None
    fits: Collection[str] = ()

    @property
    def by_machine(self) -> bool:
        """Whether it is said by machines and standings alone."""
        return self.kind is None and self.skill is None and self.before is None and not self.fits


@dataclass(frozen=True, slots=True)
class Summary:
    """
    Of the machines of a scope: how many have stale standings, or none yet; the oldest moment of those that there are; how many machines
    have a problem in place of standings; how many standings there are, by urgency; and how many machines, by the places of FITNESS.
    """

    stale: int
    computed_at: int | None
    problems: int
    counts: Sequence[int]
    fits: Sequence[int]


class Standings(Protocol):
    """The standings of the fleet, inside one transaction."""

    async def newest_known(self, machine: int, as_of: int | None) -> int:
        """The newest `known` of anything that is, or was, kept of a machine, of that moment at the latest; 0 where there is nothing."""

    async def newest_known_of(self, machines: Collection[int], as_of: int | None) -> Mapping[int, int]:
        """The same of many machines, by key; those of which there is nothing are left out."""

    async def stale(self, moment: int, most: int, scope: Scope = Scope()) -> Sequence[int]:
        """
        Machines whose standings are to be computed anew, at most so many, by key.

        Those that changed since, whose time is over, whose rulebook has a newer version, and those that were never computed.
        """

    async def summary(self, moment: int, scope: Scope) -> Summary: ...

    async def computed(self, machines: Collection[int]) -> Mapping[int, tuple[Machine, Computed]]:
        """What was computed of these, and whose it is, by key."""

    async def put(self, made: "Sequence[Made]") -> int:
        """
        Keeps what was computed in place of what was there, unless that was computed from something newer; how many were kept. What differs
        from what was told of a machine last is told with it (`announce.announce`).

        The machines must be locked: several may compute the same at the same time, and the last one to write may have read first.
        """

    async def page(self, wanted: Wanted, after: Place | None, limit: int) -> Sequence[Row]:
        """The most urgent first, then the largest share used, then by machine and task."""

    async def counts(self, wanted: Wanted) -> Mapping[int, int]:
        """How many there are, by urgency; a look at each of them, so where a summary tells it, rather that."""

    async def not_fit(self, scope: Scope, most: int) -> Sequence[tuple[Machine, Computed]]:
        """Machines that are unfit, and behind them those of which it is not known whether they are fit, by id, at most so many."""

    async def problems(self, scope: Scope, most: int) -> Sequence[tuple[str, Computed]]:
        """Machines that have a problem in place of standings, by id, at most so many."""

    async def made_of(self, scope: Scope) -> Sequence[Sequence[int]]:
        """When and from what it was computed of each machine of a scope, by key: (key, the machine's `known`, at, known, version)."""

    def dated(self, scope: Scope, most: int) -> AsyncIterator[Sequence[tuple[Row, int]]]:
        """Those that a calendar shows, by day, machine and task, a few at a time; with each, how often its day has moved."""

    async def count_dated(self, scope: Scope) -> int:
        """How many that are in all."""

    def rows(self, wanted: Wanted) -> AsyncIterator[Sequence[Row]]:
        """All pages of `page`, of one state of everything, a few at a time."""
