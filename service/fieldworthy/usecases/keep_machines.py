"""Machines: their documents, put one by one or many at once, each state kept.

A document is taken only if the core can be asked about the machine: it is read as the `machine` of a question of what is due, by the
rulebook that it names, and what the core finds in it is told with its place in the document.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from fieldworthy.core.answer.due import answer_due, read_due_question
from fieldworthy.core.base.finding import Finding, Refused, pointer
from fieldworthy.core.base.micros import micros_text
from fieldworthy.usecases.as_of import refuse_ahead
from fieldworthy.usecases.find_rulebook import FindWithin, Found
from fieldworthy.usecases.kept import MACHINE, Entry, Kept, Machine, NewMachine, next_known
from fieldworthy.usecases.only_if import ALWAYS, OnlyIf, tag_of
from fieldworthy.usecases.own_units import check_move
from fieldworthy.usecases.refusals import (
    MachineChanged,
    MachineNotYetKept,
    MachineUnknown,
    QuestionDoesNotFit,
    ReferenceMalformed,
    RulebookUnknown,
    VersionUnknown,
)

Json = Mapping[str, Any]

KEPT, SAME, CHANGED = "kept", "same", "changed"
"""What came of a put: it is new, it was there just so, it replaces an earlier state."""

_ASKED_OF = ("model", "serial", "options", "timezone", "day_starts", "in_service", "seasons", "usage", "working_days")
_MOST_FINDINGS = 100


@dataclass(frozen=True, slots=True)
class KeptDocument:
    """A state of a machine's document. revision: from 1; known: since when it stands [microseconds]; body: JSON."""

    id: str
    revision: int
    known: int
    body: str


@dataclass(frozen=True, slots=True)
class PutMachine:
    """What came of a put (KEPT, SAME, CHANGED), the document that stands, and the rulebook version that it was checked against."""

    outcome: str
    document: KeptDocument
    found: Found


class KeepMachines:
    """Puts machines, inside a transaction that is open."""

    def __init__(self, find: FindWithin) -> None:
        self._find = find

    async def put(self, kept: Kept, id: str, document: Json, only_if: OnlyIf = ALWAYS) -> PutMachine:
        """
        Puts one. Raises MachineChanged (412), QuestionDoesNotFit with places in the document, MachineTaken where two add it at once.
        """
        machine = (await kept.machines.lock([id])).get(id)
        if not only_if.lets_change(None if machine is None else tag_of(machine.revision)):
            raise MachineChanged(id, None if machine is None else machine.revision)
        return (await self._put(kept, [(id, document, "")], {} if machine is None else {id: machine}))[0]

    async def put_many(self, kept: Kept, items: Sequence[Json]) -> Sequence[PutMachine]:
        """Puts many, each with its `id`: all of them, or none. Raises QuestionDoesNotFit with places in `items`, MachineTaken."""
        refuse_twice([item["id"] for item in items])
        told = [(item["id"], {k: v for k, v in item.items() if k != "id"}, pointer("items", i)) for i, item in enumerate(items)]
        return await self._put(kept, told, await kept.machines.lock([id for id, _, _ in told]))

    async def _put(self, kept: Kept, told: Sequence[tuple[str, Json, str]], there: Mapping[str, Machine]) -> Sequence[PutMachine]:
        books = await self._books(kept, told)
        before = await kept.entries.documents([machine.key for machine in there.values()])
        moment = await kept.moment()
        findings: list[Finding] = []
        new: list[NewMachine] = []
        changed: list[str] = []
        bodies: dict[str, str] = {}
        for id, document, where in told:
            found, old = books[document["rulebook"]], there.get(id)
            former = None if old is None else json.loads(before[old.key].body)
            if former == document:
                continue
            wrong = check_document(found, id, document, moment)
            if old is not None and former is not None and not wrong:
                wrong = await check_move(kept, old, former, document, found.book)
            findings += [f.at(where + f.path) for f in wrong]
            if len(findings) >= _MOST_FINDINGS:
                break
            bodies[id] = written(document)
            if old is None:
                new.append(NewMachine(id, document["rulebook"], document.get("site"), document.get("serial")))
            else:
                changed.append(id)
        if findings:
            raise QuestionDoesNotFit(findings[:_MOST_FINDINGS])
        by_id = {id: document for id, document, _ in told}
        known = await next_known(kept, [there[id] for id in changed])
        after: dict[str, Machine] = {}
        for id in sorted(changed):
            document = by_id[id]
            after[id] = await kept.machines.change(there[id], known, document["rulebook"], document.get("site"), document.get("serial"))
        after |= {machine.id: machine for machine in await kept.machines.add_all(new, known)}
        for id, machine in after.items():
            await kept.entries.put(machine.key, [Entry(MACHINE, "", known, 0, "", bodies[id])])
        made = {one.id for one in new}
        answered = []
        for id, document, _ in told:
            outcome = SAME if id not in bodies else KEPT if id in made else CHANGED
            if outcome == SAME:
                entry = before[there[id].key]
                stands = KeptDocument(id, there[id].revision, entry.known, entry.body)
            else:
                stands = KeptDocument(id, after[id].revision, known, bodies[id])
            answered.append(PutMachine(outcome, stands, books[document["rulebook"]]))
        return answered

    async def _books(self, kept: Kept, told: Sequence[tuple[str, Json, str]]) -> Mapping[str, Found]:
        """The rulebooks that the documents name. Raises QuestionDoesNotFit for those that are not published."""
        books: dict[str, Found] = {}
        findings: list[Finding] = []
        wrong: set[str] = set()
        for _, document, where in told:
            reference = document["rulebook"]
            if reference in books or reference in wrong:
                continue
            try:
                if ":" in reference:  # a digest names no name: the machine's list could not be searched by it
                    raise ReferenceMalformed(reference)
                books[reference] = await self._find.within(kept.rulebooks, reference)
            except (RulebookUnknown, VersionUnknown, ReferenceMalformed) as refusal:
                wrong.add(reference)
                mend = 'write "name" or "name@3"' if isinstance(refusal, ReferenceMalformed) else refusal.remedy
                findings.append(Finding(f"question.{_CODES[type(refusal)]}", refusal.detail, mend, path=where + "/rulebook"))
        if findings:
            raise QuestionDoesNotFit(findings[:_MOST_FINDINGS])
        return books


_CODES = {
    RulebookUnknown: "unknown_rulebook",
    VersionUnknown: "unknown_version",
    ReferenceMalformed: "reference_malformed",
}


def check_document(found: Found, id: str, document: Json, moment: int) -> Sequence[Finding]:
    """What the core finds in the document, with places in it; nothing where the machine can be asked about."""
    machine = {"id": id, **{member: document[member] for member in _ASKED_OF if member in document}}
    asked: dict[str, Any] = {"now": micros_text(moment), "machine": machine, "tasks": []}
    if "notice" in document:
        asked["notice"] = document["notice"]
    try:
        answer_due(found.book, read_due_question(found.book, asked))
    except Refused as refused:
        return [replace(finding, path=finding.path.removeprefix("/machine")) for finding in refused.findings]
    return ()


async def read_machine(kept: Kept, id: str, as_of: int | None = None) -> KeptDocument:
    """A machine's document, as it stood. Raises MachineUnknown, MachineNotYetKept."""
    machine = await known_machine(kept, id)
    if as_of is None:
        entry = (await kept.entries.documents([machine.key]))[machine.key]
        return KeptDocument(id, machine.revision, entry.known, entry.body)
    refuse_ahead(as_of, await kept.moment(), machine.known)
    states = [state for state in await kept.entries.history(machine.key, MACHINE, "") if state.known <= as_of]
    if not states:
        raise MachineNotYetKept(id, micros_text(as_of))
    return KeptDocument(id, len(states), states[-1].known, states[-1].body)


async def list_machines(
    kept: Kept, after: str | None, limit: int, site: str | None = None, rulebook: str | None = None
) -> tuple[Sequence[KeptDocument], str | None]:
    """A page of machines, and the id to go on after; None where there are no more."""
    page = await kept.machines.page(after, limit + 1, site, rulebook)
    entries = await kept.entries.documents([machine.key for machine in page[:limit]])
    items = [KeptDocument(m.id, m.revision, entries[m.key].known, entries[m.key].body) for m in page[:limit]]
    return items, items[-1].id if len(page) > limit else None


async def known_machine(kept: Kept, id: str, lock: bool = False) -> Machine:
    """The machine. lock: for who will change it. Raises MachineUnknown with near ids."""
    machine = (await kept.machines.lock([id])).get(id) if lock else await kept.machines.find(id)
    if machine is None:
        raise MachineUnknown(id, await kept.machines.close_ids(id, 3))
    return machine


def refuse_twice(ids: Sequence[str]) -> None:
    """Raises QuestionDoesNotFit for ids that stand twice in one post: which of the two holds can't be told."""
    first: dict[str, int] = {}
    findings = []
    for i, id in enumerate(ids):
        if first.setdefault(id, i) != i:
            message = f"the id `{id}` stands at entry {first[id] + 1} already"
            findings.append(Finding("question.id_twice", message, "send each id once", path=pointer("items", i, "id")))
    if findings:
        raise QuestionDoesNotFit(findings[:_MOST_FINDINGS])


def written(body: Json) -> str:
    """The body of an entry, the same for the same members in any order."""
    return json.dumps(body, ensure_ascii=False, sort_keys=True, separators=(",", ":"))
