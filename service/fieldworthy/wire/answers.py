"""The published shapes of answers. Answers are written by hand from the core's values; a test validates real ones against these.

No member has a default, so that none looks optional to a generated client: where there is nothing to say, a member is null or empty.
"""

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

CLOSED = ConfigDict(extra="forbid", populate_by_name=True, allow_inf_nan=False)

Text = Annotated[str, Field(max_length=20_000)]
Id = Annotated[str, Field(max_length=200)]
Time = Annotated[str, Field(max_length=40, json_schema_extra={"format": "date-time"})]
Date = Annotated[str, Field(max_length=10, json_schema_extra={"format": "date"})]
Count = Annotated[int, Field(ge=0, le=2**31 - 1, json_schema_extra={"format": "int32"})]
Version = Annotated[int, Field(ge=1, le=2**31 - 1, json_schema_extra={"format": "int32"})]
Digest = Annotated[str, Field(description="SHA-256 of the canonical JSON (RFC 8785)", pattern=r"^sha256:[0-9a-f]{64}$", max_length=71)]
Real = Annotated[float, Field(allow_inf_nan=False)]


class Closed(BaseModel):
    """An object that has these members and no other."""

    model_config = CLOSED


class Provenance(Closed):
    """The rulebook that an answer was drawn from. version: null for a document that was sent along."""

    name: Id
    version: Version | None
    digest: Digest


class Reason(Closed):
    """One step of the explanation: `code` and `values` for programs, `text` for people."""

    code: Id
    text: Text
    values: Annotated[dict[str, Any], Field(description="what the sentence speaks of")]


class Quantity(Closed):
    """A value and its unit."""

    value: Real
    unit: Id


class Finding(Closed):
    """What a check reports."""

    severity: Literal["error", "warning"]
    code: Id
    path: Annotated[str, Field(description="JSON Pointer (RFC 6901)", max_length=4000)]
    line: Version | None
    column: Version | None
    message: Text
    mend: Text
    trace: Annotated[dict[str, Any] | None, Field(description='{"start", "steps", "hazard"}: the shortest way to a hazard')]


class ClearanceUnmet(Closed):
    """A fact that would have to change."""

    fact: Id
    is_: Annotated[Text, Field(alias="is", description="a state, or an amount")]
    must_be: Annotated[Text, Field(description="a state, or what the number must be")]


class ClearanceMissing(Closed):
    """A fact that is not known, why, and how to find out."""

    fact: Id
    why: Id
    text: Text
    how: Text


class BlockedBy(Closed):
    """Open work whose holds would be broken."""

    work: Id
    by: Id | None
    holds: Text


class DoFirst(Closed):
    """An action to do before."""

    action: Id
    needs: Text | None


class Caution(Closed):
    """A hazard, its signal word (ISO 3864-2), and how to keep clear of it."""

    signal: Literal["danger", "warning", "caution"]
    hazard: Id
    avoid: Text


class ClearanceAnswer(Closed):
    """May it start now. It advises people; it controls no machine."""

    rulebook: Provenance
    now: Time
    clearance: Literal["granted", "withheld"]
    unmet: Annotated[list[ClearanceUnmet], Field(max_length=1000)]
    missing: Annotated[list[ClearanceMissing], Field(max_length=1000)]
    blocked_by: Annotated[list[BlockedBy], Field(max_length=1000)]
    do_first: Annotated[list[DoFirst], Field(max_length=1000)]
    cautions: Annotated[list[Caution], Field(max_length=1000)]
    holds: Text | None
    because: Annotated[list[Reason], Field(max_length=1000)]
    valid_until: Time | None
    disclaimer: Text


class Pack(Closed):
    """So many packs of this size."""

    pack: Quantity
    count: Count


class PartsLine(Closed):
    """One part, how much of it, what comes from stock, and in which packs the rest is sold."""

    part: Id
    title: Text
    amount: Quantity
    from_stock: Quantity
    to_get: Quantity
    packs: Annotated[list[Pack], Field(max_length=100)]
    loose: Annotated[bool, Field(description="sold in no pack")]
    or_else: Annotated[list[Id], Field(max_length=100, description="parts that may be taken instead")]
    for_: Annotated[list[Id], Field(alias="for", max_length=1000, description="the tasks that need it")]
    because: Annotated[list[Reason], Field(max_length=10_000)]


class Undecided(Closed):
    """A task or a part (the other is null) that may be for this machine. supply: what to say in the request to decide it."""

    task: Id | None
    part: Id | None
    amount: Quantity | None
    for_: Annotated[list[Id], Field(alias="for", max_length=1000)]
    why: Text
    supply: Annotated[list[Id], Field(max_length=20)]


class LeftOut(Closed):
    """A task that was asked for, or a part of one, that is not for this machine."""

    task: Id
    part: Id | None
    why: Text


class PartsAnswer(Closed):
    """What to take along. minutes: null where a task does not say; minutes_at_least: those that are known."""

    rulebook: Provenance
    lines: Annotated[list[PartsLine], Field(max_length=10_000)]
    undecided: Annotated[list[Undecided], Field(max_length=10_000)]
    left_out: Annotated[list[LeftOut], Field(max_length=10_000)]
    tools: Annotated[list[Id], Field(max_length=10_000)]
    minutes: Count | None
    minutes_at_least: Count


class MeterPoint(Closed):
    """A meter's value in its own unit, in the count that goes on over a replaced meter."""

    value: Real
    unit: Id


class ShownPoint(MeterPoint):
    """The same where the meter was replaced. shown: what the new dial will show."""

    shown: Real


class DuePoint(Closed):
    """Where it falls due: one entry per meter that counts, and the date where the calendar counts."""

    meters: Annotated[dict[str, MeterPoint | ShownPoint], Field(description="by meter")]
    date: Date | None


class Remaining(Closed):
    """What is left: below zero where it is past."""

    meters: Annotated[dict[str, MeterPoint], Field(description="by meter")]
    days: int | None


class Assumed(Closed):
    """A working condition that nobody told, and the state that was assumed."""

    condition: Id
    value: Id


class Expected(Closed):
    """The day when the due point will be reached, and the days between which `share` of the outcomes lie (null: no range is known)."""

    date: Date
    from_: Annotated[Date | None, Field(alias="from")]
    to: Date | None
    share: Real | None


class DueTask(Closed):
    """One task's standing."""

    task: Id
    title: Text
    kind: Literal["inspect", "clean", "lubricate", "adjust", "replace", "couple"]
    standing: Literal["clear", "upcoming", "due", "overdue", "unknown"]
    used: Annotated[Real | None, Field(description="share used, 1 at the due point, rounded to 6 places; null: not known")]
    incomplete: bool
    at_least: Literal["clear", "upcoming", "due", "overdue"] | None
    assumed: Annotated[list[Assumed], Field(max_length=100)]
    resting: Annotated[bool, Field(description="outside its season it uses nothing up")]
    due_at: DuePoint
    remaining: Remaining
    decided_by: Text | None
    rule: Text | None
    expected: Expected | None
    because: Annotated[list[Reason], Field(max_length=1000)]
    needs: Text | None


class DueAnswer(Closed):
    """Where every task of one machine stands, the most urgent first."""

    rulebook: Provenance
    now: Time
    machine: Id | None
    tasks: Annotated[list[DueTask], Field(max_length=10_000)]


class ExpressionAnswer(Closed):
    """An expression, read back. canonical, tree, aloud: null where it can't be read."""

    kind: Literal["interval", "condition"]
    text: Text
    canonical: Annotated[str | None, Field(max_length=20_000, description="the canonical text")]
    tree: Annotated[dict[str, Any] | None, Field(description="its parts, each with its kind under `node` and its place in the text under `span`")]
    aloud: Annotated[str | None, Field(max_length=40_000, description="in plain words")]
    names_checked: Annotated[bool, Field(description="false where no vocabulary was given: then only the form was looked at")]
    rulebook: Provenance | None
    findings: Annotated[list[Finding], Field(max_length=1000)]


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


Names = Annotated[list[Id], Field(max_length=1000)]


class TaskInputs(Closed):
    """What one task looks at. records: which of its done records it needs."""

    task: Id
    records: Literal["none", "newest", "all"]
    also_records_of: Annotated[list[Id], Field(max_length=1000, description="tasks whose records count for this one too")]
    readings_since_last_record: Annotated[bool, Field(description="whether the readings between the last record and now matter, not only the newest")]
    meters: Names
    seasons: Names
    occurrences: Names
    working_conditions: Names
    facts: Names
    machine: Annotated[list[Literal["model", "serial", "options"]], Field(max_length=3)]


class InputsAnswer(Closed):
    """What a caller must send for complete answers."""

    rulebook: Provenance
    machine: Annotated[list[Literal["model", "serial", "options"]], Field(max_length=3)]
    meters: Annotated[list[MeterInput], Field(max_length=1000)]
    seasons: Annotated[list[SeasonInput], Field(max_length=1000)]
    occurrences: Annotated[list[OccurrenceInput], Field(max_length=1000)]
    working_conditions: Annotated[list[WorkingConditionInput], Field(max_length=1000)]
    facts: Annotated[list[FactInput], Field(max_length=1000)]
    tasks: Annotated[list[TaskInputs], Field(max_length=10_000)]


class Health(Closed):
    """Whether the service runs, or can answer."""

    status: Literal["ok"]


ALL: tuple[type[BaseModel], ...] = (
    DueAnswer,
    ClearanceAnswer,
    PartsAnswer,
    ExpressionAnswer,
    CheckAnswer,
    DraftAnswer,
    VersionAnswer,
    PublishAnswer,
    RulebooksAnswer,
    VersionsAnswer,
    InputsAnswer,
    CompareAnswer,
    Health,
)
