"""What is on its way: a delivery is one event that goes to one listener, an attempt one try of it. Times are whole microseconds, UTC.

A worker claims what is due with a lease, sends it outside of any transaction, and settles it in the next. A claim whose lease ended is
taken over by whoever claims next: so a delivery may be sent twice, with the same id, and is never lost.

Order: for one listener, what is of one machine goes out by number, within its lane: a delivery is not claimed while an earlier one of the
same listener, machine and lane waits. What is of no machine, and what is sent again after it was given up, may pass others.
"""

from collections.abc import Collection, Sequence
from contextlib import AbstractAsyncContextManager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

from fieldworthy.core.base.micros import SECOND
from fieldworthy.usecases.audit import ITSELF, Actor
from fieldworthy.usecases.events import Event
from fieldworthy.usecases.listeners import Lane, Listener

if TYPE_CHECKING:
    from fieldworthy.usecases.kept import Kept

WAITING, DELIVERED, UNDELIVERED, DROPPED = "waiting", "delivered", "undelivered", "dropped"
"""States: on its way; its receiver took it; given up, and kept; its listener was removed, or turned off by its owner."""

STATES = (WAITING, DELIVERED, UNDELIVERED, DROPPED)

MOST_HURRIED = 3
"""So often an event is tried ahead of its schedule, because something else got through."""

DIGEST_PREFIX = "dig_"
"""Of a digest's id; 32 hex digits follow."""

MAIL_EVERY = 600 * SECOND
"""So long a listener that is told by mail gets no other one, but for what is urgent, and tests: what comes up meanwhile goes in one."""

MOST_IN_MAIL = 1000
"""Events of one mail, which tells the first of them in full."""

MOST_IN_DIGEST, MOST_DIGEST_BYTES = 200, 500_000
"""Events of one digest, and its bytes, for many receivers take no more than a million; what is more goes into another one behind it."""


@dataclass(frozen=True, slots=True)
class Delivery:
    """
    One event's way to one listener, as lists tell it. event: the event's number; listener: the listener's key.

    due: when it is tried next, where it waits; hurried: how often it was tried ahead of its time; digest: what it went out in.
    """

    event: int
    event_id: str
    type: str
    machine_id: str | None
    listener: int
    listener_id: str
    at: int
    lane: Lane
    state: str
    due: int
    tries: int
    hurried: int
    digest: str | None
    last_at: int | None
    last_status: int | None
    last_trouble: str | None

    @property
    def id(self) -> str:
        """What it is called outside: `evt_…-lst_…`."""
        return f"{self.event_id}-{self.listener_id}"

    @property
    def place(self) -> tuple[int, int]:
        """Where it stands in lists."""
        return self.event, self.listener


@dataclass(frozen=True, slots=True)
class Attempt:
    """One try. at: when it began; ms: how long it took; status: of the answer, None where there was none; trouble: in a few words."""

    at: int
    ms: int
    status: int | None = None
    trouble: str | None = None


@dataclass(frozen=True, slots=True)
class Claim:
    """
    What is to be sent to a listener in one request or mail: one event, or a digest of some.

    id: the event's, or the digest's: the same at every try; tries: how many there were before this one; hurried: how often ahead of time;
    lease: until when it belongs to `owner`; only then may it be sent.
    """

    id: str
    listener: Listener
    events: Sequence[Event]
    lane: Lane
    tries: int
    hurried: int
    lease: int
    owner: str

    @property
    def is_digest(self) -> bool:
        return self.lane == Lane.DIGEST


@dataclass(frozen=True, slots=True)
class WantedDeliveries:
    """Which deliveries are meant; None: all. listener, machine: their ids; first, until: of the event's `at`, the former included."""

    listener: str | None = None
    state: str | None = None
    machine: str | None = None
    first: int | None = None
    until: int | None = None


@dataclass(frozen=True, slots=True)
class Outbox:
    """
    How it goes. waiting, undelivered: how many; oldest: since when the one waits that waits longest: since it was tried first, in vain,
    whenever it is tried next; or since it is due, if nobody has tried.
    """

    waiting: int
    oldest: int | None
    undelivered: int


class Deliveries(Protocol):
    """
    The deliveries of one organisation, inside one transaction. Rows come here with `Events.add`.

    `settle`, `hurry` and `again` lock the listener: who does several of them in one transaction goes in the order of listeners' keys.
    """

    async def claim(self, moment: int, lease: int, owner: str, most: int, but_not: Collection[int] = ()) -> Sequence[Claim]:
        """
        At most so many that are due, the longest due first, of listeners that are on and not on hold; they belong to `owner` until `lease`.
        What is due in quiet hours, for whatever reason, and is not urgent, is put off until they end.

        but_not: keys of listeners whose turn it is not. At most one digest a listener; a digest that failed comes again as it was. By mail
        new one comes MAIL_EVERY after the last try of the one before at the soonest. Others who claim at the same time get others.
        """

    async def next_due(self, moment: int) -> int | None:
        """
        When the next one comes up that is not due yet, or is on hold; None: nothing does. Of what is in somebody's hands it says nothing:
        a worker looks again at least whenever a lease may have ended.
        """

    async def right(self, moment: int, lease: int) -> int:
        """
        After the clock was set back: of listeners that are to be told something of a time to come, what is put off is tried now (quiet
        hours go by the new clock, and what waits for a digest still does), and a claim beyond `lease` is nobody's; how many.
        """

    async def renew(self, claim: Claim, lease: int) -> bool:
        """Whether it still belongs to its owner; if so, it does until that moment."""

    async def release(self, claims: Sequence[Claim]) -> None:
        """Lets go of what was not tried; anybody may claim it at once."""

    async def settle(self, claim: Claim, attempt: Attempt, state: str, due: int | None = None) -> bool:
        """
        Notes a try, and what becomes of it: DELIVERED, UNDELIVERED, or WAITING, to be tried again at `due` (which what waits behind it is
        not tried before either). False, and only the try is noted, where it was taken over meanwhile, unless it is DELIVERED.
        """

    async def hurry(self, listener: int, moment: int, most_hurried: int) -> int:
        """
        What failed before, and waits for a later try, is tried at that moment instead, or when the quiet hours of then end; how many. Not
        what was hurried so often already, nor what was never tried, but for what was put off behind it.
        """

    async def again(self, listener: int, first: int | None, until: int | None, moment: int) -> int:
        """UNDELIVERED ones of a listener, by the event's `at` (the former included), wait again, as if never tried; how many."""

    async def page(self, wanted: WantedDeliveries, before: tuple[int, int] | None, limit: int) -> Sequence[Delivery]:
        """The newest event first, from before that `place` on."""

    async def find(self, id: str) -> Delivery | None:
        """By its id outside; None also where that can't be one."""

    async def attempts(self, delivery: Delivery) -> Sequence[Attempt]:
        """The oldest first."""

    async def outbox(self, moment: int) -> Outbox: ...


class AlertStore(Protocol):
    """Where a worker finds what it sends. Its blocks raise `ports.StoreUnavailable`."""

    def dispatch(self, organisation: int, actor: Actor = ITSELF) -> AbstractAsyncContextManager["Kept"]:
        """A transaction over `events`, `listeners` and `deliveries` alone: it waits for nobody who keeps machines (but on SQLite)."""

    async def organisations(self) -> Sequence[int]:
        """Of which something may be kept."""

    async def due(self) -> tuple[int, Sequence[int]]:
        """The store's time, and of which organisations something is due and in nobody's hands (its listener may be on hold)."""
