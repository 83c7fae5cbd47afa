"""Shapes of what is told of listeners and deliveries; written by tests/client/write_shapes.py from the contract."""

from typing import Literal, TypedDict

QuietHoursAnswer = TypedDict("QuietHoursAnswer", {"from": str, "to": str})
QuietHoursAnswer.__doc__ = "Local times."


class DigestAnswer(TypedDict):
    """A local time."""

    at: str


class ListenerAnswer(TypedDict):
    """One listener; its secret is shown when it is made or rotated, and nowhere else. state: `gone` where its receiver answered 410,
    which `on` ends. failing: since when no attempt succeeded; secret_before_until: until when the earlier secret signs too.
    """

    id: str
    revision: int
    name: str
    state: Literal["on", "off", "gone"]
    url: str | None
    email: str | None
    types: list[str]
    sites: list[str]
    kinds: list[str]
    standings: list[str]
    timezone: str
    quiet_hours: QuietHoursAnswer | None
    digest: DigestAnswer | None
    urgent: list[str]
    failing: str | None
    secret_before_until: str | None
    made_at: str
    changed_at: str


class ListenerMade(TypedDict):
    """A listener that was just made. secret: of its signatures (Standard Webhooks), shown this once; null where it is told by mail."""

    listener: ListenerAnswer
    secret: str | None


class Listeners(TypedDict):
    """A page of listeners, in the order of their ids."""

    items: list[ListenerAnswer]
    next: str | None


class SecretRotated(TypedDict):
    """secret: the new one, shown this once; before_until: until then the earlier one signs too."""

    secret: str
    before_until: str


class TestSent(TypedDict):
    """A test that is on its way: `GET /v1/deliveries/{delivery}` tells what became of it."""

    event: str
    delivery: str


class DeliveryAnswer(TypedDict):
    """One event on its way to one listener. at: the event's own time; due: when it is tried next, null where it is not; tries: attempts
    since it was last sent on its way; digest: what it went out in; last_status: of the receiver's answer, null where none came.
    """

    id: str
    event: str
    type: str
    machine: str | None
    listener: str
    at: str
    state: Literal["waiting", "delivered", "undelivered", "dropped"]
    due: str | None
    tries: int
    digest: str | None
    last_at: str | None
    last_status: int | None
    last_trouble: str | None


class Deliveries(TypedDict):
    """A page of deliveries, the newest event first."""

    items: list[DeliveryAnswer]
    next: str | None


class AttemptAnswer(TypedDict):
    """One try. ms: how long it took; status: of the receiver's answer; trouble: what was the matter, null where nothing was."""

    at: str
    ms: int
    status: int | None
    trouble: str | None


class DeliveryWithAttempts(TypedDict):
    """A delivery and its tries, the oldest first."""

    delivery: DeliveryAnswer
    attempts: list[AttemptAnswer]


class SentAgain(TypedDict):
    """How many are on their way again."""

    again: int
