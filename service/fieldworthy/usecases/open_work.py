"""Open work of a machine: what somebody has started and not closed, kept as one entry that moves from state to state.

Every deed asks the core and keeps what came of it in one transaction, under the machine's lock: so that of two who ask at the same moment
for what excludes the other, one is granted. While any work of a machine is open its questions are put to the rulebook version that the
work was opened under: nobody's holds change because somebody publishes.
"""

import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from fieldworthy.core.answer.clearance import ClearanceQuestion, answer_clearance
from fieldworthy.core.answer.evidence import check_evidence
from fieldworthy.core.answer.others import check_put_on
from fieldworthy.core.answer.procedure import ProcedureQuestion, answer_procedure
from fieldworthy.core.base.finding import Finding, pointer
from fieldworthy.core.base.micros import SECOND, micros_of, micros_text
from fieldworthy.core.base.names import key, tidy
from fieldworthy.core.procedure.steps import laid_out
from fieldworthy.usecases.asking import Answered, ask
from fieldworthy.usecases.find_rulebook import FindRulebook, Found, resolve
from fieldworthy.usecases.kept import Entry, Kept, Machine, next_known
from fieldworthy.usecases.refusals import MachineUnknown, QuestionDoesNotFit, WorkUnknown

WORK, EVIDENCE, PUT_ON = "work", "evidence", "put-on"

MOST_REPORTS = 1_000
"""So many of the newest reports of each fact are looked at."""

MOST_WORKS = 200
"""So many of the newest works are looked at for what their steps changed; reports from before the oldest of them do not count."""

AHEAD = 120 * SECOND

Json = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Work:
    """
    One piece of work. by: whose it is now. done: its steps that are done ({"step", "at", "by"}), in order; begun: the step after them
    ({"step", "at", "by"}), None where none is. closed: {"at", "by", "result", "why"}, None while it is open. rulebook: `name@3`.
    """

    id: str
    task: str
    by: str
    opened_at: str
    rulebook: str
    done: tuple[Json, ...] = ()
    begun: Json | None = None
    hand_over: Json | None = None
    closed: Json | None = None

    def to_json(self) -> dict[str, Any]:
        return {
            "work": self.id,
            "task": self.task,
            "by": self.by,
            "opened_at": self.opened_at,
            "rulebook": self.rulebook,
            "done": [dict(each) for each in self.done],
            "begun": None if self.begun is None else dict(self.begun),
            "hand_over": None if self.hand_over is None else dict(self.hand_over),
            "closed": None if self.closed is None else dict(self.closed),
        }

    def as_open(self) -> dict[str, Any]:
        """As a question tells it. Between two steps what the last one held still stands."""
        found: dict[str, Any] = {"work": self.id, "task": self.task, "by": self.by}
        step = self.begun["step"] if self.begun is not None else len(self.done)
        if step:
            found["step"] = step
        return found


def read_work(entry: Entry) -> Work:
    """The work of a kept entry."""
    told = json.loads(entry.body)
    return Work(
        told["work"],
        told["task"],
        told["by"],
        told["opened_at"],
        told["rulebook"],
        tuple(told["done"]),
        told["begun"],
        told["hand_over"],
        told["closed"],
    )


@dataclass(frozen=True, slots=True)
class Change:
    """A fact (by key) that a step of some work changes, from `begun` or until `done` [microseconds]: reports from before do not count."""

    fact: str
    work: str
    by: str
    at: int
    begun: bool

    def overtakes(self, report: Json) -> bool:
        """Whether this report of the same fact is from before: of one that is only begun, also from the instant of its beginning."""
        told = _micros(report["at"]) or 0
        return told <= self.at if self.begun else told < self.at


@dataclass(frozen=True, slots=True)
class Questions:
    """How plain requests become the core's questions: the doors know their shapes."""

    clearance: Callable[[Json], ClearanceQuestion]
    procedure: Callable[[Json], ProcedureQuestion]


@dataclass(frozen=True, slots=True)
class Scene:
    """
    A machine at one moment, as its questions need it. works: the open ones. changes: what steps of its newest works changed.
    now: microseconds; known: of the newest that went in.
    """

    machine: Machine
    found: Found
    identity: Json
    works: Mapping[str, Work]
    evidence: Sequence[Json]
    put_on: Sequence[Json]
    changes: Sequence[Change]
    now: int
    known: int

    @property
    def version(self) -> str:
        """The rulebook version that is asked."""
        return f"{self.found.book.name}@{self.found.version}"

    def question(self, told: Json, without: str | None = None) -> dict[str, Any]:
        """What every question says. told: `evidence` and `put_on` that came with the request; without: a work of one's own."""
        put_on = told.get("put_on", ())
        return {
            "rulebook": self.version,
            "now": micros_text(self.now),
            "machine": dict(self.identity),
            "evidence": self._evidence(told, without),
            "open_work": [work.as_open() for work in self.works.values() if work.id != without],
            "put_on": [*put_on, *(each for each in self.put_on if each not in put_on)],
            **({"by": told["by"]} if "by" in told else {}),
        }

    def overtaken(self, told: Json, without: str | None = None) -> list[Change]:
        """The newest change by other work of each fact (of a person's: by each) that nobody has reported since."""
        newest: dict[tuple[str, str], Change] = {}
        for change in self.changes:
            whose = (change.fact, tidy(change.by) if self._per_person(change.fact) else "")
            if change.work != without and (whose not in newest or newest[whose].at < change.at):
                newest[whose] = change
        reports = self._reports(told)
        return [
            change
            for (fact, by), change in newest.items()
            if all(change.overtakes(r) for r in reports if key(r["fact"]) == fact and (not by or tidy(r.get("by", "")) == by))
        ]

    def _evidence(self, told: Json, without: str | None) -> list[Json]:
        """
        What is reported and still counts. What other work changed since is not known: of the machine by leaving those reports out; of a
        person, whom leaving out would forget, by two reports that contradict each other.
        """
        changes = self.overtaken(told, without)
        gone = {change.fact for change in changes if not self._per_person(change.fact)}
        evidence = [each for each in self._reports(told) if key(each["fact"]) not in gone]
        for change in changes:
            fact = self.found.book.vocabulary.facts[change.fact]
            if fact.per_person:
                at, via = micros_text(change.at), "seen" if "seen" in fact.known_by else "sensor"
                said = {"fact": fact.name, "at": at, "via": via, "by": change.by}
                evidence += [{**said, "value": state} for state in fact.states[:2]]
        return evidence

    def _per_person(self, fact: str) -> bool:
        return self.found.book.vocabulary.facts[fact].per_person

    def _reports(self, told: Json) -> list[Json]:
        came = told.get("evidence", ())
        return [*came, *(each for each in self.evidence if each not in came)]


class SetScene:
    """Reads a machine's scene from the store."""

    def __init__(self, find: FindRulebook, questions: Questions) -> None:
        self._find = find
        self.questions = questions

    async def __call__(self, kept: Kept, id: str, as_of: int | None = None, now: int | None = None, lock: bool = False) -> Scene:
        """lock: for who will change it. Raises MachineUnknown."""
        machine = (await kept.machines.lock([id])).get(id) if lock else await kept.machines.find(id)
        document = None if machine is None else (await kept.entries.documents([machine.key], as_of)).get(machine.key)
        if machine is None or document is None:
            raise MachineUnknown(id, await kept.machines.close_ids(id, 3))
        told = await kept.entries.of(machine.key, [PUT_ON], as_of)
        opened = await kept.entries.open(machine.key, WORK, as_of)
        works = [read_work(entry) for entry in opened]
        newest = await kept.entries.page(machine.key, WORK, MOST_WORKS, as_of=as_of)
        evidence = await kept.entries.newest_of_each(machine.key, EVIDENCE, MOST_REPORTS, as_of)
        written = json.loads(document.body)
        found = await self._book(kept, works, written["rulebook"])
        identity = {"id": id, **{member: written[member] for member in ("model", "serial", "options") if member in written}}
        known = max(entry.known for entry in (document, *told, *evidence, *opened, *newest))
        since = newest[-1].at if len(newest) == MOST_WORKS else None  # what works from before changed is not looked at
        reports = [json.loads(entry.body) for entry in evidence if since is None or entry.at >= since]
        seen = {work.id: work for work in (*(read_work(entry) for entry in newest), *works)}
        return Scene(
            machine,
            found,
            identity,
            {work.id: work for work in works},
            self._declared(found, reports),
            self._has_place(found, [json.loads(entry.body) for entry in told]),
            [change for work in seen.values() for change in _changes(found, work)],
            await kept.moment() if now is None else now,
            known,
        )

    async def _book(self, kept: Kept, works: Sequence[Work], reference: str) -> Found:
        if works:
            return await self._find(works[0].rulebook)
        version = await resolve(kept.rulebooks, reference)
        return await self._find(f"{version.name}@{version.version}")

    def _declared(self, found: Found, told: Sequence[Json]) -> list[Json]:
        """The reports that this rulebook has a place for: an earlier one may have declared other facts."""
        reports = self.questions.clearance({**NOTHING_ASKED, "evidence": told}).evidence
        facts = found.book.vocabulary.facts
        return [each for each, report in zip(told, reports, strict=True) if not check_evidence(facts, [report])]

    def _has_place(self, found: Found, told: Sequence[Json]) -> list[Json]:
        read = self.questions.clearance({**NOTHING_ASKED, "put_on": told}).put_on
        facts = found.book.vocabulary.facts
        return [each for each, put_on in zip(told, read, strict=True) if not list(check_put_on(facts, [put_on]))]


def _changes(found: Found, work: Work) -> list[Change]:
    """What the steps of a work changed, as the rulebook lays them out now."""
    task = found.book.tasks.get(work.task)
    if task is None:
        return []
    works = found.book.works
    laid = laid_out(task.steps, works.procedures)
    changes = []
    for each in (*work.done, *(() if work.begun is None else (work.begun,))):
        step = laid[each["step"] - 1] if each["step"] <= len(laid) else None
        action = None if step is None or step.action is None else works.actions.get(key(step.action))
        if action is not None:
            at = _micros(each["at"]) or 0
            changes += [Change(key(fact), work.id, each["by"], at, each is work.begun) for fact in action.makes]
    return changes


NOTHING_ASKED: Json = {"rulebook": "none", "now": "1970-01-01T00:00:00Z", "machine": {}, "for": {"needs": "none"}}


async def keep_reports(kept: Kept, scene: Scene, told: Json, known: int) -> None:
    """Keeps the reports, locks and covers that came with a request. Their ids are drawn from what they say: a repeat changes nothing."""
    for i, each in enumerate(told.get("evidence", ())):
        if (_micros(each["at"]) or 0) > scene.now + AHEAD:
            message, path = "this report is from later than now", pointer("evidence", i, "at")
            raise QuestionDoesNotFit([Finding("question.from_the_future", message, "set the clock that gave its time", path=path)])
    entries = []
    for report in told.get("evidence", ()):
        at = _micros(report["at"]) or scene.now
        entries.append(Entry(EVIDENCE, _id_of(report), known, at, key(report["fact"]), entry_text(report)))
    entries += [
        Entry(PUT_ON, put_on_id(lock["fact"], lock["by"]), known, scene.now, key(lock["fact"]), entry_text(lock))
        for lock in told.get("put_on", ())
    ]
    by_id = {(entry.kind, entry.id): entry for entry in entries}
    there = {
        (kind, id): entry
        for kind in (EVIDENCE, PUT_ON)
        for id, entry in (await kept.entries.newest(scene.machine.key, kind, [i for k, i in by_id if k == kind])).items()
    }
    await kept.entries.put(scene.machine.key, [e for at, e in by_id.items() if at not in there or there[at].body != e.body])


async def keep_work(kept: Kept, scene: Scene, work: Work, known: int) -> None:
    """Keeps the work's new state."""
    is_open = work.closed is None
    at = _micros(work.opened_at) or scene.now
    await kept.entries.put(scene.machine.key, [Entry(WORK, work.id, known, at, key(work.task), entry_text(work.to_json()), is_open)])


async def known_next(kept: Kept, scene: Scene) -> int:
    """Of a change to the scene's locked machine; notes it there."""
    known = await next_known(kept, [scene.machine])
    await kept.machines.touch([scene.machine], known)
    return known


async def find_work(kept: Kept, scene: Scene, id: str) -> Work:
    """Open or closed. Raises WorkUnknown."""
    entry = (await kept.entries.newest(scene.machine.key, WORK, [id])).get(id)
    if entry is None:
        raise WorkUnknown(scene.machine.id, id, sorted(scene.works)[:3])
    return read_work(entry)


def ask_clearance(scene: Scene, questions: Questions, told: Json, wanted: Json, without: str | None = None) -> Answered[Any]:
    """May this start now. wanted: the request's `for`."""
    return ask(scene.found, questions.clearance({**scene.question(told, without), "for": wanted}), answer_clearance)


def ask_procedure(scene: Scene, questions: Questions, told: Json, work: Work) -> Answered[Any]:
    """Where the run of this work's steps stands."""
    begun = {} if work.begun is None else {"begun": work.begun["at"]}
    asked = {**scene.question(told, work.id), "task": work.task, "done": list(work.done), **begun}
    return ask(scene.found, questions.procedure(asked), answer_procedure)


def after_step(work: Work, at: str, by: str) -> Work:
    """The work with its begun step done."""
    assert work.begun is not None  # the caller has looked
    return replace(work, done=(*work.done, {"step": work.begun["step"], "at": at, "by": by}), begun=None)


def put_on_id(fact: str, by: str) -> str:
    """Each person has one lock or cover on a fact."""
    return "on-" + hashlib.sha256(f"{key(fact)}\n{tidy(by)}".encode()).hexdigest()[:32]


def _id_of(report: Json) -> str:
    return "said-" + hashlib.sha256(entry_text(report).encode()).hexdigest()[:32]


def entry_text(told: Json) -> str:
    """The body of an entry."""
    return json.dumps(told, ensure_ascii=False, sort_keys=True, separators=(",", ":"))


def _micros(text: str) -> int | None:
    try:
        return micros_of(datetime.fromisoformat(text.upper()))
    except ValueError:
        return None
