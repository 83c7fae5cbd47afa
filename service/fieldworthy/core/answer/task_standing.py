"""Where one task of a machine stands: by its interval, by what it is to follow, and by each of its points."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Any

from fieldworthy.core.answer.forecast import Expecting
from fieldworthy.core.answer.found import WHOLE, ByPoint, Found, Waiting, joined, judge_open
from fieldworthy.core.answer.machine import MOST_RECORDS, Machine
from fieldworthy.core.answer.read_found import NotWhole
from fieldworthy.core.base.finding import Finding, Refused
from fieldworthy.core.base.fit import Fitting
from fieldworthy.core.base.quantity import Exact
from fieldworthy.core.base.reason import Reason
from fieldworthy.core.base.truth import Truth
from fieldworthy.core.forecast.outlook import Expected
from fieldworthy.core.interval.ast import Notice
from fieldworthy.core.interval.evaluate.context import URGENT, Deferral, Judged, Record, Standing, TaskHistory
from fieldworthy.core.rulebook.model import Task

_MOST_TOLD = 5
_MOST_WHY = 200
"""Characters of a reason that a sentence repeats."""


@dataclass(slots=True)
class TaskStanding:
    """
    Where one task stands, the rule in force (None: none is, or it has no interval), and when it is expected to fall due.

    points: of a task that has any, each as declared with its own standing.
    """

    task: Task
    judged: Judged
    rule: str | None
    expected: Expected | None = None
    points: "list[tuple[str, TaskStanding]]" = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Asked:
    """What every task of one question shares. notice: the request's own; applies: whether the rulebook is for the machine."""

    machine: Machine
    notice: Notice | None
    applies: Fitting
    expecting: Expecting


def stand(task: Task, fitting: Fitting, asked: Asked, waiting: Waiting) -> TaskStanding:
    """Where a task stands; one with points as the worst of them. fitting: whether it is for the machine, or may be."""
    machine = asked.machine
    by_point = records_by_point(task, machine)
    each = [
        (point, _stand(task, fitting, asked, records, deferrals_of(task, machine, records), waiting.get(point, ())))
        for point, records in by_point.items()
    ]
    if not task.points:
        standing = each[0][1]
    else:
        worst = min(range(len(each)), key=lambda i: urgency(each[i][1]))  # the first declared on a tie
        standing = each[worst][1]
        points = [(task.points[point], one) for point, one in each]
        told = {name: one.judged.standing.word for name, one in points}
        text = f"{points[worst][0]} decides: {', '.join(f'{name} is {word}' for name, word in told.items())}."
        judged = replaced(standing.judged, [Reason("point-decides", text, {"point": points[worst][0], "standings": told})])
        standing = TaskStanding(task, judged, standing.rule, standing.expected, points)
    if task.name in machine.deferrals and (task.may_defer is None or task.says == "law"):
        put_off = [deferral for records in by_point.values() for deferral in deferrals_of(task, machine, records)]
        if put_off:
            standing.judged.reasons.append(_never_deferred(task, max(put_off, key=_when)))
    not_whole = machine.not_whole.get(task.name)
    if not_whole:
        standing.judged.reasons.append(_not_whole(not_whole))
    return standing


def replaced(judged: Judged, first: list[Reason]) -> Judged:
    """The same, with these reasons before its own: a point's own standing keeps those that it has."""
    return Judged(
        judged.standing,
        judged.used,
        [*first, *judged.reasons],
        judged.text,
        judged.meters,
        judged.day,
        judged.incomplete,
        judged.at_least,
        judged.resting,
        judged.assumed,
        judged.expected,
    )


def urgency(standing: TaskStanding) -> tuple[int, float]:
    """The more urgent first: by the standing, then by the share used."""
    used = standing.judged.used
    return URGENT[standing.judged.standing], 0.0 if used is None else -float(used.top / used.bottom)


def _stand(
    task: Task, fitting: Fitting, asked: Asked, records: list[Record], deferrals: Sequence[Deferral], waiting: Sequence[tuple[Found, Truth]]
) -> TaskStanding:
    """By one history: of the whole task, or of one of its points."""
    history, plan = asked.machine.history, task.plan
    own, rule = None, None
    if plan is not None:
        answer = plan.judge(history, TaskHistory(records, deferrals), asked.notice)
        own, rule = answer.judged, answer.rule
    if not waiting:
        judged = own or Judged(Standing.CLEAR, None, [Reason("when-asked", "It is done when asked; nothing makes it due.", {})], "")
        if own is not None and fitting.fits is Truth.UNKNOWN:
            _open(judged, fitting, keep=False)
        if asked.applies.fits is Truth.UNKNOWN:
            _open(judged, asked.applies, keep=True)
        return TaskStanding(task, judged, rule, None if plan is None else asked.expecting.judged(plan, judged, rule))
    follow = judge_open(waiting, history)
    sooner = asked.expecting.sooner(plan, own, rule, follow)
    judged = joined(own, follow)
    if fitting.fits is Truth.UNKNOWN:
        _open(judged, fitting, keep=False)
    if asked.applies.fits is Truth.UNKNOWN:
        _open(judged, asked.applies, keep=True)
    if judged.standing not in (Standing.CLEAR, Standing.UPCOMING):
        sooner = None
    stated = None if judged.expected is None else Expected(judged.expected)
    return TaskStanding(task, judged, rule, sooner or stated)


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


def _never_deferred(task: Task, newest: Deferral) -> Reason:
    """Why what was decided counts for nothing."""
    why = "the law asks for this task" if task.says == "law" else "the rulebook permits none for this task"
    text = f"A deferral ({newest.why[:_MOST_WHY]}; decided by {newest.by}) does not count: {why}, and it can't be deferred."
    return Reason("deferral-not-permitted", text, {"by": newest.by, "why": newest.why})


def _not_whole(told: Sequence[NotWhole]) -> Reason:
    """What was reported and counts for nothing: the newest of it."""
    newest = sorted(told, key=_when)[-_MOST_TOLD:]
    said = [f"{each.result} on {each.day.isoformat()}{f' ({each.why[:_MOST_WHY]})' if each.why else ''}" for each in newest]
    earlier = f", and {len(told) - len(newest)} earlier" if len(told) > len(newest) else ""
    text = f"Records that do not count for the whole task: {', '.join(said)}{earlier}."
    values = {
        "results": [each.result for each in newest],
        "records": [{"result": each.result, "on": each.day.isoformat(), "why": each.why, "points": list(each.points)} for each in newest],
    }
    return Reason("records-not-whole", text, values)


def records_by_point(task: Task, machine: Machine) -> ByPoint:
    """The records that count for each point of a task; for one without points, those of the whole."""
    if not task.points:
        return {WHOLE: records_of(task, machine)}
    partly = machine.partly.get(task.name, ())
    return {point: records_of(task, machine, [record for record, points in partly if point in points]) for point in task.points}


def records_of(task: Task, machine: Machine, partly: Sequence[Record] = ()) -> list[Record]:
    """The records that count for a task, oldest first: the in-service one too, where it is the first. partly: those of one point."""
    records = machine.records.get(task.name, [])
    if task.covered_by:
        records = records + [r for other in task.covered_by for r in machine.records.get(other, ())]
    if partly:
        records = [*records, *partly]
    if len(records) > 1:
        if len(records) > MOST_RECORDS:
            mend = f"send the newest {MOST_RECORDS} at most"
            raise Refused(
                [Finding("question.too_many_records", f"the task `{task.name}` has {len(records)} records", mend, path="/machine/done")]
            )
        records = sorted(records, key=_when)
        if any(a.at == b.at for a, b in pairwise(records)):  # several of one day: by what their meters showed, not as they were sent
            records.sort(key=_when_and_counts)
    start = machine.history.start_record
    return records if start is None or (records and records[0].at <= start.at) else [start, *records]


def deferrals_of(task: Task, machine: Machine, records: list[Record]) -> Sequence[Deferral]:
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
