"""A task's steps, run: what is done, what comes next and whether it may start, what interrupts it, and what must still be put back.

Nothing is kept: the steps done and the evidence come with each question, and the same question gets the same answer.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from fractions import Fraction
from typing import Any

from fieldworthy.core.answer.clearance import DISCLAIMER, ClearanceAnswer, Unmet
from fieldworthy.core.answer.ended import clear_next, in_doubt, overtaken, verified
from fieldworthy.core.answer.evidence import Doubt, Missing, span_text
from fieldworthy.core.answer.interrupted import Interrupted, find_interruption, known_now, unsettled
from fieldworthy.core.answer.left import Left, still_changed
from fieldworthy.core.answer.others import reported_off
from fieldworthy.core.answer.progress import DoneStep, ProcedureQuestion, Progress, read_progress
from fieldworthy.core.answer.words import all_words
from fieldworthy.core.base.quantity import number_json
from fieldworthy.core.base.reason import Reason
from fieldworthy.core.base.truth import Truth
from fieldworthy.core.condition.ast import Condition, StateTest
from fieldworthy.core.condition.evaluate import Value, evaluate
from fieldworthy.core.condition.explain import render
from fieldworthy.core.procedure.steps import together
from fieldworthy.core.rulebook.model import CheckedRulebook

__all__ = ["DoneStep", "ProcedureAnswer", "ProcedureQuestion", "answer_procedure"]

_NEXT = ("clearance", "unmet", "missing", "blocked_by", "do_first", "cautions", "holds", "because", "valid_until")


@dataclass(frozen=True, slots=True)
class Wait:
    """A wait that was begun: its step, and the instant at which its time is over."""

    step: int
    over: datetime


@dataclass(frozen=True, slots=True)
class ProcedureAnswer:
    """
    Where the run stands. clearance: of the next step, None where all are done. ready_at: when the time of a wait is over, None
    where none runs. left: what must still be put back.
    """

    progress: Progress
    clearance: ClearanceAnswer | None
    ready_at: datetime | None
    interrupted: Interrupted | None
    left: tuple[Left, ...]
    because: tuple[Reason, ...]

    def to_json(self) -> dict[str, Any]:
        """The wire form of `POST /v1/procedure`, without `rulebook`."""
        progress, now = self.progress, self.progress.question.now
        told = None if self.clearance is None else self.clearance.to_json()
        return {
            "now": now.isoformat(),
            "task": progress.task.name,
            "steps": [_step_json(progress, number) for number in range(1, len(progress.steps) + 1)],
            "next": None if told is None else {"step": progress.next, **{member: told[member] for member in _NEXT}},
            "ready_at": None if self.ready_at is None else self.ready_at.astimezone(now.tzinfo).isoformat(),
            "interrupted": None if self.interrupted is None else self.interrupted.to_json(),
            "left": [each.to_json() for each in self.left],
            "because": [{"code": r.code, "text": r.text, "values": dict(r.values)} for r in self.because],
            "valid_until": None if told is None else told["valid_until"],
            "disclaimer": DISCLAIMER,
        }


def answer_procedure(book: CheckedRulebook, question: ProcedureQuestion, doubts: Sequence[Doubt] = ()) -> ProcedureAnswer:
    """
    What comes after the steps done, from the rulebook, the evidence and the open work sent with the question, and nothing else.

    The next step is cleared as `clearance` clears it, by the reports that still count (`ended`). It is withheld as well while the time of
    a wait runs, in which nothing is to be done first, and while the procedure is interrupted (`interrupted`). doubts: what is not known,
    whatever the evidence says.
    Raises Refused.
    """
    progress = read_progress(book, question)
    words, reports = all_words(progress), overtaken(progress)
    on = reported_off(book.vocabulary.facts, reports.kept, question.now, question.put_on)
    reports = in_doubt(progress, reports, (*doubts, *on))
    certain = verified(progress, reports)
    now = known_now(progress, reports)
    left = still_changed(progress, reports)
    interrupted = find_interruption(progress, words, known_now(progress, certain))
    waits = _waits(progress)
    over = max((w.over for w in waits), default=question.now)
    running = over > question.now
    clearance = (
        None if progress.next is None else clear_next(progress, progress.next, reports, certain, way=interrupted is None and not running)
    )
    waiting, missing = unsettled(progress, words) if interrupted is None else ((), ())
    if clearance is not None:
        clearance = _settled(clearance, waiting, missing)
    if clearance is not None and running:
        clearance = _withhold(clearance, (_not_over(max(waits, key=lambda w: w.over), question.now),))
    if clearance is not None and interrupted is not None:
        clearance = _withhold(clearance, (_stopped(interrupted),), interrupted)
    because = [*_standing(progress), *_cut_short(progress, waits), *_unproven(progress, now.values)]
    because += [*(() if interrupted is None else interrupted.because), *_not_settled(progress, waiting, missing), *_to_put_back(left)]
    return ProcedureAnswer(progress, clearance, over if running else None, interrupted, left, tuple(because))


# --- waits -------------------------------------------------------------------------------------------------------------------


def _waits(progress: Progress) -> Sequence[Wait]:
    """The waits among the steps done."""
    return [Wait(each.step, progress.over(each)) for each in progress.question.done if progress.steps[each.step - 1].wait is not None]


def _not_over(wait: Wait, now: datetime) -> Reason:
    left = span_text(wait.over - now)
    values = {"step": wait.step, "ready_at": wait.over.astimezone(now.tzinfo).isoformat()}
    return Reason("wait-not-over", f"The wait of step {wait.step} is over in {left}: wait, and begin nothing before.", values)


def _cut_short(progress: Progress, waits: Sequence[Wait]) -> list[Reason]:
    """The waits that the step after them did not wait for. It is said, and undoes nothing: what was waited for must be true by evidence."""
    said = []
    for wait in waits:
        after = progress.question.done[wait.step] if wait.step < progress.done else None
        if after is not None and after.at < wait.over:
            short = span_text(wait.over - after.at)
            text = f"Step {after.step} was done {short} before the wait of step {wait.step} was over."
            said.append(Reason("wait-cut-short", text, {"step": wait.step, "by": after.step}))
    return said


# --- the next step -----------------------------------------------------------------------------------------------------------


def _withhold(answer: ClearanceAnswer, first: tuple[Reason, ...], interrupted: Interrupted | None = None) -> ClearanceAnswer:
    """The clearance, withheld for reasons that stand before its own; what interrupts stands against it too."""
    named = {u.fact for u in answer.unmet}
    against: dict[str, Unmet] = {}
    for each in interrupted.contradicts if interrupted is not None else ():
        if each.fact not in named:
            against.setdefault(each.fact, Unmet(each.fact, each.is_, each.must_be))
    unmet = (*against.values(), *answer.unmet)
    return replace(answer, granted=False, valid_until=None, unmet=unmet, because=first + answer.because)


def _settled(answer: ClearanceAnswer, because: tuple[Reason, ...], missing: tuple[Missing, ...]) -> ClearanceAnswer:
    """The clearance, withheld where the work may have to stop by what was said last."""
    if not because:
        return answer
    asked = {m.fact for m in answer.missing}
    withheld = _withhold(answer, (*because, *_lacking(missing)))
    because_now = tuple(reason for reason in withheld.because if reason.code != "way-to-safe")  # no way is shown while a stop may hold
    return replace(withheld, do_first=(), because=because_now, missing=answer.missing + tuple(m for m in missing if m.fact not in asked))


def _not_settled(progress: Progress, because: tuple[Reason, ...], missing: tuple[Missing, ...]) -> tuple[Reason, ...]:
    """After the last step no other waits for what may have to stop the work: that it may is said here."""
    return (*because, *_lacking(missing)) if progress.next is None else ()


def _lacking(missing: tuple[Missing, ...]) -> tuple[Reason, ...]:
    return tuple(Reason(m.why, m.text, {"fact": m.fact}) for m in missing)


def _stopped(interrupted: Interrupted) -> Reason:
    facts = list(dict.fromkeys(c.fact for c in interrupted.contradicts))
    return Reason("interrupted", "The procedure is interrupted: make it safe first.", {"facts": facts})


# --- why ---------------------------------------------------------------------------------------------------------------------


def _standing(progress: Progress) -> list[Reason]:
    count, last = len(progress.steps), progress.last
    values = {"done": progress.done, "steps": count, "at": None if last is None else last.at.isoformat()}
    if progress.next is None:
        return [Reason("all-done", f"All {count} steps are done." if count > 1 else "The one step is done.", values)]
    if last is None:
        return [Reason("not-begun", f"No step is done; step 1 of {count} is next.", values)]
    return [Reason("steps-done", f"Step {progress.done} of {count} is done; step {progress.next} is next.", values)]


def _unproven(progress: Progress, known: Mapping[str, Value]) -> list[Reason]:
    """After the last step no other asks for its confirmation: that it is not known is said here."""
    action = progress.action(progress.done) if progress.next is None else None
    if action is None or action.confirm is None or evaluate(action.confirm, known) is not Truth.UNKNOWN:
        return []
    values = {"step": progress.done, "confirm": render(action.confirm)}
    return [Reason("not-known-whether-done", f"What confirms step {progress.done} is not known yet: `{values['confirm']}`.", values)]


def _to_put_back(left: Sequence[Left]) -> list[Reason]:
    return [
        Reason("left-changed", f"`{each.fact}` is `{each.is_}` and must be `{each.must_be}` before the work is closed.", each.to_json())
        for each in left
    ]


# --- the steps ---------------------------------------------------------------------------------------------------------------


def _step_json(progress: Progress, number: int) -> dict[str, Any]:
    """A step as it is laid out. needs, holds: everything it needs and holds, with the task's and the confirmation before it."""
    step, asked, action = progress.steps[number - 1], progress.asked[number - 1], progress.action(number)
    return {
        "step": number,
        "action": None if action is None else action.name,
        "do": step.do,
        "wait": None if step.wait is None else _span_json(step.wait),
        "until": _text(step.wait_until),
        "needs": _text(together(c for _, c in asked.needs)),
        "holds": _text(together(c for _, c in asked.holds_while_open)),
        "makes": None if action is None else _makes_text(progress, action.makes),
        "confirm": None if action is None else _text(action.confirm),
        "cautions": [{"signal": h.signal, "hazard": h.name, "avoid": h.avoid} for h in progress.cautions[number - 1]],
        "state": "done" if number <= progress.done else "next" if number == progress.next else "later",
    }


def _span_json(span: timedelta) -> dict[str, Any]:
    """A span of time in the largest unit of hours, minutes and seconds in which it is whole."""
    for unit, one in (("h", timedelta(hours=1)), ("min", timedelta(minutes=1))):
        if span % one == timedelta():
            return {"value": span // one, "unit": unit}
    return {"value": number_json(Fraction(span // timedelta(microseconds=1), 1_000_000)), "unit": "s"}


def _text(condition: Condition | None) -> str | None:
    return None if condition is None else render(condition)


def _makes_text(progress: Progress, makes: Mapping[str, str]) -> str | None:
    facts = progress.book.vocabulary.facts
    return _text(together(StateTest(facts[name].name, state) for name, state in makes.items()))
