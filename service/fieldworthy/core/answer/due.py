"""What is due on one machine, when, and why."""

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from fractions import Fraction
from itertools import pairwise
from typing import Any

from fieldworthy.core.answer.forecast import Expecting, as_json
from fieldworthy.core.answer.machine import MOST_RECORDS, Machine, read_machine
from fieldworthy.core.answer.reader import Plain, Reader
from fieldworthy.core.base.finding import Finding, Refused, did_you_mean
from fieldworthy.core.base.fit import Fitting, judge_fit
from fieldworthy.core.base.quantity import Exact, from_ticks
from fieldworthy.core.base.reason import Reason
from fieldworthy.core.base.truth import Truth
from fieldworthy.core.forecast.outlook import Expected
from fieldworthy.core.interval.ast import Notice
from fieldworthy.core.interval.evaluate.context import WORDS, Deferral, Judged, Record, Standing, TaskHistory
from fieldworthy.core.interval.evaluate.written import Moment, Written
from fieldworthy.core.rulebook.model import CheckedRulebook, Task


@dataclass(slots=True)
class DueQuestion:
    """now: as it was sent. tasks: those asked for by name; None: all that have an interval. notice: the request's own, before any other."""

    now: str
    machine: Machine
    tasks: tuple[str, ...] | None = None
    notice: Notice | None = None


@dataclass(slots=True)
class TaskStanding:
    """Where one task stands, the rule in force (None: none is, or it has no interval), and when it is expected to fall due."""

    task: Task
    judged: Judged
    rule: str | None
    expected: Expected | None = None


@dataclass(slots=True)
class DueAnswer:
    """The tasks of one machine, the most urgent first; one that could be written straight away is its JSON text.

    embed: what becomes of such a text in `to_json`: it is read, unless who asks can put it into the answer as it is.
    """

    now: str
    machine: Machine
    tasks: list[TaskStanding | str]
    embed: Callable[[str], Any] = json.loads

    def to_json(self) -> dict[str, Any]:
        """The wire's form (README, "What is due"), without the rulebook's name and version."""
        return {
            "now": self.now,
            "machine": self.machine.identity.id,
            "tasks": [self.embed(t) if isinstance(t, str) else _task_json(t, self.machine) for t in self.tasks],
        }


def read_due_question(book: CheckedRulebook, request: Plain) -> DueQuestion:
    """A request of the wire, its shape checked by the door. Raises Refused with all that does not fit the rulebook."""
    reader = Reader(book)
    now = reader.instant(request["now"], "/now")
    reader.done()
    tasks = request.get("tasks")
    for i, name in enumerate(tasks or ()):
        if name not in book.tasks:
            reader.fault(
                "question.unknown_task",
                f"the rulebook declares no task `{name}`",
                did_you_mean(name, book.tasks, "use a declared task"),
                f"/tasks/{i}",
            )
    try:
        machine = read_machine(request["machine"], now, reader)
    except Refused as refused:
        raise Refused(refused.findings) from None
    return DueQuestion(request["now"], machine, None if tasks is None else tuple(dict.fromkeys(tasks)), _notice(request.get("notice")))


def _notice(told: Mapping[str, Any] | None) -> Notice | None:
    if not told:
        return None
    share = told.get("share")
    return Notice(None if share is None else Fraction(str(share)), told.get("days"))


def answer_due(book: CheckedRulebook, question: DueQuestion, written: bool = True) -> DueAnswer:
    """
    The standing of every task that fits the machine. Raises Refused for a machine that the rulebook is not for.

    written: the plainest cases come as JSON text, computed by a shorter way to the same answer.
    """
    machine = question.machine
    applies = judge_fit(book.applies_to, machine.identity)
    if applies.fits is Truth.NO:
        raise Refused(
            [
                Finding(
                    "question.other_machine",
                    f"the rulebook `{book.name}` is not for this machine",
                    "ask with the rulebook of its model",
                    path="/machine",
                )
            ]
        )
    moment, expecting = Moment(machine.history), Expecting(machine.history)
    if not moment.plain or question.notice is not None or machine.not_whole or applies.fits is not Truth.YES:
        written = False
    found: list[tuple[int, float, str, TaskStanding | str]] = []
    for task in book.tasks.values() if question.tasks is None else (book.tasks[n] for n in question.tasks):
        fitting = judge_fit(task.only_with, machine.identity) if task.only_with is not None else _FITS
        if fitting.fits is Truth.NO or (task.plan is None and question.tasks is None):
            continue
        history = _history(task, machine)
        if written and task.plan is not None and fitting is _FITS:
            short = task.plan.write(moment, history)
            if short is not None:
                expected = expecting.written(task.plan, short) if expecting.worthwhile else "null"
                found.append((_URGENT[short[0]], -(short[1] / short[2]), task.name, _line(task, short, expected)))
                continue
        standing = _standing(task, fitting, question, history)
        if applies.fits is Truth.UNKNOWN:
            _open(standing.judged, applies, keep=True)
        if task.plan is not None:
            standing.expected = expecting.judged(task.plan, standing.judged, standing.rule)
        used = standing.judged.used
        share = 0.0 if used is None else -float(used.top / used.bottom)
        found.append((_URGENT[standing.judged.standing], share, task.name, standing))
    found.sort()  # a name stands once: so what stands behind it is never compared
    return DueAnswer(question.now, machine, [item[3] for item in found])


_FITS = Fitting(Truth.YES)
_URGENT = (4, 3, 1, 0, 2)  # by the standing's value: overdue, due, unknown (-1), upcoming, clear


def _line(task: Task, written: Written, expected: str) -> str:
    """A task's standing as `_task_json` gives it, as JSON text."""
    standing, top, bottom, due, left, day, reasons, decided, _ = written
    lines = task.lines
    assert lines is not None  # a task with a plan has them
    date, days = ("null", "null") if day is None else (f'"{day[0]}"', day[1])
    return (
        f'{{{lines.head},"standing":"{WORDS[standing]}","used":{round(top / bottom, 6)!r},"incomplete":false,"at_least":null,"assumed":[],'
        f'"resting":false,"due_at":{{"meters":{{{due}}},"date":{date}}},"remaining":{{"meters":{{{left}}},"days":{days}}},'
        f'"decided_by":{decided},"rule":{lines.rule},"expected":{expected},"because":[{reasons}],"needs":{lines.needs}}}'
    )


def _standing(task: Task, fitting: Fitting, question: DueQuestion, history: TaskHistory) -> TaskStanding:
    if task.plan is None:
        return TaskStanding(
            task, Judged(Standing.CLEAR, None, [Reason("when-asked", "It is done when asked; nothing makes it due.", {})], ""), None
        )
    answer = task.plan.judge(question.machine.history, history, question.notice)
    if fitting.fits is Truth.UNKNOWN:
        _open(answer.judged, fitting, keep=False)
    partly = question.machine.not_whole.get(task.name) if question.machine.not_whole else None
    if partly:
        text = f"Records that do not count for the whole task: {', '.join(partly)}."
        answer.judged.reasons.append(Reason("records-not-whole", text, {"results": partly}))
    return TaskStanding(task, answer.judged, answer.rule)


def _open(judged: Judged, fitting: Fitting, keep: bool) -> None:
    """Not known whether it is for this machine: so not known where it stands. keep: the standing is kept as the least."""
    if keep and judged.standing is not Standing.UNKNOWN:
        judged.at_least = judged.standing
    elif not keep:
        judged.at_least = None
    judged.standing = Standing.UNKNOWN
    need = " and ".join(fitting.supply)
    text = f"Whether this is for the machine can't be told: send its {need}."
    judged.reasons.insert(0, Reason("fit-not-known", text, {"supply": list(fitting.supply)}))


def _history(task: Task, machine: Machine) -> TaskHistory:
    records: list[Record] = machine.records.get(task.name, [])
    if task.covered_by:
        records = records + [r for other in task.covered_by for r in machine.records.get(other, ())]
    if len(records) > 1:
        if len(records) > MOST_RECORDS:
            mend = f"send the newest {MOST_RECORDS} at most"
            raise Refused(
                [Finding("question.too_many_records", f"the task `{task.name}` has {len(records)} records", mend, path="/machine/done")]
            )
        records = sorted(records, key=_when)
        if any(a.at == b.at for a, b in pairwise(records)):  # several of one day: by what their meters showed, not as they were sent
            records.sort(key=_when_and_counts)
    if machine.history.start_record is not None and (not records or records[0].at > machine.history.start_record.at):
        records = [machine.history.start_record, *records]
    return TaskHistory(records, _deferrals(task, machine, records) if machine.deferrals else ())


def _deferrals(task: Task, machine: Machine, records: list[Record]) -> Sequence[Deferral]:
    """The deferrals of the present due point: those decided since the last record, oldest first."""
    told = machine.deferrals.get(task.name)
    if not told:
        return ()
    if not records:
        return sorted(told, key=_when)
    last, history = records[-1], machine.history
    # A record that says its day alone may be of that day's end: what was decided on that day was decided before it.
    since = last.at if last.start or last.at != history.start_of(last.day) else history.start_of(last.day + timedelta(days=1))
    return sorted((d for d in told if d.at >= since), key=_when)


def _when(item: Any) -> datetime:
    at: datetime = item.at
    return at


def _when_and_counts(record: Record) -> tuple[datetime, list[tuple[str, Exact]]]:
    return record.at, sorted(record.counts.items())


def _task_json(standing: TaskStanding, machine: Machine) -> dict[str, Any]:
    task, judged = standing.task, standing.judged
    due_meters: dict[str, Any] = {}
    left_meters: dict[str, Any] = {}
    history = machine.history
    for meter, (due, now) in judged.meters.items():
        declared = history.vocabulary.meters[meter]
        unit = declared.unit.name
        at: dict[str, Any] = {"value": from_ticks(due), "unit": unit}
        offset = history.series[meter].offset
        if offset:
            at["shown"] = from_ticks(due - offset)
        due_meters[declared.name] = at
        if now is not None:
            left_meters[declared.name] = {"value": from_ticks(due - now), "unit": unit}
    day, used, least = judged.day, judged.used, judged.at_least
    return {
        "task": task.name,
        "title": task.title,
        "kind": task.kind,
        "standing": judged.standing.word,
        "used": None if used is None else used.rounded(),
        "incomplete": judged.incomplete,
        "at_least": None if least is None else least.word,
        "assumed": [{"condition": c, "value": v} for c, v in judged.assumed.items()] if judged.assumed else [],
        "resting": judged.resting,
        "due_at": {"meters": due_meters, "date": None if day is None else day.isoformat()},
        "remaining": {"meters": left_meters, "days": None if day is None else (day - history.today).days},
        "decided_by": judged.text or None,
        "rule": standing.rule,
        "expected": as_json(standing.expected),
        "because": [reason.to_json() for reason in judged.reasons],
        "needs": task.needs_text,
    }
