"""The published shape of a procedure's answer: its steps, what comes next, what interrupts it and what must be put back."""

from typing import Annotated, Literal

from pydantic import BaseModel, Field

from fieldworthy.wire.answers import Caution, ClearanceMissing, DoFirst, MayStart
from fieldworthy.wire.closed import Closed, Count, Id, Provenance, Quantity, Reason, Text, Time

StepNumber = Annotated[Count, Field(description="counted from 1, followed procedures laid out")]


class ProcedureStep(Closed):
    """A step. Exactly one of action, do and wait is not null. needs, holds: everything that it needs and holds, with the task's own."""

    step: StepNumber
    action: Id | None
    do: Text | None
    wait: Quantity | None
    until: Text | None
    needs: Text | None
    holds: Text | None
    makes: Text | None
    confirm: Annotated[Text | None, Field(description="what must be reported before the next step")]
    cautions: Annotated[list[Caution], Field(max_length=100_000)]
    state: Literal["done", "next", "later"]


class NextStep(MayStart):
    """The step that comes next, and whether it may start now."""

    step: StepNumber


class Contradicts(Closed):
    """A fact that stands against what is open. held_by: what asks for it, in words."""

    fact: Id
    is_: Annotated[Text, Field(alias="is", description="a state, or an amount")]
    must_be: Annotated[Text, Field(description="a state, or what the number must be")]
    held_by: Text


class InterruptedBy(Closed):
    """Why the work must stop. make_safe: the actions that make it safe, in order; empty where none is known, or a fact is missing."""

    text: Text
    contradicts: Annotated[list[Contradicts], Field(max_length=100_000)]
    missing: Annotated[list[ClearanceMissing], Field(max_length=100_000)]
    make_safe: Annotated[list[DoFirst], Field(max_length=100_000)]


class LeftChanged(Closed):
    """A fact that the procedure has changed and that must still be put back. began: null where it is not known."""

    fact: Id
    is_: Annotated[Text, Field(alias="is")]
    began: Text | None
    must_be: Text


class ProcedureAnswer(Closed):
    """Where a run of a task's steps stands. next: null where all are done. It advises people; it controls no machine."""

    rulebook: Provenance
    now: Time
    task: Id
    steps: Annotated[list[ProcedureStep], Field(max_length=100_000)]
    next: NextStep | None
    ready_at: Annotated[Time | None, Field(description="when the time of a wait is over; null where none runs")]
    interrupted: InterruptedBy | None
    left: Annotated[list[LeftChanged], Field(max_length=100_000)]
    because: Annotated[list[Reason], Field(max_length=100_000)]
    valid_until: Time | None
    disclaimer: Text


ALL: tuple[type[BaseModel], ...] = (ProcedureAnswer,)
