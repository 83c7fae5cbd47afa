"""The standings of the fleet: computed by the same functions as every answer, kept ready, and computed anew where they may have changed.

A machine's standings are computed anew when anything of it is kept, when its local day is over, when something that was told for a later
time of the day comes to hold, and when its rulebook has a newer version. Between those times they are as they were at `computed_at`.
"""

import asyncio
import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from fieldworthy.core.base.micros import AHEAD, DAY, at_micros, micros_of, micros_text
from fieldworthy.usecases.ask_kept_due import KeptDue, Read, answer_kept, find_for, read_kept
from fieldworthy.usecases.asking import Finder
from fieldworthy.usecases.find_rulebook import Found
from fieldworthy.usecases.kept import KeepStore, Kept, Machine
from fieldworthy.usecases.kept_standings import URGENCY, Computed, Place, Row, Scope, Summary, Wanted
from fieldworthy.usecases.old_history import Days
from fieldworthy.usecases.ports import StoreUnavailable, Version
from fieldworthy.usecases.refusals import Refusal

AT_A_REQUEST = 16
"""Machines that a request computes anew before it answers: so a small fleet is always fresh."""

AT_ONCE = 8
"""Machines that are computed between two short transactions."""

PROBLEMS_SHOWN = 100

_URGENT = {word: i for i, word in enumerate(URGENCY)}
_EVERYTHING = Scope()


def _same(text: str) -> str:
    return text


@dataclass(frozen=True, slots=True)
class Writing:
    """How a door writes. write: plain data as JSON text; tell: a refusal as plain data; failed: notes a fault of our own, and says so."""

    write: Callable[[Any], str]
    tell: Callable[[Refusal], Any]
    failed: Callable[[Exception], Any]


class Recompute:
    """Computes standings that are stale. Several processes may do so at the same time; within one, one after the other."""

    def __init__(self, store: KeepStore, find: Finder, writing: Writing) -> None:
        self._store = store
        self._find = find
        self._writing = writing
        self._one_at_a_time = asyncio.Lock()
        self.wanted = asyncio.Event()  # set where a request saw more than it could compute itself

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

    async def _some(self, organisation: int, most: int, scope: Scope) -> int:
        async with self._store.look(organisation) as kept:
            moment = await kept.moment()
            machines = await kept.machines.by_key(await kept.standings.stale(moment, most, scope))
            reads = await read_kept(kept, machines.values())
        made = []
        for read in reads:
            made.append(await self._compute(read, moment))
            await asyncio.sleep(0)  # others have their turn
        if made:
            async with self._store.keep(organisation) as kept:
                await kept.machines.lock([read.machine.id for read in reads])
                await kept.standings.put(made)
        return len(made)

    async def _compute(self, read: Read, moment: int) -> tuple[Computed, Sequence[Row]]:
        try:
            found = await find_for(self._find, read)
            answer = answer_kept(read, found, micros_text(moment), embed=_same)
        except Refusal as refusal:
            return self._refused(read, moment, self._writing.tell(refusal)), ()
        except StoreUnavailable:
            raise
        except Exception as fault:  # of one machine: all the others are answered
            return self._refused(read, moment, self._writing.failed(fault)), ()
        machine = read.machine
        until = _until(read, answer, moment)
        assert found.version is not None  # a kept machine is answered from a published one
        book = found.book
        rows = [self._row(machine, found, task) for task in answer.answered.answer.to_json()["tasks"]]
        counts = [sum(row.urgency == i for row in rows) for i in range(len(URGENCY))]
        return Computed(machine.key, moment, machine.known, read.as_of, until, book.name, found.version, book.digest, None, *counts), rows

    def _row(self, machine: Machine, found: Found, task: Any) -> Row:
        text = task if isinstance(task, str) else self._writing.write(task)
        told: Mapping[str, Any] = json.loads(task) if isinstance(task, str) else task
        expected = told["expected"]
        return Row(
            machine.key,
            machine.id,
            told["task"],
            _URGENT[told["standing"]],
            0.0 - (told["used"] or 0.0),
            told["kind"],
            found.book.tasks[told["task"]].skill,
            told["due_at"]["date"] or (expected["date"] if expected else None),
            text,
        )

    def _refused(self, read: Read, moment: int, told: Any) -> Computed:
        """Of a machine whose question is refused there are no standings: what is wrong with it is kept in their place, for a day."""
        version, machine = read.version, read.machine
        problem, until = self._writing.write(told), moment + DAY
        if isinstance(version, Version):
            name, number, digest = version.name, version.version, version.digest
        else:
            name, number, digest = machine.rulebook.partition("@")[0][:80], 0, ""
        return Computed(machine.key, moment, machine.known, read.as_of, until, name, number, digest, problem)


def _until(read: Read, answer: KeptDue, moment: int) -> int:
    """When the standings may change though nothing is kept: the local day ends, or what was told for later comes to hold."""
    days = Days.of(read.told.document, answer.answered.found.book)
    until = micros_of(days.end_of(at_micros(moment)))
    later = [entry.at for entry in read.told.entries]
    later += [micros_of(_instant(item["to"])) for item in answer.assembled.machine.get("working_conditions", ()) if item.get("to")]
    later += [points[-1][0] for points in read.told.readings.values() if points]
    return min([until, *(at - AHEAD for at in later if at - AHEAD > moment)])


def _instant(text: str) -> datetime:
    return datetime.fromisoformat(text.upper())


@dataclass(frozen=True, slots=True)
class Standing:
    """One task of one machine in the fleet's list."""

    row: Row
    machine: Machine
    computed: Computed


@dataclass(frozen=True, slots=True)
class Fleet:
    """A page of the fleet's standings. next: the place to go on after; counts: by urgency, of all pages."""

    items: Sequence[Standing]
    next: Place | None
    summary: Summary
    counts: Mapping[int, int]
    problems: Sequence[tuple[str, Computed]]


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
    problems = await kept.standings.problems(wanted.scope, PROBLEMS_SHOWN) if summary.problems else ()
    return Fleet(items, following, summary, await _counts(kept, wanted, summary), problems)


async def _counts(kept: Kept, wanted: Wanted, summary: Summary) -> Mapping[int, int]:
    """How many there are of each, of those that are meant."""
    if not wanted.by_machine:
        return await kept.standings.counts(wanted)
    return {i: count for i, count in enumerate(summary.counts) if not wanted.urgencies or i in wanted.urgencies}


def urgencies_of(words: Iterable[str]) -> tuple[int, ...]:
    """The places of standings in URGENCY. Raises KeyError."""
    return tuple(_URGENT[word] for word in words)
