"""The audit trail: who changed what, when, from what to what.

A change is noted by the room of the store that makes it, and written in its transaction: so there is never one without the other. What
changed nothing notes nothing. A trail only grows; nothing here, and nothing in the database, changes or deletes what stands in it.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

KEY, TOKEN, COMMAND, OPEN, SERVICE = "key", "token", "command line", "no keys", "service"
"""By what way a change came: by a key, by a token, by a command on the database, from anybody (no keys), of the service's own accord."""

WAYS = (KEY, TOKEN, COMMAND, OPEN, SERVICE)

READINGS = "readings"
"""The kind of thing that a whole post of readings is: one line of the trail."""

NOTED = (
    *("machine", READINGS, "set-aside", "retention", "restore", "draft", "version", "reader", "organisation", "key", "listener"),
    *("done", "working-condition", "occurrence", "evidence", "found", "deferral", "meter-replacement", "work", "put-on"),
)
"""The kinds of things that are told of: those of the second line as what is told of machines is called."""

MOST_NAMED = 100
"""So many readings that were set aside are named one by one."""


@dataclass(frozen=True, slots=True)
class Actor:
    """
    Who changes something. way: one of WAYS; id: of the key, or the token's subject; name: the key's; by: the person whom the request names.
    """

    way: str
    id: str | None = None
    name: str | None = None
    by: str | None = None


ITSELF = Actor(SERVICE)
COMMAND_LINE = Actor(COMMAND)


@dataclass(frozen=True, slots=True)
class Change:
    """
    One line of a trail. n: counted from 1, in the order in which the changes were committed, without a gap; at: microseconds since 1970,
    the `known` of what was kept, where that has one; id: of the thing, None where there is none; machine: whose it is; before, after: JSON,
    None for what was not there, or is no more.
    """

    n: int
    at: int
    actor: Actor
    kind: str
    id: str | None
    machine: str | None
    before: str | None
    after: str | None


@dataclass(frozen=True, slots=True)
class Looked:
    """Which changes are asked for; None: all. first, until: of `at`, the former included; who: of the key, the subject, or the person."""

    first: int | None = None
    until: int | None = None
    who: str | None = None
    kind: str | None = None
    id: str | None = None


class Trail(Protocol):
    """The trail of one organisation, inside one transaction, at whose end what was noted is written."""

    def note(self, kind: str, id: str | None, at: int | None, before: object, after: object) -> None:
        """One change. at: None: now; before, after: plain data, None for nothing."""

    async def page(self, looked: Looked, before: int | None, limit: int) -> Sequence[Change]:
        """The newest first, from before the number `before` on."""
