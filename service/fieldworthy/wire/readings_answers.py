"""The published shapes of what is told of readings: what became of each, those that were set aside, and what is kept."""

from typing import Annotated, Any, Literal

from pydantic import BaseModel, Field

from fieldworthy.usecases.limits import MAX_PAGE, MAX_READINGS
from fieldworthy.wire.closed import Closed, Count, Id, Quantity, Real, Text, Time

Key = Annotated[str, Field(pattern="^[0-9a-f]{40}$", max_length=40)]
Values = Annotated[dict[str, Any], Field(description="what the sentence speaks of")]
Next = Annotated[str | None, Field(max_length=500, description="what `after` takes for the next page; null at the end")]


class AsideTold(Closed):
    """
    One reading of a post that was set aside. index: its place in the post, from 0; id: what it is accepted or dismissed by, null for a key
    without the scope `read`, which is told of nothing that is kept.
    """

    index: Count
    id: Key | None
    why: Id
    text: Text
    values: Values
    mend: Text


class ReadingsAnswer(Closed):
    """What became of each reading, in the order in which they were sent. `same`: that value is kept for that moment already."""

    kept: Count
    same: Count
    set_aside: Count
    readings: Annotated[list[Literal["kept", "same", "set-aside"]], Field(max_length=MAX_READINGS)]
    aside: Annotated[list[AsideTold], Field(max_length=MAX_READINGS)]


class ShownReading(Quantity):
    """What a dial showed at a moment."""

    at: Time


class NewDial(Closed):
    """The replacement that a reading was accepted with."""

    at: Time
    old_value: Real
    new_value: Real


class ReadAs(Closed):
    """What a reading was accepted as. unit: null for the meter's own."""

    value: Real
    unit: Id | None


class AsideSettlement(Closed):
    """
    How a reading was settled. done: `kept` where it was sent again later, or another was accepted or a replaced meter told of, and it
    fitted then; withdrawn, also_kept: at most 100, the oldest first.
    """

    done: Literal["accepted", "dismissed", "kept"]
    at: Time
    by: Id | None
    why: Text | None
    read_as: ReadAs | None
    replaced_meter: NewDial | None
    withdrawn: Annotated[list[ShownReading], Field(max_length=100, description="what was kept, contradicted it, and is no longer kept")]
    withdrawn_in_all: Count
    also_kept: Annotated[list[Key], Field(max_length=100, description="what waited of the same meter, fitted beside this one, and is kept")]
    also_kept_in_all: Count


class AsideItem(Closed):
    """
    A reading that was set aside, as it was sent, and why. unit: null where none was sent; settled: null while it waits; earlier: how it
    was settled before it waited again, or was accepted after all, the newest last, at most 10.
    """

    id: Key
    machine: Id
    meter: Id
    value: Real
    unit: Id | None
    at: Time
    why: Id
    text: Text
    values: Values
    mend: Text
    set_aside_at: Time
    settled: AsideSettlement | None
    earlier: Annotated[list[AsideSettlement], Field(max_length=10)]


class AsidePage(Closed):
    """Readings that were set aside."""

    items: Annotated[list[AsideItem], Field(max_length=MAX_PAGE)]
    next: Next


class KeptReading(Closed):
    """One kept reading. unit: as it was sent, else the meter's own (null where the rulebook no longer has it); kept_at: since when."""

    meter: Id
    value: Real
    unit: Id | None
    at: Time
    kept_at: Time


class KeptReadingsPage(Closed):
    """Kept readings of one machine. as_of: what was known of the machine at this moment was asked."""

    items: Annotated[list[KeptReading], Field(max_length=MAX_PAGE)]
    next: Next
    as_of: Time
    thinned_before: Annotated[
        Time | None,
        Field(description="readings from before it were asked for too, and some of those were thinned out; null: none that was asked for"),
    ]


ALL: tuple[type[BaseModel], ...] = (ReadingsAnswer, AsideItem, AsidePage, KeptReadingsPage)
