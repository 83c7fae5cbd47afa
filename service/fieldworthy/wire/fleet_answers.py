"""The published shapes of what is due by what is kept: of one machine, and of the fleet."""

from typing import Annotated, Literal

from pydantic import BaseModel, Field

from fieldworthy.wire.answers import DueAnswer, DueTask
from fieldworthy.wire.closed import Closed, Count, Id, Provenance, Reason, Time
from fieldworthy.wire.problems import Problem

ThinnedBefore = Annotated[
    Time | None,
    Field(
        description="this is of a moment before it, and of the readings from before it some were thinned out since: what it tells is drawn "
        "from those that stayed; null: it is drawn from all"
    ),
]
Opaque = Annotated[str, Field(max_length=2000)]


class NotUsed(Closed):
    """
    Something that is kept of the machine and that the answer could not use.

    why: `not-declared` by this version of the rulebook; `unit`: it does not fit what it is a value of; `no-time`: it says neither a time
    nor what would tell it; `too-many`: older than the newest records that count; `unusable`: the rulebook refuses it.
    """

    what: Annotated[
        Literal[
            "done",
            "working-condition",
            "occurrence",
            "deferral",
            "meter-replacement",
            "found",
            "point",
            "reading",
            "meter-value",
            "part",
            "option",
            "season",
            "usage",
        ],
        Field(description="what it is"),
    ]
    name: Annotated[Id, Field(description="the task, meter, option, ... that it names")]
    why: Literal["not-declared", "unit", "no-time", "too-many", "unusable"]
    count: Count


class Placed(Closed):
    """Done records of a task that say their meters alone: they were put in time by the machine's readings."""

    task: Id
    count: Count


class KeptDueAnswer(DueAnswer):
    """Where every task of one kept machine stands, the most urgent first."""

    as_of: Annotated[Time, Field(description="of the newest that went in: with the same `now` and this `as_of` the answer stays the same")]
    left_out: Annotated[list[NotUsed], Field(max_length=10_000)]
    placed: Annotated[list[Placed], Field(max_length=10_000)]
    thinned_before: ThinnedBefore


class FleetTask(DueTask):
    """One task of one machine. computed_at: the `now` of its standing; as_of: what was known then; fit: whether the machine may work."""

    machine: Id
    site: Id | None
    rulebook: Provenance
    computed_at: Time
    as_of: Time
    fit: Literal["fit", "unfit", "unknown"]


class Counts(Closed):
    """How many tasks of each standing there are, on all pages."""

    overdue: Count
    due: Count
    unknown: Count
    upcoming: Count
    clear: Count


class FitCounts(Closed):
    """How many machines there are of each; those with a problem are of none."""

    unfit: Count
    unknown: Count
    fit: Count


class NotFit(Closed):
    """A machine that must not work, or of which that is not known."""

    machine: Id
    site: Id | None
    computed_at: Time
    as_of: Time
    fit: Literal["unfit", "unknown"]
    because: Annotated[list[Reason], Field(max_length=100)]


class MachineProblem(Closed):
    """A machine that has no standings, and why."""

    machine: Id
    problem: Problem


class FleetAnswer(Closed):
    """A page of the fleet's standings, the most urgent first."""

    items: Annotated[list[FleetTask], Field(max_length=1000)]
    next: Annotated[Opaque | None, Field(description="what `after` takes for the next page; null: this was the last one")]
    computed_at: Annotated[Time | None, Field(description="when the oldest of these standings were computed; null: there are none")]
    stale: Annotated[Count, Field(description="machines whose standings are being computed anew; those of before are shown till then")]
    counts: Counts
    machines: Annotated[FitCounts, Field(description="of this site, rulebook and machine, whatever else is filtered by")]
    not_fit: Annotated[list[NotFit], Field(max_length=100, description="the same machines, the unfit first; at most 100")]
    problems: Annotated[list[MachineProblem], Field(max_length=100, description="machines whose question is refused; at most 100")]
    thinned_before: ThinnedBefore


ALL: tuple[type[BaseModel], ...] = (KeptDueAnswer, FleetAnswer)
