"""What is done with open work: open it, begin a step, say that it is done, hand it over, close it; and locks put on and taken off.

Each runs inside one transaction that the door opened. What may start is asked of the core; what was asked and what came of it go together.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from fieldworthy.core.answer.others import HandOver, check_hand_over, same_person
from fieldworthy.core.answer.procedure import ProcedureAnswer
from fieldworthy.core.base.finding import Finding
from fieldworthy.core.base.micros import AHEAD, micros_text
from fieldworthy.core.base.names import blank, key, tidy
from fieldworthy.core.procedure.model import Step
from fieldworthy.core.procedure.steps import laid_out
from fieldworthy.usecases.as_of import refuse_ahead, to_the_second
from fieldworthy.usecases.asking import Answered
from fieldworthy.usecases.keep_machines import known_machine
from fieldworthy.usecases.kept import MOST_ABOUT, WITHDRAWN, Entry, Kept
from fieldworthy.usecases.news import told_of
from fieldworthy.usecases.noted_meters import check_noted
from fieldworthy.usecases.open_work import (
    WORK,
    Json,
    Scene,
    SetScene,
    Work,
    after_step,
    entry_text,
    find_work,
    keep_reports,
    keep_work,
    known_next,
    read_work,
)
from fieldworthy.usecases.refusals import (
    QuestionDoesNotFit,
    RecordTaken,
    StepBegun,
    StepOutOfOrder,
    WorkClosed,
    WorkOfAnother,
    WorkTaken,
)
from fieldworthy.usecases.told_kinds import KINDS, Checking, check_told
from fieldworthy.usecases.work_asking import ask_clearance, ask_procedure
from fieldworthy.usecases.work_changes import CHANGE, Change, begun_changes, last_changes, micros, read_change, taken_off
from fieldworthy.usecases.work_locks import holder_of, id_of, keep_off, put_on_id

DONE = "done"
_CLOSING = ("by", "result", "why", "leave")


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
        moment = await kept.moment()
        refuse_ahead(as_of, moment, 0 if as_of is None else (await known_machine(kept, machine)).known)
        if now is not None and not (moment if as_of is None else as_of) - AHEAD <= now <= max(moment, as_of or 0) + AHEAD:
            message = (
                "`now` is not now: by what is kept it can be asked what may start now, or with an earlier `as_of` what might have since"
            )
            raise QuestionDoesNotFit([Finding("question.not_now", message, f"leave it out; it is {to_the_second(moment)}", path="/now")])
        if as_of is None and now is not None and now < moment:  # what is too old by now grants nothing
            now = None
        scene = await self._set.hear(kept, await self._set(kept, machine, as_of, now), told, as_of)
        return ask_clearance(scene, self._questions, told, told["for"]), scene

    async def open(self, kept: Kept, machine: str, id: str, task: str, told: Json) -> Deed:
        """Opens work where the task may start, else none. Open already, by the same, for the same task: no change."""
        told = _named(told)
        scene = await self._set(kept, machine, lock=True)
        there = (await kept.entries.newest(scene.machine.key, WORK, [id])).get(id)
        if there is not None:
            work = read_work(there)
            if work.closed is None and key(work.task) == key(task) and same_person(work.by, told["by"]):
                scene = await self._set.hear(kept, scene, told)
                await _keep(kept, scene, told)
                return Deed(work, True, ask_clearance(scene, self._questions, told, {"task": task}), _overtaken(scene, work.id))
            raise WorkTaken(id, work.task)
        await self._refuse_taken(kept, scene, id, "choose another id for the work, for its own record will have that of the work")
        scene = await self._set.hear(kept, scene, told)
        try:
            answer = ask_clearance(scene, self._questions, told, {"task": task})
        except QuestionDoesNotFit as refused:
            raise QuestionDoesNotFit([finding.at(finding.path.removeprefix("/for")) for finding in refused.findings]) from None
        known = await known_next(kept, scene)
        await keep_reports(kept, scene, told, known)
        if not answer.answer.granted:
            return Deed(None, False, answer, _overtaken(scene))
        declared = scene.found.book.tasks[key(task)].name
        work = Work(id, declared, told["by"], micros_text(scene.now), scene.version, identity=scene.identity)
        await keep_work(kept, scene, work, known)
        return Deed(work, True, answer)

    async def begin(self, kept: Kept, machine: str, id: str, step: int, told: Json) -> Deed:
        """Begins a step where it may start. The step before it, if it was begun, is taken to be done now. Begun already: no change."""
        told = _named(told)
        scene, work = await self._own(kept, machine, id, told)
        if work.begun is not None and work.begun["step"] == step:
            return await self._again(kept, scene, work, told)
        at = micros_text(scene.now)
        before, off = work, list[Json]()
        if work.begun is not None and work.begun["step"] == step - 1:
            scene, off = self._taken_off(scene, work, told)
            work = after_step(work, self._done_at(scene, work, at), at)
        if work.begun is not None or step != len(work.done) + 1 or step > self._steps(scene, work):
            raise StepOutOfOrder(id, step, self._following(scene, before))
        answer: Answered[ProcedureAnswer] = ask_procedure(scene, self._questions, told, work)
        known = await known_next(kept, scene)
        await keep_reports(kept, scene, told, known)
        may = answer.answer.clearance is not None and answer.answer.clearance.granted
        if may:
            making = begun_changes(step, self._makes(scene, work, step), told["by"], at)
            work = replace(work, begun={"step": step, "at": at, "by": told["by"]}, changes=(*work.changes, *making))
        if work != before:
            await keep_work(kept, scene, work, known)
        await keep_off(kept, scene.machine, off, told["by"], known, scene.now)
        return Deed(work, may, answer, _overtaken(scene, id))

    async def finish(self, kept: Kept, machine: str, id: str, step: int, told: Json) -> Deed:
        """Says that the begun step is done. Said already: no change."""
        told = _named(told)
        scene, work = await self._own(kept, machine, id, told)
        if 1 <= step <= len(work.done):
            return await self._again(kept, scene, work, told)
        if work.begun is None or work.begun["step"] != step:
            raise StepOutOfOrder(id, step, self._following(scene, work))
        at = micros_text(scene.now)
        scene, off = self._taken_off(scene, work, told)
        work = after_step(work, self._done_at(scene, work, at), at)
        answer = ask_procedure(scene, self._questions, told, work)
        known = await known_next(kept, scene)
        await keep_reports(kept, scene, told, known)
        await keep_work(kept, scene, work, known)
        await keep_off(kept, scene.machine, off, told["by"], known, scene.now)
        return Deed(work, True, answer)

    async def hand_over(self, kept: Kept, machine: str, id: str, told: Json) -> Deed:
        """
        From whoever has it to another, decided by somebody, for a reason. To whoever has it already: no change. told: {"to", "by", "why"}
        and perhaps "from". Raises WorkOfAnother where it is not theirs now of whom it is taken.
        """
        to, by, why, taken_from = told["to"], told["by"], told["why"], told.get("from")
        findings = list(check_hand_over(HandOver(to, by, why), "open_work", 0))
        if findings:
            raise QuestionDoesNotFit([finding.at(finding.path.removeprefix("/open_work/0/hand_over")) for finding in findings])
        if taken_from is not None:
            taken_from = _name(taken_from, "from")
        scene = await self._set(kept, machine, lock=True)
        work = await self._open_one(kept, scene, id)
        if same_person(work.by, to):
            return Deed(work, True, None)
        if taken_from is not None:
            self._in_hand(work, taken_from)
        if work.begun is not None:
            raise StepBegun(id, work.begun["step"], work.begun["by"])
        given = {"from": work.by, "to": tidy(to), "by": tidy(by), "why": why, "at": micros_text(scene.now)}
        work = replace(work, by=tidy(to), hand_over=given)
        await keep_work(kept, scene, work, await known_next(kept, scene))
        return Deed(work, True, None)

    async def close(self, kept: Kept, machine: str, id: str, told: Json) -> Deed:
        """
        Closes work. told: {"by", "result"} and perhaps "why", "leave" (why what was changed is not put back), "record" (the members of a
        done record). A result `done` needs all steps done, and what the steps changed put back. Closed already: no change.
        """
        told = _named(told)
        scene = await self._set(kept, machine, lock=True)
        work = await find_work(kept, scene, id)
        if work.closed is not None:
            if said := _otherwise(work, told):
                raise WorkClosed(id, work.closed["at"], f"/v1/machines/{machine}/done/{id}" if said == "record" else None)
            await _keep(kept, await self._set.hear(kept, scene, told), told)
            return Deed(work, True, None)
        self._in_hand(work, told["by"])
        scene = await self._set.hear(kept, scene, told)
        record = self._record(scene, work, told)
        if findings := await check_noted(kept, scene.machine, scene.found.book, {}, [(id, record, "")]):
            raise QuestionDoesNotFit(findings)
        await self._refuse_taken(
            kept,
            scene,
            id,
            f"withdraw it at /v1/machines/{machine}/done/{id} (keep what it says under another id), then close the work again",
        )
        at = micros_text(scene.now)
        answer, off = None, list[Json]()
        if self._steps(scene, work):
            if work.begun is not None and told["result"] == DONE and work.begun["step"] == self._steps(scene, work):
                scene, off = self._taken_off(scene, work, told)
                work = after_step(work, self._done_at(scene, work, at), at)
            if told["result"] == DONE and len(work.done) < self._steps(scene, work):
                raise StepOutOfOrder(id, self._steps(scene, work), self._following(scene, work))
            answer = ask_procedure(scene, self._questions, told, work)
        known = await known_next(kept, scene)
        await keep_reports(kept, scene, told, known)
        if answer is not None and (answer.answer.left or answer.answer.interrupted is not None) and "leave" not in told:
            return Deed(work, False, answer)
        closed = {"at": at, **{member: told[member] for member in _CLOSING if member in told}}
        work = replace(work, closed=closed, record=told.get("record", {}))
        await keep_work(kept, scene, work, known)
        await keep_off(kept, scene.machine, off, told["by"], known, scene.now)
        before = [read_change(entry) for entry in await kept.entries.of(scene.machine.key, [CHANGE])]
        await kept.entries.put(scene.machine.key, last_changes(id, work.rulebook, work.changes, scene.now, known, before))
        done = Entry(DONE, id, known, scene.now, key(work.task)[:MOST_ABOUT], entry_text(record))
        await kept.entries.put(scene.machine.key, [done])
        kept.events.add(told_of(scene.machine, [done], scene.found, scene.now))
        return Deed(work, True, answer)

    def _record(self, scene: Scene, work: Work, told: Json) -> Json:
        """The done record of a closing. Raises QuestionDoesNotFit, with places in the request, for what the work's rulebook can't take."""
        record = {"task": work.task, "at": micros_text(scene.now), **told.get("record", {}), "by": told["by"], "result": told["result"]}
        if "why" in told:
            record["why"] = told["why"]
        checking = Checking(scene.found.book, scene.document, scene.now, AHEAD, self._questions.reports)
        findings = check_told(checking, KINDS[DONE], [(record, "")])
        if findings:
            raise QuestionDoesNotFit(findings)
        return record

    @staticmethod
    async def _refuse_taken(kept: Kept, scene: Scene, id: str, remedy: str) -> None:
        """Raises RecordTaken where a done record has the id that is the work's, and is none of it."""
        there = (await kept.entries.newest(scene.machine.key, DONE, [id])).get(id)
        if there is not None and there.body != WITHDRAWN:
            raise RecordTaken(id, remedy)

    async def put_on(self, kept: Kept, machine: str, told: Json) -> bool:
        """Keeps a lock or cover; False where it was known. Raises QuestionDoesNotFit where the rulebook has no place for it."""
        scene = await self._set(kept, machine, lock=True)
        try:
            await self._set.hear(kept, scene, {"put_on": [told]})
        except QuestionDoesNotFit as refused:
            raise QuestionDoesNotFit([finding.at(finding.path.removeprefix("/put_on/0")) for finding in refused.findings]) from None
        id = put_on_id(told["fact"], told["state"], told["by"])
        await keep_reports(kept, scene, {"put_on": [told]}, await known_next(kept, scene))
        return not any(put_on_id(each["fact"], each["state"], each["by"]) == id for each in scene.put_on)

    async def take_off(self, kept: Kept, machine: str, fact: str, by: str) -> None:
        """
        Takes a lock or cover off. Raises WorkOfAnother where `by` has none on it, and another has; QuestionDoesNotFit where nobody has.
        """
        scene = await self._set(kept, machine, lock=True)
        on = [each for each in scene.put_on if key(each["fact"]) == key(fact)]
        own = [each for each in on if same_person(holder_of(each), by)]
        if not own:
            if on:
                raise WorkOfAnother(f"what was put on `{fact}`", holder_of(on[0]))
            message = f"nothing is put on `{fact}`"
            raise QuestionDoesNotFit([Finding("question.nothing_put_on", message, "look at what is put on", path="/fact")])
        known = await known_next(kept, scene)
        await keep_off(kept, scene.machine, own, tidy(by), known, scene.now)
        states = {key(each["state"]) for each in own}
        if not any(each not in own and key(each["state"]) in states for each in on):  # else another's still holds it
            await kept.entries.put(scene.machine.key, [taken_off(fact, tidy(by), scene.version, scene.now, known)])

    async def _own(self, kept: Kept, machine: str, id: str, told: Json) -> tuple[Scene, Work]:
        scene = await self._set(kept, machine, lock=True)
        work = await self._open_one(kept, scene, id)
        self._in_hand(work, told["by"])
        return await self._set.hear(kept, scene, told), work

    async def _open_one(self, kept: Kept, scene: Scene, id: str) -> Work:
        work = await find_work(kept, scene, id)
        if work.closed is not None:
            raise WorkClosed(id, work.closed["at"])
        return work

    @staticmethod
    def _in_hand(work: Work, by: str) -> None:
        if not same_person(work.by, by):
            raise WorkOfAnother(f"the work `{work.id}`", work.by)

    async def _again(self, kept: Kept, scene: Scene, work: Work, told: Json) -> Deed:
        """What was done already, asked again: it is so still, but where what is reported by now stops the work."""
        answer: Answered[ProcedureAnswer] = ask_procedure(scene, self._questions, told, work)
        await _keep(kept, scene, told)
        return Deed(work, answer.answer.interrupted is None, answer, _overtaken(scene, work.id))

    @staticmethod
    def _laid(scene: Scene, work: Work) -> Sequence[Step]:
        task = scene.found.book.tasks.get(key(work.task))
        return () if task is None else laid_out(task.steps, scene.found.book.works.procedures)

    def _steps(self, scene: Scene, work: Work) -> int:
        return len(self._laid(scene, work))

    def _makes(self, scene: Scene, work: Work, step: int) -> Mapping[str, str]:
        action = self._laid(scene, work)[step - 1].action
        return {} if action is None else scene.found.book.works.actions[key(action)].makes

    def _taken_off(self, scene: Scene, work: Work, told: Json) -> tuple[Scene, list[Json]]:
        """
        The locks and covers that the step begun takes off now that it is done, and the scene without them: those of whoever did it that
        were last told of before it began. What comes along with this request stays on.
        """
        assert work.begun is not None  # the caller has looked
        makes, begun = self._makes(scene, work, work.begun["step"]), micros(work.begun["at"]) or 0
        told_now = {id_of(each) for each in told.get("put_on", ())}

        def is_off(lock: Json) -> bool:
            made = makes.get(key(lock["fact"]))
            if made is None or key(made) == key(lock["state"]) or not same_person(holder_of(lock), told["by"]):
                return False
            id = id_of(lock)
            return id not in told_now and scene.on_told.get(id, begun) <= begun

        off = [each for each in scene.put_on if is_off(each)]
        return replace(scene, put_on=[each for each in scene.put_on if each not in off]), off

    def _following(self, scene: Scene, work: Work) -> int | None:
        following = len(work.done) + 1
        return following if following <= self._steps(scene, work) else None

    def _done_at(self, scene: Scene, work: Work, now: str) -> str:
        """When a step counts as done: of a wait, when it began (`DoneStep`), of any other now."""
        assert work.begun is not None  # the caller has looked
        step = self._laid(scene, work)[work.begun["step"] - 1]
        began: str = work.begun["at"]
        return began if step.wait is not None else now


async def _keep(kept: Kept, scene: Scene, told: Json) -> None:
    """Keeps what came with a request that changes nothing else."""
    if told.get("evidence") or told.get("put_on"):
        await keep_reports(kept, scene, told, await known_next(kept, scene))


def _overtaken(scene: Scene, without: str | None = None) -> tuple[Change, ...]:
    return tuple(scene.overtaken(without))


def _otherwise(work: Work, told: Json) -> str | None:
    """What a closing says otherwise than the one that closed the work: `closing`, or `record`; None for the same once more."""
    assert work.closed is not None  # the caller has looked
    if any(work.closed.get(member) != told.get(member) for member in _CLOSING):
        return "closing"
    return "record" if dict(work.record) != told.get("record", {}) else None


def _named(told: Json) -> Json:
    """The request with the name of whoever sends it as it is written back. Raises QuestionDoesNotFit where it shows nothing."""
    return {**told, "by": _name(told["by"], "by")}


def _name(name: str, member: str) -> str:
    if blank(name):
        message, mend = f"`{member}` names nobody", "send the name or the number of a person"
        raise QuestionDoesNotFit([Finding("question.nobody_named", message, mend, path=f"/{member}")])
    return tidy(name)
