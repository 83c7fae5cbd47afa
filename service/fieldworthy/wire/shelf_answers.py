"""The published shapes of what is told of rulebooks: checks, drafts, versions, inputs, comparisons; and of the service's health."""

from typing import Annotated, Any, Literal

from pydantic import BaseModel, Field

from fieldworthy.wire.closed import Closed, Digest, Finding, Id, Provenance, Real, Text, Time, Version


class About(Closed):
    """The rulebook that was checked."""

    name: Id
    title: Text
    digest: Digest


class CheckAnswer(Closed):
    """Every finding of a document. rulebook: null where there are errors."""

    rulebook: About | None
    findings: Annotated[list[Finding], Field(max_length=100_000)]


class DraftAnswer(Closed):
    """The draft that was kept, and what its check finds. revision: 1, 2, ... with each change; also the `ETag`."""

    name: Id
    revision: Version
    changed_at: Time
    rulebook: About | None
    findings: Annotated[list[Finding], Field(max_length=100_000)]


class VersionAnswer(Closed):
    """One published version, without its text."""

    name: Id
    version: Version
    digest: Digest
    title: Text
    published_at: Time


class PublishAnswer(Closed):
    """The version that the draft became, and the warnings of its check."""

    name: Id
    version: Version
    digest: Digest
    title: Text
    published_at: Time
    findings: Annotated[list[Finding], Field(max_length=100_000)]


class ShelfItem(Closed):
    """One name. newest: null while nothing is published; draft: its revision, null without one."""

    name: Id
    newest: VersionAnswer | None
    draft: Version | None


class RulebooksAnswer(Closed):
    """A page of names. next: what to send as `after` to go on; null at the end."""

    items: Annotated[list[ShelfItem], Field(max_length=200)]
    next: Id | None


class VersionsAnswer(Closed):
    """A page of versions, the newest first. next: what to send as `after` to go on; null at the end."""

    items: Annotated[list[VersionAnswer], Field(max_length=200)]
    next: Id | None


class ReadersAnswer(Closed):
    """The organisations that may read a version beside its own."""

    items: Annotated[list[Id], Field(max_length=100_000)]


class SharedVersion(Closed):
    """A version that another organisation shares. organisation: whose it is."""

    organisation: Id
    name: Id
    version: Version
    digest: Digest
    title: Text
    published_at: Time


class SharedAnswer(Closed):
    """A page of what others share. next: what to send as `after` to go on; null at the end."""

    items: Annotated[list[SharedVersion], Field(max_length=200)]
    next: Annotated[str, Field(max_length=2000)] | None


class MemberChange(Closed):
    """One member that differs; null where it is absent. Intervals and conditions are given in their canonical form."""

    member: Id
    before: Any
    after: Any


class EntryChange(Closed):
    """A task, part or declared name of both versions, and what differs in it."""

    name: Id
    members: Annotated[list[MemberChange], Field(max_length=1000)]


class Changes(Closed):
    """Names that were added, removed or changed."""

    added: Annotated[list[Id], Field(max_length=10_000)]
    removed: Annotated[list[Id], Field(max_length=10_000)]
    changed: Annotated[list[EntryChange], Field(max_length=10_000)]


Signal = Literal["danger", "warning", "caution", "notice"]
State = Annotated[
    dict[str, Any],
    Field(description="the facts that the texts name, each with a state, an amount {value, unit}, or a number", max_length=1000),
]
NotCompared = Annotated[Text | None, Field(description="why it was not compared; null: it was, over every state")]


class GuardChange(Closed):
    """A condition of a task, one of its steps, a step of a procedure, or an action, that differs. before, after: null for none.

    weaker: a state that was refused and is let through now; stronger: one that was let through and is refused now; null: there is none.
    """

    task: Id | None
    procedure: Id | None
    action: Id | None
    step: Annotated[Version | None, Field(description="its number in the later version")]
    step_before: Annotated[Version | None, Field(description="its number in the earlier version")]
    member: Literal["needs", "holds", "until", "confirm"]
    before: Text | None
    after: Text | None
    weaker: State | None
    stronger: State | None
    not_compared: NotCompared


class HazardChange(Closed):
    """A hazard that was removed, added or changed. before, after: what must never be.

    weaker: a state that was a hazard and is none now; stronger: one that was none and is one now; null: there is none.
    """

    hazard: Id
    change: Literal["removed", "added", "changed"]
    before: Text | None
    after: Text | None
    signal_before: Signal | None
    signal_after: Signal | None
    weaker: State | None
    stronger: State | None
    not_compared: NotCompared


class SafetyComparison(Closed):
    """What may start, and what must never be, otherwise than before."""

    changes: Annotated[list[GuardChange], Field(max_length=100_000)]
    hazards: Annotated[list[HazardChange], Field(max_length=10_000)]


class CompareAnswer(Closed):
    """What changed. same: nothing differs in meaning. intervals, needs, holds: the tasks of which these differ."""

    from_: Annotated[Provenance, Field(alias="from")]
    to: Provenance
    same: bool
    tasks: Changes
    intervals: Annotated[list[Id], Field(max_length=10_000)]
    needs: Annotated[list[Id], Field(max_length=10_000)]
    holds: Annotated[list[Id], Field(max_length=10_000)]
    parts: Changes
    declared: Annotated[dict[str, Changes], Field(description="meters, facts, actions, ...: only those that differ")]
    members: Annotated[list[MemberChange], Field(max_length=1000)]
    safety: SafetyComparison


class MeterInput(Closed):
    """A meter. wanted: whether a task counts on it."""

    meter: Id
    unit: Id
    default: bool
    good_for_seconds: Annotated[Real | None, Field(description="how long its newest reading stays good, in s; null: for ever")]
    wanted: bool


class SeasonInput(Closed):
    """A season: its first and last day, as MM-DD."""

    season: Id
    from_: Annotated[Id, Field(alias="from")]
    to: Id
    wanted: bool


class OccurrenceInput(Closed):
    """An occurrence. yearly: the day (MM-DD) of a dated one."""

    occurrence: Id
    yearly: Id | None
    wanted: bool


class WorkingConditionInput(Closed):
    """A working condition. assumed: the state where nothing is told; null: then it is not known."""

    condition: Id
    states: Annotated[list[Id], Field(max_length=100)]
    assumed: Id | None
    wanted: bool


class FactInput(Closed):
    """A fact: states, or a number in `unit`."""

    fact: Id
    states: Annotated[list[Id], Field(max_length=100)]
    unit: Id | None
    known_by: Annotated[list[Literal["sensor", "seen"]], Field(max_length=2)]
    good_for_seconds: Annotated[Real | None, Field(description="how long a report stays good, in s; null: for ever")]
    per_person: bool


Names = Annotated[list[Id], Field(max_length=100_000)]


class TaskInputs(Closed):
    """What one task looks at. records: which of its done records it needs."""

    task: Id
    records: Literal["none", "newest", "all"]
    also_records_of: Annotated[list[Id], Field(max_length=1000, description="tasks whose records count for this one too")]
    readings_since_last_record: Annotated[
        bool, Field(description="whether the readings between the last record and now matter, not only the newest")
    ]
    meters: Names
    seasons: Names
    occurrences: Names
    working_conditions: Names
    facts: Names
    machine: Annotated[list[Literal["model", "serial", "options"]], Field(max_length=3)]


class NeverTogether(Closed):
    """Two tasks that are never open at one time, because what they hold contradicts."""

    tasks: Annotated[list[Id], Field(min_length=2, max_length=2)]
    because: Text


class InputsAnswer(Closed):
    """What a caller must send for complete answers."""

    rulebook: Provenance
    machine: Annotated[list[Literal["model", "serial", "options"]], Field(max_length=3)]
    meters: Annotated[list[MeterInput], Field(max_length=100_000)]
    seasons: Annotated[list[SeasonInput], Field(max_length=100_000)]
    occurrences: Annotated[list[OccurrenceInput], Field(max_length=100_000)]
    working_conditions: Annotated[list[WorkingConditionInput], Field(max_length=100_000)]
    facts: Annotated[list[FactInput], Field(max_length=100_000)]
    tasks: Annotated[list[TaskInputs], Field(max_length=100_000)]
    never_together: Annotated[list[NeverTogether], Field(max_length=100_000)]
    never_together_complete: Annotated[bool, Field(description="false: there may be more such pairs, too many or too hard to tell")]


class Health(Closed):
    """Whether the service runs, or can answer."""

    status: Literal["ok"]


ALL: tuple[type[BaseModel], ...] = (
    CheckAnswer,
    DraftAnswer,
    VersionAnswer,
    PublishAnswer,
    RulebooksAnswer,
    VersionsAnswer,
    ReadersAnswer,
    SharedAnswer,
    InputsAnswer,
    CompareAnswer,
    Health,
)
