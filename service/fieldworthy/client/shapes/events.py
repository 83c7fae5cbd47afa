"""Shapes of events; written by tests/client/write_shapes.py from the contract."""

from typing import Any, Literal, TypedDict


class CloudEvent(TypedDict):
    """One event, a CloudEvent of version 1.0. source and id: the same pair is the same event, however often it comes; subject: what it
    is about, as `machines/r5-17/tasks/chain-oil`; time: when it came about; data: what it tells, by type (README, "Events").
    """

    specversion: Literal["1.0"]
    id: str
    source: str
    type: Literal[
        "fieldworthy.task.upcoming",
        "fieldworthy.task.due",
        "fieldworthy.task.overdue",
        "fieldworthy.task.unknown",
        "fieldworthy.task.clear",
        "fieldworthy.task.done",
        "fieldworthy.deferral.used",
        "fieldworthy.machine.unfit",
        "fieldworthy.machine.fit",
        "fieldworthy.machine.fitness_unknown",
        "fieldworthy.meter.silent",
        "fieldworthy.readings.set_aside",
        "fieldworthy.rulebook.published",
        "fieldworthy.listener.test",
    ]
    subject: str
    time: str
    datacontenttype: Literal["application/json"]
    data: dict[str, Any]


class EventsPage(TypedDict):
    """A page of events, the oldest first. next: as `after` it gives the page behind this one, null where there are no more yet; resume:
    as `after` it gives what comes later, null while there was none at all.
    """

    items: list[CloudEvent]
    next: str | None
    resume: str | None
