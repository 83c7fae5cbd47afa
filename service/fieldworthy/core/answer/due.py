"""What is due on one machine, when, and why."""

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from types import MappingProxyType
from typing import Any

from fieldworthy.core.answer.forecast import Expecting, as_json
from fieldworthy.core.answer.found import NOTHING_FOUND, ByPoint, Fitness, FollowUps, Waiting
from fieldworthy.core.answer.machine import Machine, read_machine
from fieldworthy.core.answer.reader import Plain, Reader
from fieldworthy.core.answer.task_standing import (
    Asked,
    TaskStanding,
    records_by_point,
    records_of,
    stand,
    urgency,
)
from fieldworthy.core.base.finding import Finding, Refused, did_you_mean
from fieldworthy.core.base.fit import Fitting, judge_fit
from fieldworthy.core.base.quantity import from_ticks
from fieldworthy.core.base.truth import Truth
from fieldworthy.core.interval.ast import Notice
from fieldworthy.core.interval.evaluate.context import History, Judged
from fieldworthy.core.interval.evaluate.written_bases import Moment
from fieldworthy.core.interval.evaluate.written_line import Around, Line, LineWriter, line_writer
from fieldworthy.core.meter.series import Reading
from fieldworthy.core.rulebook.model import CheckedRulebook


@dataclass(slots=True)
class DueQuestion:
    """
    now: as it was sent. tasks: those asked for by name; None: all that have an interval. notice: the request's own, before any other.
    forecast: whether the readings are asked when tasks will fall due; else only the stated use tells.
    """

    now: str
    machine: Machine
    tasks: tuple[str, ...] | None = None
    notice: Notice | None = None
    forecast: bool = True


@dataclass(slots=True)
class DueAnswer:
    """The tasks of one machine, the most urgent first; one that could be written straight away is its JSON text.

    fitness: whether the machine may work, by what was told of it.
    embed: what becomes of such a text in `to_json`: it is read, unless who asks can put it into the answer as it is.
    """

    now: str
    machine: Machine
    fitness: Fitness
    tasks: list[TaskStanding | str]
    embed: Callable[[str], Any] = json.loads

    def to_json(self) -> dict[str, Any]:
        """The wire's form (README, "What is due"), without the rulebook's name and version."""
        return {
            "now": self.now,
            "machine": self.machine.identity.id,
            "fit": self.fitness.to_json(),
            "tasks": [self.embed(t) if isinstance(t, str) else _task_json(t, self.machine) for t in self.tasks],
        }


def read_due_question(book: CheckedRulebook, request: Plain, ready: Mapping[str, list[Reading]] = MappingProxyType({})) -> DueQuestion:
    """
    A request of the wire, its shape checked by the door. Raises Refused with all that does not fit the rulebook.

    ready: readings of the machine beside those of the request, by meter key: a store has thousands, and need not write them as JSON first.
    """
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
        machine = read_machine(request["machine"], now, reader, ready)
    except Refused as refused:
        raise Refused(refused.findings) from None
    named = None if tasks is None else tuple(dict.fromkeys(tasks))
    return DueQuestion(request["now"], machine, named, _notice(request.get("notice")), request.get("forecast", True))


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
    expecting = Expecting(machine.history, question.forecast)
    moment = Moment(machine.history, expecting if expecting.worthwhile else None)
    writers: Mapping[str, LineWriter | None] = {}
    if written and moment.plain and question.notice is None and applies.fits is Truth.YES:
        writers = book.writers or _make_writers(book)
    found: list[Line | tuple[int, float, str, TaskStanding]] = []
    follow = _follow_ups(book, machine) if machine.found else None
    asked = Asked(machine, question.notice, applies, expecting)
    told, start, not_plain = machine.records, machine.history.start_record, {*machine.not_whole, *machine.deferrals}
    for name in book.tasks if question.tasks is None else question.tasks:
        write, waiting = writers.get(name), _NOTHING
        if follow is not None:
            waiting = follow.open(book.tasks[name])
        if write is not None and not waiting and name not in not_plain:
            records = told.get(name)
            if records is None or len(records) > 1 or book.tasks[name].covered_by:
                records = records_of(book.tasks[name], machine)
            elif start is not None and records[0].at > start.at:
                records = [start, *records]
            line = write(moment, records) if records else None
            if line is not None:
                found.append(line)
                continue
        task = book.tasks[name]
        fitting = _FITS if task.only_with is None else judge_fit(task.only_with, machine.identity)
        if fitting.fits is Truth.NO or (task.plan is None and question.tasks is None and not waiting):
            continue
        standing = stand(task, fitting, asked, waiting)
        found.append((*urgency(standing), task.name, standing))
    found.sort()  # a name stands once: so what stands behind it is never compared
    fitness = NOTHING_FOUND if follow is None else follow.fitness()
    return DueAnswer(question.now, machine, fitness, [item[3] for item in found])


def _make_writers(book: CheckedRulebook) -> Mapping[str, LineWriter | None]:
    """What writes the tasks of a rulebook, made when the first machine asks: a check needs none, and a large rulebook has thousands."""
    made: dict[str, LineWriter | None] = {}
    for task in book.tasks.values():
        plan, lines = task.plan, task.lines
        if plan is None or lines is None or plan.changing or task.only_with is not None or task.points:
            made[task.name] = None
        else:
            made[task.name] = line_writer(plan.rules[0], Around(task.name, *lines))
    book.writers.update(made)
    return book.writers


def _follow_ups(book: CheckedRulebook, machine: Machine) -> FollowUps:
    def of(name: str) -> ByPoint:
        return records_by_point(book.tasks[name], machine)

    return FollowUps(book.tasks, machine.history, machine.found, machine.not_clean, cache(of))


_NOTHING: Waiting = MappingProxyType({})
_FITS = Fitting(Truth.YES)


def _task_json(standing: TaskStanding, machine: Machine) -> dict[str, Any]:
    task, judged, history = standing.task, standing.judged, machine.history
    left_meters = {
        history.vocabulary.meters[meter].name: {"value": from_ticks(due - now), "unit": history.vocabulary.meters[meter].unit.name}
        for meter, (due, now) in judged.meters.items()
        if now is not None
    }
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
        "points": [_point_json(name, point.judged, history) for name, point in standing.points] if standing.points else [],
        "due_at": _due_at(judged, history),
        "remaining": {"meters": left_meters, "days": None if day is None else (day - history.today).days},
        "decided_by": judged.text or None,
        "rule": standing.rule,
        "expected": as_json(standing.expected),
        "because": [reason.to_json() for reason in judged.reasons],
        "needs": task.needs_text,
    }


def _point_json(name: str, judged: Judged, history: History) -> dict[str, Any]:
    used = judged.used
    return {
        "point": name,
        "standing": judged.standing.word,
        "used": None if used is None else used.rounded(),
        "due_at": _due_at(judged, history),
    }


def _due_at(judged: Judged, history: History) -> dict[str, Any]:
    meters: dict[str, Any] = {}
    for meter, (due, _) in judged.meters.items():
        declared = history.vocabulary.meters[meter]
        at: dict[str, Any] = {"value": from_ticks(due), "unit": declared.unit.name}
        offset = history.series[meter].offset
        if offset:
            at["shown"] = from_ticks(due - offset)
        meters[declared.name] = at
    return {"meters": meters, "date": None if judged.day is None else judged.day.isoformat()}
