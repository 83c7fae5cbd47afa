"""Bases that wait for something: an occurrence, a season, a working day."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from fractions import Fraction
from itertools import pairwise
from typing import Literal

from fieldworthy.core.base.calendar import Period
from fieldworthy.core.base.quantity import TICKS
from fieldworthy.core.base.reason import Reason
from fieldworthy.core.interval.ast import Notice
from fieldworthy.core.interval.evaluate.context import NONE_USED, Happened, History, Judged, Record, Share, Standing, TaskHistory
from fieldworthy.core.interval.evaluate.days import CalendarTerms, ends, place, put_off
from fieldworthy.core.interval.evaluate.meter import never_recorded
from fieldworthy.core.interval.evaluate.slack import NO_DAYS, YEAR_DAYS
from fieldworthy.core.meter.series import Series


def _answer(
    base: CalendarTerms,
    history: History,
    task: TaskHistory,
    asked: Notice | None,
    due: date,
    text: str,
    code: str,
    lead: str,
    last: date | None,
) -> Judged:
    shift, said = put_off(base, history, task, due)
    moved = shift.after(due)
    start = last or due - timedelta(days=YEAR_DAYS)
    used = Share(max((history.today - start).days, 0), max((due - start).days, 1))
    reason = Reason(
        code,
        f"{lead} on {moved.isoformat()}, {ends(moved, history.today)}.",
        {"due": moved.isoformat(), "today": history.today.isoformat()},
    )
    return Judged(place(base, asked, due, history.today, shift), used, [reason, *said], text, {}, moved)


@dataclass(slots=True)
class EveryHappening:
    """`every belt fitted`: the first occurrence after the last record."""

    text: str
    key: str
    name: str
    base: CalendarTerms

    def judge(self, history: History, task: TaskHistory, asked: Notice | None) -> Judged:
        """Where it stands; clear while it never happened."""
        last = task.last
        happened = history.happened(self.key, last.day if last is not None else None)
        if not happened:
            return Judged(
                Standing.CLEAR,
                NONE_USED,
                [Reason("never-happened", f"`{self.name}` has not been reported.", {"occurrence": self.name})],
                self.text,
            )
        if last is None:
            return never_recorded(self.text)
        for event in happened:
            if not self._met(event, last):
                return _answer(
                    self.base, history, task, asked, event.day, self.text, "after-occurrence", f"`{self.name}` makes it due", last.day
                )
        reason = Reason(
            "occurrence-met", f"Done since `{self.name}` last happened.", {"occurrence": self.name, "done": last.day.isoformat()}
        )
        return Judged(Standing.CLEAR, NONE_USED, [reason], self.text)

    def _met(self, event: Happened, last: Record) -> bool:
        """A dated one is met on its own day, a reported one only after its instant; both by a record within the early allowance before."""
        if last.at > event.at:
            return True
        return (event.dated or self.base.early != NO_DAYS) and last.day >= self.base.early.before(event.day)


@dataclass(slots=True)
class EachSeasonPoint:
    """`before each silage`, `after each silage`, `once each winter`."""

    text: str
    key: str
    name: str
    when: Literal["before", "after", "once"]
    base: CalendarTerms

    def judge(self, history: History, task: TaskHistory, asked: Notice | None) -> Judged:
        """Where it stands, from the first period of the season that no record has met."""
        if not task.records:
            return never_recorded(self.text)
        period = self.coming(history.periods(self.key, task.records[0].day), task.records)
        if period is None:
            return Judged(
                Standing.CLEAR, NONE_USED, [Reason("season-met", f"Done for the season {self.name}.", {"season": self.name})], self.text
            )
        if self.when == "once":
            return self._inside(history, task, asked, period)
        due = period.first if self.when == "before" else period.last
        lead = f"The season {self.name} {'begins' if self.when == 'before' else 'ends'}"
        return _answer(self.base, history, task, asked, due, self.text, f"{self.when}-season", lead, task.records[-1].day)

    def coming(self, periods: Sequence[Period], records: Sequence[Record]) -> Period | None:
        """The period that comes next after what the records have met (at least one record); None where there is none."""
        i = self._next(periods, records)
        return periods[i] if i is not None and i < len(periods) else None

    def _next(self, periods: Sequence[Period], records: Sequence[Record]) -> int | None:
        if self.when == "once":
            for record in reversed(records):
                met = next((i for i, p in enumerate(periods) if p.first <= record.day <= p.last), None)
                if met is not None:
                    return met + 1
            # nothing was done inside any: those that end after the first thing known of it count
            begun = records[0].day
            return next((i for i, p in enumerate(periods) if p.last >= begun), None)
        # a record meets the point whose turn it is from the season's end (before: the previous season's) until the next such point
        day = records[-1].day
        passed = len(periods)
        while passed and periods[passed - 1].last > day:  # the newest are asked for, and stand last
            passed -= 1
        return passed + (1 if self.when == "before" else 0)

    def _inside(self, history: History, task: TaskHistory, asked: Notice | None, period: Period) -> Judged:
        """Due from the season's first day, overdue after its last."""
        today = history.today
        shift, said = put_off(self.base, history, task, period.last)
        end = max(self.base.late.after(period.last), shift.after(period.last))
        if today < period.first:
            standing = Standing.UPCOMING if (period.first - today).days <= self.base.notice_for(asked) else Standing.CLEAR
        else:
            standing = Standing.DUE if today <= end else Standing.OVERDUE
        start = task.records[-1].day
        used = Share(max((today - start).days, 0), max((period.first - start).days, 1))
        text = f"Once in the season {self.name}, from {period.first.isoformat()} to {period.last.isoformat()}; it has not been done in it."
        values = {"season": self.name, "from": period.first.isoformat(), "to": period.last.isoformat(), "today": today.isoformat()}
        return Judged(standing, used, [Reason("once-each-season", text, values), *said], self.text, {}, period.first)


@dataclass(slots=True)
class EveryWorkingDayOf:
    """`every working day`: each day that the machine works. during: the season outside which it asks for nothing (`names.key`)."""

    text: str
    base: CalendarTerms
    during: str | None = None

    def judge(self, history: History, task: TaskHistory, asked: Notice | None) -> Judged:
        """Overdue where an earlier worked day went without, due once it works today, upcoming before."""
        if not task.records:
            return never_recorded(self.text)
        last, today = task.records[-1], history.today
        since = last.day - timedelta(days=1) if last.start else last.day
        missed = _worked_without(history, since, self.during)
        values = {"last": last.day.isoformat(), "today": today.isoformat()}
        if missed is not None and missed < today:
            due = missed
            shift, said = put_off(self.base, history, task, due)
            standing = place(self.base, asked, due, today, shift)
            text = f"The machine worked on {due.isoformat()} or after it, and this was last done on {last.day.isoformat()}."
            if last.start:
                text = f"The machine worked on {due.isoformat()} or after it, and this has not been done since it came into service."
            return Judged(
                standing,
                Share((today - due).days + 1, 1),
                [Reason("worked-without", text, values | {"due": due.isoformat()}), *said],
                self.text,
                {},
                shift.after(due),
            )
        if last.day >= today and not last.start:
            return Judged(Standing.CLEAR, NONE_USED, [Reason("done-today", "Done today.", values)], self.text, {}, None)
        if missed == today:
            shift, said = put_off(self.base, history, task, today)
            reason = Reason("works-today", "The machine works today, and this has not been done yet.", values)
            return Judged(place(self.base, asked, today, today, shift), Share(1, 1), [reason, *said], self.text, {}, shift.after(today))
        return Judged(
            Standing.UPCOMING, NONE_USED, [Reason("before-work", "Do it before the machine starts work.", values)], self.text, {}, None
        )


def _worked_without(history: History, since: date, during: str | None) -> date | None:
    """The first day after `since`, up to today, on which the machine worked (in its season); None where no day is known to be one."""

    def counts(first: date, last: date) -> bool:
        return during is None or any(p.first <= first and last <= p.last for p in history.periods(during, since))

    days = [d for d in history.working_days if since < d <= history.today and counts(d, d)]
    for key, series in history.series.items():
        day = _first_moved(history, history.vocabulary.meters[key].unit.dimension == "time", series, since, counts)
        if day is not None:
            days.append(day)
    return min(days, default=None)


def _first_moved(history: History, hours: bool, series: Series, since: date, counts: Callable[[date, date], bool]) -> date | None:
    """The first day after `since` on which a meter surely moved; counts: whether all the days from one to another are asked about."""
    points = list(zip(series.times, series.counts, strict=True))
    for (t0, c0), (t1, c1) in pairwise(points):
        last = history.day_of(t1)
        if c1 <= c0 or last <= since:
            continue
        first = max(history.day_of(t0), since + timedelta(days=1))
        if not counts(first, last):
            continue
        if history.day_of(t0) == last:
            return last
        if history.day_of(t0) > since and last < history.today:
            return first  # it moved on one of these days, and none of them had a record
        # Some of the time lies on a day with a record, or today: what can't have run there ran in between.
        if hours:
            elsewhere = timedelta()
            if history.day_of(t0) <= since:
                elsewhere += history.start_of(since + timedelta(days=1)) - t0
            if last == history.today:
                elsewhere += t1 - max(history.start_of(last), t0)
            if (c1 - c0) > Fraction(elsewhere // timedelta(microseconds=1), 3_600_000_000) * TICKS:
                return first
    return None
