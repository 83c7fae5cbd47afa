"""What is told of a machine: kept, corrected by a later state, withdrawn by one that says so. No state is ever overwritten."""

import json
from collections import Counter
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from fieldworthy.core.answer.evidence import Evidence
from fieldworthy.core.base.micros import AHEAD, micros_text
from fieldworthy.usecases.as_of import refuse_ahead
from fieldworthy.usecases.find_rulebook import FindWithin, Found
from fieldworthy.usecases.judge_again import judge_again
from fieldworthy.usecases.keep_machines import known_machine, refuse_twice, written
from fieldworthy.usecases.kept import MOST_ABOUT, WITHDRAWN, Entry, Kept, Machine, next_known
from fieldworthy.usecases.news import told_of
from fieldworthy.usecases.noted_meters import NOTING, check_noted
from fieldworthy.usecases.old_history import Days
from fieldworthy.usecases.only_if import ALWAYS, OnlyIf, tag_of
from fieldworthy.usecases.open_work import EVIDENCE, WORK, read_work, report_id
from fieldworthy.usecases.refusals import MachineNotYetKept, QuestionDoesNotFit, RecordChanged, RecordUnknown
from fieldworthy.usecases.replaced_meters import REPLACEMENT, accepted_alike, check_replacements
from fieldworthy.usecases.told_kinds import CONDITION, FOUND, MOST_FINDINGS, SETTLED, Checking, Json, Kind, check_told, same
from fieldworthy.usecases.work_versions import in_force, reads

KEPT, SAME, CORRECTED = "kept", "same", "corrected"
"""What came of it: it is new, it stood there just so, it stands in place of an earlier state."""


@dataclass(frozen=True, slots=True)
class PutRecords:
    """What came of each (KEPT, SAME, CORRECTED), the entry that stands for it, and the rulebook version they were checked against."""

    outcomes: Sequence[str]
    entries: Sequence[Entry]
    found: Found

    def counts(self) -> Mapping[str, int]:
        counted = Counter(self.outcomes)
        return {outcome: counted[outcome] for outcome in (KEPT, SAME, CORRECTED)}


@dataclass(frozen=True, slots=True)
class Page:
    """A page of entries. next: (at, id) to go on before, None where there are no more; as_of: of the state of things that it shows."""

    entries: Sequence[Entry]
    next: tuple[int, str] | None
    as_of: int


class KeepTold:
    """Keeps and withdraws, inside a transaction that is open. reports: reads evidence, whose form the doors know."""

    def __init__(self, find: FindWithin, reports: Callable[[Sequence[Json]], Sequence[Evidence]]) -> None:
        self._find = find
        self._reports = reports

    async def put(self, kept: Kept, machine: str, kind: Kind, id: str, body: Json, only_if: OnlyIf = ALWAYS) -> PutRecords:
        """Keeps one. Raises MachineUnknown, RecordChanged (412), QuestionDoesNotFit with places in the body."""
        return await self._put(kept, await known_machine(kept, machine, lock=True), kind, [(id, body, "")], only_if)

    async def put_many(self, kept: Kept, machine: str, kind: Kind, items: Sequence[Json]) -> PutRecords:
        """Keeps many, each with its `id`: all of them, or none. Raises MachineUnknown, QuestionDoesNotFit with places in `items`."""
        refuse_twice([item["id"] for item in items])
        told = [(item["id"], {k: v for k, v in item.items() if k != "id"}, f"/items/{i}") for i, item in enumerate(items)]
        return await self._put(kept, await known_machine(kept, machine, lock=True), kind, told)

    async def withdraw(self, kept: Kept, machine: str, kind: Kind, id: str, only_if: OnlyIf = ALWAYS) -> None:
        """Says that it never was; once more changes nothing. Raises MachineUnknown, RecordUnknown, RecordChanged."""
        locked = await known_machine(kept, machine, lock=True)
        entry = (await kept.entries.newest(locked.key, kind.entry, [id])).get(id)
        if entry is None:
            raise RecordUnknown(machine, kind.path, id)
        self._refuse_changed(entry, id, only_if)
        if entry.body == WITHDRAWN:
            return
        known = await next_known(kept, [locked])
        await kept.entries.put(locked.key, [withdrawn(entry, known), *await _twins(kept, locked, kind, [entry], known, {id})])
        await kept.machines.touch([locked], known)
        if kind.entry == REPLACEMENT:
            await judge_again(kept, self._find, locked, [entry.about], known)

    async def _put(
        self, kept: Kept, machine: Machine, kind: Kind, told: Sequence[tuple[str, Json, str]], only_if: OnlyIf = ALWAYS
    ) -> PutRecords:
        document = json.loads((await kept.entries.documents([machine.key]))[machine.key].body)
        books = await self._books(kept, machine, kind, document["rulebook"])
        found = books[-1]
        there = await kept.entries.newest(machine.key, kind.entry, [id for id, _, _ in told])
        before = {id: json.loads(entry.body) for id, entry in there.items()}
        for id, _, _ in told[:1]:
            self._refuse_changed(there.get(id), id, only_if)
        fresh = [(id, body, where) for id, body, where in told if id not in before or not same(kind, before[id], body)]
        made: dict[str, Entry] = {}
        if fresh:
            checking = Checking(found.book, document, await kept.moment(), AHEAD, self._reports, books if len(books) > 1 else ())
            accepted = await self._check(kept, machine, kind, before, fresh, checking)
            known = await next_known(kept, [machine])
            days = Days.of(document, found.book)
            for id, body, _ in fresh:
                made[id] = _entry(kind, id, known, _kept_with(kind, before.get(id), body), days)
            corrected = [there[id] for id, _, _ in fresh if before.get(id) is not None]
            gone = [*await _twins(kept, machine, kind, corrected, known, made), *(withdrawn(entry, known) for entry in accepted)]
            await kept.entries.put(machine.key, [*made.values(), *gone])
            await kept.machines.touch([machine], known)
            kept.events.add(told_of(machine, [entry for id, entry in made.items() if id not in there], found, checking.moment))
            if kind.entry == REPLACEMENT:
                meters = {entry.about for entry in (*made.values(), *(there[id] for id in made if id in there))}
                await judge_again(kept, self._find, machine, meters, known)
        outcomes = [SAME if id not in made else CORRECTED if before.get(id) is not None else KEPT for id, _, _ in told]
        if len(books) > 1:
            found = self._reader(books, [body for _, body, _ in told])
        return PutRecords(outcomes, [made.get(id) or there[id] for id, _, _ in told], found)

    async def _books(self, kept: Kept, machine: Machine, kind: Kind, reference: str) -> Sequence[Found]:
        """
        The versions that may read what is told, the newest last: of evidence also the one that the machine's open work keeps, for its
        questions are put to that one. Raises what FindWithin raises.
        """
        works = await kept.entries.open(machine.key, WORK) if kind.entry == EVIDENCE else ()
        pinned = read_work(works[0]).rulebook if works else None
        return (await in_force(kept, self._find, reference, pinned)).books

    def _reader(self, books: Sequence[Found], told: Sequence[Json]) -> Found:
        """The first version that reads all reports, else the first."""
        reports = self._reports(told)
        return next((found for found in books if all(reads(found, each) for each in reports)), books[0])

    async def _check(
        self,
        kept: Kept,
        machine: Machine,
        kind: Kind,
        before: Mapping[str, Any],
        fresh: Sequence[tuple[str, Json, str]],
        checking: Checking,
    ) -> Sequence[Entry]:
        """
        Raises QuestionDoesNotFit for what can't be kept; gives what gives way to it. before: what stands under their ids, or stood there
        until it was withdrawn.
        """
        accepted: Sequence[Entry] = ()
        told = [(body, where) for _, body, where in fresh]
        findings = check_told(checking, kind, told)
        if not findings and kind.entry == CONDITION:  # two states of one condition from one instant would contradict each other
            days, ids = checking.days, {id for id, _, _ in fresh}
            names = {kind.about(body) for body, _ in told}
            stand = await kept.entries.at_times(machine.key, kind.entry, [kind.at(body, days) for body, _ in told])
            beside = [json.loads(entry.body) for entry in stand if entry.id not in ids and entry.about in names]
            findings = check_told(checking, kind, told, beside) if beside else ()
        if not findings and kind.entry == REPLACEMENT:
            accepted = await accepted_alike(kept, machine, checking.book, fresh)
            findings = await check_replacements(kept, machine, checking.book, before, fresh, {entry.id for entry in accepted})
        if not findings and kind.entry in NOTING:
            findings = await check_noted(kept, machine, checking.book, before, fresh)
        if findings:
            raise QuestionDoesNotFit(findings[:MOST_FINDINGS])
        return accepted

    @staticmethod
    def _refuse_changed(entry: Entry | None, id: str, only_if: OnlyIf) -> None:
        stands = entry if entry is not None and entry.body != WITHDRAWN else None
        if not only_if.lets_change(None if stands is None else tag_of(stands.known)):
            raise RecordChanged(id, None if stands is None else micros_text(stands.known))


async def _twins(kept: Kept, machine: Machine, kind: Kind, gone: Sequence[Entry], known: int, told: Collection[str]) -> Sequence[Entry]:
    """
    What was said wrongly may have been said twice, by itself and with a request about work: wherever it stands it is withdrawn as well, so
    that neither what was kept of it nor a late repeat of the request brings it back. told: ids that are told of here.
    """
    if kind.entry != EVIDENCE or not gone:
        return []
    twins = {report_id(json.loads(entry.body)): entry for entry in gone}
    for entry in await kept.entries.at_times(machine.key, kind.entry, {entry.at for entry in gone}):
        if report_id(json.loads(entry.body)) in twins:
            twins[entry.id] = entry
    return [withdrawn(replace(entry, id=id), known) for id, entry in twins.items() if id not in told]


def withdrawn(entry: Entry, known: int) -> Entry:
    """The state that says that it never was."""
    return Entry(entry.kind, entry.id, known, entry.at, entry.about, WITHDRAWN)


def _kept_with(kind: Kind, before: Any, body: Json) -> Json:
    """The body with what the store itself has added to the earlier state."""
    if kind.entry == FOUND and isinstance(before, dict) and SETTLED in before:
        return {**body, SETTLED: before[SETTLED]}
    return body


def _entry(kind: Kind, id: str, known: int, body: Json, days: Days) -> Entry:
    is_open = kind.entry == FOUND and SETTLED not in body
    return Entry(kind.entry, id, known, kind.at(body, days), kind.about(body), written(body), is_open)


async def read_record(kept: Kept, machine: str, kind: Kind, id: str, as_of: int | None = None) -> Entry:
    """What stands, or stood. Raises MachineUnknown, RecordUnknown."""
    of = await known_machine(kept, machine)
    if as_of is None:
        found = (await kept.entries.newest(of.key, kind.entry, [id])).get(id)
    else:
        refuse_ahead(as_of, await kept.moment(), of.known)
        states = [state for state in await kept.entries.history(of.key, kind.entry, id) if state.known <= as_of]
        found = states[-1] if states else None
    if found is None or found.body == WITHDRAWN:
        raise RecordUnknown(machine, kind.path, id, None if found is None else micros_text(found.known))
    return found


async def read_states(kept: Kept, machine: str, kind: Kind, id: str, after: int | None, limit: int) -> tuple[Sequence[Entry], int | None]:
    """States, the oldest first, and the `known` to go on after. Raises MachineUnknown, RecordUnknown."""
    of = await known_machine(kept, machine)
    states = await kept.entries.history(of.key, kind.entry, id, after, limit + 1)
    if not states and after is None:
        raise RecordUnknown(machine, kind.path, id)
    return states[:limit], states[limit - 1].known if len(states) > limit else None


async def list_records(
    kept: Kept,
    machine: str,
    kind: Kind,
    limit: int,
    before: tuple[int, str] | None = None,
    as_of: int | None = None,
    about: str | None = None,
) -> Page:
    """What stands, what happened last first. about: the key of the name spoken of. Raises MachineUnknown, MachineNotYetKept."""
    of = await known_machine(kept, machine)
    if as_of is not None:
        refuse_ahead(as_of, await kept.moment(), of.known)
        if of.key not in await kept.entries.documents([of.key], as_of):
            raise MachineNotYetKept(machine, micros_text(as_of))
    wanted = None if about is None else about[:MOST_ABOUT]
    page = await kept.entries.page(of.key, kind.entry, limit + 1, before, as_of, wanted)
    shown = page[:limit]
    following = (shown[-1].at, shown[-1].id) if len(page) > limit else None
    return Page(shown, following, of.known if as_of is None else as_of)
