"""What whoever runs the service sees of what is kept: counts over all organisations together, read when it is asked for.

It is read seldom, and nobody waits for it long: who asks again soon is told the same, and so is who asks while very many organisations are
being counted; where the store is away, or slow, nothing is told.
"""

import asyncio
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import structlog

from fieldworthy.core.base.micros import SECOND
from fieldworthy.usecases.deliveries import UNDELIVERED, WAITING
from fieldworthy.usecases.kept import KeepStore
from fieldworthy.usecases.kept_standings import FITNESS, URGENCY, Scope
from fieldworthy.usecases.ports import StoreUnavailable

FRESH_SECONDS = 10.0
"""For so long the same is told again: several who look, or one who looks often, cost the store no more."""

WITHIN_SECONDS = 3.0
"""Nobody waits longer, for there are other numbers; and where one organisation takes longer, the store is slow."""

LONGEST_SECONDS = 120.0
"""What all of them take longer is given up: so what is told is hardly older."""

log = structlog.get_logger("fieldworthy.watch")


@dataclass(frozen=True, slots=True)
class Watched:
    """
    standings: how many tasks have each; machines: how many are of each fitness; stale: machines whose standings are to be computed anew;
    problems: machines that have no standings, because something is wrong with them. deliveries: how many there are of the states that want
    somebody's eye; oldest: s since the oldest event that waits though it is due, 0 where none does.
    """

    standings: Mapping[str, int] = field(default_factory=dict)
    machines: Mapping[str, int] = field(default_factory=dict)
    stale: int = 0
    problems: int = 0
    deliveries: Mapping[str, int] = field(default_factory=dict)
    oldest: float = 0.0


@dataclass(frozen=True, slots=True)
class Pool:
    """Connections to the database: those in use, those that are open and wait for use, and the most that there may be."""

    used: int
    idle: int
    most: int


class Watch:
    """Reads it from the store."""

    def __init__(
        self,
        store: KeepStore,
        tick: Callable[[], float] = time.monotonic,
        fresh: float = FRESH_SECONDS,
        within: float = WITHIN_SECONDS,
        each: float = WITHIN_SECONDS,
    ) -> None:
        """tick: s that never run back; fresh: s; within: s that who asks waits; each: s that an organisation may take."""
        self._store = store
        self._tick = tick
        self._fresh = fresh
        self._within = within
        self._each = each
        self._told: Watched | None = None
        self._until = -1.0
        self._looking: asyncio.Task[None] | None = None

    async def __call__(self) -> Watched | None:
        """What was counted last; None where it can't be had at the moment, or was never counted to the end. Raises nothing."""
        if self._looking is None and self._tick() >= self._until:
            self._looking = asyncio.create_task(self._look())
        if self._looking is not None:  # one look for all who ask meanwhile, whoever of them leaves
            await asyncio.wait({self._looking}, timeout=self._within)
        return self._told

    async def _look(self) -> None:
        told, began = None, self._tick()
        try:
            async with asyncio.timeout(LONGEST_SECONDS):
                told = await self._read()
        except (StoreUnavailable, TimeoutError) as trouble:
            log.warning("what is kept could not be counted", cause=type(trouble).__name__)
        except Exception:  # whatever it is: all else is still told
            log.exception("what is kept could not be counted")
        finally:
            took = self._tick() - began
            rest = self._fresh if took <= self._within else max(self._fresh, took)  # it is not to count all the time
            self._told, self._until, self._looking = told, self._tick() + rest, None

    async def _read(self) -> Watched:
        standings, machines = dict.fromkeys(URGENCY, 0), dict.fromkeys(FITNESS, 0)
        stale = problems = waiting = undelivered = oldest = 0
        for organisation in await self._store.organisations():
            async with asyncio.timeout(self._each), self._store.look(organisation) as kept:
                moment = await kept.moment()
                found, outbox = await kept.standings.summary(moment, Scope()), await kept.deliveries.outbox(moment)
            stale += found.stale
            problems += found.problems
            waiting += outbox.waiting
            undelivered += outbox.undelivered
            oldest = max(oldest, 0 if outbox.oldest is None else moment - outbox.oldest)
            for word, count in zip(URGENCY, found.counts, strict=True):
                standings[word] += count
            for word, count in zip(FITNESS, found.fits, strict=True):
                machines[word] += count
        return Watched(standings, machines, stale, problems, {WAITING: waiting, UNDELIVERED: undelivered}, oldest / SECOND)
