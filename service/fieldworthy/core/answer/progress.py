"""How far a procedure has come: the question read against its rulebook, and what each step asks for."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from fieldworthy.core.answer.asked import Asked, ClearanceQuestion, check_step, find_task, for_step, read_question
from fieldworthy.core.answer.evidence import CLOCKS_DIFFER, FOREVER, Evidence, no_offset, span_text
from fieldworthy.core.answer.others import Made, OpenWork, PutOn
from fieldworthy.core.base.finding import Finding, Refused, pointer
from fieldworthy.core.base.fit import Identity
from fieldworthy.core.base.names import key, tidy
from fieldworthy.core.condition.walk import names_of
from fieldworthy.core.procedure.model import RANK, Action, Hazard, Step
from fieldworthy.core.procedure.steps import laid_out
from fieldworthy.core.rulebook.model import CheckedRulebook, Task

MOST_CAUTION_CHARACTERS = 1_000_000
"""So much the cautions of all steps say together at most: they grow with the steps times the hazards."""
_FRAME = 50  # what each costs beside its words


@dataclass(frozen=True, slots=True)
class DoneStep:
    """A step that was done, counted from 1. at: aware; of a wait, when it began, for its time counts from then. by: who did it."""

    step: int
    at: datetime
    by: str | None = None


@dataclass(frozen=True, slots=True)
class ProcedureQuestion:
    """
    Where a run of a task's steps stands. now: aware. done: steps 1, 2, … in order.

    begun: when the step after them was begun; None: it was not. by: who is at work and asks. put_on: locks and covers. made: by the steps
    of other work.
    """

    now: datetime
    machine: Identity
    task: str
    done: tuple[DoneStep, ...] = ()
    begun: datetime | None = None
    by: str | None = None
    evidence: tuple[Evidence, ...] = ()
    open_work: tuple[OpenWork, ...] = ()
    put_on: tuple[PutOn, ...] = ()
    made: tuple[Made, ...] = ()

    def clearance(self, step: int, evidence: tuple[Evidence, ...]) -> ClearanceQuestion:
        """May this step start now, by this evidence."""
        return ClearanceQuestion(
            self.now,
            self.machine,
            self.task,
            step,
            evidence=evidence,
            open_work=self.open_work,
            by=self.by,
            put_on=self.put_on,
            timed=True,
            begun=self.begun is not None and step == len(self.done) + 1,
        )


@dataclass(frozen=True, slots=True)
class Progress:
    """A question that fits its rulebook. steps: the task's, laid out; asked: what each of them asks for; cautions: the hazards near it."""

    book: CheckedRulebook
    question: ProcedureQuestion
    task: Task
    steps: tuple[Step, ...]
    asked: tuple[Asked, ...]
    cautions: tuple[tuple[Hazard, ...], ...]

    @property
    def done(self) -> int:
        """How many steps are done."""
        return len(self.question.done)

    @property
    def next(self) -> int | None:
        """The step that comes next, counted from 1; None where all are done."""
        return self.done + 1 if self.done < len(self.steps) else None

    @property
    def last(self) -> DoneStep | None:
        """The last step that was done."""
        return self.question.done[-1] if self.question.done else None

    def action(self, number: int) -> Action | None:
        """The action of a step; None where it is a piece of work or a wait."""
        name = self.steps[number - 1].action
        return None if name is None else self.book.works.actions[key(name)]

    def changed_by(self) -> Iterator[tuple[DoneStep, str, str]]:
        """Each fact (names.key) that a done step's action made, with that step and the state, in the order of the steps."""
        for each in self.question.done:
            action = self.action(each.step)
            for name, state in action.makes.items() if action is not None else ():
                yield each, name, state

    def changes_begun(self) -> Iterator[tuple[DoneStep, str, str]]:
        """Each fact (names.key) that the step begun is changing, with that step at the time when it was begun, and the state."""
        if self.next is not None and self.question.begun is not None:
            action, begun = self.action(self.next), DoneStep(self.next, self.question.begun)
            yield from ((begun, name, state) for name, state in (action.makes.items() if action is not None else ()))

    def changing(self) -> Iterator[tuple[DoneStep, str]]:
        """The same, without the states."""
        return ((begun, name) for begun, name, _ in self.changes_begun())

    def over(self, done: DoneStep) -> datetime:
        """When a step that was done was over: a wait when its time is."""
        span = self.steps[done.step - 1].wait
        try:
            return done.at if span is None else done.at + span
        except OverflowError:
            return FOREVER


def worker_of(progress: Progress, number: int) -> str:
    """
    Who does a step (names.tidy): whoever is said to have done it; of one that is not done yet whoever asks. "": it is not said. Of a step
    that is done it is never taken to be whoever asks: another may have taken over, and what they report says nothing of who went in.
    """
    return tidy((progress.question.done[number - 1].by if number <= progress.done else progress.question.by) or "")


def read_progress(book: CheckedRulebook, question: ProcedureQuestion) -> Progress:
    """Raises Refused with every finding: of the machine, task, evidence and open work as for a clearance, then of the steps done."""
    findings: list[Finding] = []
    try:
        read_question(book, question.clearance(1, question.evidence))
    except Refused as refused:
        findings = [replace(f, path=f.path.removeprefix("/for")) for f in refused.findings if f.code != "question.unknown_step"]
    task = find_task(book, question.task)
    steps = () if isinstance(task, Finding) else laid_out(task.steps, book.works.procedures)
    if not isinstance(task, Finding) and not steps:
        mend = "ask `POST /v1/clearance` whether it may start"
        findings.append(Finding("question.no_steps", f"the task `{task.name}` is one piece of work without steps", mend, path="/task"))
    findings += _check_done(None if isinstance(task, Finding) or not steps else task, steps, question)
    if findings or isinstance(task, Finding):
        raise Refused(findings)
    asked = tuple(for_step(book, task, steps, n) for n in range(1, len(steps) + 1))
    return Progress(book, question, task, steps, asked, tuple(_cautions(book, asked)))


def _cautions(book: CheckedRulebook, asked: Sequence[Asked]) -> Iterator[tuple[Hazard, ...]]:
    """For each step the hazards that name a fact involved, by rank. Raises Refused where they say too much to be answered."""
    hazards = [(h, frozenset(names_of(h.never))) for h in sorted(book.works.hazards.values(), key=lambda h: -RANK[h.signal])]
    room = MOST_CAUTION_CHARACTERS
    for each in asked:
        involved = each.involved()
        near = tuple(h for h, named in hazards if involved & named)
        room -= sum(len(h.name) + len(h.avoid) + _FRAME for h in near)
        if room < 0:
            message = f"the cautions of its steps have more than {MOST_CAUTION_CHARACTERS:,} characters together"
            mend = "give the task fewer steps, or the rulebook fewer or shorter hazards"
            raise Refused([Finding("question.too_many_cautions", message, mend, path="/task")])
        yield near


def _check_done(task: Task | None, steps: Sequence[Step], question: ProcedureQuestion) -> Iterator[Finding]:
    before: datetime | None = None
    for index, each in enumerate(question.done):
        path, expected = pointer("done", index, "step"), index + 1
        unknown = None if task is None else check_step(task, steps, each.step)
        if unknown is not None:
            yield unknown.at(path)
        elif each.step != expected:
            message = f"step {each.step} is named where step {expected} belongs"
            mend = "name the steps that are done in their order from 1 on, each once and none left out"
            yield Finding("question.steps_out_of_order", message, mend, path=path)
        place = pointer("done", index, "at")
        yield from _check_time(each.at, before, question.now, f"step {each.step}", place)
        before = each.at if each.at.utcoffset() is not None else before
    if question.begun is None:
        return
    if task is not None and len(question.done) >= len(steps):
        message, mend = "every step is done, so that none can have been begun", "leave `begun` out"
        yield Finding("question.nothing_to_begin", message, mend, path="/begun")
    yield from _check_time(question.begun, before, question.now, "the step begun", "/begun")


def _check_time(at: datetime, before: datetime | None, now: datetime, what: str, path: str) -> Iterator[Finding]:
    if at.utcoffset() is None:
        yield no_offset(path)
        return
    if before is not None and at < before:
        message, mend = f"{what} is said to be earlier than the step before it", "correct the times: each step comes after the one before"
        yield Finding("question.times_out_of_order", message, mend, path=path)
    if now.utcoffset() is not None and at - now > CLOCKS_DIFFER:
        message = f"{what} is said to be {span_text(at - now)} later than now; a clock may be {span_text(CLOCKS_DIFFER)} ahead"
        yield Finding("question.time_in_the_future", message, "name only what has been done, or set the clock right", path=path)
