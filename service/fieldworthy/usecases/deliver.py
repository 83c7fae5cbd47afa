"""One round of a worker: claims what is due, sends it outside of any transaction, and notes what came of it.

What is told arrives at least once, with the same id each time. A claim has a lease that is longer than any attempt: so who claims sends,
and who is killed in the middle leaves it to whoever claims after the lease. Between an answer and the note of it a process may end, or the
database be away; then it is sent once more, and a receiver that knows ids sees it once.

A receiver that fails is left in peace: after a second failure in a row nothing of its listener is tried until a while has passed, so that
a day's events do not all burn their tries on a receiver that is down. What failed while it was down is tried again as soon as something
gets through; so often at most that one event that always fails does not use up its tries at the pace of all others.
"""

import asyncio
import time
from collections import Counter
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from random import SystemRandom

from fieldworthy.core.base.micros import SECOND
from fieldworthy.usecases.deliveries import DELIVERED, UNDELIVERED, WAITING, AlertStore, Attempt, Claim
from fieldworthy.usecases.kept import Kept
from fieldworthy.usecases.listeners import GONE, ON, Lane, Listener
from fieldworthy.usecases.ports import StoreUnavailable
from fieldworthy.usecases.retrying import MOST_RETRY_AFTER, Schedule
from fieldworthy.usecases.sending import Came, Outcome, Sender
from fieldworthy.usecases.tell import letter_of, parcel_of

LEASE_SECONDS = 60.0
"""Longer than any attempt takes (20 s by HTTP, 40 s by mail), and than it takes to note it."""

AT_ONCE = 32
"""Attempts under way at one time, in one worker."""

AT_ONCE_EACH = 4
"""Of them, those to one listener: a slow receiver keeps the others waiting no longer than that."""

MOST_HURRIED = 3
"""So often an event is tried ahead of its schedule, because something else got through."""

LEAST_PEACE, MOST_PEACE = 5.0, 300.0
"""Seconds for which a receiver that fails again is left in peace: a quarter of the time that it has been failing, within these."""


_CHANCE = SystemRandom()
_SLACK = 60 * SECOND  # what workers of several releases may differ in, by how long they claim for

Noted = Callable[[Claim, Outcome, str], None]


@dataclass(frozen=True, slots=True)
class Pace:
    """How quickly all goes; tests make it faster. lease, least_peace, most_peace: seconds. settle_again: seconds between tries to note."""

    schedule: Schedule = field(default_factory=Schedule)
    lease: float = LEASE_SECONDS
    at_once: int = AT_ONCE
    at_once_each: int = AT_ONCE_EACH
    most_hurried: int = MOST_HURRIED
    least_peace: float = LEAST_PEACE
    most_peace: float = MOST_PEACE
    settle_again: float = 1.0


@dataclass(frozen=True, slots=True)
class _Begun:
    organisation: int
    claim: Claim
    ends: float
    """By the process's own clock: when its lease is over."""


class Deliver:
    """
    A worker's hands. owner: its name in claims, another one for each process and each start.

    chance: gives numbers from 0 to 1; noted: is told of each attempt and what became of the delivery, for logs and metrics.
    """

    def __init__(
        self,
        store: AlertStore,
        sender: Sender,
        owner: str,
        pace: Pace | None = None,
        chance: Callable[[], float] = _CHANCE.random,
        noted: Noted | None = None,
    ) -> None:
        self._store = store
        self._sender = sender
        self._owner = owner
        self._pace = pace or Pace()
        self._chance = chance
        self._noted = noted
        self._under_way: dict[asyncio.Task[None], _Begun] = {}
        self._looked: dict[int, int] = {}  # of each organisation, the store's time of the last look
        self._served = 0  # the organisation of which something was begun last: it comes last the next time

    @property
    def under_way(self) -> int:
        """Attempts that are being made."""
        return len(self._under_way)

    async def round(self) -> int:
        """
        Claims what is due, of every organisation, and begins to send it; how many. Raises StoreUnavailable.

        Where there are several, none holds more than half of the places, and whoever was served last comes last: so slow receivers of one
        keep nobody else waiting.
        """
        begun = 0
        there = sorted(await self._store.organisations())
        share = self._pace.at_once if len(there) == 1 else max(1, self._pace.at_once // 2)
        behind = self._served
        for organisation in [*(each for each in there if each > behind), *(each for each in there if each <= behind)]:
            some = await self._round_of(organisation, share)
            if some:
                begun, self._served = begun + some, organisation
        return begun

    async def any_ends(self, within: float) -> None:
        """Waits until an attempt that is under way has ended, at most so many seconds."""
        if self._under_way:
            await asyncio.wait(tuple(self._under_way), timeout=within, return_when=asyncio.FIRST_COMPLETED)

    async def finish(self, within: float) -> None:
        """Lets what is under way end, for at most so many seconds; then cuts it off and lets go of its claims."""
        if self._under_way:
            await asyncio.wait(tuple(self._under_way), timeout=within)
        left = dict(self._under_way)
        for task in left:
            task.cancel()
        await asyncio.gather(*left, return_exceptions=True)
        for begun in left.values():
            with suppress(StoreUnavailable):  # its lease ends by itself
                async with self._store.dispatch(begun.organisation) as kept:
                    await kept.deliveries.release([begun.claim])

    async def _round_of(self, organisation: int, share: int) -> int:
        each = Counter(begun.claim.listener.key for begun in self._under_way.values() if begun.organisation == organisation)
        room = min(self._pace.at_once - len(self._under_way), share - each.total())
        if room <= 0:
            return 0
        busy = [key for key, n in each.items() if n >= self._pace.at_once_each]
        asked = time.monotonic()
        async with self._store.dispatch(organisation) as kept:
            moment = await kept.moment()
            lease = moment + round(self._pace.lease * SECOND)
            if moment < self._looked.get(organisation, moment + 1):  # at the beginning, and after the clock was set back
                await kept.deliveries.right(moment, lease + _SLACK)
            self._looked[organisation] = moment
            claims = await kept.deliveries.claim(moment, lease, self._owner, room, busy)
            mine = self._within_each(claims, each)
            await kept.deliveries.release([claim for claim in claims if claim not in mine])
        for claim in mine:
            begun = _Begun(organisation, claim, asked + self._pace.lease)
            task = asyncio.create_task(self._attempt(begun))
            self._under_way[task] = begun
            task.add_done_callback(self._ended)
        return len(mine)

    def _within_each(self, claims: Sequence[Claim], each: Counter[int]) -> list[Claim]:
        mine = []
        for claim in claims:
            if each[claim.listener.key] < self._pace.at_once_each:
                each[claim.listener.key] += 1
                mine.append(claim)
        return mine

    def _ended(self, task: asyncio.Task[None]) -> None:
        self._under_way.pop(task, None)
        if not task.cancelled() and task.exception() is not None:  # a fault of our own: the lease ends by itself, and it is sent again
            asyncio.get_running_loop().call_exception_handler({"message": "an attempt failed", "exception": task.exception(), "task": task})

    async def _attempt(self, begun: _Begun) -> None:
        claim = begun.claim
        listener = claim.listener
        began = time.time_ns() // 1000
        if listener.choice.email is not None:
            outcome = await self._sender.mail(letter_of(claim))
        else:
            outcome = await self._sender.send(parcel_of(claim, listener.secrets(began)))
        while True:
            try:
                state = await self._note(begun, outcome)
            except StoreUnavailable:
                if time.monotonic() + self._pace.settle_again >= begun.ends:
                    return  # whoever claims it then sends it once more
                await asyncio.sleep(self._pace.settle_again)
            else:
                if self._noted is not None:
                    self._noted(claim, outcome, state)
                return

    async def _note(self, begun: _Begun, outcome: Outcome) -> str:
        """What became of the delivery: the state that it is in."""
        claim = begun.claim
        async with self._store.dispatch(begun.organisation) as kept:
            listener = await kept.listeners.find(claim.listener.id, lock=True)
            moment = await kept.moment()
            attempt = Attempt(moment - outcome.took * 1000, outcome.took, outcome.status, outcome.trouble)
            if outcome.came is Came.DELIVERED:
                await kept.deliveries.settle(claim, attempt, DELIVERED)
                if listener is not None and listener.failing is not None:
                    await kept.listeners.health(listener.key, None, None)
                    await kept.deliveries.hurry(listener.key, moment, self._pace.most_hurried)
                return DELIVERED
            if outcome.came is Came.GONE:
                await kept.deliveries.settle(claim, attempt, UNDELIVERED)
                if listener is not None and listener.state == ON and listener.choice.url == claim.listener.choice.url:
                    await kept.listeners.change(listener, listener.name, listener.choice, GONE, moment)
                return UNDELIVERED
            wait = self._pace.schedule.wait(claim.tries + 1, self._chance(), outcome.retry_after)
            if wait is None:
                await kept.deliveries.settle(claim, attempt, UNDELIVERED)
            else:
                due = moment + round(wait * SECOND)
                if claim.lane != Lane.URGENT:
                    due = claim.listener.choice.when(Lane.ORDER, due)  # quiet hours are kept by what is tried again, too
                await kept.deliveries.settle(claim, attempt, WAITING, due)
            if listener is not None:
                await self._leave_in_peace(kept, listener, moment, outcome)
            return UNDELIVERED if wait is None else WAITING

    async def _leave_in_peace(self, kept: Kept, listener: Listener, moment: int, outcome: Outcome) -> None:
        """After a failure: since when it fails, and until when it is not asked again."""
        hold = listener.hold
        if listener.failing is not None:
            long = (moment - listener.failing) / SECOND / 4
            hold = moment + round(min(max(long, self._pace.least_peace), self._pace.most_peace) * SECOND)
        if outcome.retry_after:
            asked = moment + round(min(outcome.retry_after, MOST_RETRY_AFTER) * SECOND)
            hold = max(hold or 0, asked)
        await kept.listeners.health(listener.key, moment if listener.failing is None else listener.failing, hold)
