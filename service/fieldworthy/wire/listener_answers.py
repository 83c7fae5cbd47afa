"""The published shapes of listeners and deliveries."""

from typing import Annotated, Literal

from pydantic import BaseModel, Field

from fieldworthy.usecases.deliveries import STATES
from fieldworthy.wire.closed import Closed, Count, Id, Time, Version
from fieldworthy.wire.kept_answers import Next

_Some = Annotated[list[Id], Field(max_length=100)]
_Url = Annotated[str, Field(max_length=2000)]
_Words = Annotated[str, Field(max_length=1000)]
_Clock = Annotated[str, Field(max_length=5)]
State = Literal["on", "off", "gone"]
DeliveryState = Annotated[str, Field(json_schema_extra={"enum": list(STATES)})]
Ms = Annotated[int, Field(ge=0, le=2**31 - 1, json_schema_extra={"format": "int32"})]


class QuietHoursAnswer(Closed):
    """Local times."""

    from_: Annotated[_Clock, Field(alias="from")]
    to: _Clock


class DigestAnswer(Closed):
    """A local time."""

    at: _Clock


class ListenerAnswer(Closed):
    """
    One listener; its secret is shown when it is made or rotated, and nowhere else. state: `gone` where its receiver answered 410, which
    `on` ends. failing: since when no attempt succeeded; secret_before_until: until when the earlier secret signs too.
    """

    id: Id
    revision: Version
    name: Id
    state: State
    url: _Url | None
    email: Id | None
    types: _Some
    sites: _Some
    kinds: _Some
    standings: _Some
    timezone: Id
    quiet_hours: QuietHoursAnswer | None
    digest: DigestAnswer | None
    urgent: _Some
    failing: Time | None
    secret_before_until: Time | None
    made_at: Time
    changed_at: Time


class ListenerMade(Closed):
    """A listener that was just made. secret: of its signatures (Standard Webhooks), shown this once; null where it is told by mail."""

    listener: ListenerAnswer
    secret: Annotated[str, Field(max_length=120)] | None


class SecretRotated(Closed):
    """secret: the new one, shown this once; before_until: until then the earlier one signs too."""

    secret: Annotated[str, Field(max_length=120)]
    before_until: Time


class Listeners(Closed):
    """A page of listeners, in the order of their ids."""

    items: Annotated[list[ListenerAnswer], Field(max_length=200)]
    next: Next


class TestSent(Closed):
    """A test that is on its way: `GET /v1/deliveries/{delivery}` tells what became of it."""

    event: Id
    delivery: Id


class DeliveryAnswer(Closed):
    """
    One event on its way to one listener. at: the event's own time; due: when it is tried next, null where it is not; tries: attempts since
    it was last sent on its way; digest: what it went out in; last_status: of the receiver's answer, null where none came.
    """

    id: Id
    event: Id
    type: Id
    machine: Id | None
    listener: Id
    at: Time
    state: DeliveryState
    due: Time | None
    tries: Count
    digest: Id | None
    last_at: Time | None
    last_status: Count | None
    last_trouble: _Words | None


class Deliveries(Closed):
    """A page of deliveries, the newest event first."""

    items: Annotated[list[DeliveryAnswer], Field(max_length=200)]
    next: Next


class AttemptAnswer(Closed):
    """One try. ms: how long it took; status: of the receiver's answer; trouble: what was the matter, null where nothing was."""

    at: Time
    ms: Ms
    status: Count | None
    trouble: _Words | None


class DeliveryWithAttempts(Closed):
    """A delivery and its tries, the oldest first."""

    delivery: DeliveryAnswer
    attempts: Annotated[list[AttemptAnswer], Field(max_length=10_000)]


class SentAgain(Closed):
    """How many are on their way again."""

    again: Count


ALL: tuple[type[BaseModel], ...] = (
    *(ListenerAnswer, ListenerMade, SecretRotated, Listeners, TestSent),
    *(Deliveries, DeliveryWithAttempts, SentAgain),
)
