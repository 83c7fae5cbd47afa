"""What is sent to a listener, and what comes of it: the port of the sender."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol


class Came(StrEnum):
    """What an attempt came to. GONE: the receiver wants no more of anything (410); NOT_TRIED: nothing was begun, so it is none."""

    DELIVERED = "delivered"
    FAILED = "failed"
    GONE = "gone"
    NOT_TRIED = "not tried"


@dataclass(frozen=True, slots=True)
class Parcel:
    """
    What one attempt sends. id: of the event or the digest, the same at every attempt, without a dot; body: the same bytes too.

    secrets: to sign with, the newest first.
    """

    url: str
    id: str
    media_type: str
    body: bytes
    secrets: Sequence[str]


@dataclass(frozen=True, slots=True)
class Letter:
    """A mail of plain text. id: as a parcel's; subject, text: whatever they hold, no header comes of it."""

    to: str
    id: str
    subject: str
    text: str


@dataclass(frozen=True, slots=True)
class Outcome:
    """
    status: of the answer, None where none came; trouble: what was the matter, in words for the delivery log, None where nothing was;
    retry_after: seconds that the receiver asks to wait; took: milliseconds.
    """

    came: Came
    status: int | None = None
    trouble: str | None = None
    retry_after: float | None = None
    took: int = 0


class Sender(Protocol):
    """Makes one attempt. Raises nothing but what ends the whole process: whatever goes wrong is an outcome."""

    async def send(self, parcel: Parcel) -> Outcome: ...

    async def mail(self, letter: Letter) -> Outcome: ...
