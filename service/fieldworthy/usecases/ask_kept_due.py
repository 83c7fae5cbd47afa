"""What is due on a machine, from what is kept of it: now, or as of an earlier moment.

An answer says `as_of`: the newest of all that went into it, of the machine and of its rulebook. Nothing that is kept is ever overwritten,
and what is kept later is known later: so the same machine asked with the same `now` and that `as_of` gives the same bytes for ever.
"""

import asyncio
import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from fieldworthy.core.answer.due import DueAnswer
from fieldworthy.core.answer.found import not_all_read
from fieldworthy.core.base.finding import Refused
from fieldworthy.core.base.micros import at_micros, micros_of, micros_text
from fieldworthy.usecases.as_of import refuse_ahead
from fieldworthy.usecases.ask_due import due
from fieldworthy.usecases.asking import Answered, Finder, Finders
from fieldworthy.usecases.assemble import ROOMS, Assembled, Told, assemble
from fieldworthy.usecases.find_rulebook import Found, PinnedRulebooks, resolve
from fieldworthy.usecases.kept import THINNED, KeepStore, Kept, Machine
from fieldworthy.usecases.kept_readings import Point
from fieldworthy.usecases.old_history import Days
from fieldworthy.usecases.ports import Version
from fieldworthy.usecases.refusals import MachineNotYetKept, MachineUnknown, QuestionDoesNotFit, Refusal, RulebookUnknown


@dataclass(frozen=True, slots=True)
class Read:
    """
    What is kept of a machine, read at one moment. version: that of its rulebook; a refusal where there is none. as_of: of all of it.

    thinned: from before it only some of the readings stayed; None: it was not asked, or all did.
    """

    machine: Machine
    told: Told
    version: Version | Refusal
    as_of: int
    thinned: int | None = None


@dataclass(frozen=True, slots=True)
class KeptDue:
    """An answer drawn from what is kept, and what of that could not be used. thinned: of a moment before it, when readings were whole."""

    answered: Answered[DueAnswer]
    assembled: Assembled
    as_of: int
    thinned: int | None = None

    def to_json(self) -> dict[str, Any]:
        """The answer to `POST /v1/due`, and `as_of`, `left_out`, `placed`, `thinned_before`."""
        left_out = [
            {"what": what, "name": name, "why": why, "count": count} for (what, name, why), count in sorted(self.assembled.left_out.items())
        ]
        placed = [{"task": task, "count": count} for task, count in sorted(self.assembled.placed.items())]
        thinned = None if self.thinned is None else micros_text(self.thinned)
        beside = {"as_of": micros_text(self.as_of), "left_out": left_out, "placed": placed, "thinned_before": thinned}
        return {**self.answered.to_json(), **beside}


async def read_kept(kept: Kept, machines: Iterable[Machine], as_of: int | None = None, back: bool = False) -> Sequence[Read]:
    """
    What is kept of these machines, but for those of which nothing was kept at that moment. In their order.

    back: it is for an earlier moment, so that it counts whether readings were thinned out since.
    """
    wanted = {machine.key: machine for machine in machines}
    documents = await kept.entries.documents(wanted, as_of)
    meters: dict[int, dict[str, int]] = {}
    for (owner, name), meter in (await kept.readings.meters_of(documents)).items():
        meters.setdefault(owner, {})[name] = meter.key
    series = await kept.readings.series([key for named in meters.values() for key in named.values()], as_of) if meters else {}
    told = await kept.entries.of_all(documents, ROOMS, as_of)
    thinned = await kept.entries.of_all(documents, [THINNED]) if back else {}
    known = await kept.standings.newest_known_of(documents, as_of)
    versions: dict[str, Version | Refusal] = {}
    found = []
    for key, machine in wanted.items():
        if key not in documents:
            continue
        document = json.loads(documents[key].body)
        reference = document["rulebook"]
        if reference not in versions:
            versions[reference] = await version_at(kept, reference, as_of)
        readings: dict[str, Sequence[Point]] = {name: series[meter] for name, meter in meters.get(key, {}).items() if meter in series}
        version = versions[reference]
        published = micros_of(version.published_at) if isinstance(version, Version) else 0
        since = next((entry.at for entry in thinned.get(key, ())), None)
        newest = max(known.get(key, 0), published)
        found.append(Read(machine, Told(machine.id, document, told.get(key, ()), readings), version, newest, since))
    return found


async def version_at(kept: Kept, reference: str, as_of: int | None) -> Version | Refusal:
    """The version that a machine's rulebook meant at a moment: a bare name means the newest that was published by then."""
    try:
        if as_of is None or "@" in reference or ":" in reference:
            return await resolve(kept.rulebooks, reference)
    except Refusal as refusal:
        return refusal
    return await kept.rulebooks.newest_at(reference, at_micros(as_of)) or RulebookUnknown(reference)


async def find_for(find: Finder, read: Read) -> Found:
    """The rulebook that a machine's answers are drawn from. Raises what FindRulebook raises."""
    if isinstance(read.version, Refusal):
        raise read.version
    return await find(f"{read.version.name}@{read.version.version}")


def answer_kept(
    read: Read,
    found: Found,
    now: str,
    tasks: Sequence[str] | None = None,
    notice: Mapping[str, Any] | None = None,
    embed: Callable[[str], Any] = json.loads,
) -> KeptDue:
    """
    The answer to `POST /v1/due` for the machine as it is assembled. Raises QuestionDoesNotFit.

    notice: the question's own; else the machine's. A part of what was told that the rulebook refuses is left out, and counted.
    """
    assembled = assemble(read.told, found.book, Days.of(read.told.document, found.book))
    question = due_request(read, assembled, now, tasks, notice)
    while True:
        try:
            answer = due(found.book, question, embed, assembled.points)
        except Refused as refused:
            if not assembled.leave_out(refused.findings):
                raise QuestionDoesNotFit(refused.findings) from refused
        else:
            answer.fitness = not_all_read(answer.fitness, assembled.unread)
            return KeptDue(Answered(found, answer), assembled, read.as_of)


def due_request(
    read: Read, assembled: Assembled, now: str, tasks: Sequence[str] | None = None, notice: Mapping[str, Any] | None = None
) -> dict[str, Any]:
    """The request of `POST /v1/due` that asks the same, but for the machine's readings."""
    question: dict[str, Any] = {"now": now, "machine": assembled.machine}
    if isinstance(read.version, Version):
        question["rulebook"] = f"{read.version.name}@{read.version.version}"
    if tasks is not None:
        question["tasks"] = list(tasks)
    wanted = notice or read.told.document.get("notice")
    if wanted:
        question["notice"] = wanted
    return question


class AskKeptDue:
    """What is due on a kept machine, and why."""

    def __init__(self, store: KeepStore, find: Finders, embed: Callable[[str], Any] = json.loads) -> None:
        """embed: see `ask_due.due`."""
        self._store = store
        self._find = find
        self._embed = embed

    async def __call__(
        self,
        organisation: int,
        id: str,
        now: str | None = None,
        as_of: int | None = None,
        tasks: Sequence[str] | None = None,
        notice: Mapping[str, Any] | None = None,
    ) -> KeptDue:
        """
        now: as it was sent; None: as_of, else this moment. as_of: only what was known then; None: all that is known.

        Raises MachineUnknown, MachineNotYetKept, QuestionDoesNotFit, and what FindRulebook raises.
        """
        async with self._store.look(organisation, as_of) as kept:
            moment = await kept.moment()
            machine = await kept.machines.find(id)
            if machine is None:
                refuse_ahead(as_of, moment)
                raise MachineUnknown(id, await kept.machines.close_ids(id, 3))
            refuse_ahead(as_of, moment, await self._known(kept, machine, as_of, moment))
            reads = await read_kept(kept, [machine], as_of, back=as_of is not None or now is not None)
        if not reads:
            raise MachineNotYetKept(id, micros_text(moment if as_of is None else as_of))
        return await self._answer(self._find.of(organisation), reads[0], moment, now, as_of, tasks, notice)

    async def many(
        self,
        organisation: int,
        ids: Sequence[str],
        now: str | None = None,
        as_of: int | None = None,
        tasks: Sequence[str] | None = None,
        notice: Mapping[str, Any] | None = None,
    ) -> Mapping[str, KeptDue | Refusal]:
        """The same of many machines, read at one moment; of each its answer, or what it is refused with."""
        answers: dict[str, KeptDue | Refusal] = {}
        async with self._store.look(organisation, as_of) as kept:
            moment = await kept.moment()
            machines = await kept.machines.named(ids)
            for id in ids:
                try:
                    if id not in machines:
                        refuse_ahead(as_of, moment)
                        raise MachineUnknown(id, await kept.machines.close_ids(id, 3))
                    refuse_ahead(as_of, moment, await self._known(kept, machines[id], as_of, moment))
                except Refusal as refusal:
                    answers[id] = refusal
            asked_of = [machines[id] for id in ids if id not in answers]
            reads = await read_kept(kept, asked_of, as_of, back=as_of is not None or now is not None)
        find = PinnedRulebooks(self._find.of(organisation))
        for read in reads:
            try:
                answers[read.machine.id] = await self._answer(find, read, moment, now, as_of, tasks, notice)
            except Refusal as refusal:
                answers[read.machine.id] = refusal
            await asyncio.sleep(0)  # others have their turn
        missing = MachineNotYetKept
        return {id: answers.get(id) or missing(id, micros_text(moment if as_of is None else as_of)) for id in ids}

    async def _answer(
        self,
        find: Finder,
        read: Read,
        moment: int,
        now: str | None,
        as_of: int | None,
        tasks: Sequence[str] | None,
        notice: Mapping[str, Any] | None,
    ) -> KeptDue:
        found = await find_for(find, read)
        asked = now if now is not None else micros_text(moment if as_of is None else as_of)
        answer = answer_kept(read, found, asked, tasks, notice, self._embed)
        thinned = read.thinned
        if thinned is None or min(micros_of(datetime.fromisoformat(asked.upper())), moment if as_of is None else as_of) >= thinned:
            return answer
        return replace(answer, thinned=thinned)

    async def _known(self, kept: Kept, machine: Machine, as_of: int | None, moment: int) -> int:
        """The newest that goes into the machine's answer; its rulebook's version is only looked at where the store's clock was set back."""
        if as_of is None or as_of <= max(moment, machine.known):
            return machine.known
        return max(read.as_of for read in await read_kept(kept, [machine], None))
