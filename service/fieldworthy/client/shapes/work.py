"""Shapes of answers about open work, locks and covers; written by tests/client/write_shapes.py from the contract."""

from typing import Literal, TypedDict

from fieldworthy.client.shapes.evaluated import (
    BlockedBy,
    Caution,
    ClearanceAnswer,
    ClearanceMissing,
    ClearanceUnmet,
    DoFirst,
    ProcedureAnswer,
    Provenance,
    Reason,
)


class Overtaken(TypedDict):
    """A fact that other work changed after it was reported: those reports do not count, so report it anew. work: null where a lock or
    cover was taken off, or where a report can't be read by the rulebook's version of now.
    """

    fact: str
    work: str | None
    by: str
    at: str


class KeptClearanceAnswer(TypedDict):
    """May it start now, by what is kept. as_of: the newest of what was kept that went in. It advises people; it controls no machine."""

    clearance: Literal["granted", "withheld"]
    unmet: list[ClearanceUnmet]
    missing: list[ClearanceMissing]
    blocked_by: list[BlockedBy]
    do_first: list[DoFirst]
    cautions: list[Caution]
    holds: str | None
    because: list[Reason]
    valid_until: str | None
    rulebook: Provenance
    now: str
    as_of: str
    overtaken: list[Overtaken]
    disclaimer: str


class WorkStep(TypedDict):
    """A step, when it was done (of a wait: when it began) or begun, and by whom."""

    step: int
    at: str
    by: str


WorkHandOver = TypedDict("WorkHandOver", {"from": str, "to": str, "by": str, "why": str, "at": str})
WorkHandOver.__doc__ = "How the work came to whoever has it now."


class WorkClosing(TypedDict):
    """How the work ended. leave: why what was changed was not put back."""

    at: str
    by: str
    result: Literal["done", "partly", "skipped", "not possible"]
    why: str | None
    leave: str | None


class Work(TypedDict):
    """One piece of work. by: in whose hands it is. rulebook: the version that its questions are put to, as `name@3`."""

    work: str
    task: str
    by: str
    opened_at: str
    rulebook: str
    done: list[WorkStep]
    begun: WorkStep | None
    hand_over: WorkHandOver | None
    closed: WorkClosing | None


class OpenAnswer(TypedDict):
    """opened: whether the work is open now. clearance: why, or why not; null where it was open already."""

    opened: bool
    work: Work | None
    clearance: ClearanceAnswer | None
    overtaken: list[Overtaken]


class OpenWorkAnswer(TypedDict):
    """A page of a machine's work, what was opened last first. as_of: with it the other pages are of the same state of things."""

    items: list[Work]
    next: str | None
    as_of: str


class WorkAnswer(TypedDict):
    """One piece of work."""

    work: Work


class StepAnswer(TypedDict):
    """so: whether the step is begun (or done) now, as was asked, and nothing that is reported interrupts it. procedure: where the work's
    steps stand, with the next one's clearance.
    """

    so: bool
    work: Work
    procedure: ProcedureAnswer
    overtaken: list[Overtaken]


class CloseAnswer(TypedDict):
    """closed: whether it is. procedure: what must be put back first (`left`), or stops it; null for a task without steps, and where it
    was closed before.
    """

    closed: bool
    work: Work
    procedure: ProcedureAnswer | None


class LockHandOver(TypedDict):
    """How a lock or cover came to whoever has it in hand."""

    to: str
    by: str
    why: str


class TakenOff(TypedDict):
    """When a lock or cover was taken off, and by whom."""

    at: str
    by: str


class Lock(TypedDict):
    """A lock or cover. by: who put it on; holder: in whose hands it is; since: when it was put on; taken_off: null while it is on. fact,
    state: what it keeps as it is.
    """

    fact: str
    state: str
    by: str
    hand_over: LockHandOver | None
    holder: str
    since: str
    known: str
    taken_off: TakenOff | None


class LocksAnswer(TypedDict):
    """A page of them, what was put on last first. as_of: with it the other pages are of the same state of things."""

    items: list[Lock]
    next: str | None
    as_of: str


class PutOnAnswer(TypedDict):
    """A lock or cover that is on. new: whether it was not known before."""

    new: bool
