"""What is told: events, each written in the same transaction as what caused it, and sent later. Each is a CloudEvent (version 1.0).

An event never changes. In an organisation events are numbered in the order in which they were committed: who has read up to one misses
none that comes later. Times are whole microseconds since 1970, UTC.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from fieldworthy.core.base.micros import micros_text

SPEC_VERSION = "1.0"
PREFIX = "evt_"
"""Of an event's id; 32 hex digits follow."""

TASK = "fieldworthy.task."
"""Of the types that tell a task's standing: one of `kept_standings.URGENCY` follows."""

DONE = "fieldworthy.task.done"
DEFERRAL_USED = "fieldworthy.deferral.used"
UNFIT, FIT = "fieldworthy.machine.unfit", "fieldworthy.machine.fit"
FITNESS_UNKNOWN = "fieldworthy.machine.fitness_unknown"
SILENT = "fieldworthy.meter.silent"
SET_ASIDE = "fieldworthy.readings.set_aside"
PUBLISHED = "fieldworthy.rulebook.published"
TEST = "fieldworthy.listener.test"

TYPES = (
    *(f"{TASK}{standing}" for standing in ("upcoming", "due", "overdue", "unknown", "clear")),
    *(DONE, DEFERRAL_USED, UNFIT, FIT, FITNESS_UNKNOWN, SILENT, SET_ASIDE, PUBLISHED, TEST),
)
"""All that there are. A listener chooses among them (but the test, which goes only to the one that is tested)."""


@dataclass(frozen=True, slots=True)
class NewEvent:
    """
    One that is to be written.

    at: when it came about; subject: what it is about, a path as `machines/r5-17/tasks/grease`; data: plain data, below 20 kB as JSON.
    machine: the store's own key, None where it is about no machine of the store; machine_id, site: of that machine; task, kind, standing:
    where it is about a task. What a listener filters by is taken from these, not from `data`.
    """

    type: str
    at: int
    subject: str
    data: Mapping[str, Any]
    machine: int | None = None
    machine_id: str | None = None
    site: str | None = None
    task: str | None = None
    kind: str | None = None
    standing: str | None = None


@dataclass(frozen=True, slots=True)
class Event:
    """One that was written. n: its number; source: whose it is, a URI reference; body: its data, as JSON text."""

    n: int
    id: str
    source: str
    at: int
    type: str
    subject: str
    machine: int | None
    machine_id: str | None
    site: str | None
    task: str | None
    kind: str | None
    standing: str | None
    body: str

    def to_json(self) -> dict[str, Any]:
        """As CloudEvents' JSON format has it: the same at whatever time it is written."""
        return {
            "specversion": SPEC_VERSION,
            "id": self.id,
            "source": self.source,
            "type": self.type,
            "subject": self.subject,
            "time": micros_text(self.at),
            "datacontenttype": "application/json",
            "data": json.loads(self.body),
        }


@dataclass(frozen=True, slots=True)
class WantedEvents:
    """Which events are meant; None: all. machine: its id; first, until: of `at`, the former included."""

    type: str | None = None
    machine: str | None = None
    first: int | None = None
    until: int | None = None


class Events(Protocol):
    """The events of one organisation, inside one transaction, at whose end what was added is written, numbered and fanned out."""

    def add(self, new: Sequence[NewEvent], only: int | None = None) -> Sequence[str]:
        """
        Events to be written when the transaction ends, with a delivery to every listener that is on and whose choice they match; their
        ids. only: the key of the one listener that they go to, whatever it chose (a test); where that is not on, to nobody.
        """

    async def find(self, id: str) -> Event | None: ...

    async def numbered(self, numbers: Sequence[int]) -> Mapping[int, Event]:
        """Those that there are, by number."""

    async def page(self, wanted: WantedEvents, after: int, limit: int) -> Sequence[Event]:
        """The oldest first, from behind the number `after` on (0: from the first)."""

    async def newest(self) -> int:
        """The number of the newest one, 0 where there is none."""

    async def forget(self, before: int, most: int) -> int:
        """Forgets events of before that moment of which nothing waits any more, with deliveries and attempts; how many, at most so."""
