"""What was found on a machine, and what follows: whether it was followed up, the task that is due after it, and whether the machine is fit.

A follow-up stands from the moment of the finding until a record of its task at or after it. While it stands, its task is announced, is due
at the amount after the finding, and is overdue beyond it: no allowance and no deferral moves it. Of two records of one day, one of which
says its day alone, the meters tell which was first; where they do not, it is not known, and is answered as not known.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from itertools import islice
from types import MappingProxyType
from typing import Any, NamedTuple

from fieldworthy.core.answer.found_words import no_word
from fieldworthy.core.base.quantity import Exact, from_ticks, ticks_text
from fieldworthy.core.base.reason import Reason
from fieldworthy.core.base.truth import Truth
from fieldworthy.core.interval.evaluate.combine import join
from fieldworthy.core.interval.evaluate.context import History, Judged, Record, Share, Standing, Terms, unknown
from fieldworthy.core.interval.evaluate.days import ends
from fieldworthy.core.interval.evaluate.meter import MeterTerms, current, grown_old, place, value_of
from fieldworthy.core.interval.plan import reached_on
from fieldworthy.core.interval.within import Within
from fieldworthy.core.rulebook.model import FollowUp, Task

MOST_TOLD = 100
"""Things found that an answer about the machine's fitness names, the newest of them."""

WHOLE = ""
"""Stands for the one point of a task that has none."""

_WHOLE_ALONE = (WHOLE,)
_AT_ONCE = "at once"


@dataclass(slots=True)
class Found:
    """
    One thing found. record: when, and what the meters had counted (of a done record, that record itself).

    task: at which it was found; points: those of its points that it was found at, `names.key` -> as declared; none: nothing says where.
    words: those of its task, where it is none of them: then nothing tells what follows.
    """

    follows: FollowUp
    record: Record
    task: str | None = None
    points: Mapping[str, str] = field(default_factory=dict)
    by: str | None = None
    words: Mapping[str, FollowUp] | None = None
    due: "tuple[str, Exact | None] | None" = None  # worked out once for all points that it is of


ByPoint = Mapping[str, list[Record]]
"""Records that count for each point of a task, oldest first; a task without points has one, named by the empty text."""

RecordsOf = Callable[[str], ByPoint]
"""The records of a task, by its name."""


def is_after(record: Record, found: Found, history: History) -> Truth:
    """Whether a record was made at or after a finding; UNKNOWN where both are of one day and nothing tells which was first."""
    then = found.record
    if record is then:
        return Truth.NO
    day_alone, found_day_alone = _says_day_alone(record, history), _says_day_alone(then, history)
    if not day_alone and not found_day_alone:
        return Truth.YES if record.at >= then.at else Truth.NO
    if record.day != then.day:
        return Truth.YES if record.day > then.day else Truth.NO
    same = False
    for meter in sorted({*record.counts, *then.counts}):
        count = _count(record, meter, day_alone, history)
        before = _count(then, meter, found_day_alone, history)
        if count is None or before is None:
            continue
        if count != before:
            return Truth.YES if count > before else Truth.NO
        same = True
    return Truth.YES if same else Truth.UNKNOWN  # the machine did not run in between: what was found was then mended


def _says_day_alone(record: Record, history: History) -> bool:
    return record.at == history.start_of(record.day)


def _count(record: Record, meter: str, day_alone: bool, history: History) -> Exact | None:
    return record.counts.get(meter) if day_alone else value_of(record, meter, history.series.get(meter))


def followed(found: Found, records: Sequence[Record], history: History) -> Truth:
    """Whether any of these records, oldest first, was made at or after the finding."""
    told = Truth.NO
    for record in reversed(records):
        if record.start:
            continue
        if record.day < found.record.day:
            break
        told = max(told, is_after(record, found, history))
        if told is Truth.YES:
            break
    return told


Waiting = Mapping[str, Sequence[tuple[Found, Truth]]]
"""By point of a task, what it is still to follow; UNKNOWN: it is not known whether it did."""

_NOTHING: Waiting = MappingProxyType({})


class FollowUps:
    """What was found on one machine, against the records of the tasks that follow."""

    __slots__ = ("_again", "_alone", "_history", "_not_clean", "_open", "_records_of", "_tasks", "_then")

    def __init__(
        self, tasks: Mapping[str, Task], history: History, found: Iterable[Found], not_clean: Collection[Record], records_of: RecordsOf
    ) -> None:
        """not_clean: the records at which anything was found, in whatever words."""
        self._tasks, self._history, self._not_clean, self._records_of = tasks, history, not_clean, records_of
        self._then: dict[str, list[Found]] = {}
        self._again: dict[str, list[Found]] = {}  # those that end when their own task is done again with nothing found
        self._alone: list[Found] = []
        self._open: dict[str, Waiting] = {}
        for each in sorted(found, key=_age):
            if each.follows.then is not None:
                self._then.setdefault(each.follows.then, []).append(each)
            elif each.task is not None:
                self._again.setdefault(each.task, []).append(each)
            else:
                self._alone.append(each)

    def open(self, task: Task) -> Waiting:
        """What a task is still to follow."""
        if task.name not in self._then:
            return _NOTHING
        if task.name not in self._open:
            self._open[task.name] = self._left(task, self._then[task.name], self._records_of(task.name))
        return self._open[task.name]

    def _left(self, task: Task, found: Sequence[Found], by_point: ByPoint) -> Waiting:
        """Of these findings, oldest first, those that no record is surely after, by point."""
        left: dict[str, list[tuple[Found, Truth]]] = {}
        for point, records in by_point.items():
            done = [record for record in records[-1:] if not record.start]
            first = bisect_left(found, done[0].day, key=_day) if done else 0  # those of earlier days were followed
            later = bisect_right(found, done[0].day, key=_day) if done else 0  # those of later days were not
            waiting = [(each, followed(each, records, self._history)) for each in islice(found, first, later)]
            waiting += [(each, Truth.NO) for each in islice(found, later, None)]
            waiting = [(each, told) for each, told in waiting if told is not Truth.YES and point in _concerned(each, task)]
            if waiting:
                left[point] = waiting
        return left

    def fitness(self) -> "Fitness":
        """Whether the machine may work, by what was told."""
        standing = [(each, Truth.NO) for each in self._alone]
        for name in self._then:
            standing += _worst(self.open(self._tasks[name]))
        for name, found in self._again.items():
            clean = {
                point: [record for record in records if record not in self._not_clean] for point, records in self._records_of(name).items()
            }
            standing += _worst(self._left(self._tasks[name], found, clean))
        if not standing:
            return NOTHING_FOUND
        sure = [(each, told) for each, told in standing if told is Truth.NO and each.words is None]
        told_of = sorted(sure or standing, key=lambda each: _age(each[0]))
        reasons = [_no_word(each) if each.words is not None else _unfit(each, told) for each, told in reversed(told_of[-MOST_TOLD:])]
        return Fitness("unfit" if sure else "unknown", tuple(reasons))


def _age(found: Found) -> tuple[datetime, str]:
    return found.record.at, found.follows.what


def _day(found: Found) -> date:
    return found.record.day


def _concerned(found: Found, task: Task) -> Collection[str]:
    """The points of a task that follow: those of the finding, where it has all of them; else every one."""
    if not task.points:
        return _WHOLE_ALONE
    return found.points if found.points and found.points.keys() <= task.points.keys() else task.points


def _worst(waiting: Waiting) -> list[tuple[Found, Truth]]:
    """Each finding that makes the machine unfit once, with the least that is sure of its points."""
    least: dict[int, tuple[Found, Truth]] = {}
    for each in waiting.values():
        for found, told in each:
            if found.follows.unfit:
                before = least.get(id(found))
                least[id(found)] = (found, told if before is None else min(told, before[1]))
    return list(least.values())


@dataclass(frozen=True, slots=True)
class Fitness:
    """Whether a machine may work, by what was told of it: fit, unfit or unknown."""

    fit: str
    because: tuple[Reason, ...]

    def to_json(self) -> dict[str, Any]:
        """As it stands on the wire."""
        return {"fit": self.fit, "because": [reason.to_json() for reason in self.because]}


class Unread(NamedTuple):
    """Something found of which nothing tells what follows, and `why`. on: its day, where it is known."""

    what: str
    task: str
    on: date | None
    by: str | None
    why: str


def not_all_read(fitness: Fitness, unread: Sequence[Unread]) -> Fitness:
    """The fitness where some of what was found can't be read: no machine is fit for want of a word. What makes it unfit still does."""
    if not unread or fitness.fit == "unfit":
        return fitness
    newest = sorted(unread, key=lambda each: (each.on or date.max, each.what), reverse=True)[:MOST_TOLD]
    own = () if fitness.fit == "fit" else fitness.because
    return Fitness("unknown", (*own, *(_unread(each) for each in newest))[:MOST_TOLD])


def _unread(found: Unread) -> Reason:
    on, by = None if found.on is None else found.on.isoformat(), f" by {found.by}" if found.by else ""
    text = (
        f"`{found.what}` found{f' on {on}' if on else ''}{by} ({found.task}), and {found.why}: whether the machine may work with it is not "
        "known. Let a trained person look, then tell anew what they find, and settle or withdraw this."
    )
    return Reason("found-not-read", text, {"found": found.what, "task": found.task, "points": [], "on": on, "by": found.by, "near": []})


def _no_word(found: Found) -> Reason:
    """Of what was found in words that the task does not declare."""
    words = [each.what for each in (found.words or {}).values()]
    text, near = no_word(found.follows.what, _sentence(found), found.task, words)
    return Reason("found-not-read", text, {**_values(found), "near": near})


_FIT = "Nothing that was told makes the machine unfit. What nobody looked at is not told: its handbook and the daily check come first."
NOTHING_FOUND = Fitness("fit", (Reason("nothing-makes-unfit", _FIT, {}),))


def _unfit(found: Found, told: Truth) -> Reason:
    follows = found.follows
    if follows.then is not None:
        until = f"until {follows.then} is done"
    elif found.task is not None:
        until = f"until {found.task} is done again with nothing found"
    else:
        until = "until that is settled or withdrawn"
    values = {**_values(found), "then": follows.then}
    if told is Truth.NO:
        return Reason("unfit", f"{_sentence(found)}: the machine must not work {until}.", values)
    text = (
        f"{_sentence(found)}: the machine must not work {until}. Whether that was done before or after it can't be told, "
        "for they are of one day: send when each was."
    )
    return Reason("found-order-not-known", text, values)


def _sentence(found: Found, shown: str = "") -> str:
    """`frayed` found on 2026-07-09 at 640 h by p-3 (belt-check, left)"""
    where = ", ".join(word for word in (found.task, *found.points.values()) if word)
    by = f" by {found.by}" if found.by else ""
    return f"`{found.follows.what}` found on {found.record.day.isoformat()}{shown}{by}{f' ({where})' if where else ''}"


def _values(found: Found) -> dict[str, Any]:
    return {
        "found": found.follows.what,
        "task": found.task,
        "points": list(found.points.values()),
        "on": found.record.day.isoformat(),
        "by": found.by,
    }


def judge_open(waiting: Sequence[tuple[Found, Truth]], history: History) -> list[Judged]:
    """Where a task stands by what it is to follow: of each meter, and of the calendar, the earliest due point; and what is not known."""
    first: dict[str, tuple[Exact, Found]] = {}
    unknowns: dict[str, Judged] = {}
    for found, told in waiting:
        if found.due is None:
            found.due = _due(found, history)
        counter, due = found.due
        if told is Truth.UNKNOWN:
            unknowns.setdefault("", _not_known(found))
        elif due is None:
            unknowns.setdefault(counter, judge_one(found, history))
        elif counter not in first or due < first[counter][0]:
            first[counter] = (due, found)
    judged = [judge_one(found, history) for _, found in first.values()]
    if history.usage:
        for each in judged:
            each.expected = reached_on(each, history)
    return [*judged, *unknowns.values()]


def _due(found: Found, history: History) -> tuple[str, Exact | None]:
    """What a finding's due point counts on (a meter's key, or the empty text for the calendar), and the point; None: it is not known."""
    within = found.follows.within
    if within is None or within.meter is None:
        day = found.record.day
        return "", (day if within is None else within.days.after(day)).toordinal()
    begun = value_of(found.record, within.key, history.series.get(within.key))
    return within.key, None if begun is None else begun + within.ticks


def _not_known(found: Found) -> Judged:
    text = f"{_sentence(found)}. Whether this was done before or after it can't be told, for they are of one day: send when each was."
    judged = unknown(_decided(found.follows.within), "found-order-not-known", text, _values(found))
    judged.at_least = Standing.CLEAR
    return judged


def _decided(within: Within | None) -> str:
    return _AT_ONCE if within is None else f"within {within.text}"


def judge_one(found: Found, history: History) -> Judged:
    """Where a task stands by one thing that it is to follow."""
    within = found.follows.within
    if within is None or within.meter is None:
        return _on_the_calendar(found, history)
    return _on_a_meter(found, within, history)


def _on_the_calendar(found: Found, history: History) -> Judged:
    within, day, today = found.follows.within, found.record.day, history.today
    due = day if within is None else within.days.after(day)
    used = Share(max((today - day).days, 0), (due - day).days) if due > day else Share(1 + max((today - day).days, 0), 1)
    standing = Standing.UPCOMING if today < due else Standing.DUE if today == due else Standing.OVERDUE
    when = f"due at once, {ends(due, today)}" if within is None else f"due within {within.text}, on {due.isoformat()}, {ends(due, today)}"
    values = {
        **_values(found),
        "within": None if within is None else within.text,
        "due": due.isoformat(),
        "today": today.isoformat(),
        "days": (due - today).days,
    }
    return Judged(standing, used, [Reason("found", f"{_sentence(found)}: {when}.", values)], _decided(within), {}, due)


def _on_a_meter(found: Found, within: Within, history: History) -> Judged:
    meter = within.meter
    assert meter is not None  # the caller looked
    name, unit, series, decided = meter.name, meter.unit.name, history.series.get(within.key), _decided(within)
    now = current(series, name, decided)
    if isinstance(now, Judged):
        return now
    assert series is not None  # it has a reading
    begun = value_of(found.record, within.key, series)
    if begun is None:
        text = f"{_sentence(found)}: due within {within.text} after it, and nothing tells what the meter {name} showed then."
        return unknown(decided, "no-meter-at-finding", text, {**_values(found), "meter": name, "within": within.text})
    due, every = begun + within.ticks, within.ticks
    left = due - now
    ends_ = f"{ticks_text(left)} {unit} to go" if left > 0 else "just reached" if left == 0 else f"{ticks_text(-left)} {unit} past it"
    shown = f" at {ticks_text(begun)} {unit}"
    at = f"at {ticks_text(due)} {unit}; the meter shows {ticks_text(now)} {unit}, {ends_}"
    text = f"{_sentence(found, shown)}: due within {within.text}, {at}."
    values = {
        **_values(found),
        "within": within.text,
        "from": from_ticks(begun),
        "due": from_ticks(due),
        "now": from_ticks(now),
        "unit": unit,
        "meter": name,
    }
    base = MeterTerms(within.key, name, meter.unit, every, None, 0, every, None, meter.good_for, Terms())
    standing = max(place(base, None, due, now, 0), Standing.UPCOMING)
    judged = Judged(standing, Share(max(now - begun, 0), every), [Reason("found", text, values)], decided, {within.key: (due, now)})
    return grown_old(base, None, judged, history, series, due)


def joined(own: Judged | None, waiting: Sequence[Judged]) -> Judged:
    """A task's own interval and what it is to follow, whichever comes first. own: None: nothing else makes it due."""
    if own is None and len(waiting) == 1:
        return waiting[0]
    both = join("or", [*([own] if own is not None else []), *waiting])
    if own is not None:
        both.assumed = own.assumed
    return both
