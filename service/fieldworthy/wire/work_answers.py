"""The published shapes of answers about open work."""

from typing import Annotated, Literal

from pydantic import BaseModel, Field

from fieldworthy.wire.answers import ClearanceAnswer, MayStart
from fieldworthy.wire.closed import Closed, Id, Provenance, Text, Time
from fieldworthy.wire.kept_answers import Known, Next
from fieldworthy.wire.procedure_answers import ProcedureAnswer, StepNumber


class WorkStep(Closed):
    """A step, when it was done (of a wait: when it began) or begun, and by whom."""

    step: StepNumber
    at: Time
    by: Id


class WorkHandOver(Closed):
    """How the work came to whoever has it now."""

    from_: Annotated[Id, Field(alias="from")]
    to: Id
    by: Annotated[Id, Field(description="who decided it")]
    why: Text
    at: Time


class WorkClosing(Closed):
    """How the work ended. leave: why what was changed was not put back."""

    at: Time
    by: Id
    result: Literal["done", "partly", "skipped", "not possible"]
    why: Text | None
    leave: Text | None


class Work(Closed):
    """One piece of work. by: in whose hands it is. rulebook: the version that its questions are put to, as `name@3`."""

    work: Id
    task: Id
    by: Id
    opened_at: Time
    rulebook: Id
    done: Annotated[list[WorkStep], Field(max_length=1000)]
    begun: WorkStep | None
    hand_over: WorkHandOver | None
    closed: WorkClosing | None


class Overtaken(Closed):
    """
    A fact that other work changed after it was reported: those reports do not count, so report it anew. work: null where a lock or cover
    was taken off, or where a report can't be read by the rulebook's version of now.
    """

    fact: Id
    work: Id | None
    by: Id
    at: Time


OvertakenList = Annotated[list[Overtaken], Field(max_length=10_000)]


class KeptClearanceAnswer(MayStart):
    """May it start now, by what is kept. as_of: the newest of what was kept that went in. It advises people; it controls no machine."""

    rulebook: Provenance
    now: Time
    as_of: Time
    overtaken: OvertakenList
    disclaimer: Text


class OpenAnswer(Closed):
    """opened: whether the work is open now. clearance: why, or why not; null where it was open already."""

    opened: bool
    work: Work | None
    clearance: ClearanceAnswer | None
    overtaken: OvertakenList


class StepAnswer(Closed):
    """
    so: whether the step is begun (or done) now, as was asked, and nothing that is reported interrupts it.

    procedure: where the work's steps stand, with the next one's clearance.
    """

    so: bool
    work: Work
    procedure: ProcedureAnswer
    overtaken: OvertakenList


class CloseAnswer(Closed):
    """
    closed: whether it is. procedure: what must be put back first (`left`), or stops it; null for a task without steps, and where it was
    closed before.
    """

    closed: bool
    work: Work
    procedure: ProcedureAnswer | None


class WorkAnswer(Closed):
    """One piece of work."""

    work: Work


class OpenWorkAnswer(Closed):
    """A page of a machine's work, what was opened last first. as_of: with it the other pages are of the same state of things."""

    items: Annotated[list[Work], Field(max_length=200)]
    next: Next
    as_of: Time


class LockHandOver(Closed):
    """How a lock or cover came to whoever has it in hand."""

    to: Id
    by: Annotated[Id, Field(description="who decided it")]
    why: Text


class TakenOff(Closed):
    """When a lock or cover was taken off, and by whom."""

    at: Time
    by: Id


class Lock(Closed):
    """
    A lock or cover. by: who put it on; holder: in whose hands it is; since: when it was put on; taken_off: null while it is on.

    fact, state: what it keeps as it is.
    """

    fact: Id
    state: Id
    by: Id
    hand_over: LockHandOver | None
    holder: Id
    since: Time
    known: Known
    taken_off: TakenOff | None


class LocksAnswer(Closed):
    """A page of them, what was put on last first. as_of: with it the other pages are of the same state of things."""

    items: Annotated[list[Lock], Field(max_length=200)]
    next: Next
    as_of: Time


class PutOnAnswer(Closed):
    """A lock or cover that is on. new: whether it was not known before."""

    new: bool


ALL: tuple[type[BaseModel], ...] = (
    KeptClearanceAnswer,
    OpenAnswer,
    StepAnswer,
    CloseAnswer,
    WorkAnswer,
    OpenWorkAnswer,
    LocksAnswer,
    PutOnAnswer,
)
