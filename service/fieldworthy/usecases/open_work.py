"""Open work of a machine: what somebody has started and not closed, kept as one entry that moves from state to state.

Every deed asks the core and keeps what came of it in one transaction, under the machine's lock: so that of two who ask at the same moment
for what excludes the other, one is granted. While any work of a machine is open its questions are put to the rulebook version that the
work was opened under: nobody's holds change because somebody publishes.
"""

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from fieldworthy.core.answer.evidence import Doubt, Evidence
from fieldworthy.core.answer.others import Made
from fieldworthy.core.answer.reader import Reader
from fieldworthy.core.base.finding import pointer
from fieldworthy.core.base.micros import AHEAD, at_micros, micros_text
from fieldworthy.core.base.names import key, tidy
from fieldworthy.usecases.find_rulebook import FindWithin, Found
from fieldworthy.usecases.kept import MOST_ABOUT, Entry, Kept, Machine, next_known
from fieldworthy.usecases.refusals import MachineUnknown, QuestionDoesNotFit, WorkUnknown
from fieldworthy.usecases.work_changes import CHANGE, Change, Report, changes_of, done_changes, micros, read_change
from fieldworthy.usecases.work_locks import PUT_ON, holder_of, keep_locks, tidied
from fieldworthy.usecases.work_versions import InForce, Questions, Unread, in_force, unfit_locks, unfit_reports

WORK, EVIDENCE = "work", "evidence"
IDENTITY = ("model", "serial", "options")

MOST_FINDINGS = 100

_CROWDED = 10_000
"""So many microseconds what is known may be ahead of the clock because much became known at one instant."""

MOST_REPORTS = 300
"""So many of the newest reports of each fact by each person are looked at; what it was before may be anything."""

Json = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Work:
    """
    One piece of work. by: whose it is now. done: its steps that are done ({"step", "at", "by"}), in order; begun: the step after them
    ({"step", "at", "by"}), None where none is. closed: {"at", "by", "result", "why"}, None while it is open. rulebook: `name@3`.
    changes: what its steps made, from their beginning on ({"step", "fact", "state", "by", "begun_at", "done_at"}, None while it is not
    done). identity: what its questions say of the machine. record: what its done record says beside that.
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
    record: Json = field(default_factory=dict)

    def kept_json(self) -> dict[str, Any]:
        """As it is kept."""
        beside = {"changes": [dict(each) for each in self.changes], "identity": dict(self.identity), "record": dict(self.record)}
        return {**self.to_json(), **beside}

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
        told.get("record", {}),
    )


@dataclass(frozen=True, slots=True)
class Scene:
    """
    A machine at one moment, as its questions need it. works: the open ones. evidence: the reports that can be read; unread: the doubts that
    the others leave; raw: all as they were told. changes: what steps changed, the last of each of closed work. put_on: all locks, covers;
    on_told: when those kept were last told of, by their ids; strange: those that the rulebook has no place for. document: the machine's
    own, and since when it stands; identity: what its questions say of it. cut: up to when reports of a fact by somebody are not looked at.
    now: microseconds; known: of the newest that went in.
    """

    machine: Machine
    document: Json
    document_known: int
    force: InForce
    identity: Json
    works: Mapping[str, Work]
    evidence: Sequence[Report]
    raw: Sequence[Json]
    unread: Sequence[Change]
    put_on: Sequence[Json]
    on_told: Mapping[str, int]
    strange: Sequence[Json]
    changes: Sequence[Change]
    cut: Mapping[tuple[str, str], int]
    now: int
    known: int

    @property
    def found(self) -> Found:
        """The rulebook version that is asked."""
        return self.force.found

    @property
    def version(self) -> str:
        """Its name, `name@3`."""
        return f"{self.found.book.name}@{self.found.version}"

    def question(self, told: Json, without: str | None = None) -> dict[str, Any]:
        """What every question says. told: who asks, `by`; without: a work of one's own."""
        return {
            "rulebook": self.version,
            "now": micros_text(self.now),
            "machine": dict(self.identity),
            "evidence": [report.told for report in self.evidence],
            "open_work": self._open_work(told, without),
            "put_on": [each for each in self.put_on if each not in self.strange],
            **({"by": told["by"]} if "by" in told else {}),
        }

    def known_when(self, evidence: Sequence[Evidence]) -> tuple[Evidence, ...]:
        """The reports of its question, with since when they are known."""
        known = [None if report.known is None else at_micros(report.known) for report in self.evidence]
        return tuple(replace(each, known=at) for each, at in zip(evidence, known, strict=True))

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

    def overtaken(self, without: str | None = None) -> list[Change]:
        """The newest change by other work of each fact (of a person's: by each) that has not been reported since, in a way that counts."""
        return self._unsettled(change for change in self.changes if without is None or change.work != without)

    def doubts(self, without: str | None = None) -> list[Doubt]:
        """What is not known, whatever was reported."""
        return [change.doubt(self.force.facts) for change in (*self.overtaken(without), *self._unsettled(self.unread))]

    def made(self, without: str | None = None) -> list[Made]:
        """What the steps of other work made, and what of the reports is no longer looked at."""
        facts = self.force.facts
        made = [each for change in self.changes if without is None or change.work != without for each in change.made(facts[change.fact])]
        return made + [Made(name, None, at_micros(at), by or None) for (name, by), at in self.cut.items() if name in facts]

    def locked_by_others(self, told: Json) -> list[Json]:
        """Locks and covers of which the rulebook can't tell what would take them off, in other hands than those of whoever asks."""
        return [each for each in self.strange if tidy(holder_of(each)) != tidy(told.get("by", ""))]

    def _unsettled(self, changes: Iterable[Change]) -> list[Change]:
        facts = self.force.facts
        newest: dict[tuple[str, str], Change] = {}
        for change in changes:
            if change.fact not in facts or change.settled(facts, self.evidence):
                continue
            whose = (change.fact, tidy(change.by) if facts[change.fact].per_person else "")
            if whose not in newest or (newest[whose].under_way, newest[whose].at) < (change.under_way, change.at):
                newest[whose] = change
        return list(newest.values())


def _cut(told: Sequence[Json]) -> Mapping[tuple[str, str], int]:
    """Of whom there are more reports of a fact than are looked at: up to when they are not. told: those that are, in order of time."""
    of_each: dict[tuple[str, str], list[Json]] = {}
    for each in told:
        of_each.setdefault((key(each["fact"]), tidy(each.get("by", ""))), []).append(each)
    return {whose: micros(several[0]["at"]) or 0 for whose, several in of_each.items() if len(several) >= MOST_REPORTS}


class SetScene:
    """Reads a machine's scene from the store, and what comes along with a request into it."""

    def __init__(self, find: FindWithin, questions: Questions) -> None:
        self._find = find
        self.questions = questions

    async def __call__(self, kept: Kept, id: str, as_of: int | None = None, now: int | None = None, lock: bool = False) -> Scene:
        """lock: for who will change it. Raises MachineUnknown."""
        machine = (await kept.machines.lock([id])).get(id) if lock else await kept.machines.find(id)
        document = None if machine is None else (await kept.entries.documents([machine.key], as_of)).get(machine.key)
        if machine is None or document is None:
            raise MachineUnknown(id, await kept.machines.close_ids(id, 3))
        on = await kept.entries.open(machine.key, PUT_ON, as_of)
        locks = [json.loads(entry.body) for entry in on]
        works = [read_work(entry) for entry in await kept.entries.open(machine.key, WORK, as_of)]
        entries = await kept.entries.newest_of_each(machine.key, EVIDENCE, MOST_REPORTS, as_of)
        last = [read_change(entry) for entry in await kept.entries.of(machine.key, [CHANGE], as_of)]
        written = json.loads(document.body)
        force = await in_force(kept, self._find, written["rulebook"], works[0].rulebook if works else None, as_of)
        identity = {"id": id, **{member: written[member] for member in IDENTITY if member in written}}
        unread = Unread(kept, self._find, force, machine.key, document.known, as_of)
        raw = [json.loads(entry.body) for entry in entries]
        evidence, doubts = await self._read(unread, [Report.kept(told, e.known) for told, e in zip(raw, entries, strict=True)])
        changes = [change for change in last if change.fact in force.facts]
        for change in last:
            if change.fact not in force.facts:
                changes += await unread.change(change)
        return Scene(
            machine,
            written,
            document.known,
            force,
            works[0].identity or identity if works else identity,
            {work.id: work for work in works},
            evidence,
            raw,
            doubts,
            locks,
            {entry.id: entry.known for entry in on},
            self._strange(force, locks),
            [*changes, *(change for work in works for change in changes_of(work.id, work.changes))],
            _cut(raw),
            _never_back(await kept.moment(), machine.known) if now is None else now,
            max(await kept.standings.newest_known(machine.key, as_of), force.published),
        )

    async def hear(self, kept: Kept, scene: Scene, told: Json, as_of: int | None = None) -> Scene:
        """
        The scene with the reports, locks and covers that came along. What was told before just so is as old as it was at first; what was
        withdrawn or corrected since stays so. Raises QuestionDoesNotFit for what no version that is in force has a place for.
        """
        came, locks = told.get("evidence", ()), told.get("put_on", ())
        books = scene.force.books
        findings = [*unfit_reports(books, self.questions.reports(came)), *unfit_locks(books, self.questions.locks(locks))]
        if findings:
            raise QuestionDoesNotFit(findings[:MOST_FINDINGS])
        locks = [tidied(each) for each in locks]
        there = await kept.entries.newest(scene.machine.key, EVIDENCE, [report_id(each) for each in came], as_of)
        fresh = []
        for each in came:
            before = there.get(report_id(each))
            if each not in scene.raw and (before is None or before.body == entry_text(each)):
                fresh.append(Report.new(each, scene.now) if before is None else Report.kept(each, before.known))
        unread = Unread(kept, self._find, scene.force, scene.machine.key, scene.document_known, as_of)
        evidence, doubts = await self._read(unread, fresh)
        on = [*locks, *(each for each in scene.put_on if each not in locks)]
        return replace(
            scene,
            evidence=[*evidence, *scene.evidence],
            unread=[*doubts, *scene.unread],
            put_on=on,
            strange=[*scene.strange, *self._strange(scene.force, locks)],
        )

    async def _read(self, unread: Unread, told: Sequence[Report]) -> tuple[list[Report], list[Change]]:
        """The reports that the version which is asked can read, and the doubts that the others leave."""
        readable, others = [], []
        for report, each in zip(told, self.questions.reports([report.told for report in told]), strict=True):
            if unread.reads(report, each):
                readable.append(report)
            else:
                others.append((report, each))
        return readable, await unread.reports(others)

    def _strange(self, force: InForce, told: Sequence[Json]) -> list[Json]:
        read = self.questions.locks(told)
        return [each for each, lock in zip(told, read, strict=True) if unfit_locks((force.found,), [lock])]


def _never_back(moment: int, known: int) -> int:
    """
    Now, for a machine of which something is known since then: where the clock was set back, its time stands still until that is reached,
    for what was reported before a change must not come to lie behind it.
    """
    return moment if known <= moment + _CROWDED else known


async def keep_reports(kept: Kept, scene: Scene, told: Json, known: int) -> None:
    """
    Keeps the reports, locks and covers that came with a request. The ids of reports are drawn from what they say: a repeat changes nothing,
    whatever has become of the report since. Raises QuestionDoesNotFit, WorkOfAnother.
    """
    reader = Reader(scene.found.book)
    for i, each in enumerate(told.get("evidence", ())):
        path = pointer("evidence", i, "at")
        if (micros(each["at"]) or 0) > scene.now + AHEAD:
            mend = "set the clock that gave its time"
            reader.fault("question.from_the_future", "this report is from later than now", mend, path)
        else:
            reader.instant(each["at"], path)  # which may lie outside of the calendar
    if reader.findings:
        raise QuestionDoesNotFit(reader.findings[:MOST_FINDINGS])
    came = {report_id(each): each for each in told.get("evidence", ())}
    there = await kept.entries.newest(scene.machine.key, EVIDENCE, list(came))
    new = [
        Entry(EVIDENCE, id, known, micros(each["at"]) or 0, key(each["fact"])[:MOST_ABOUT], entry_text(each))
        for id, each in came.items()
        if id not in there
    ]
    await kept.entries.put(scene.machine.key, new)
    under_way = any(work.begun is not None for work in scene.works.values())
    await keep_locks(kept, scene.machine, told, known, scene.now, under_way)


async def keep_work(kept: Kept, scene: Scene, work: Work, known: int) -> None:
    """Keeps the work's new state."""
    is_open = work.closed is None
    at = micros(work.opened_at) or scene.now
    await kept.entries.put(
        scene.machine.key, [Entry(WORK, work.id, known, at, key(work.task)[:MOST_ABOUT], entry_text(work.kept_json()), is_open)]
    )


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


def after_step(work: Work, at: str, now: str) -> Work:
    """The work with its begun step done by whoever began it. at: when it counts as done; now: when what it changed is so."""
    assert work.begun is not None  # the caller has looked
    step = work.begun["step"]
    done = (*work.done, {"step": step, "at": at, "by": work.begun["by"]})
    return replace(work, done=done, begun=None, changes=done_changes(work.changes, step, now))


def report_id(report: Json) -> str:
    """Under which a report is kept that came with a request."""
    return "said-" + hashlib.sha256(entry_text(report).encode()).hexdigest()[:32]


def entry_text(told: Json) -> str:
    """The body of an entry."""
    return json.dumps(told, ensure_ascii=False, sort_keys=True, separators=(",", ":"))
