"""Open work of a machine: what somebody has started and not closed, kept as one entry that moves from state to state.

Every deed asks the core and keeps what came of it in one transaction, under the machine's lock: so that of two who ask at the same moment
for what excludes the other, one is granted. While any work of a machine is open its questions are put to the rulebook version that the
work was opened under: nobody's holds change because somebody publishes.
"""

import hashlib
import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from fieldworthy.core.answer.clearance import Blocked, ClearanceAnswer, ClearanceQuestion, answer_clearance
from fieldworthy.core.answer.evidence import Doubt, check_evidence
from fieldworthy.core.answer.others import check_put_on
from fieldworthy.core.answer.procedure import ProcedureAnswer, ProcedureQuestion, answer_procedure
from fieldworthy.core.base.finding import Finding, pointer
from fieldworthy.core.base.micros import AHEAD, at_micros, micros_of, micros_text
from fieldworthy.core.base.names import key, tidy
from fieldworthy.core.base.reason import Reason
from fieldworthy.usecases.asking import Answered, ask
from fieldworthy.usecases.find_rulebook import FindRulebook, Found, resolve
from fieldworthy.usecases.kept import Entry, Kept, Machine, next_known
from fieldworthy.usecases.refusals import MachineUnknown, QuestionDoesNotFit, RulebookUnknown, WorkOfAnother, WorkUnknown
from fieldworthy.usecases.work_changes import CHANGE, Change, Report, changes_of, done_changes, micros, read_change

WORK, EVIDENCE, PUT_ON = "work", "evidence", "put-on"

MOST_REPORTS = 100
"""So many of the newest reports of each fact by each person are looked at, at least."""

Json = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Work:
    """
    One piece of work. by: whose it is now. done: its steps that are done ({"step", "at", "by"}), in order; begun: the step after them
    ({"step", "at", "by"}), None where none is. closed: {"at", "by", "result", "why"}, None while it is open. rulebook: `name@3`.
    changes: what its steps made, from their beginning on ({"step", "fact", "state", "by", "begun_at", "done_at"}, None while it is not
    done). identity: what its questions say of the machine.
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
    changes: tuple[Json, ...] = ()
    identity: Json = field(default_factory=dict)

    def kept_json(self) -> dict[str, Any]:
        """As it is kept."""
        return {**self.to_json(), "changes": [dict(each) for each in self.changes], "identity": dict(self.identity)}

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
        tuple(told.get("changes", ())),
        told.get("identity", {}),
    )


@dataclass(frozen=True, slots=True)
class Questions:
    """How plain requests become the core's questions: the doors know their shapes."""

    clearance: Callable[[Json], ClearanceQuestion]
    procedure: Callable[[Json], ProcedureQuestion]


@dataclass(frozen=True, slots=True)
class Scene:
    """
    A machine at one moment, as its questions need it. works: the open ones. evidence: the reports that can be read, unread: the doubts that
    the others leave. changes: what steps changed, the last of each of closed work. put_on: all locks and covers, also those that the
    rulebook has no place for. now: microseconds; known: of the newest that went in; raw: all reports as they were told.
    """

    machine: Machine
    found: Found
    identity: Json
    works: Mapping[str, Work]
    evidence: Sequence[Report]
    raw: Sequence[Json]
    unread: Sequence[Change]
    put_on: Sequence[Json]
    strange: Sequence[Json]
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
            "evidence": [report.told for report in self._reports(told)],
            "open_work": self._open_work(told, without),
            "put_on": [*put_on, *(each for each in self.put_on if each not in put_on and each not in self.strange)],
            **({"by": told["by"]} if "by" in told else {}),
        }

    def _open_work(self, told: Json, without: str | None) -> list[Json]:
        """
        The other open work. The core leaves out what whoever asks has open of the same task, taking it to be what they go on with: of
        several it can be one at most, so the others are told without a name.
        """
        others = [work for work in self.works.values() if work.id != without]
        found: list[Json] = []
        for work in others:
            alike = [w for w in self.works.values() if key(w.task) == key(work.task) and tidy(w.by) == tidy(work.by)]
            told_of = work.as_open()
            if tidy(work.by) == tidy(told.get("by", "")) and len(alike) > 1:
                del told_of["by"]
            found.append(told_of)
        return found

    def overtaken(self, told: Json, without: str | None = None) -> list[Change]:
        """The newest change by other work of each fact (of a person's: by each) that has not been reported since, in a way that counts."""
        return self._unsettled((change for change in self.changes if change.work != without), told)

    def doubts(self, told: Json, without: str | None = None) -> list[Doubt]:
        """What is not known, whatever was reported."""
        facts = self.found.book.vocabulary.facts
        return [change.doubt(facts) for change in (*self.overtaken(told, without), *self._unsettled(self.unread, told))]

    def locked_by_others(self, told: Json) -> list[Json]:
        """Locks and covers of which the rulebook can't tell what would take them off, in other hands than those of whoever asks."""
        return [each for each in self.strange if tidy(holder_of(each)) != tidy(told.get("by", ""))]

    def _unsettled(self, changes: Iterable[Change], told: Json) -> list[Change]:
        facts = self.found.book.vocabulary.facts
        reports = self._reports(told)
        newest: dict[tuple[str, str], Change] = {}
        for change in changes:
            if change.fact not in facts or change.settled(facts, reports):
                continue
            whose = (change.fact, tidy(change.by) if facts[change.fact].per_person else "")
            if whose not in newest or (newest[whose].under_way, newest[whose].at) < (change.under_way, change.at):
                newest[whose] = change
        return list(newest.values())

    def _reports(self, told: Json) -> list[Report]:
        """Those that are kept, and those that came along. One that comes again is as old as it was at first."""
        came = [Report.new(each, self.now) for each in told.get("evidence", ()) if each not in self.raw]
        return [*came, *self.evidence]


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
        told = [json.loads(entry.body) for entry in await kept.entries.of(machine.key, [PUT_ON], as_of)]
        works = [read_work(entry) for entry in await kept.entries.open(machine.key, WORK, as_of)]
        evidence = await kept.entries.newest_of_each(machine.key, EVIDENCE, MOST_REPORTS, as_of)
        last = [read_change(entry) for entry in await kept.entries.of(machine.key, [CHANGE], as_of)]
        written = json.loads(document.body)
        found, published = await self._book(kept, works, written["rulebook"], as_of)
        identity = {"id": id, **{member: written[member] for member in IDENTITY if member in written}}
        reports = [Report.kept(json.loads(entry.body), entry.known) for entry in evidence]
        read = self._read(found, reports)
        return Scene(
            machine,
            found,
            works[0].identity or identity if works else identity,
            {work.id: work for work in works},
            [report for report, readable in zip(reports, read, strict=True) if readable],
            [json.loads(entry.body) for entry in evidence],
            [_unread(report) for report, readable in zip(reports, read, strict=True) if not readable],
            told,
            self._strange(found, told),
            [*last, *(change for work in works for change in changes_of(work.id, work.changes))],
            await kept.moment() if now is None else now,
            max(await kept.standings.newest_known(machine.key, as_of), published),
        )

    async def _book(self, kept: Kept, works: Sequence[Work], reference: str, as_of: int | None) -> tuple[Found, int]:
        """The rulebook that is asked, and when its version was published. A bare name means the newest that was published by then."""
        if works:
            reference = works[0].rulebook
        version = None
        if as_of is not None and "@" not in reference and ":" not in reference:
            version = await kept.rulebooks.newest_at(reference, at_micros(as_of))
            if version is None:
                raise RulebookUnknown(reference)
        if version is None:
            version = await resolve(kept.rulebooks, reference)
        found = await self._find.within(kept.rulebooks, f"{version.name}@{version.version}")
        return found, micros_of(version.published_at)

    def _read(self, found: Found, told: Sequence[Report]) -> list[bool]:
        """Whether this rulebook has a place for each report: an earlier one may have declared other facts and states."""
        reports = self.questions.clearance({**NOTHING_ASKED, "evidence": [each.told for each in told]}).evidence
        facts = found.book.vocabulary.facts
        return [not check_evidence(facts, [report]) for report in reports]

    def _strange(self, found: Found, told: Sequence[Json]) -> list[Json]:
        read = self.questions.clearance({**NOTHING_ASKED, "put_on": told}).put_on
        facts = found.book.vocabulary.facts
        return [each for each, put_on in zip(told, read, strict=True) if list(check_put_on(facts, [put_on]))]


def _unread(report: Report) -> Change:
    """Since a report that can't be read its fact is not known."""
    return Change(key(report.told["fact"]), None, report.told.get("by", ""), report.moment, open_end=True)


IDENTITY = ("model", "serial", "options")
NOTHING_ASKED: Json = {"rulebook": "none", "now": "1970-01-01T00:00:00Z", "machine": {}, "for": {"needs": "none"}}


def check_reports(scene: Scene, questions: Questions, told: Json) -> None:
    """What came with a request, where nothing is asked of the core that would check it. Raises QuestionDoesNotFit."""
    came = {member: told[member] for member in ("evidence", "put_on") if member in told}
    read, facts = questions.clearance({**NOTHING_ASKED, **came}), scene.found.book.vocabulary.facts
    if findings := [*check_evidence(facts, read.evidence), *check_put_on(facts, read.put_on)]:
        raise QuestionDoesNotFit(findings)


async def keep_reports(kept: Kept, scene: Scene, told: Json, known: int) -> None:
    """
    Keeps the reports, locks and covers that came with a request. Their ids are drawn from what they say: a repeat changes nothing. A lock
    that is on is changed by whoever has it in hand. Raises QuestionDoesNotFit, WorkOfAnother.
    """
    for i, each in enumerate(told.get("evidence", ())):
        if (micros(each["at"]) or 0) > scene.now + AHEAD:
            message, path = "this report is from later than now", pointer("evidence", i, "at")
            raise QuestionDoesNotFit([Finding("question.from_the_future", message, "set the clock that gave its time", path=path)])
    entries = []
    for report in told.get("evidence", ()):
        at = micros(report["at"]) or 0
        entries.append(Entry(EVIDENCE, _id_of(report), known, at, key(report["fact"]), entry_text(report)))
    entries += [
        Entry(PUT_ON, put_on_id(lock["fact"], lock["state"], lock["by"]), known, scene.now, key(lock["fact"]), entry_text(lock))
        for lock in told.get("put_on", ())
    ]
    by_id = {(entry.kind, entry.id): entry for entry in entries}
    there = {
        (kind, id): entry
        for kind in (EVIDENCE, PUT_ON)
        for id, entry in (await kept.entries.newest(scene.machine.key, kind, [i for k, i in by_id if k == kind])).items()
    }
    new = [e for at, e in by_id.items() if at not in there or there[at].body != e.body]
    await kept.entries.put(scene.machine.key, [e for e in new if e.kind != PUT_ON or _moves(there.get((e.kind, e.id)), e, told)])


def _moves(there: Entry | None, lock: Entry, told: Json) -> bool:
    """Whether a lock is put on, or handed over by whoever may; said again as it was put on at first, it stays where it is by now."""
    was, is_ = None if there is None else json.loads(there.body), json.loads(lock.body)
    if was is None:
        return True
    if "hand_over" not in is_:
        return False
    if "by" not in told or tidy(holder_of(was)) == tidy(told["by"]):
        return True
    raise WorkOfAnother(f"what was put on `{is_['fact']}`", holder_of(was))


async def keep_work(kept: Kept, scene: Scene, work: Work, known: int) -> None:
    """Keeps the work's new state."""
    is_open = work.closed is None
    at = micros(work.opened_at) or scene.now
    await kept.entries.put(scene.machine.key, [Entry(WORK, work.id, known, at, key(work.task), entry_text(work.kept_json()), is_open)])


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


def ask_clearance(scene: Scene, questions: Questions, told: Json, wanted: Json, without: str | None = None) -> Answered[ClearanceAnswer]:
    """May this start now. wanted: the request's `for`."""
    doubts = scene.doubts(told, without)
    asked = questions.clearance({**scene.question(told, without), "for": wanted})
    found = ask(scene.found, asked, lambda book, question: answer_clearance(book, question, doubts=doubts))
    return replace(found, answer=_behind_locks(found.answer, scene.locked_by_others(told)))


def ask_procedure(scene: Scene, questions: Questions, told: Json, work: Work) -> Answered[ProcedureAnswer]:
    """Where the run of this work's steps stands."""
    begun = {} if work.begun is None else {"begun": work.begun["at"]}
    doubts = scene.doubts(told, work.id)
    asked = questions.procedure({**scene.question(told, work.id), "task": work.task, "done": list(work.done), **begun})
    found = ask(scene.found, asked, lambda book, question: answer_procedure(book, question, doubts))
    clearance = found.answer.clearance
    if clearance is None:
        return found
    return replace(found, answer=replace(found.answer, clearance=_behind_locks(clearance, scene.locked_by_others(told))))


def _behind_locks(answer: ClearanceAnswer, locks: Sequence[Json]) -> ClearanceAnswer:
    """The answer, withheld where there are locks of which the rulebook can't tell what would take them off."""
    if not locks:
        return answer
    said, blocked = [], []
    for lock in locks:
        values = {member: lock[member] for member in ("fact", "state", "by")}
        text = f"`{lock['fact']} is {lock['state']}` was put on by `{lock['by']}`, and this rulebook can't read it: take it off first."
        said.append(Reason("put-on-by-another", text, values))
        blocked.append(Blocked(None, holder_of(lock), f"{lock['fact']} is {lock['state']}", lock["fact"]))
    return replace(answer, granted=False, valid_until=None, blocked_by=(*answer.blocked_by, *blocked), because=(*said, *answer.because))


def after_step(work: Work, at: str, now: str) -> Work:
    """The work with its begun step done by whoever began it. at: when it counts as done; now: when what it changed is so."""
    assert work.begun is not None  # the caller has looked
    step = work.begun["step"]
    done = (*work.done, {"step": step, "at": at, "by": work.begun["by"]})
    return replace(work, done=done, begun=None, changes=done_changes(work.changes, step, now))


def holder_of(put_on: Json) -> str:
    """In whose hands a lock or cover is."""
    given = put_on.get("hand_over")
    holder: str = put_on["by"] if given is None else given["to"]
    return holder


def put_on_id(fact: str, state: str, by: str) -> str:
    """Each person has one lock or cover on each state of a fact."""
    return "on-" + hashlib.sha256(f"{key(fact)}\n{key(state)}\n{tidy(by)}".encode()).hexdigest()[:32]


def _id_of(report: Json) -> str:
    return "said-" + hashlib.sha256(entry_text(report).encode()).hexdigest()[:32]


def entry_text(told: Json) -> str:
    """The body of an entry."""
    return json.dumps(told, ensure_ascii=False, sort_keys=True, separators=(",", ":"))
