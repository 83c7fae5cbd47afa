"""Bases that count on the calendar: every N days, weeks, months, years, and the words for them."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from fractions import Fraction

from fieldworthy.core.base.calendar import month_end
from fieldworthy.core.base.quantity import Quantity
from fieldworthy.core.base.reason import Reason
from fieldworthy.core.interval.ast import Amount, Anchor, Notice
from fieldworthy.core.interval.evaluate.context import Deferral, History, Judged, Record, Share, Standing, TaskHistory, Terms
from fieldworthy.core.interval.evaluate.meter import never_recorded
from fieldworthy.core.interval.evaluate.slack import NO_DAYS, Days, calendar_notice, calendar_slack, on_calendar


@dataclass(slots=True)
class CalendarTerms:
    """What a base on the calendar needs to be judged. every: the length that shares are taken of; a share applies where `shares`."""

    every: Days
    early: Days
    late: Days
    notice: int
    permitted: Days | None
    terms: Terms

    @classmethod
    def of(cls, every: Days, terms: Terms, shares: bool = True, late: Days = NO_DAYS) -> "CalendarTerms":
        """late: where no late allowance is stated."""
        length = every if shares else None
        permitted = calendar_slack((terms.may_defer,), "late", length) if terms.may_defer is not None else None
        early = calendar_slack(terms.allowances, "early", length) or NO_DAYS
        stated = calendar_slack(terms.allowances, "late", length)
        return cls(every, early, late if stated is None else stated, calendar_notice(terms.notices, every), permitted, terms)

    def notice_for(self, asked: Notice | None) -> int:
        """The notice where a request brings its own [days]."""
        return self.notice if asked is None else calendar_notice((asked, *self.terms.notices), self.every)


def put_off(base: CalendarTerms, history: History, task: TaskHistory, due: date) -> tuple[Days, list[Reason]]:
    """How far a due day is moved by the first deferral that counts (a point moves once), and what is to be said of them."""
    said: list[Reason] = []
    for deferral in task.deferrals:
        moved, reasons = _put_off(base, history, deferral, due)
        if moved != NO_DAYS:
            return moved, reasons
        said += reasons
    return NO_DAYS, said


def _put_off(base: CalendarTerms, history: History, deferral: Deferral, due: date) -> tuple[Days, list[Reason]]:
    if base.permitted is None:
        return NO_DAYS, []
    asked = base.permitted
    if deferral.amount is not None:
        if deferral.amount.unit.dimension != "calendar":
            return NO_DAYS, []
        asked = _days_of(deferral.amount)
    values = {"by": deferral.by, "why": deferral.why, "asked": asked.nominal, "permitted": base.permitted.nominal, "unit": "day"}
    if asked.nominal > base.permitted.nominal:
        text = f"A deferral by {asked.nominal} days does not count: {base.permitted.nominal} days are permitted."
        return NO_DAYS, [Reason("deferral-too-long", text, values)]
    if history.day_of(deferral.at) > base.late.after(due):
        return NO_DAYS, [Reason("deferral-too-late", "A deferral does not count: the task was overdue when it was decided.", values)]
    return asked, [Reason("deferred", f"Put off by {asked.nominal} days ({deferral.why}; decided by {deferral.by}).", values)]


def _days_of(amount: Quantity) -> Days:
    """Whole months and years step on the calendar; of anything else the days count, their fraction dropped."""
    if amount.unit.name in ("month", "year") and amount.value.denominator == 1:
        return on_calendar(Amount(Fraction(amount.value), amount.unit.name))
    return Days(days=int(amount.value * amount.unit.factor))


def place(base: CalendarTerms, asked: Notice | None, due: date, today: date, shift: Days) -> Standing:
    """The standing on a day: the whole due day is due, and so is each day of the late allowance."""
    moved = shift.after(due)
    if today >= moved:
        return _DUE if today <= moved or today <= base.late.after(due) else _OVERDUE
    return _UPCOMING if (moved - today).days <= (base.notice if asked is None else base.notice_for(asked)) else _CLEAR


def ends(due: date, today: date) -> str:
    """`today`, `in 5 days`, `5 days ago`."""
    left = (due - today).days
    if left == 0:
        return "that is today"
    many = "1 day" if abs(left) == 1 else f"{abs(left)} days"
    return f"in {many}" if left > 0 else f"{many} ago"


_CLEAR, _UPCOMING, _DUE, _OVERDUE = Standing.CLEAR, Standing.UPCOMING, Standing.DUE, Standing.OVERDUE
_SINCE_LAST, _ON_THE_CALENDAR = Anchor.SINCE_LAST, Anchor.ON_THE_CALENDAR  # looked up once: an enum's members are slow to reach


@dataclass(slots=True)
class EveryOnCalendar:
    """`every 12 months`, `daily`, with any anchor that the calendar takes."""

    text: str
    base: CalendarTerms
    anchor: Anchor

    def judge(self, history: History, task: TaskHistory, asked: Notice | None, begin: date | None = None) -> Judged:
        """Where it stands. begin: the due day that the first record met, where a `first at` came before it."""
        if not task.records:
            return never_recorded(self.text)
        last = task.records[-1]
        done, today = last.day, history.today
        due = self.due(task.records, begin)
        shift, said = put_off(self.base, history, task, due) if task.deferrals else (NO_DAYS, ())
        moved = shift.after(due)
        start = done if self.anchor is _SINCE_LAST or self.anchor is _ON_THE_CALENDAR else self.base.every.before(due)
        used = Share(max((today - start).days, 0), max((due - start).days, 1))
        done_text, due_text = done.isoformat(), moved.isoformat()
        lead = "In service since" if last.start else "Done on"
        reason = Reason(
            CODES[self.anchor],
            f"{lead} {done_text}; {self.text} makes it due on {due_text}, {ends(moved, today)}.",
            {"done": done_text, "due": due_text, "today": today.isoformat(), "days": (moved - today).days},
        )
        return Judged(place(self.base, asked, due, today, shift), used, [reason, *said], self.text, {}, moved)

    def due(self, records: Sequence[Record], begin: date | None) -> date:
        """The due day by these records, oldest first (at least one)."""
        every = self.base.every
        last = records[-1].day
        if self.anchor is _SINCE_LAST:
            return every.after(last)
        if self.anchor is _ON_THE_CALENDAR:
            return month_end(last, every.months)
        return self._folded(records, begin)

    def _folded(self, records: Sequence[Record], begin: date | None) -> date:
        """Months step from the day that the schedule began on, never from a clamped one: so the day and the number of steps are kept."""
        every = self.base.every
        origin, steps, due = begin, 0, begin
        for record in records:
            if origin is None or due is None:
                origin, steps = record.day, 1
            elif self.anchor is Anchor.SINCE_LAST_DUE:
                origin, steps = (record.day, 1) if record.day < due else (origin, steps + 1)
            elif self.base.early.before(due) <= record.day <= self.base.late.after(due):
                steps += 1
            else:
                origin, steps = record.day, 1
            due = _step(origin, every, steps)
        assert due is not None
        return due


def _step(origin: date, every: Days, steps: int) -> date:
    return Days(every.months * steps, every.days * steps).after(origin) if steps else origin


CODES = {
    Anchor.SINCE_LAST: "since-last-done",
    Anchor.SINCE_LAST_DUE: "since-last-due",
    Anchor.ON_SCHEDULE: "on-schedule",
    Anchor.ON_THE_CALENDAR: "on-the-calendar",
    Anchor.ON_THE_METER: "on-the-meter",
}
