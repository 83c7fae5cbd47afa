"""Shapes of what is told of rulebooks; written by tests/client/write_shapes.py from the contract."""

from typing import Any, Literal, TypedDict

from fieldworthy.client.shapes.evaluated import Finding, Provenance


class About(TypedDict):
    """The rulebook that was checked."""

    name: str
    title: str
    digest: str


class CheckAnswer(TypedDict):
    """Every finding of a document. rulebook: null where there are errors."""

    rulebook: About | None
    findings: list[Finding]


class DraftAnswer(TypedDict):
    """The draft that was kept, and what its check finds. revision: 1, 2, ... with each change; also the `ETag`."""

    name: str
    revision: int
    changed_at: str
    rulebook: About | None
    findings: list[Finding]


class PublishAnswer(TypedDict):
    """The version that the draft became, and the warnings of its check."""

    name: str
    version: int
    digest: str
    title: str
    published_at: str
    findings: list[Finding]


class VersionAnswer(TypedDict):
    """One published version, without its text."""

    name: str
    version: int
    digest: str
    title: str
    published_at: str


class ShelfItem(TypedDict):
    """One name. newest: null while nothing is published; draft: its revision, null without one."""

    name: str
    newest: VersionAnswer | None
    draft: int | None


class RulebooksAnswer(TypedDict):
    """A page of names. next: what to send as `after` to go on; null at the end."""

    items: list[ShelfItem]
    next: str | None


class VersionsAnswer(TypedDict):
    """A page of versions, the newest first. next: what to send as `after` to go on; null at the end."""

    items: list[VersionAnswer]
    next: str | None


class MeterInput(TypedDict):
    """A meter. wanted: whether a task counts on it."""

    meter: str
    unit: str
    default: bool
    good_for_seconds: float | None
    wanted: bool


SeasonInput = TypedDict("SeasonInput", {"season": str, "from": str, "to": str, "wanted": bool})
SeasonInput.__doc__ = "A season: its first and last day, as MM-DD."


class OccurrenceInput(TypedDict):
    """An occurrence. yearly: the day (MM-DD) of a dated one."""

    occurrence: str
    yearly: str | None
    wanted: bool


class WorkingConditionInput(TypedDict):
    """A working condition. assumed: the state where nothing is told; null: then it is not known."""

    condition: str
    states: list[str]
    assumed: str | None
    wanted: bool


class FactInput(TypedDict):
    """A fact: states, or a number in `unit`."""

    fact: str
    states: list[str]
    unit: str | None
    known_by: list[Literal["sensor", "seen"]]
    good_for_seconds: float | None
    per_person: bool


class TaskInputs(TypedDict):
    """What one task looks at. records: which of its done records it needs."""

    task: str
    records: Literal["none", "newest", "all"]
    also_records_of: list[str]
    readings_since_last_record: bool
    meters: list[str]
    seasons: list[str]
    occurrences: list[str]
    working_conditions: list[str]
    facts: list[str]
    machine: list[Literal["model", "serial", "options"]]


class NeverTogether(TypedDict):
    """Two tasks that are never open at one time, because what they hold contradicts."""

    tasks: list[str]
    because: str


class InputsAnswer(TypedDict):
    """What a caller must send for complete answers."""

    rulebook: Provenance
    machine: list[Literal["model", "serial", "options"]]
    meters: list[MeterInput]
    seasons: list[SeasonInput]
    occurrences: list[OccurrenceInput]
    working_conditions: list[WorkingConditionInput]
    facts: list[FactInput]
    tasks: list[TaskInputs]
    never_together: list[NeverTogether]
    never_together_complete: bool


class MemberChange(TypedDict):
    """One member that differs; null where it is absent. Intervals and conditions are given in their canonical form."""

    member: str
    before: Any
    after: Any


class EntryChange(TypedDict):
    """A task, part or declared name of both versions, and what differs in it."""

    name: str
    members: list[MemberChange]


class Changes(TypedDict):
    """Names that were added, removed or changed."""

    added: list[str]
    removed: list[str]
    changed: list[EntryChange]


class GuardChange(TypedDict):
    """A condition of a task, one of its steps, a step of a procedure, or an action, that differs. before, after: null for none. weaker:
    a state that was refused and is let through now; stronger: one that was let through and is refused now; null: there is none.
    """

    task: str | None
    procedure: str | None
    action: str | None
    step: int | None
    step_before: int | None
    member: Literal["needs", "holds", "until", "confirm"]
    before: str | None
    after: str | None
    weaker: dict[str, Any] | None
    stronger: dict[str, Any] | None
    not_compared: str | None


class HazardChange(TypedDict):
    """A hazard that was removed, added or changed. before, after: what must never be. weaker: a state that was a hazard and is none now;
    stronger: one that was none and is one now; null: there is none.
    """

    hazard: str
    change: Literal["removed", "added", "changed"]
    before: str | None
    after: str | None
    signal_before: Literal["danger", "warning", "caution", "notice"] | None
    signal_after: Literal["danger", "warning", "caution", "notice"] | None
    weaker: dict[str, Any] | None
    stronger: dict[str, Any] | None
    not_compared: str | None


class SafetyComparison(TypedDict):
    """What may start, and what must never be, otherwise than before."""

    changes: list[GuardChange]
    hazards: list[HazardChange]


CompareAnswer = TypedDict(
    "CompareAnswer",
    {
        "from": Provenance,
        "to": Provenance,
        "same": bool,
        "tasks": Changes,
        "intervals": list[str],
        "needs": list[str],
        "holds": list[str],
        "parts": Changes,
        "declared": dict[str, Changes],
        "members": list[MemberChange],
        "safety": SafetyComparison,
    },
)
CompareAnswer.__doc__ = "What changed. same: nothing differs in meaning. intervals, needs, holds: the tasks of which these differ."


class ReadersAnswer(TypedDict):
    """The organisations that may read a version beside its own."""

    items: list[str]


class SharedVersion(TypedDict):
    """A version that another organisation shares. organisation: whose it is."""

    organisation: str
    name: str
    version: int
    digest: str
    title: str
    published_at: str


class SharedAnswer(TypedDict):
    """A page of what others share. next: what to send as `after` to go on; null at the end."""

    items: list[SharedVersion]
    next: str | None
