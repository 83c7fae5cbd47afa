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
from collections.abc import Callable, Collection, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from random import SystemRandom

import structlog

from fieldworthy.core.base.micros import SECOND
from fieldworthy.usecases.deliveries import DELIVERED, MOST_HURRIED, UNDELIVERED, WAITING, AlertStore, Attempt, Claim
from fieldworthy.usecases.kept import Kept
from fieldworthy.usecases.listeners import GONE, ON, Lane, Listener
from fieldworthy.usecases.one_by_one import AWAY
from fieldworthy.usecases.ports import StoreUnavailable
from fieldworthy.usecases.retrying import BY_MAIL, MOST_RETRY_AFTER, Schedule
from fieldworthy.usecases.sending import Came, Outcome, Sender
from fieldworthy.usecases.tell import letter_of, parcel_of

LEASE_SECONDS = 60.0
"""Longer than any attempt takes (up to 30 s by HTTP, 40 s by mail, and before that 10 s each for a thread and a name), and its note."""

AT_ONCE = 32
"""Attempts under way at one time, in one worker."""

AT_ONCE_EACH = 4
"""Of them, those to one listener: a slow receiver keeps the others waiting no longer than that."""

LEAST_PEACE, MOST_PEACE = 5.0, 300.0
"""Seconds for which a receiver that fails again is left in peace: a quarter of the time that it has been failing, within these."""


log = structlog.get_logger("fieldworthy.deliver")

_CHANCE = SystemRandom()
_COUNTS_EVERY = 30.0  # seconds
_SLACK = 60 * SECOND  # what workers of several releases may differ in, by how long they claim for

Noted = Callable[[Claim, Outcome, str], None]


@dataclass(frozen=True, slots=True)
class Pace:
    """
    How quickly all goes; tests make it faster. lease, least_peace, most_peace: seconds. settle_again: seconds between tries to note.

    rest: seconds for which an organisation is passed by where nothing could be claimed of it.
    """

    schedule: Schedule = field(default_factory=Schedule)
    by_mail: Schedule = field(default_factory=lambda: Schedule(BY_MAIL))
    lease: float = LEASE_SECONDS
    at_once: int = AT_ONCE
    at_once_each: int = AT_ONCE_EACH
    most_hurried: int = MOST_HURRIED
    least_peace: float = LEAST_PEACE
    most_peace: float = MOST_PEACE
    settle_again: float = 1.0
    rest: float = 5.0


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
        self._looked: int | None = None  # the store's time of the last look
        self._to_right: set[int] = set()  # organisations whose times may be of another clock
        self._alone, self._counted_until = True, 0.0  # whether there is one organisation only, and for how long that is taken for true
        self._resting: dict[int, float] = {}  # of which nothing could be claimed: until when, by the process's own clock
        self._served = 0  # the organisation of which something was begun last: it comes last the next time

    @property
    def under_way(self) -> int:
        """Attempts that are being made."""
        return len(self._under_way)

    async def round(self) -> int:
        """
        Claims what is due, of every organisation, and begins to send it; how many. Raises StoreUnavailable, and whatever else is the matter
        with all of them; where it is with some, they rest a while.

        Where there are several, none holds more than half of the places, and whoever was served last comes last: so slow receivers of one
        keep nobody else waiting.
        """
        moment, due = await self._store.due()
        if self._looked is None or moment < self._looked:  # at the beginning, and after the clock was set back
            self._to_right = set(await self._store.organisations())
        self._looked = moment
        there = sorted(each for each in {*due, *self._to_right} if self._resting.get(each, 0.0) <= time.monotonic())
        if not there:
            return 0
        share = self._pace.at_once if await self._is_one(there) else max(1, self._pace.at_once // 2)
        begun, behind, troubles = 0, self._served, dict[int, Exception]()
        for organisation in [*(each for each in there if each > behind), *(each for each in there if each <= behind)]:
            try:
                some = await self._round_of(organisation, share)
            except Exception as trouble:
                troubles[organisation] = trouble
                self._served = organisation
                if isinstance(trouble, StoreUnavailable) and len(troubles) >= AWAY:
                    raise
                continue
            if some:
                begun, self._served = begun + some, organisation
        if troubles and len(troubles) == len(there):
            raise next(iter(troubles.values()))
        for organisation, why in troubles.items():
            self._resting[organisation] = time.monotonic() + self._pace.rest
            log.error("nothing of one organisation can be delivered at the moment", organisation=organisation, exc_info=why)
        return begun

    async def _is_one(self, there: Collection[int]) -> bool:
        """Whether there is one organisation only; looked at again now and then, for somebody may make another."""
        if len(there) > 1:
            return False
        if time.monotonic() >= self._counted_until:
            self._alone = len(await self._store.organisations()) == 1
            self._counted_until = time.monotonic() + _COUNTS_EVERY
        return self._alone

    async def any_ends(self, within: float) -> None:
        """Waits until an attempt that is under way has ended, at most so many seconds."""
        if self._under_way:
            await asyncio.wait(tuple(self._under_way), timeout=within, return_when=asyncio.FIRST_COMPLETED)

    async def finish(self, within: float) -> None:
        """Lets what is under way end, for at most so many seconds; then cuts it off and lets go of its claims, but for mails."""
        if self._under_way:
            await asyncio.wait(tuple(self._under_way), timeout=within)
        left = dict(self._under_way)
        for task in left:
            task.cancel()
        await asyncio.gather(*left, return_exceptions=True)
        for begun in left.values():
            if begun.claim.listener.choice.email is None:  # a mail goes on in its thread: its lease ends by itself
                with suppress(StoreUnavailable):
                    await self._release(begun)

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
            if organisation in self._to_right:
                await kept.deliveries.right(moment, lease + _SLACK)
            claims = await kept.deliveries.claim(moment, lease, self._owner, room, busy)
            mine = self._within_each(claims, each)
            await kept.deliveries.release([claim for claim in claims if claim not in mine])
        self._to_right.discard(organisation)
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
        if not task.cancelled() and task.exception() is not None:  # it could not be noted: the lease ends by itself, and it is sent again
            asyncio.get_running_loop().call_exception_handler({"message": "an attempt failed", "exception": task.exception(), "task": task})

    async def _attempt(self, begun: _Begun) -> None:
        outcome = await self._sent(begun.claim)
        while True:
            try:
                if outcome.came is Came.NOT_TRIED:
                    await self._release(begun)
                    return
                state = await self._note(begun, outcome)
            except StoreUnavailable:
                if time.monotonic() + self._pace.settle_again >= begun.ends:
                    return  # whoever claims it then sends it once more
                await asyncio.sleep(self._pace.settle_again)
            else:
                if self._noted is not None:
                    self._noted(begun.claim, outcome, state)
                return

    async def _sent(self, claim: Claim) -> Outcome:
        """One attempt. What is a fault of our own counts as one that failed: else it would be made again and again, and hold up others."""
        began = time.monotonic()
        try:
            if claim.listener.choice.email is not None:
                return await self._sender.mail(letter_of(claim))
            return await self._sender.send(parcel_of(claim, claim.listener.secrets(time.time_ns() // 1000)))
        except Exception as fault:
            log.error("an attempt failed by a fault of our own", delivery=claim.id, listener=claim.listener.id, exc_info=fault)
            return Outcome(Came.FAILED, trouble="a fault of our own", took=round((time.monotonic() - began) * 1000))

    async def _release(self, begun: _Begun) -> None:
        async with self._store.dispatch(begun.organisation) as kept:
            await kept.deliveries.release([begun.claim])

    async def _note(self, begun: _Begun, outcome: Outcome) -> str:
        """What became of the delivery: the state that it is in."""
        claim = begun.claim
        async with self._store.dispatch(begun.organisation) as kept:
            listener = await kept.listeners.find(claim.listener.id, lock=True)
            moment = await kept.moment()
            attempt = Attempt(moment - outcome.took * 1000, outcome.took, outcome.status, outcome.trouble)
            if outcome.came is Came.DELIVERED:
                await kept.deliveries.settle(claim, attempt, DELIVERED)
                if listener is not None and listener.failing is not None and not self._asks_for_time(claim, listener, moment):
                    await kept.listeners.health(listener.key, None, None)
                    await kept.deliveries.hurry(listener.key, moment, self._pace.most_hurried)
                return DELIVERED
            if outcome.came is Came.GONE:
                await kept.deliveries.settle(claim, attempt, UNDELIVERED)
                if listener is not None and listener.state == ON and listener.choice.url == claim.listener.choice.url:
                    await kept.listeners.change(listener, listener.name, listener.choice, GONE, moment)
                return UNDELIVERED
            schedule = self._pace.schedule if claim.listener.choice.email is None else self._pace.by_mail
            wait = schedule.wait(claim.tries + 1, self._chance(), outcome.retry_after)
            if wait is None:
                await kept.deliveries.settle(claim, attempt, UNDELIVERED)
            else:
                due = moment + round(wait * SECOND)
                if claim.lane != Lane.URGENT:
                    due = claim.listener.choice.when(Lane.ORDER, due)  # quiet hours are kept by what is tried again, too
                await kept.deliveries.settle(claim, attempt, WAITING, due)
            told = claim.listener.choice
            if listener is not None and (listener.choice.url, listener.choice.email) == (
                told.url,
                told.email,
            ):  # what it says now may be right
                await self._leave_in_peace(kept, listener, moment, outcome)
            return UNDELIVERED if wait is None else WAITING

    def _asks_for_time(self, claim: Claim, listener: Listener, moment: int) -> bool:
        """Whether a `Retry-After` came in while this attempt was under way: a hold that is new, and longer than we give by ourselves."""
        return listener.hold is not None and listener.hold != claim.listener.hold and listener.hold > self._peace(listener, moment)

    def _peace(self, listener: Listener, moment: int) -> int:
        """Until when one that is failing is left in peace."""
        long = (moment - (listener.failing or moment)) / SECOND / 4
        return moment + round(min(max(long, self._pace.least_peace), self._pace.most_peace) * SECOND)

    async def _leave_in_peace(self, kept: Kept, listener: Listener, moment: int, outcome: Outcome) -> None:
        """After a failure: since when it fails, and until when it is not asked again."""
        hold = listener.hold
        if listener.failing is not None:
            hold = self._peace(listener, moment)
        if outcome.retry_after:
            asked = moment + round(min(outcome.retry_after, MOST_RETRY_AFTER) * SECOND)
            hold = max(hold or 0, asked)
        elif hold is not None and listener.hold is not None:
            hold = max(hold, listener.hold)  # what another attempt was asked for holds too
        await kept.listeners.health(listener.key, moment if listener.failing is None else listener.failing, hold)
