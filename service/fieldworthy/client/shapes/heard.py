"""Shapes of who is to be told; written by tests/client/write_shapes.py from the contract."""

from datetime import datetime
from typing import Literal, NotRequired, TypedDict

QuietHours = TypedDict("QuietHours", {"from": str, "to": str})
QuietHours.__doc__ = "What comes up between these local times (over midnight, where `to` is earlier) waits until they end."


class DigestIn(TypedDict):
    """Once a day, at this local time, all at once."""

    at: str


class ListenerPostIn(TypedDict):
    """A new listener. id: one of your own, which no listener of yours has or had; absent: one is made."""

    name: str
    url: NotRequired[str]
    email: NotRequired[str]
    types: NotRequired[
        list[
            Literal[
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
            ]
        ]
    ]
    sites: NotRequired[list[str]]
    kinds: NotRequired[list[str]]
    standings: NotRequired[list[Literal["overdue", "due", "unknown", "upcoming", "clear"]]]
    timezone: NotRequired[str]
    quiet_hours: NotRequired[QuietHours]
    digest: NotRequired[DigestIn]
    urgent: NotRequired[
        list[
            Literal[
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
            ]
        ]
    ]
    id: NotRequired[str]


class ListenerPutIn(TypedDict):
    """The whole listener. state: absent, it stays as it is; `on` turns one on again that was off, or gone."""

    name: str
    url: NotRequired[str]
    email: NotRequired[str]
    types: NotRequired[
        list[
            Literal[
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
            ]
        ]
    ]
    sites: NotRequired[list[str]]
    kinds: NotRequired[list[str]]
    standings: NotRequired[list[Literal["overdue", "due", "unknown", "upcoming", "clear"]]]
    timezone: NotRequired[str]
    quiet_hours: NotRequired[QuietHours]
    digest: NotRequired[DigestIn]
    urgent: NotRequired[
        list[
            Literal[
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
            ]
        ]
    ]
    state: NotRequired[Literal["on", "off"]]


class RotateIn(TypedDict):
    """overlap_hours: for so long the earlier secret signs too; absent: 24."""

    overlap_hours: NotRequired[int]


AgainIn = TypedDict("AgainIn", {"listener": str, "from": NotRequired[str | datetime], "to": NotRequired[str | datetime]})
AgainIn.__doc__ = "Events of that listener from a time on (included) to another (excluded) that stayed undelivered."
