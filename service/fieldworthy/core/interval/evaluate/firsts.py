"""`once at`, `once after`, `first at … then`: points that are met one after another and then stay behind."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

from fieldworthy.core.base.quantity import Exact, from_ticks, ticks_text, whole
from fieldworthy.core.base.reason import Reason
from fieldworthy.core.interval.ast import Notice
from fieldworthy.core.interval.evaluate.context import NONE_USED, Happened, History, Judged, Record, Share, Standing, TaskHistory
from fieldworthy.core.interval.evaluate.days import CalendarTerms, ends
from fieldworthy.core.interval.evaluate.days import place as place_day
from fieldworthy.core.interval.evaluate.days import put_off as put_off_days
from fieldworthy.core.interval.evaluate.meter import MeterTerms, current, grown_old, never_recorded, no_value, place, put_off, value_of
from fieldworthy.core.interval.evaluate.slack import Days
from fieldworthy.core.meter.series import Series


@dataclass(slots=True)
class Points:
    """What is left of the points.

    judged: the answer by the next one, or why it is not known. ahead: the next one, where it is on a meter and known. Neither: all are
    met. begin: the last point (ticks, or a day). records: those since.
    """

    judged: Judged | None
    begin: Any = None
    records: Sequence[Record] = ()
    ahead: "Ahead | None" = None


@dataclass(slots=True)
class Ahead:
    """The next point on a meter: what it counts from, and the meter's count now [ticks]."""

    point: "MeterPoint"
    zero: Exact
    now: Exact
    series: Series


@dataclass(slots=True)
class MeterPoint:
    """One amount on a meter, after an occurrence or on the meter itself; early: how far before it a record meets it [ticks]."""

    base: MeterTerms
    early: Exact

    @classmethod
    def of(cls, base: MeterTerms) -> "MeterPoint":
        return cls(base, whole(Fraction(base.every) / 4) if base.early is None else base.early)


@dataclass(slots=True)
class DayPoint:
    """One length on the calendar, after an occurrence or after the in-service day."""

    base: CalendarTerms
    length: Days
    early: Days


@dataclass(slots=True)
class Firsts:
    """Points on one meter, or on the calendar, in rising order. after: the occurrence they count from (key, name); None: in service."""

    text: str
    points: tuple[MeterPoint, ...] | tuple[DayPoint, ...]
    after: tuple[str, str] | None
    _on_a_meter: tuple[MeterPoint, ...] = field(init=False)
    _on_days: tuple[DayPoint, ...] = field(init=False)

    def __post_init__(self) -> None:
        self._on_a_meter = tuple(p for p in self.points if isinstance(p, MeterPoint))
        self._on_days = tuple(p for p in self.points if isinstance(p, DayPoint))

    def judge(self, history: History, task: TaskHistory, asked: Notice | None) -> Points:
        """The next point that is not met, and where it stands."""
        points = self.left(history, task.records, task, asked)
        if points.ahead is not None:
            points.judged = self._answer_meter(points.ahead, history, task, asked)
        return points

    def left(self, history: History, records: Sequence[Record], task: TaskHistory | None = None, asked: Notice | None = None) -> Points:
        """The next point that is not met; one on a meter is not judged yet. task, asked: where one on the calendar may be put off."""
        event: Happened | None = None
        if self.after is not None:
            for event in reversed(history.happened(self.after[0])):
                if event.at <= history.horizon:
                    break
            else:
                return Points(None)
        if records and records[0].start:  # it stands first, and once
            records = records[1:]
        if event is not None and records and records[0].at <= event.at:
            since = event.at
            records = [r for r in records if r.at > since]
        if self._on_a_meter:
            return self._on_meter(history, event, records)
        return self._on_calendar(history, task or TaskHistory(records), asked, event, records)

    def _on_meter(self, history: History, event: Happened | None, records: Sequence[Record]) -> Points:
        points = self._on_a_meter
        base = points[0].base
        series = history.series.get(base.key)
        now = current(series, base.name, self.text)
        if isinstance(now, Judged):
            return Points(now)
        assert series is not None
        zero: Exact = 0
        if event is not None:
            own = event.counts.get(base.key)
            told = series.at(event.at) if own is None else own
            if told is None:
                text = f"Nothing tells what the meter {base.name} showed when this happened: {self.name}."
                return Points(
                    Judged(Standing.UNKNOWN, None, [Reason("no-meter-at-occurrence", text, {"occurrence": self.name})], self.text)
                )
            zero = told
        behind = _behind(points, history, base.key) if event is None else 0
        left, since = _met_on_meter(points, zero, base.key, series, records, behind)
        if left == len(points):
            if left == behind:
                return Points(None)  # it came into service beyond all of them: its first day stands for the last time
            return Points(None, zero + points[-1].base.every, records[since:])
        if records and base.key not in records[-1].counts and value_of(records[-1], base.key, series) is None:
            return Points(no_value(self.text, base.name, records[-1]))
        if event is None and _perhaps_met(points[left], history, base.key, now):
            return Points(never_recorded(self.text))
        return Points(None, ahead=Ahead(points[left], zero, now, series))

    def _answer_meter(self, ahead: Ahead, history: History, task: TaskHistory, asked: Notice | None) -> Judged:
        base, zero, now, series = ahead.point.base, ahead.zero, ahead.now, ahead.series
        due = zero + base.every
        shift, said = put_off(base, history, task, due, series)
        moved, unit = due + shift, base.unit.name
        left = moved - now
        tail = f"{ticks_text(left)} {unit} to go" if left > 0 else "just reached" if left == 0 else f"{ticks_text(-left)} {unit} past it"
        lead = f"`{self.name}` at {ticks_text(zero)} {unit}; " if self.after else ""
        text = f"{lead}{self.text}: due at {ticks_text(moved)} {unit}; the meter shows {ticks_text(now)} {unit}, {tail}."
        values = {
            "from": from_ticks(zero),
            "every": from_ticks(base.every),
            "due": from_ticks(moved),
            "now": from_ticks(now),
            "unit": unit,
            "meter": base.name,
        }
        used = Share(max(now - zero, 0), base.every)
        judged = Judged(
            place(base, asked, due, now, shift), used, [Reason("first-point", text, values), *said], self.text, {base.key: (moved, now)}
        )
        return grown_old(base, asked, judged, history, series, moved)

    def _on_calendar(
        self, history: History, task: TaskHistory, asked: Notice | None, event: Happened | None, records: Sequence[Record]
    ) -> Points:
        points = self._on_days
        if event is None and history.start is None:
            return Points(
                Judged(
                    Standing.UNKNOWN,
                    None,
                    [Reason("no-in-service", "The machine's in-service day is not known.", {"needs": "in_service"})],
                    self.text,
                )
            )
        zero = event.day if event is not None else history.start.day if history.start is not None else history.today
        left = since = 0
        for i, record in enumerate(records):
            while left < len(points) and record.day >= points[left].early.before(points[left].length.after(zero)):
                left, since = left + 1, i
        if left == len(points):
            return Points(None, points[-1].length.after(zero), records[since:])
        point = points[left]
        due = point.length.after(zero)
        if (
            event is None
            and history.start is not None
            and history.start.new is not True
            and not records
            and history.today >= point.early.before(due)
        ):
            return Points(never_recorded(self.text))
        shift, said = put_off_days(point.base, history, task, due)
        moved, today = shift.after(due), history.today
        used = Share(max((today - zero).days, 0), max((due - zero).days, 1))
        lead = f"`{self.name}` on {zero.isoformat()}" if self.after else f"In service since {zero.isoformat()}"
        text = f"{lead}; {self.text}: due on {moved.isoformat()}, {ends(moved, today)}."
        values = {"from": zero.isoformat(), "due": moved.isoformat(), "today": today.isoformat(), "days": (moved - today).days}
        return Points(
            Judged(
                place_day(point.base, asked, due, today, shift), used, [Reason("first-point", text, values), *said], self.text, {}, moved
            )
        )

    @property
    def name(self) -> str:
        """The occurrence that the points count from, as declared; "" where there is none."""
        return self.after[1] if self.after else ""


def _met_on_meter(
    points: Sequence[MeterPoint], zero: Exact, meter: str, series: Series, records: Sequence[Record], behind: int
) -> tuple[int, int]:
    """How many points are met, and the index of the record that met the last of them: one meets each that it has come near enough to."""
    left, since = behind, 0
    for i, record in enumerate(records):
        value = record.counts.get(meter)
        if value is None:
            value = value_of(record, meter, series)
        while value is not None and left < len(points) and value >= zero + points[left].base.every - points[left].early:
            left, since = left + 1, i
    return left, since


def _behind(points: Sequence[MeterPoint], history: History, meter: str) -> int:
    """How many points a new machine came into service beyond."""
    start = history.start
    if start is None or start.new is not True:
        return 0
    began, behind = start.counts.get(meter), 0
    if began is not None:
        while behind < len(points) and began > points[behind].base.every:
            behind += 1
    return behind


def _perhaps_met(point: MeterPoint, history: History, meter: str, now: Exact) -> bool:
    """Whether it may have been met before a machine that was not new came here, by somebody whose records are not told."""
    start = history.start
    if start is not None and start.new is True:
        return False
    began = start.counts.get(meter) if start is not None else None
    return now >= point.base.every - point.early if began is None else began > point.base.every


def once_judged(firsts: Firsts, history: History, task: TaskHistory, asked: Notice | None) -> Judged:
    """`once …`: the point, or clear once it is met."""
    points = firsts.judge(history, task, asked)
    if points.judged is not None:
        return points.judged
    if firsts.after is not None and not history.happened(firsts.after[0]):
        name = firsts.after[1]
        return Judged(
            Standing.CLEAR, NONE_USED, [Reason("never-happened", f"`{name}` has not been reported.", {"occurrence": name})], firsts.text
        )
    return Judged(Standing.CLEAR, NONE_USED, [Reason("met-once", "It was to be done once, and that is behind.", {})], firsts.text)
