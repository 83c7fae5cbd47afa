"""The published shapes of what is told of readings that came in the shapes of standards."""

from typing import Annotated, Literal

from pydantic import BaseModel, Field

from fieldworthy.usecases.limits import MAX_READINGS
from fieldworthy.wire.closed import Closed, Id, Time
from fieldworthy.wire.readings_answers import ReadingsAnswer


class ReadElement(Closed):
    """Which element, or which counter (`spn 247`), was taken as a reading of which meter."""

    element: Id
    machine: Id
    meter: Id
    at: Time


class NotRead(Closed):
    """An element or counter that is there and is no reading. machine: its id, else what it was called; null where it was called nothing."""

    element: Id
    machine: Id | None
    why: Annotated[
        Literal[
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
        ],
        Field(
            description="`no-identity`: neither a PIN nor a serial number is said; `machine-ambiguous`: two machines have this serial "
            "number, or it is the id of one and the serial number of another; `error`, `not-available`, `reserved`: the codes of a "
            "machine's bus in place of a value"
        ),
    ]


class TelematicsAnswer(ReadingsAnswer):
    """What became of each reading, what each was read from (in the same order), and what was left out."""

    read: Annotated[list[ReadElement], Field(max_length=MAX_READINGS)]
    left_out: Annotated[list[NotRead], Field(max_length=MAX_READINGS)]


ALL: tuple[type[BaseModel], ...] = (TelematicsAnswer,)
