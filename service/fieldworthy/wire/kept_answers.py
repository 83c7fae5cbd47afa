"""The published shapes of answers about kept machines and what was told of them."""

from typing import Annotated, Any, Literal

from pydantic import BaseModel, Field

from fieldworthy.wire.closed import Closed, Count, Id, Provenance, Time, Version

Next = Annotated[str | None, Field(description="`after` of the next page; null: this is the last", max_length=2000)]
Document = Annotated[dict[str, Any], Field(description="the document as it was put")]
Body = Annotated[dict[str, Any], Field(description="as it was told: what a put of it takes")]
Known = Annotated[Time, Field(description="since when the store has known it")]


class KeptMachine(Closed):
    """A machine's document. revision: of the document, from 1; its `ETag`."""

    id: Id
    revision: Version
    known: Known
    document: Document


class MachinePut(KeptMachine):
    """What came of a put. rulebook: the version that the document was checked against."""

    outcome: Literal["kept", "same", "changed"]
    rulebook: Provenance


class Machines(Closed):
    """A page of machines, in the order of their ids."""

    items: Annotated[list[KeptMachine], Field(max_length=200)]
    next: Next


class MachinesPut(Closed):
    """How many machines of a post are new, were there already just so, and were changed. rulebooks: that they were checked against."""

    kept: Count
    same: Count
    changed: Count
    rulebooks: Annotated[list[Provenance], Field(max_length=1000)]


class Record(Closed):
    """Something that was told of a machine, as it stands."""

    id: Id
    known: Known
    record: Body


class RecordPut(Record):
    """What came of a put. rulebook: the version that it was checked against."""

    outcome: Literal["kept", "same", "corrected"]
    rulebook: Provenance


class Records(Closed):
    """A page of what was told, what happened last first. as_of: with it the other pages are of the same state of things."""

    items: Annotated[list[Record], Field(max_length=200)]
    next: Next
    as_of: Time


class RecordsPut(Closed):
    """How many records of a post are new, stood there just so, and correct what stood there. rulebook: they were checked against it."""

    kept: Count
    same: Count
    corrected: Count
    rulebook: Provenance


class RecordState(Closed):
    """One state of a record. superseded: since when a later one stands in its place, null for the newest; record: null: withdrawn."""

    known: Known
    superseded: Time | None
    record: Body | None


class RecordStates(Closed):
    """All states of a record, the oldest first."""

    items: Annotated[list[RecordState], Field(max_length=200)]
    next: Next


ALL: tuple[type[BaseModel], ...] = (
    KeptMachine,
    MachinePut,
    Machines,
    MachinesPut,
    Record,
    RecordPut,
    Records,
    RecordsPut,
    RecordState,
    RecordStates,
)
