"""The shapes of readings in bulk, and of how those that were set aside are settled."""

from typing import Annotated, NotRequired

from pydantic import Field, with_config
from typing_extensions import TypedDict

from fieldworthy.usecases.limits import MAX_READINGS
from fieldworthy.wire.scalars import PRINTABLE, STRICT, Name, Number, When, Words

UnitWord = Annotated[
    str,
    Field(
        strict=True,
        min_length=1,
        max_length=30,
        pattern=PRINTABLE,
        description="ours (`h`, `km`) or its UCUM code; absent: the meter's own",
    ),
]


@with_config(STRICT)
class SentReadingIn(TypedDict):
    """What a meter's dial showed at a time."""

    machine: Name
    meter: Name
    value: Number
    unit: NotRequired[UnitWord]
    at: When


SentReadings = Annotated[list[SentReadingIn], Field(max_length=MAX_READINGS, description="in any order, repeated ones too")]


@with_config(STRICT)
class ReadingsIn(TypedDict):
    """Many readings."""

    readings: SentReadings


@with_config(STRICT)
class ReadAsIn(TypedDict):
    """What the dial showed in truth."""

    value: Number
    unit: NotRequired[UnitWord]


@with_config(STRICT)
class NewDialIn(TypedDict):
    """The meter was replaced: when, what the old dial showed last and the new one first, in the meter's own unit."""

    at: When
    old_value: Annotated[Number, Field(ge=0)]
    new_value: Annotated[Number, Field(ge=0)]


AcceptIn = TypedDict("AcceptIn", {"by": Name, "why": Words, "as": NotRequired[ReadAsIn], "replaced_meter": NotRequired[NewDialIn]})
AcceptIn.__doc__ = "Who accepts a reading that was set aside, and why; as what, where not as it was sent."
with_config(STRICT)(AcceptIn)


@with_config(STRICT)
class DismissIn(TypedDict):
    """Who dismisses a reading that was set aside, and why."""

    by: Name
    why: Words
