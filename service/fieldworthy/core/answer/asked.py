"""A clearance question read against its rulebook: what must be true before and after, or every finding that refuses it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from fieldworthy.core.answer.evidence import Evidence, Missing, check_evidence, no_offset
from fieldworthy.core.answer.others import Made, OpenWork, PutOn, check_hand_over, check_put_on
from fieldworthy.core.answer.reader import FIRST_YEAR, LAST_YEAR
from fieldworthy.core.base.finding import Finding, Refused, Severity, did_you_mean, pointer
from fieldworthy.core.base.fit import Fit, Identity, judge_fit
from fieldworthy.core.base.names import blank, key
from fieldworthy.core.base.span import line_and_column
from fieldworthy.core.base.truth import Truth
from fieldworthy.core.condition.ast import Condition
from fieldworthy.core.condition.check import check_condition
from fieldworthy.core.condition.evaluate import names_of
from fieldworthy.core.condition.parse import parse
from fieldworthy.core.procedure.model import Action, Step
from fieldworthy.core.procedure.steps import laid_out
from fieldworthy.core.rulebook.model import CheckedRulebook, Task

__all__ = ["Asked", "ClearanceQuestion", "Labelled", "OpenWork", "check_step", "find_task", "for_step", "read_question"]

Labelled = tuple[str, Condition]  # whose it is, in words; what must be true


@dataclass(frozen=True, slots=True)
class ClearanceQuestion:
    """
    Exactly one of task (with or without step), action and needs is set. now: aware. by: who asks. put_on: locks and covers. made: by
    the steps of other work.

    timed: whether the time of a wait is counted by whoever asks; else the answer says that nobody does. begun: whether the step is begun
    already, so that what it holds is kept on the way to where it may start.
    """

    now: datetime
    machine: Identity
    task: str | None = None
    step: int | None = None
    action: str | None = None
    needs: str | None = None
    evidence: tuple[Evidence, ...] = ()
    open_work: tuple[OpenWork, ...] = ()
    by: str | None = None
    put_on: tuple[PutOn, ...] = ()
    timed: bool = False
    begun: bool = False
    made: tuple[Made, ...] = ()


@dataclass(frozen=True, slots=True)
class Asked:
    """
    needs: what must be true now. holds: what must be true once the action is done (at once where there is none).
    holds_while_open: what must stay true afterwards. makes: what the action changes. not_said: of the machine.
    touched_later: facts of a task's later steps, for the cautions alone. waited: the span of the wait that the step before is.
    """

    subject: str
    needs: tuple[Labelled, ...]
    holds: tuple[Labelled, ...] = ()
    holds_while_open: tuple[Labelled, ...] = ()
    makes: Mapping[str, str] = field(default_factory=dict)
    not_said: tuple[Missing, ...] = ()
    touched_later: frozenset[str] = frozenset()
    waited: timedelta | None = None

    def involved(self) -> frozenset[str]:
        """The facts of the needs, the holds and what the action makes."""
        conditions = [c for _, c in (*self.needs, *self.holds, *self.holds_while_open)]
        return frozenset(self.makes) | {name for c in conditions for name in names_of(c)}


def read_question(book: CheckedRulebook, question: ClearanceQuestion) -> Asked:
    """What the question asks for, in conditions. Raises Refused with every finding, in the order of the request."""
    findings: list[Finding] = []
    if question.now.utcoffset() is None:
        findings.append(no_offset("/now"))
    elif not FIRST_YEAR <= question.now.year <= LAST_YEAR:
        mend = f"send one of the years {FIRST_YEAR} to {LAST_YEAR}"
        findings.append(
            Finding(
                "question.time_far_away", f"the year {question.now.year} is out of the calendar that can be computed", mend, path="/now"
            )
        )
    findings += _check_machine(book, question.machine)
    asked = _read_for(book, question)
    if isinstance(asked, list):
        findings += asked
    findings += check_evidence(book.vocabulary.facts, question.evidence)
    findings += _check_open_work(book, question.open_work)
    if question.by is not None and blank(question.by):
        findings.append(
            Finding("question.nobody_named", "it is not said who asks", "send the name of whoever asks, or leave it out", path="/by")
        )
    findings += check_put_on(book.vocabulary.facts, question.put_on)
    if findings or isinstance(asked, list):
        raise Refused(findings)
    return asked


# --- the machine -------------------------------------------------------------------------------------------------------------


def _check_machine(book: CheckedRulebook, machine: Identity) -> list[Finding]:
    findings = []
    if judge_fit(book.applies_to, machine).fits is Truth.NO:
        mend = "ask the rulebook of this machine, or correct its model, serial number and options"
        findings.append(Finding("question.other_machine", f"`{book.name}` is not for this machine", mend, path="/machine"))
    for option in sorted(machine.options or ()):
        if key(option) not in book.options:
            mend = did_you_mean(option, book.options.values(), "send only options that the rulebook declares")
            findings.append(Finding("question.unknown_option", f"no option is called `{option}`", mend, path="/machine/options"))
    return findings


_NOT_SAID = {"model": "model", "serial": "serial number", "options": "options"}


def _not_said(fit: Fit | None, machine: Identity, what: str) -> tuple[Missing, ...]:
    """What to supply where it can't be decided whether `what` is for this machine."""
    judged = judge_fit(fit, machine)
    missing = []
    for supply in judged.supply if judged.fits is Truth.UNKNOWN else ():
        words = _NOT_SAID.get(supply, supply)
        sent = supply == "serial" and machine.serial is not None
        text = f"Whether {what} is for this machine can't be told " + (f"from its {words}." if sent else f"without its {words}.")
        missing.append(
            Missing(f"machine.{supply}", "not-said", text, f"Send `machine.{supply}`" + (" as it stands on the plate." if sent else "."))
        )
    return tuple(missing)


def _once(*several: tuple[Missing, ...]) -> tuple[Missing, ...]:
    by_fact: dict[str, Missing] = {}
    for missing in (m for each in several for m in each):
        by_fact.setdefault(missing.fact, missing)
    return tuple(by_fact.values())


# --- what is asked for -------------------------------------------------------------------------------------------------------


def _read_for(book: CheckedRulebook, question: ClearanceQuestion) -> Asked | list[Finding]:
    what = [name for name in ("task", "action", "needs") if getattr(question, name) is not None]
    if len(what) != 1 or (question.step is not None and what != ["task"]):
        mend = "ask for one task, with or without a step, or one action, or needs"
        return [Finding("question.for_what", "it must be for exactly one thing", mend, path="/for")]
    book_fit = _not_said(book.applies_to, question.machine, "the rulebook")
    if question.needs is not None:
        return _for_needs(book, question.needs, book_fit)
    if question.action is not None:
        action = book.works.actions.get(key(question.action))
        if action is None:
            mend = did_you_mean(question.action, [a.name for a in book.works.actions.values()], "name an action that the rulebook declares")
            return [Finding("question.unknown_action", f"no action is called `{question.action}`", mend, path="/for/action")]
        return Asked(f"`{action.name}`", _needs((_of_action(action), action.needs)), makes=action.makes, not_said=book_fit)
    task = find_task(book, question.task or "")
    if isinstance(task, Finding):
        return [task.at("/for/task")]
    if judge_fit(task.only_with, question.machine).fits is Truth.NO:
        mend = "ask for a task of this machine, or correct its model, serial number and options"
        return [Finding("question.other_machine", f"the task `{task.name}` is not for this machine", mend, path="/for/task")]
    not_said = _once(book_fit, _not_said(task.only_with, question.machine, f"the task `{task.name}`"))
    steps = laid_out(task.steps, book.works.procedures)
    if question.step is None:
        return _for_task(book, task, steps, not_said)
    unknown = check_step(task, steps, question.step)
    return [unknown.at("/for/step")] if unknown else for_step(book, task, steps, question.step, not_said)


def _needs(*labelled: tuple[str, Condition | None]) -> tuple[Labelled, ...]:
    return tuple((label, condition) for label, condition in labelled if condition is not None)


def _of_action(action: Action) -> str:
    return f"needs of the action `{action.name}`"


def _for_needs(book: CheckedRulebook, text: str, not_said: tuple[Missing, ...]) -> Asked | list[Finding]:
    condition = parse(text)
    if isinstance(condition, Finding):
        findings = [condition]
    else:
        checked = check_condition(condition, book.vocabulary.facts, "fact")
        findings = [finding for finding in checked if finding.severity is Severity.ERROR]
        if not findings:
            return Asked("this", (("what was asked", condition),), not_said=not_said)
    return [f.at("/for/needs", *line_and_column(text, f.span.start if f.span else 0)) for f in findings]


def _for_task(book: CheckedRulebook, task: Task, steps: Sequence[Step], not_said: tuple[Missing, ...]) -> Asked:
    """A task as a whole: its needs, and its holds at once where no step could make them true first."""
    holds = _needs(("holds of the task", task.holds))
    later: set[str] = set()
    for step in steps:
        action = None if step.action is None else book.works.actions[key(step.action)]
        later |= set(action.makes) if action else set()
        of_action = (action.needs, action.confirm) if action else ()
        for condition in (step.needs, step.holds, step.wait_until, *of_action):
            later |= set(names_of(condition)) if condition is not None else set()
    return Asked(
        f"the task `{task.name}`",
        _needs(("needs of the task", task.needs)),
        holds=() if steps else holds,
        holds_while_open=holds,
        not_said=not_said,
        touched_later=frozenset(later),
    )


def for_step(book: CheckedRulebook, task: Task, steps: Sequence[Step], number: int, not_said: tuple[Missing, ...] = ()) -> Asked:
    """What step `number` asks for. steps: the task's, laid out."""
    step = steps[number - 1]
    action = None if step.action is None else book.works.actions[key(step.action)]
    needs = list(_needs(("needs of the task", task.needs))) if number == 1 else []
    if number > 1:  # doing proves nothing: what the step before was to bring about must be reported
        before = steps[number - 2]
        done = None if before.action is None else book.works.actions[key(before.action)]
        needs += _needs(
            (f"what confirms step {number - 1}", done.confirm if done else None),
            (f"what step {number - 1} waits for", before.wait_until),
        )
    needs += _needs((f"needs of step {number}", step.needs))
    if action is not None:
        needs += _needs((_of_action(action), action.needs))
    holds = _needs(("holds of the task", task.holds), (f"holds of step {number}", step.holds))
    waited = steps[number - 2].wait if number > 1 else None
    makes = action.makes if action else {}
    return Asked(f"step {number} of `{task.name}`", tuple(needs), holds, holds, makes, not_said, waited=waited)


# --- names -------------------------------------------------------------------------------------------------------------------


def find_task(book: CheckedRulebook, name: str) -> Task | Finding:
    """The task of this name, or the finding that there is none."""
    task = book.tasks.get(key(name))
    if task is not None:
        return task
    mend = did_you_mean(name, [t.name for t in book.tasks.values()], "name a task that the rulebook declares")
    return Finding("question.unknown_task", f"no task is called `{name}`", mend)


def check_step(task: Task, steps: Sequence[Step], number: int) -> Finding | None:
    """The finding that the task has no such step, if so."""
    if 1 <= number <= len(steps):
        return None
    mend = f"its steps count from 1 to {len(steps)}" if steps else "leave the step out: the task is one piece of work"
    return Finding("question.unknown_step", f"`{task.name}` has no step {number}", mend)


def _check_open_work(book: CheckedRulebook, works: Sequence[OpenWork]) -> list[Finding]:
    findings = []
    for index, work in enumerate(works):
        task = find_task(book, work.task)
        if isinstance(task, Finding):
            findings.append(task.at(pointer("open_work", index, "task")))
        elif work.step is not None:
            unknown = check_step(task, laid_out(task.steps, book.works.procedures), work.step)
            findings += [unknown.at(pointer("open_work", index, "step"))] if unknown else []
        findings += check_hand_over(work.hand_over, "open_work", index)
    return findings
