"""Shapes of what is kept of machines, and what is due on them; written by tests/client/write_shapes.py from the contract."""

from typing import Any, Literal, TypedDict

from fieldworthy.client.shapes.evaluated import (
    Assumed,
    DueAtPoint,
    DuePoint,
    DueTask,
    Expected,
    Fit,
    Problem,
    Provenance,
    Reason,
    Remaining,
)


class FleetTask(TypedDict):
    """One task of one machine. computed_at: the `now` of its standing; as_of: what was known then; fit: whether the machine may work."""

    task: str
    title: str
    kind: Literal["inspect", "clean", "lubricate", "adjust", "replace", "couple"]
    standing: Literal["clear", "upcoming", "due", "overdue", "unknown"]
    used: float | None
    incomplete: bool
    at_least: Literal["clear", "upcoming", "due", "overdue"] | None
    assumed: list[Assumed]
    resting: bool
    points: list[DueAtPoint]
    due_at: DuePoint
    remaining: Remaining
    decided_by: str | None
    rule: str | None
    expected: Expected | None
    because: list[Reason]
    needs: str | None
    machine: str
    site: str | None
    rulebook: Provenance
    computed_at: str
    as_of: str
    fit: Literal["fit", "unfit", "unknown"]


class Counts(TypedDict):
    """How many tasks of each standing there are, on all pages."""

    overdue: int
    due: int
    unknown: int
    upcoming: int
    clear: int


class FitCounts(TypedDict):
    """How many machines there are of each; those with a problem are of none."""

    unfit: int
    unknown: int
    fit: int


class NotFit(TypedDict):
    """A machine that must not work, or of which that is not known."""

    machine: str
    site: str | None
    computed_at: str
    as_of: str
    fit: Literal["unfit", "unknown"]
    because: list[Reason]


class MachineProblem(TypedDict):
    """A machine that has no standings, and why."""

    machine: str
    problem: Problem


class FleetAnswer(TypedDict):
    """A page of the fleet's standings, the most urgent first."""

    items: list[FleetTask]
    next: str | None
    computed_at: str | None
    stale: int
    counts: Counts
    machines: FitCounts
    not_fit: list[NotFit]
    problems: list[MachineProblem]
    thinned_before: str | None


class MachinePut(TypedDict):
    """What came of a put. rulebook: the version that the document was checked against."""

    id: str
    revision: int
    known: str
    document: dict[str, Any]
    outcome: Literal["kept", "same", "changed"]
    rulebook: Provenance


class KeptMachine(TypedDict):
    """A machine's document. revision: of the document, from 1; its `ETag`."""

    id: str
    revision: int
    known: str
    document: dict[str, Any]


class Machines(TypedDict):
    """A page of machines, in the order of their ids."""

    items: list[KeptMachine]
    next: str | None


class MachinesPut(TypedDict):
    """How many machines of a post are new, were there already just so, and were changed. rulebooks: that they were checked against."""

    kept: int
    same: int
    changed: int
    rulebooks: list[Provenance]


class RecordPut(TypedDict):
    """What came of a put. rulebook: the version that it was checked against."""

    id: str
    known: str
    record: dict[str, Any]
    outcome: Literal["kept", "same", "corrected"]
    rulebook: Provenance


class Record(TypedDict):
    """Something that was told of a machine, as it stands."""

    id: str
    known: str
    record: dict[str, Any]


class RecordsPut(TypedDict):
    """How many records of a post are new, stood there just so, and correct what stood there. rulebook: they were checked against it."""

    kept: int
    same: int
    corrected: int
    rulebook: Provenance


class Records(TypedDict):
    """A page of what was told, what happened last first. as_of: with it the other pages are of the same state of things."""

    items: list[Record]
    next: str | None
    as_of: str


class RecordState(TypedDict):
    """One state of a record. superseded: since when a later one stands in its place, null for the newest; record: null: withdrawn."""

    known: str
    superseded: str | None
    record: dict[str, Any] | None


class RecordStates(TypedDict):
    """All states of a record, the oldest first."""

    items: list[RecordState]
    next: str | None


class AsideTold(TypedDict):
    """One reading of a post that was set aside. index: its place in the post, from 0; id: what it is accepted or dismissed by, null for
    a key without the scope `read`, which is told of nothing that is kept.
    """

    index: int
    id: str | None
    why: str
    text: str
    values: dict[str, Any]
    mend: str


class ReadElement(TypedDict):
    """Which element, or which counter (`spn 247`), was taken as a reading of which meter."""

    element: str
    machine: str
    meter: str
    at: str


class NotRead(TypedDict):
    """An element or counter that is there and is no reading. machine: its id, else what it was called; null where it was called nothing."""

    element: str
    machine: str | None
    why: Literal[
        "no-value",
        "no-time",
        "two-times",
        "time-without-offset",
        "time-unreadable",
        "no-unit",
        "no-identity",
        "machine-ambiguous",
        "error",
        "not-available",
        "reserved",
    ]


class TelematicsAnswer(TypedDict):
    """What became of each reading, what each was read from (in the same order), and what was left out."""

    kept: int
    same: int
    set_aside: int
    readings: list[Literal["kept", "same", "set-aside"]]
    aside: list[AsideTold]
    read: list[ReadElement]
    left_out: list[NotRead]


class ReadingsAnswer(TypedDict):
    """What became of each reading, in the order in which they were sent. `same`: that value is kept for that moment already."""

    kept: int
    same: int
    set_aside: int
    readings: list[Literal["kept", "same", "set-aside"]]
    aside: list[AsideTold]


class ReadAs(TypedDict):
    """What a reading was accepted as. unit: null for the meter's own."""

    value: float
    unit: str | None


class NewDial(TypedDict):
    """The replacement that a reading was accepted with."""

    at: str
    old_value: float
    new_value: float


class ShownReading(TypedDict):
    """What a dial showed at a moment."""

    value: float
    unit: str
    at: str


class AsideSettlement(TypedDict):
    """How a reading was settled. done: `kept` where it was sent again later, or another was accepted or a replaced meter told of, and it
    fitted then; withdrawn, also_kept: at most 100, the oldest first.
    """

    done: Literal["accepted", "dismissed", "kept"]
    at: str
    by: str | None
    why: str | None
    read_as: ReadAs | None
    replaced_meter: NewDial | None
    withdrawn: list[ShownReading]
    withdrawn_in_all: int
    also_kept: list[str]
    also_kept_in_all: int


class AsideItem(TypedDict):
    """A reading that was set aside, as it was sent, and why. unit: null where none was sent; settled: null while it waits; earlier: how
    it was settled before it waited again, or was accepted after all, the newest last, at most 10.
    """

    id: str
    machine: str
    meter: str
    value: float
    unit: str | None
    at: str
    why: str
    text: str
    values: dict[str, Any]
    mend: str
    set_aside_at: str
    settled: AsideSettlement | None
    earlier: list[AsideSettlement]


class AsidePage(TypedDict):
    """Readings that were set aside."""

    items: list[AsideItem]
    next: str | None


class KeptReading(TypedDict):
    """One kept reading. unit: as it was sent, else the meter's own (null where the rulebook no longer has it); kept_at: since when."""

    meter: str
    value: float
    unit: str | None
    at: str
    kept_at: str


class KeptReadingsPage(TypedDict):
    """Kept readings of one machine. as_of: what was known of the machine at this moment was asked."""

    items: list[KeptReading]
    next: str | None
    as_of: str
    thinned_before: str | None


class NotUsed(TypedDict):
    """Something that is kept of the machine and that the answer could not use. why: `not-declared` by this version of the rulebook;
    `unit`: it does not fit what it is a value of; `no-time`: it says neither a time nor what would tell it; `too-many`: older than
    the newest records that count; `unusable`: the rulebook refuses it.
    """

    what: Literal[
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
    ]
    name: str
    why: Literal["not-declared", "unit", "no-time", "too-many", "unusable"]
    count: int


class Placed(TypedDict):
    """Done records of a task that say their meters alone: they were put in time by the machine's readings."""

    task: str
    count: int


class KeptDueAnswer(TypedDict):
    """Where every task of one kept machine stands, the most urgent first."""

    rulebook: Provenance
    now: str
    machine: str | None
    fit: Fit
    tasks: list[DueTask]
    as_of: str
    left_out: list[NotUsed]
    placed: list[Placed]
    thinned_before: str | None


class Health(TypedDict):
    """Whether the service runs, or can answer."""

    status: Literal["ok"]
