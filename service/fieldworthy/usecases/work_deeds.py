"""What is done with open work: open it, begin a step, say that it is done, hand it over, close it; and locks put on and taken off.

Each runs inside one transaction that the door opened. What may start is asked of the core; what was asked and what came of it go together.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from fieldworthy.core.answer.others import HandOver, check_hand_over, check_put_on, same_person
from fieldworthy.core.answer.procedure import ProcedureAnswer
from fieldworthy.core.base.finding import Finding
from fieldworthy.core.base.micros import micros_text
from fieldworthy.core.base.names import key
from fieldworthy.core.procedure.steps import laid_out
from fieldworthy.usecases.asking import Answered
from fieldworthy.usecases.kept import WITHDRAWN, Entry, Kept
from fieldworthy.usecases.open_work import (
    NOTHING_ASKED,
    PUT_ON,
    WORK,
    Change,
    Json,
    Scene,
    SetScene,
    Work,
    after_step,
    ask_clearance,
    ask_procedure,
    entry_text,
    find_work,
    keep_reports,
    keep_work,
    known_next,
    put_on_id,
    read_work,
)
from fieldworthy.usecases.refusals import QuestionDoesNotFit, StepOutOfOrder, WorkClosed, WorkOfAnother, WorkTaken

DONE = "done"


@dataclass(frozen=True, slots=True)
class Deed:
    """What came of it. work: as it is now, None where none was opened; done: whether what was asked for is so; answer: the core's;
    overtaken: changes by other work since which there is no report."""

    work: Work | None
    done: bool
    answer: Answered[Any] | None
    overtaken: tuple[Change, ...] = ()


class WorkDeeds:
    """The deeds over one store. told: the request's own `by`, and `evidence` and `put_on` where they came along; they are kept."""

    def __init__(self, scene: SetScene) -> None:
        self._set = scene
        self._questions = scene.questions

    async def ask(self, kept: Kept, machine: str, told: Json, as_of: int | None, now: int | None) -> tuple[Answered[Any], Scene]:
        """May this start, by what is kept and what came along; nothing is kept."""
        scene = await self._set(kept, machine, as_of, now)
        return ask_clearance(scene, self._questions, told, told["for"]), scene

    async def open(self, kept: Kept, machine: str, id: str, task: str, told: Json) -> Deed:
        """Opens work where the task may start, else none. Open already, by the same, for the same task: no change."""
        scene = await self._set(kept, machine, lock=True)
        there = (await kept.entries.newest(scene.machine.key, WORK, [id])).get(id)
        if there is not None:
            work = read_work(there)
            if work.closed is None and key(work.task) == key(task) and work.by == told["by"]:
                return Deed(work, True, None)
            raise WorkTaken(id, work.task)
        try:
            answer = ask_clearance(scene, self._questions, told, {"task": task})
        except QuestionDoesNotFit as refused:
            raise QuestionDoesNotFit([finding.at(finding.path.removeprefix("/for")) for finding in refused.findings]) from None
        known = await known_next(kept, scene)
        await keep_reports(kept, scene, told, known)
        if not answer.answer.granted:
            return Deed(None, False, answer, _overtaken(scene, told))
        work = Work(id, task, told["by"], micros_text(scene.now), scene.version)
        await keep_work(kept, scene, work, known)
        return Deed(work, True, answer)

    async def begin(self, kept: Kept, machine: str, id: str, step: int, told: Json) -> Deed:
        """Begins a step where it may start. The step before it, if it was begun, is taken to be done now. Begun already: no change."""
        scene, work = await self._own(kept, machine, id, told["by"])
        if work.begun is not None and work.begun["step"] == step:
            return Deed(work, True, ask_procedure(scene, self._questions, told, work))
        at = micros_text(scene.now)
        before = work
        if work.begun is not None and work.begun["step"] == step - 1:
            work = after_step(work, self._done_at(scene, work, at), told["by"])
        if work.begun is not None or step != len(work.done) + 1 or step > self._steps(scene, work):
            raise StepOutOfOrder(id, step, self._following(scene, before))
        answer: Answered[ProcedureAnswer] = ask_procedure(scene, self._questions, told, work)
        known = await known_next(kept, scene)
        await keep_reports(kept, scene, told, known)
        may = answer.answer.clearance is not None and answer.answer.clearance.granted
        if may:
            work = replace(work, begun={"step": step, "at": at, "by": told["by"]})
        if work != before:
            await keep_work(kept, scene, work, known)
        return Deed(work, may, answer, _overtaken(scene, told, id))

    async def finish(self, kept: Kept, machine: str, id: str, step: int, told: Json) -> Deed:
        """Says that the begun step is done. Said already: no change."""
        scene, work = await self._own(kept, machine, id, told["by"])
        if 1 <= step <= len(work.done):
            return Deed(work, True, ask_procedure(scene, self._questions, told, work))
        if work.begun is None or work.begun["step"] != step:
            raise StepOutOfOrder(id, step, self._following(scene, work))
        work = after_step(work, self._done_at(scene, work, micros_text(scene.now)), told["by"])
        answer = ask_procedure(scene, self._questions, told, work)
        known = await known_next(kept, scene)
        await keep_reports(kept, scene, told, known)
        await keep_work(kept, scene, work, known)
        return Deed(work, True, answer)

    async def hand_over(self, kept: Kept, machine: str, id: str, to: str, by: str, why: str) -> Deed:
        """From whoever has it to another, decided by somebody, for a reason. The same again: no change."""
        findings = list(check_hand_over(HandOver(to, by, why), "open_work", 0))
        if findings:
            raise QuestionDoesNotFit([finding.at(finding.path.removeprefix("/open_work/0/hand_over")) for finding in findings])
        scene = await self._set(kept, machine, lock=True)
        work = await self._open_one(kept, scene, id)
        if work.hand_over is not None and (work.by, work.hand_over["by"], work.hand_over["why"]) == (to, by, why):
            return Deed(work, True, None)
        given = {"from": work.by, "to": to, "by": by, "why": why, "at": micros_text(scene.now)}
        work = replace(work, by=to, hand_over=given)
        await keep_work(kept, scene, work, await known_next(kept, scene))
        return Deed(work, True, None)

    async def close(self, kept: Kept, machine: str, id: str, told: Json) -> Deed:
        """
        Closes work. told: {"by", "result"} and perhaps "why", "leave" (why what was changed is not put back), "record" (the members of a
        done record). A result `done` needs all steps done, and what the steps changed put back. Closed already: no change.
        """
        scene = await self._set(kept, machine, lock=True)
        work = await find_work(kept, scene, id)
        if work.closed is not None:
            if work.closed["by"] == told["by"] and work.closed["result"] == told["result"]:
                return Deed(work, True, None)
            raise WorkClosed(id, work.closed["at"])
        self._in_hand(work, told["by"])
        at = micros_text(scene.now)
        answer = None
        if self._steps(scene, work):
            if work.begun is not None and told["result"] == DONE and work.begun["step"] == self._steps(scene, work):
                work = after_step(work, self._done_at(scene, work, at), told["by"])
            if told["result"] == DONE and len(work.done) < self._steps(scene, work):
                raise StepOutOfOrder(id, self._steps(scene, work), self._following(scene, work))
            answer = ask_procedure(scene, self._questions, told, work)
        known = await known_next(kept, scene)
        await keep_reports(kept, scene, told, known)
        if answer is not None and (answer.answer.left or answer.answer.interrupted is not None) and "leave" not in told:
            return Deed(work, False, answer)
        closed = {"at": at, **{member: told[member] for member in ("by", "result", "why", "leave") if member in told}}
        work = replace(work, closed=closed)
        await keep_work(kept, scene, work, known)
        record = {"task": work.task, "at": at, **told.get("record", {}), "by": told["by"], "result": told["result"]}
        if "why" in told:
            record["why"] = told["why"]
        await kept.entries.put(scene.machine.key, [Entry(DONE, id, known, scene.now, key(work.task), entry_text(record))])
        return Deed(work, True, answer)

    async def put_on(self, kept: Kept, machine: str, told: Json) -> bool:
        """Keeps a lock or cover; False where it was known. Raises QuestionDoesNotFit where the rulebook has no place for it."""
        scene = await self._set(kept, machine, lock=True)
        read = self._questions.clearance({**NOTHING_ASKED, "put_on": [told]}).put_on
        findings = list(check_put_on(scene.found.book.vocabulary.facts, read))
        if findings:
            raise QuestionDoesNotFit([finding.at(finding.path.removeprefix("/put_on/0")) for finding in findings])
        known = await known_next(kept, scene)
        before = [each for each in scene.put_on if each == told]
        await keep_reports(kept, scene, {"put_on": [told]}, known)
        return not before

    async def take_off(self, kept: Kept, machine: str, fact: str, by: str) -> None:
        """
        Takes a lock or cover off. Raises WorkOfAnother where `by` has none on it, and another has.

        Source: 29 CFR 1910.147(e)(3): it is taken off by whoever put it on (or, handed over, by whom it was handed to).
        """
        scene = await self._set(kept, machine, lock=True)
        on = [each for each in scene.put_on if key(each["fact"]) == key(fact)]
        own = [each for each in on if same_person(self._holder(each), by)]
        if not own:
            if on:
                raise WorkOfAnother(f"what was put on `{fact}`", self._holder(on[0]))
            message = f"nothing is put on `{fact}`"
            raise QuestionDoesNotFit([Finding("question.nothing_put_on", message, "look at what is put on", path="/fact")])
        known = await known_next(kept, scene)
        gone = [Entry(PUT_ON, put_on_id(each["fact"], each["by"]), known, scene.now, key(each["fact"]), WITHDRAWN) for each in own]
        await kept.entries.put(scene.machine.key, gone)

    async def _own(self, kept: Kept, machine: str, id: str, by: str) -> tuple[Scene, Work]:
        scene = await self._set(kept, machine, lock=True)
        work = await self._open_one(kept, scene, id)
        self._in_hand(work, by)
        return scene, work

    async def _open_one(self, kept: Kept, scene: Scene, id: str) -> Work:
        work = await find_work(kept, scene, id)
        if work.closed is not None:
            raise WorkClosed(id, work.closed["at"])
        return work

    @staticmethod
    def _in_hand(work: Work, by: str) -> None:
        if not same_person(work.by, by):
            raise WorkOfAnother(f"the work `{work.id}`", work.by)

    @staticmethod
    def _holder(put_on: Mapping[str, Any]) -> str:
        given = put_on.get("hand_over")
        holder: str = put_on["by"] if given is None else given["to"]
        return holder

    @staticmethod
    def _steps(scene: Scene, work: Work) -> int:
        task = scene.found.book.tasks.get(work.task)
        return 0 if task is None else len(laid_out(task.steps, scene.found.book.works.procedures))

    def _following(self, scene: Scene, work: Work) -> int | None:
        following = len(work.done) + 1
        return following if following <= self._steps(scene, work) else None

    def _done_at(self, scene: Scene, work: Work, now: str) -> str:
        """When a step counts as done: of a wait, when it began (`DoneStep`), of any other now."""
        assert work.begun is not None  # the caller has looked
        book = scene.found.book
        step = laid_out(book.tasks[work.task].steps, book.works.procedures)[work.begun["step"] - 1]
        began: str = work.begun["at"]
        return began if step.wait is not None else now


def _overtaken(scene: Scene, told: Json, without: str | None = None) -> tuple[Change, ...]:
    return tuple(scene.overtaken(told, without))
