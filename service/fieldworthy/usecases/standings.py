"""The standings of the fleet: computed by the same functions as every answer, kept ready, and computed anew where they may have changed.

A machine's standings are computed anew when anything of it is kept, when its local day is over, when something that was told for a later
time of the day comes to hold, and when its rulebook has a newer version. Between those times they are as they were at `computed_at`.
"""

import asyncio
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass

from fieldworthy.usecases.announce import SILENT_DAYS
from fieldworthy.usecases.ask_kept_due import read_kept
from fieldworthy.usecases.asking import Finders
from fieldworthy.usecases.audit import ITSELF
from fieldworthy.usecases.compute_standings import Compute, Writing
from fieldworthy.usecases.kept import KeepStore, Kept, Machine
from fieldworthy.usecases.kept_standings import FITNESS, Computed, Place, Row, Scope, Summary, Wanted
from fieldworthy.usecases.one_by_one import one_by_one
from fieldworthy.usecases.ports import StoreUnavailable
from fieldworthy.usecases.tally import Tally

AT_A_REQUEST = 16
"""Machines that a request computes anew before it answers: so a small fleet is always fresh."""

AT_ONCE = 8
"""Machines that are computed between two short transactions."""

SHOWN = 100
"""Machines that have a problem, or are not fit, that an answer names."""

_EVERYTHING = Scope()


class Recompute:
    """Computes standings that are stale. Several processes may do so at the same time; within one, one after the other."""

    def __init__(
        self, store: KeepStore, find: Finders, writing: Writing, silent_days: int = SILENT_DAYS, tally: Tally | None = None
    ) -> None:
        """silent_days: without a reading, after which a meter is silent, 0: none is; tally: what counts how long each machine took."""
        self._store = store
        self._find = find
        self._writing = writing
        self._silent_days = silent_days
        self._tally = tally or Tally()
        self._one_at_a_time = asyncio.Lock()
        self.wanted = asyncio.Event()  # set where something was kept, or a request saw more than it could compute itself

    async def __call__(self, organisation: int, most: int, scope: Scope = _EVERYTHING) -> int:
        """At most so many machines, in short transactions; how many there were."""
        done = 0
        while done < most:
            async with self._one_at_a_time:
                found = await self._some(organisation, min(AT_ONCE, most - done), scope)
            done += found
            if found < AT_ONCE:
                break
        return done

    async def everywhere(self) -> None:
        """All that is stale of all organisations; of each a few machines at a time, so that a large fleet keeps nobody waiting."""

        async def some(organisation: int) -> bool:
            return await self(organisation, AT_ONCE) == AT_ONCE

        await one_by_one(await self._store.organisations(), some)

    async def _some(self, organisation: int, most: int, scope: Scope) -> int:
        async with self._store.look(organisation) as kept:
            moment = await kept.moment()
            machines = await kept.machines.by_key(await kept.standings.stale(moment, most, scope))
            reads = await read_kept(kept, sorted(machines.values(), key=lambda machine: machine.key))  # which is the order of their events
        compute = Compute(self._find.of(organisation), self._writing, self._silent_days)
        made = []
        for read in reads:
            with self._tally.evaluating("standings"):
                made.append(await compute(read, moment))
            await asyncio.sleep(0)  # others have their turn
        if made:
            async with self._store.keep(organisation, ITSELF) as kept:
                await kept.machines.lock([read.machine.id for read in reads])
                await kept.standings.put(made)
        return len(made)


@dataclass(frozen=True, slots=True)
class Standing:
    """One task of one machine in the fleet's list."""

    row: Row
    machine: Machine
    computed: Computed


@dataclass(frozen=True, slots=True)
class Fleet:
    """
    A page of the fleet's standings. next: the place to go on after; counts: by urgency, of all pages.

    not_fit: the machines of the scope that must not work, and those of which that is not known, at most SHOWN.
    thinned: of a moment before it, when the readings of all of them were whole; else None.
    """

    items: Sequence[Standing]
    next: Place | None
    summary: Summary
    counts: Mapping[int, int]
    problems: Sequence[tuple[str, Computed]]
    not_fit: Sequence[tuple[Machine, Computed]]
    thinned: int | None = None


class AskFleet:
    """Where the tasks of the whole fleet stand, from what is kept ready."""

    def __init__(self, store: KeepStore, recompute: Recompute) -> None:
        self._store = store
        self._recompute = recompute

    async def __call__(self, organisation: int, wanted: Wanted, after: Place | None, limit: int) -> Fleet:
        """What a few machines may have changed is computed first; what is left is told as stale, and computed soon after."""
        async with self._store.look(organisation) as kept:
            summary = await kept.standings.summary(await kept.moment(), wanted.scope)
            if not summary.stale:
                return await _page(kept, wanted, after, limit, summary)
        with suppress(StoreUnavailable):  # where nothing can be written, what there is can still be read
            await self._recompute(organisation, AT_A_REQUEST, wanted.scope)
        async with self._store.look(organisation) as kept:
            summary = await kept.standings.summary(await kept.moment(), wanted.scope)
            if summary.stale:
                self._recompute.wanted.set()
            return await _page(kept, wanted, after, limit, summary)


async def _page(kept: Kept, wanted: Wanted, after: Place | None, limit: int, summary: Summary) -> Fleet:
    rows = await kept.standings.page(wanted, after, limit + 1)
    shown = rows[:limit]
    computed = await kept.standings.computed({row.machine for row in shown})
    items = [Standing(row, *computed[row.machine]) for row in shown]
    following = shown[-1].place if len(rows) > limit else None
    problems = await kept.standings.problems(wanted.scope, SHOWN) if summary.problems else ()
    not_fit = await kept.standings.not_fit(wanted.scope, SHOWN) if any(summary.fits[: FITNESS.index("fit")]) else ()
    return Fleet(items, following, summary, await _counts(kept, wanted, summary), problems, not_fit)


async def _counts(kept: Kept, wanted: Wanted, summary: Summary) -> Mapping[int, int]:
    """How many there are of each, of those that are meant."""
    if not wanted.by_machine:
        return await kept.standings.counts(wanted)
    return {i: count for i, count in enumerate(summary.counts) if not wanted.urgencies or i in wanted.urgencies}
