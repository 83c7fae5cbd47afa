"""The plainest cases, written straight as JSON text without the values in between.

Most tasks of most machines are of a few forms: an amount on a meter, a length on the calendar, some of them joined, each with a record
that tells its meter. Of those the standing and its reason are computed here in whole numbers and put into one text. Everything else
(deferrals, missing or old readings, replaced meters, stretches and seasons) is left to `Plan.judge`, which computes these too: what is
written here reads back as what it gives, and tests/core/test_written.py holds the two together.
"""

import json
from collections.abc import Callable, Sequence
from datetime import date, timedelta
from functools import lru_cache
from typing import Literal, TypeAlias

from fieldworthy.core.base.calendar import add_months
from fieldworthy.core.base.quantity import TICKS, from_ticks
from fieldworthy.core.interval.ast import Anchor
from fieldworthy.core.interval.evaluate.combine import JoinedBases, Node
from fieldworthy.core.interval.evaluate.context import History, Record, Standing, TaskHistory
from fieldworthy.core.interval.evaluate.days import CODES as DAY_CODES
from fieldworthy.core.interval.evaluate.days import CalendarTerms, EveryOnCalendar
from fieldworthy.core.interval.evaluate.events import EachSeasonPoint
from fieldworthy.core.interval.evaluate.firsts import Ahead, Firsts, MeterPoint
from fieldworthy.core.interval.evaluate.meter import EveryOnMeter, MeterTerms, place
from fieldworthy.core.interval.evaluate.stretches import RulePlan

Written: TypeAlias = tuple[Standing, int, int, str, str, tuple[str, int] | None, str, str, tuple[tuple[str, int], ...]]
"""Standing; share used (top, bottom); due point and what is left on the meter, as members of JSON objects ("" on the calendar); due
day in RFC 3339 and how many days are left; the reasons, as items of a JSON array; the base that decided, as a JSON string; and of each
meter its key and the count at which it is due [ticks]."""

_CLEAR, _UPCOMING, _DUE, _OVERDUE = Standing.CLEAR, Standing.UPCOMING, Standing.DUE, Standing.OVERDUE
_FINEST = 100
"""Ticks: counts of at most four places are written here, for the text of such a double never has an exponent."""
_MOST = 10**15

day_text = lru_cache(maxsize=4096)(date.isoformat)
"""A day in RFC 3339. Kept, for the days of the years at hand come again with every machine."""


class Moment:
    """A machine's history at the moment of a question, with what is said of its meters and of today worked out once for all tasks."""

    __slots__ = ("dials", "history", "plain", "today", "today_text")

    def __init__(self, history: History) -> None:
        self.history = history
        self.plain = not history.usage
        self.today, self.today_text = history.today, day_text(history.today)
        self.dials: dict[str, tuple[int, str, str]] = {}
        for key, series in history.series.items():
            now, at, good_for = series.current, series.current_at, history.vocabulary.meters[key].good_for
            old = good_for is not None and at is not None and history.now - at > good_for
            if isinstance(now, int) and series.backward is None and not series.offset and not now % _FINEST and now < _MOST and not old:
                self.dials[key] = (now, _in_words(repr(now / TICKS)), repr(now / TICKS))


Begin: TypeAlias = int | date | None
"""The due point that the first of the records met, where a `first at` came before it."""

Writer: TypeAlias = Callable[[Moment, Sequence[Record], Begin], Written | None]
"""Records oldest first, at least one. None: judge it."""


def writer_of(rule: RulePlan) -> Writer | None:
    """Writes what a rule that is always in force says; None where it is of no form that can be written here."""
    if rule.when is not None or rule.during is not None:
        return None
    write = None if rule.node is None else _writer(rule.node)
    return write if rule.firsts is None else _with_firsts(rule.firsts, write)


def _with_firsts(firsts: Firsts, then: Writer | None) -> Writer:
    """then: writes what comes after the last of the points."""
    first = firsts.points[0]
    point = _first_point(firsts, first.base) if isinstance(first, MeterPoint) else None

    def write(moment: Moment, records: Sequence[Record], begin: Begin) -> Written | None:
        points = firsts.left(moment.history, TaskHistory(records), None)
        if points.ahead is not None:
            return None if point is None else point(moment, points.ahead)
        return None if then is None or points.judged is not None else then(moment, points.records or records, points.begin)

    return write


def _first_point(firsts: Firsts, base: MeterTerms) -> Callable[[Moment, Ahead], Written | None]:
    """base: of any of the points, which are all on one meter."""
    key, unit, text, name, meter = base.key, base.unit.name, *(_escaped(word) for word in (firsts.text, firsts.name, base.name))
    lead, decided, opening = f"`{name}` at ", f'"{text}"', '{"code":"first-point","text":"'
    member, closing = f'"{meter}":{{"value":', f',"unit":"{unit}"}}'

    def write(moment: Moment, ahead: Ahead) -> Written | None:
        dial, base, zero = moment.dials.get(key), ahead.point.base, ahead.zero
        every = base.every
        if dial is None or not isinstance(zero, int) or not isinstance(every, int) or zero % _FINEST or every % _FINEST or zero >= _MOST:
            return None
        now, now_text, now_json = dial
        due, progress = zero + every, now - zero
        due_json, left_json, zero_json = repr(due / TICKS), repr((due - now) / TICKS), repr(zero / TICKS)
        reason = (
            f"{opening}{f'{lead}{_in_words(zero_json)} {unit}; ' if name else ''}{text}: due at {_in_words(due_json)} {unit}; "
            f'the meter shows {now_text} {unit}, {_going(left_json, unit)}.","values":{{"from":{zero_json},"every":{from_ticks(every)!r},'
            f'"due":{due_json},"now":{now_json},"unit":"{unit}","meter":"{meter}"}}}}'
        )
        return (
            place(base, None, due, now, 0),
            progress if progress > 0 else 0,
            every,
            f"{member}{due_json}{closing}",
            f"{member}{left_json}{closing}",
            None,
            reason,
            decided,
            ((key, due),),
        )

    return write


def _writer(node: Node) -> Writer | None:
    if isinstance(node, EveryOnMeter):
        return _on_meter(node)
    if isinstance(node, EveryOnCalendar):
        return _on_calendar(node)
    if isinstance(node, EachSeasonPoint):
        return _on_season(node)
    return _joined(node) if isinstance(node, JoinedBases) else None


def _on_meter(node: EveryOnMeter) -> Writer | None:
    base, since_last = node.base, node.anchor is Anchor.SINCE_LAST
    key, every, late, notice = base.key, base.every, base.late, base.notice
    if not isinstance(every, int) or every % _FINEST:
        return None
    unit, name, text = base.unit.name, _escaped(base.name), _escaped(node.text)
    decided, member, closing = f'"{text}"', f'"{name}":{{"value":', f',"unit":"{unit}"}}'
    makes = f"; {text} makes it due at "
    lead, tail, started = node.lead, f" {unit}{node.tail}{makes}", f" {unit}{makes}"
    opening, shows = f'{{"code":"{node.code}","text":"', f" {unit}; the meter shows "
    values = f',"every":{from_ticks(every)!r},"due":'
    end = f',"unit":"{unit}","meter":"{name}"}}}}'

    def write(moment: Moment, records: Sequence[Record], begin: Begin) -> Written | None:
        dial = moment.dials.get(key)
        last = records[-1]
        value = last.counts.get(key)
        if dial is None or type(value) is not int or value % _FINEST or value >= _MOST:
            return None
        now, now_text, now_json = dial
        if since_last:
            due, progress = value + every, now - value
        else:
            found = node.due(records, moment.history.series[key], None if isinstance(begin, date) else begin)
            if not isinstance(found, tuple) or found[3] or not isinstance(found[0], int) or found[0] % _FINEST:
                return None
            due = found[0]
            progress = now - due + every
        left = due - now
        left_json, due_json, at = repr(left / TICKS), repr(due / TICKS), repr(value / TICKS)
        if left > 0:
            standing = _UPCOMING if left <= notice else _CLEAR
        else:
            standing = _DUE if now <= due + late else _OVERDUE
        reason = (
            f"{opening}{'In service at' if last.start else lead} {_in_words(at)}{started if last.start else tail}{_in_words(due_json)}"
            f'{shows}{now_text} {unit}, {_going(left_json, unit)}.","values":{{"done":{at}{values}{due_json},"now":{now_json}{end}'
        )
        return (
            standing,
            progress if progress > 0 else 0,
            every,
            f"{member}{due_json}{closing}",
            f"{member}{left_json}{closing}",
            None,
            reason,
            decided,
            ((key, due),),
        )

    return write


def _on_calendar(node: EveryOnCalendar) -> Writer:
    base, text = node.base, _escaped(node.text)
    every, months, days = base.every, base.every.months, timedelta(days=base.every.days)
    since_last, from_last = node.anchor is Anchor.SINCE_LAST, node.anchor in (Anchor.SINCE_LAST, Anchor.ON_THE_CALENDAR)
    opening, makes = f'{{"code":"{DAY_CODES[node.anchor]}","text":"', f"; {text} makes it due on "
    decided = f'"{text}"'

    def write(moment: Moment, records: Sequence[Record], begin: Begin) -> Written | None:
        last, today = records[-1], moment.today
        done = last.day
        if not since_last:
            due = node.due(records, begin if isinstance(begin, date) else None)
        else:
            due = add_months(done, months) if months else done + days
        left = (due - today).days
        used = (today - done).days if from_last else (today - every.before(due)).days
        done_text, due_text = day_text(done), day_text(due)
        reason = (
            f"{opening}{'In service since' if last.start else 'Done on'} {done_text}{makes}{due_text}, {_ends(left)}."
            f'","values":{{"done":"{done_text}","due":"{due_text}","today":"{moment.today_text}","days":{left}}}}}'
        )
        return _dated(base, today, due, (due_text, left), used, reason, decided)

    return write


def _on_season(node: EachSeasonPoint) -> Writer | None:
    """Before or after each of a season; what is to be done once inside it is judged."""
    if node.when == "once":
        return None
    base, before, key = node.base, node.when == "before", node.key
    opening = f'{{"code":"{node.when}-season","text":"The season {_escaped(node.name)} {"begins" if before else "ends"} on '
    decided = f'"{_escaped(node.text)}"'

    def write(moment: Moment, records: Sequence[Record], begin: Begin) -> Written | None:
        day, today = records[-1].day, moment.today
        period = node.coming(moment.history.periods(key, records[0].day), records)
        if period is None:
            return None
        due = period.first if before else period.last
        left, used = (due - today).days, (today - day).days
        due_text = day_text(due)
        reason = f'{opening}{due_text}, {_ends(left)}.","values":{{"due":"{due_text}","today":"{moment.today_text}"}}}}'
        return _dated(base, today, due, (due_text, left), used, reason, decided)

    return write


def _dated(base: CalendarTerms, today: date, due: date, day: tuple[str, int], used: int, reason: str, decided: str) -> Written:
    """What is due on a day. day: the same day as text, and the days left. used: days since the one that it counts from."""
    left = day[1]
    if left > 0:
        standing = _UPCOMING if left <= base.notice else _CLEAR
    else:
        standing = _DUE if left == 0 or today <= base.late.after(due) else _OVERDUE
    return standing, used if used > 0 else 0, max(used + left, 1), "", "", day, reason, decided, ()


def _ends(left: int) -> str:
    if left == 0:
        return "that is today"
    if left > 0:
        return "in 1 day" if left == 1 else f"in {left} days"
    return "1 day ago" if left == -1 else f"{-left} days ago"


def _joined(node: JoinedBases) -> Writer | None:
    meters = [part.base.key for part in node.parts if isinstance(part, EveryOnMeter)]
    parts = [None if isinstance(part, JoinedBases) else _writer(part) for part in node.parts]
    if len(meters) != len(set(meters)):
        return None
    writers = [p for p in parts if p is not None]
    return _join(node.op, writers) if len(writers) == len(parts) else None


def _join(op: Literal["or", "and"], writers: Sequence[Writer]) -> Writer:
    """As `combine.join` does it where every part is known."""
    first = op == "or"
    sooner: Callable[..., tuple[str, int]] = min if first else max  # such days compare by their text

    def write(moment: Moment, records: Sequence[Record], begin: Begin) -> Written | None:
        parts = []
        for each in writers:
            part = each(moment, records, begin)
            if part is None:
                return None
            parts.append(part)
        lead = used = parts[0]
        day, due, left, counts = lead[5], lead[3], lead[4], lead[8]
        for part in parts[1:]:
            if (part[0] > lead[0]) is first if part[0] is not lead[0] else _over(part, lead) if first else _over(lead, part):
                lead = part
            if _over(part, used) is first:
                used = part
            if part[5] is not None:
                day = part[5] if day is None else sooner(day, part[5])
            elif due:
                due, left, counts = f"{due},{part[3]}", f"{left},{part[4]}", counts + part[8]
            else:
                due, left, counts = part[3], part[4], part[8]
        rest = [part[6] for part in parts if part is not lead]
        return lead[0], used[1], used[2], due, left, day, ",".join([lead[6], *rest]), lead[7], counts

    return write


def _over(part: Written, other: Written) -> bool:
    return part[1] * other[2] > other[1] * part[2]


def _going(left: str, unit: str) -> str:
    if left == "0.0":
        return "just reached"
    return f"{left[1:].removesuffix('.0')} {unit} past it" if left[0] == "-" else f"{left.removesuffix('.0')} {unit} to go"


def _in_words(number: str) -> str:
    """The text of a double as it stands in a sentence: 640, 712.4."""
    return number.removesuffix(".0")


def _escaped(text: str) -> str:
    """A text as it stands inside a JSON string."""
    return json.dumps(text, ensure_ascii=False)[1:-1]
