"""What is asked of the core about open work: may this start, and where the run of a task's steps stands."""

from collections.abc import Sequence
from dataclasses import replace

from fieldworthy.core.answer.clearance import Blocked, ClearanceAnswer, answer_clearance
from fieldworthy.core.answer.procedure import ProcedureAnswer, answer_procedure
from fieldworthy.core.base.reason import Reason
from fieldworthy.usecases.asking import Answered, ask
from fieldworthy.usecases.open_work import Json, Scene, Work
from fieldworthy.usecases.work_locks import holder_of
from fieldworthy.usecases.work_versions import Questions


def ask_clearance(scene: Scene, questions: Questions, told: Json, wanted: Json, without: str | None = None) -> Answered[ClearanceAnswer]:
    """May this start now. wanted: the request's `for`."""
    doubts = scene.doubts(without)
    asked = questions.clearance({**scene.question(told, without), "for": wanted})
    asked = replace(asked, evidence=scene.known_when(asked.evidence), made=tuple(scene.made(without)))
    found = ask(scene.found, asked, lambda book, question: answer_clearance(book, question, doubts=doubts))
    return replace(found, answer=_behind_locks(found.answer, scene.locked_by_others(told)))


def ask_procedure(scene: Scene, questions: Questions, told: Json, work: Work) -> Answered[ProcedureAnswer]:
    """Where the run of this work's steps stands."""
    begun = {} if work.begun is None else {"begun": work.begun["at"]}
    doubts = scene.doubts(work.id)
    asked = questions.procedure({**scene.question(told, work.id), "task": work.task, "done": list(work.done), **begun})
    asked = replace(asked, evidence=scene.known_when(asked.evidence), made=tuple(scene.made(work.id)))
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
