"""Bases that count on a meter: every N of a meter, from each of its anchors."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from fractions import Fraction
from math import ceil

from fieldworthy.core.base.quantity import TICKS, UNITS, Exact, Unit, convert, from_ticks, ticks_text, whole
from fieldworthy.core.base.reason import Reason
from fieldworthy.core.base.vocabulary import Meter
from fieldworthy.core.interval.ast import Amount, Anchor, Notice
from fieldworthy.core.interval.evaluate.context import Deferral, History, Judged, Record, Share, Standing, TaskHistory, Terms, unknown
from fieldworthy.core.interval.evaluate.slack import in_ticks, meter_notice, meter_slack
from fieldworthy.core.meter.series import Series

# looked up once: an enum's members are slow to reach
SINCE_LAST, SINCE_LAST_DUE, ON_THE_METER = Anchor.SINCE_LAST, Anchor.SINCE_LAST_DUE, Anchor.ON_THE_METER
_CLEAR, _UPCOMING, _DUE, _OVERDUE = Standing.CLEAR, Standing.UPCOMING, Standing.DUE, Standing.OVERDUE
_MICROSECOND = timedelta(microseconds=1)
_SOON = timedelta(days=2) // _MICROSECOND  # further ahead another day has begun, and all is judged anew


@dataclass(slots=True)
class MeterTerms:
    """What one amount on one meter needs to be judged: its length, allowances, notice and deferral [ticks of the meter's unit]."""

    key: str
    name: str
    unit: Unit
    every: Exact
    early: Exact | None
    late: Exact
    notice: Exact
    permitted: Exact | None
    good_for: timedelta | None
    terms: Terms

    @classmethod
    def of(cls, meter: Meter, key: str, amount: Amount, terms: Terms) -> "MeterTerms":
        every = in_ticks(amount, meter.unit)
        permitted = None
        if terms.may_defer is not None:
            permitted = meter_slack((terms.may_defer,), "late", every, meter.unit)
        return cls(
            key,
            meter.name,
            meter.unit,
            every,
            meter_slack(terms.allowances, "early", every, meter.unit),
            meter_slack(terms.allowances, "late", every, meter.unit) or 0,
            meter_notice(terms.notices, every, meter.unit),
            permitted,
            meter.good_for,
            terms,
        )

    def notice_for(self, asked: Notice | None) -> Exact:
        """The notice where a request brings its own."""
        return self.notice if asked is None else meter_notice((asked, *self.terms.notices), self.every, self.unit)


def current(series: Series | None, name: str, text: str) -> Exact | Judged:
    """The meter's count now, or why it is not known."""
    if series is None or series.current is None or series.backward is not None:
        return not_read(series, name, text)
    return series.current


def not_read(series: Series | None, name: str, text: str) -> Judged:
    """Why a meter's count now is not known."""
    if series is None or series.backward is None:
        return unknown(text, "no-reading", f"There is no reading of the meter {name}.", {"meter": name})
    b = series.backward
    return unknown(
        text,
        "meter-ran-backward",
        f"The meter {name} shows {ticks_text(b.count)} after {ticks_text(b.earlier)}: "
        "report the new meter if it was replaced, or correct the value.",
        {"meter": name, "value": from_ticks(b.count), "earlier": from_ticks(b.earlier), "at": b.at.isoformat()},
    )


def value_of(record: Record, meter: str, series: Series | None) -> Exact | None:
    """What the meter had counted when a record was made: its own value, else the one between the readings around it."""
    own = record.counts.get(meter)
    if own is not None or series is None:
        return own
    return series.at(record.at)


def put_off(base: MeterTerms, history: History, task: TaskHistory, due: Exact, series: Series) -> tuple[Exact, list[Reason]]:
    """How far the due point is moved by the first deferral that counts (it moves once) [ticks], and what is to be said of them."""
    said: list[Reason] = []
    for deferral in task.deferrals:
        moved, reasons = _put_off(base, deferral, due, series)
        if moved:
            return moved, reasons
        said += reasons
    return 0, said


def _put_off(base: MeterTerms, deferral: Deferral, due: Exact, series: Series) -> tuple[Exact, list[Reason]]:
    if base.permitted is None:
        return 0, []
    asked = base.permitted
    if deferral.amount is not None:
        if deferral.amount.unit.dimension != base.unit.dimension:
            return 0, []
        asked = whole(Fraction(convert(deferral.amount.value, deferral.amount.unit, base.unit)) * TICKS)
    values = {
        "by": deferral.by,
        "why": deferral.why,
        "asked": from_ticks(asked),
        "permitted": from_ticks(base.permitted),
        "unit": base.unit.name,
    }
    if asked > base.permitted:
        unit = base.unit.name
        text = f"A deferral by {ticks_text(asked)} {unit} does not count: {ticks_text(base.permitted)} {unit} are permitted."
        return 0, [Reason("deferral-too-long", text, values)]
    then = series.at(deferral.at)
    if then is None or then > due + base.late:
        return 0, [
            Reason(
                "deferral-too-late", "A deferral does not count: the task was overdue, or the meter not known, when it was decided.", values
            )
        ]
    return asked, [
        Reason("deferred", f"Put off by {ticks_text(asked)} {base.unit.name} ({deferral.why}; decided by {deferral.by}).", values)
    ]


def place(base: MeterTerms, asked: Notice | None, due: Exact, now: Exact, shift: Exact) -> Standing:
    """The standing at a count: due from the due point, overdue beyond the late allowance, upcoming from the notice on."""
    moved = due + shift
    if now >= moved:
        return _DUE if now <= due + (base.late if base.late > shift else shift) else _OVERDUE
    return _UPCOMING if now >= moved - (base.notice if asked is None else base.notice_for(asked)) else _CLEAR


def grown_old(base: MeterTerms, asked: Notice | None, judged: Judged, history: History, series: Series, due: Exact) -> Judged:
    """`unknown` instead of `clear` or `upcoming` where the newest reading is too old and the point may have been reached since."""
    if base.good_for is None or series.current_at is None or judged.standing > Standing.UPCOMING:
        return judged
    age = history.now - series.current_at
    if age <= base.good_for:
        return judged
    if judged.standing is Standing.CLEAR and base.unit.dimension == "time" and series.current is not None:
        left = due - base.notice_for(asked) - series.current  # it may have run an hour an hour
        reached = ceil(Fraction(convert(Fraction(left) / TICKS, base.unit, UNITS["h"])) * 3_600_000_000) - age // _MICROSECOND
        if reached > 0:
            if reached <= _SOON:
                history.turns.append(history.now + reached * _MICROSECOND)
            return judged
    judged.at_least = judged.standing
    judged.standing = Standing.UNKNOWN
    text = f"The newest reading of the meter {base.name} is from {series.current_at.isoformat()}, older than it stays good."
    judged.reasons.insert(0, Reason("old-reading", text, {"meter": base.name, "at": series.current_at.isoformat()}))
    return judged


def sentence(unit: str, lead: str, every: str, due: Exact, now: Exact, offset: Exact) -> str:
    """`Done at 640 h; every 80 h makes it due at 720 h; the meter shows 712.4 h, 7.6 h to go.`"""
    left = due - now
    ends = f"{ticks_text(left)} {unit} to go" if left > 0 else "just reached" if left == 0 else f"{ticks_text(-left)} {unit} past it"
    dial = f" (the new dial {ticks_text(now - offset)} {unit})" if offset else ""
    return f"{lead}; {every} makes it due at {ticks_text(due)} {unit}; the meter shows {ticks_text(now)} {unit}{dial}, {ends}."


@dataclass(slots=True)
class EveryOnMeter:
    """`every 250 h`, with any anchor that a meter takes."""

    text: str
    base: MeterTerms
    anchor: Anchor
    code: str = field(init=False)
    lead: str = field(init=False)  # what stands before and behind the value at which it was last done
    tail: str = field(init=False)
    _every: float = field(init=False)

    def __post_init__(self) -> None:
        self.code, self._every = _CODES[self.anchor], from_ticks(self.base.every)
        self.lead, self.tail = _LEADS[self.anchor], _TAILS[self.anchor]

    def judge(self, history: History, task: TaskHistory, asked: Notice | None, begin: Exact | None = None) -> Judged:
        """Where it stands. begin: the due point that the first record met, where a `first at` came before it [ticks]."""
        base = self.base
        series = history.series.get(base.key)
        if series is None or series.current is None or series.backward is not None:
            return not_read(series, base.name, self.text)
        now = series.current
        found = self.due(task.records, series, begin)
        if isinstance(found, Judged):
            return found
        due, last, from_record, notes = found
        shift, said = put_off(base, history, task, due, series) if task.deferrals else (0, ())
        moved, unit, every = due + shift, base.unit.name, base.every
        progress = now - (last if self.anchor is SINCE_LAST else due - every)
        at = ticks_text(last)
        lead = f"In service at {at} {unit}" if from_record.start else f"{self.lead} {at} {unit}{self.tail}"
        reason = Reason(
            self.code,
            sentence(unit, lead, self.text, moved, now, series.offset),
            {
                "done": from_ticks(last),
                "every": self._every,
                "due": from_ticks(moved),
                "now": from_ticks(now),
                "unit": unit,
                "meter": base.name,
            },
        )
        reasons = [reason, *said, *notes] if said or notes else [reason]
        share = Share(progress if progress > 0 else 0, every)
        judged = Judged(place(base, asked, due, now, shift), share, reasons, self.text, {base.key: (moved, now)})
        return judged if base.good_for is None else grown_old(base, asked, judged, history, series, moved)

    def due(self, records: Sequence[Record], series: Series, begin: Exact | None) -> "tuple[Exact, Exact, Record, list[Reason]] | Judged":
        """The due point, the value of the last record, that record, and what is to be said of records that were skipped."""
        if not records:
            return never_recorded(self.text)
        last = records[-1]
        value = value_of(last, self.base.key, series)
        if value is None:
            return no_value(self.text, self.base.name, last)
        if self.anchor is SINCE_LAST:
            return value + self.base.every, value, last, []
        if self.anchor is ON_THE_METER:
            return self.next_multiple(value, last), value, last, []
        due, skipped = self.folded(records, series, begin)
        return due, value, last, skipped

    def next_multiple(self, value: Exact, record: Record) -> Exact:
        """`on the meter`: the due point after a record that showed this value."""
        every = self.base.every
        multiple = (value // every + 1) * every
        if not record.start and value >= multiple - (self.base.early or 0):
            multiple += every
        return multiple

    def folded(self, records: Sequence[Record], series: Series, begin: Exact | None) -> tuple[Exact, list[Reason]]:
        """`since last due` and `on schedule` depend on every record, oldest first."""
        base, due, skipped = self.base, begin, []
        for record in records:
            value = value_of(record, base.key, series)
            if value is None:
                why = f"has no value of the meter {base.name} and none can be told"
                text = f"The record of {record.day.isoformat()} {why}: it was passed over."
                skipped.append(Reason("record-skipped", text, {"day": record.day.isoformat(), "meter": base.name}))
            elif due is None:
                due = value + base.every
            elif self.anchor is SINCE_LAST_DUE:
                due = min(value, due) + base.every
            else:
                met = due - (base.early or 0) <= value <= due + base.late
                due = (due if met else value) + base.every
        assert due is not None  # the newest record has a value
        return due, skipped


def never_recorded(text: str) -> Judged:
    """A used machine's task without any record."""
    return unknown(
        text,
        "never-recorded",
        "Nothing says when this was last done: record it, or enter what was taken over with the machine.",
        {"needs": "done"},
    )


def no_value(text: str, meter: str, record: Record) -> Judged:
    """The newest record has no value of the meter and none can be told."""
    what = "The machine came into service" if record.start else "The last record"
    sentence = f"{what} on {record.day.isoformat()} without a value of the meter {meter}, and no reading before it tells one."
    return unknown(text, "no-meter-at-record", sentence, {"day": record.day.isoformat(), "meter": meter})


_CODES = {
    Anchor.SINCE_LAST: "since-last-done",
    Anchor.SINCE_LAST_DUE: "since-last-due",
    Anchor.ON_SCHEDULE: "on-schedule",
    Anchor.ON_THE_METER: "on-the-meter",
    Anchor.ON_THE_CALENDAR: "on-the-calendar",
}
_LEADS = dict.fromkeys(Anchor, "Last done at") | {Anchor.SINCE_LAST: "Done at"}
_TAILS = dict.fromkeys(Anchor, "") | {
    Anchor.SINCE_LAST_DUE: ", counted from there or from when it was due, whichever was earlier",
    Anchor.ON_SCHEDULE: ", on its schedule",
    Anchor.ON_THE_METER: ", at round values of the meter",
}
