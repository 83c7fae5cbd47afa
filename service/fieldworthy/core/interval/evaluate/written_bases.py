"""The bases on a meter and on the calendar for `written`: where one stands in whole numbers, and the reason as JSON text."""

import json
from collections.abc import Callable, Mapping, Sequence
from datetime import date, timedelta
from functools import lru_cache
from typing import Protocol, TypeAlias

from fieldworthy.core.base.calendar import add_months
from fieldworthy.core.base.quantity import TICKS, Exact, from_ticks
from fieldworthy.core.interval.ast import Anchor
from fieldworthy.core.interval.evaluate.combine import JoinedBases
from fieldworthy.core.interval.evaluate.context import History, Record, Standing
from fieldworthy.core.interval.evaluate.days import CODES as DAY_CODES
from fieldworthy.core.interval.evaluate.days import EveryOnCalendar
from fieldworthy.core.interval.evaluate.events import EachSeasonPoint
from fieldworthy.core.interval.evaluate.meter import EveryOnMeter
from fieldworthy.core.interval.evaluate.slack import NO_DAYS

_CLEAR, _UPCOMING, _DUE, _OVERDUE = Standing.CLEAR, Standing.UPCOMING, Standing.DUE, Standing.OVERDUE
FINEST = 100
"""Ticks: counts of at most four places are written here, for the text of such a double never has an exponent."""
MOST = 10**15

day_text = lru_cache(maxsize=4096)(date.isoformat)
"""A day in RFC 3339. Kept, for the days of the years at hand come again with every machine."""


class Expects(Protocol):
    """Says when a due point will be reached, as JSON text."""

    def alone(self, meter: str, due: int) -> str:
        """Of a count [ticks] on one meter."""
        ...

    def joined(self, node: JoinedBases, due: Mapping[str, int], day: date | None) -> str:
        """Of several bases, by the count on each meter [ticks] and the day."""
        ...


class Moment:
    """A machine's history at the moment of a question, with what is said of its meters and of today worked out once for all tasks.

    expects: None where no forecast can be made. plain: whether anything can be written here.
    """

    __slots__ = ("dials", "expects", "history", "plain", "today", "today_text")

    def __init__(self, history: History, expects: Expects | None = None) -> None:
        self.history, self.expects = history, expects
        self.plain = not history.usage
        self.today, self.today_text = history.today, day_text(history.today)
        self.dials: dict[str, tuple[int, str, str]] = {}
        for key, series in history.series.items():
            now, at, good_for = series.current, series.current_at, history.vocabulary.meters[key].good_for
            old = good_for is not None and at is not None and history.now - at > good_for
            if isinstance(now, int) and series.backward is None and not series.offset and not now % FINEST and now < MOST and not old:
                self.dials[key] = (now, in_words(repr(now / TICKS)), repr(now / TICKS))


Begin: TypeAlias = int | date | None
"""The due point that the first of the records met, where a `first at` came before it."""

MeterFigures: TypeAlias = tuple[Standing, int, int, int, bool, tuple[int, str, str]]
"""Standing; counted since the last due point; due point; value at the last record [ticks]; whether that is the in-service one; the dial."""


def meter_figures(node: EveryOnMeter) -> Callable[[Moment, Sequence[Record], Begin], MeterFigures | None] | None:
    """Where a base on a meter stands, in numbers; None where it can't be told here."""
    base, since_last, on_the_meter = node.base, node.anchor is Anchor.SINCE_LAST, node.anchor is Anchor.ON_THE_METER
    key, every, late, notice = base.key, base.every, base.late, base.notice
    if not isinstance(every, int) or every % FINEST:
        return None

    def figures(moment: Moment, records: Sequence[Record], begin: Begin) -> MeterFigures | None:
        dial, last = moment.dials.get(key), records[-1]
        value = last.counts.get(key)
        if dial is None or type(value) is not int or value % FINEST or value >= MOST:
            return None
        now = dial[0]
        if since_last:
            due: Exact = value + every
        elif on_the_meter:
            due = node.next_multiple(value, last)
        else:
            due, skipped = node.folded(records, moment.history.series[key], None if isinstance(begin, date) else begin)
            if skipped:
                return None
        if type(due) is not int or due % FINEST:
            return None
        if now < due:
            standing = _UPCOMING if due - now <= notice else _CLEAR
        else:
            standing = _DUE if now <= due + late else _OVERDUE
        progress = now - due + every
        return standing, progress if progress > 0 else 0, due, value, last.start, dial

    return figures


class MeterWords:
    """The constant pieces of what is said of a base on a meter, as JSON text."""

    __slots__ = (
        "closing",
        "decided",
        "divider",
        "done",
        "end",
        "in_service",
        "just",
        "makes",
        "member",
        "past",
        "shows",
        "since",
        "to_go",
        "values",
    )

    def __init__(self, node: EveryOnMeter) -> None:
        unit, name, text = node.base.unit.name, escaped(node.base.name), escaped(node.text)
        self.decided = f'"{text}"'
        self.member, self.closing = f'"{name}":{{"value":', f',"unit":"{unit}"}}'  # before and behind a value of the meter
        opening, makes = f'{{"code":"{node.code}","text":"', f"; {text} makes it due at "
        self.done, self.makes = f"{opening}{node.lead} ", f" {unit}{node.tail}{makes}"
        self.in_service, self.since = f"{opening}In service at ", f" {unit}{makes}"
        self.shows, self.divider = f" {unit}; the meter shows ", f" {unit}, "
        begins = '.","values":{"done":'
        self.to_go, self.past, self.just = f" {unit} to go{begins}", f" {unit} past it{begins}", f"just reached{begins}"
        self.values = f',"every":{from_ticks(node.base.every)!r},"due":'
        self.end = f',"unit":"{unit}","meter":"{name}"}}}}'


def meter_reason(node: EveryOnMeter) -> Callable[[MeterFigures], tuple[str, str, str]]:
    """The due point and what is left, as JSON numbers, and the reason of what stands so in numbers."""
    words = MeterWords(node)
    done, makes, in_service, since, shows, divider = words.done, words.makes, words.in_service, words.since, words.shows, words.divider
    to_go, past, just, values, end = words.to_go, words.past, words.just, words.values, words.end

    def told(figures: MeterFigures) -> tuple[str, str, str]:
        _, _, due, value, start, (now, now_text, now_json) = figures
        at, due_json = repr(value / TICKS), repr(due / TICKS)
        if due > now:
            left = repr((due - now) / TICKS)
            going = left.removesuffix(".0") + to_go
        elif due < now:
            left = repr((now - due) / TICKS)
            going, left = left.removesuffix(".0") + past, "-" + left
        else:
            left, going = "0.0", just
        reason = (
            f"{in_service if start else done}{at.removesuffix('.0')}{since if start else makes}{due_json.removesuffix('.0')}{shows}"
            f'{now_text}{divider}{going}{at}{values}{due_json},"now":{now_json}{end}'
        )
        return due_json, left, reason

    return told


def whole_ticks(node: EveryOnMeter) -> int:
    """How much a base counts between two due points [ticks]."""
    every = node.base.every
    assert isinstance(every, int)  # else nothing of it is written
    return every


DayFigures: TypeAlias = tuple[Standing, int, int, str, int, str, bool]
"""Standing; share used (top, bottom); due day; days left; on the calendar the last record's day, and whether it is the in-service one."""


Dated: TypeAlias = tuple[Callable[[Moment, Sequence[Record], Begin], DayFigures | None], Callable[[DayFigures, str], str], str]
"""How a base is written that is due on a day: its figures (None: judge it), the reason of them (it takes the text of today too), and its
own text as a JSON string."""


def calendar_writing(node: EveryOnCalendar) -> Dated:
    """Of a length on the calendar."""
    base, every, months, days = node.base, node.base.every, node.base.every.months, node.base.every.days
    since_last, from_last = node.anchor is Anchor.SINCE_LAST, node.anchor in (Anchor.SINCE_LAST, Anchor.ON_THE_CALENDAR)
    notice, late = base.notice, None if base.late == NO_DAYS else base.late
    text = escaped(node.text)
    opening, makes, begins = f'{{"code":"{DAY_CODES[node.anchor]}","text":"', f"; {text} makes it due on ", '.","values":{"done":"'
    done_on, in_service = f"{opening}Done on ", f"{opening}In service since "

    def figures(moment: Moment, records: Sequence[Record], begin: Begin) -> DayFigures | None:
        last, today = records[-1], moment.today
        done = last.day
        if since_last:
            due, due_text = _stepped(done, months, days)
        else:
            due = node.due(records, begin if isinstance(begin, date) else None)
            due_text = day_text(due)
        left = (due - today).days
        used = (today - (done if from_last else every.before(due))).days
        if left > 0:
            standing = _UPCOMING if left <= notice else _CLEAR
        else:
            standing = _DUE if left == 0 or (late is not None and today <= late.after(due)) else _OVERDUE
        return standing, used if used > 0 else 0, max(used + left, 1), due_text, left, day_text(done), last.start

    def told(figures: DayFigures, today: str) -> str:
        _, _, _, due, left, at, start = figures
        return (
            f"{in_service if start else done_on}{at}{makes}{due}, {ends_in(left)}"
            f'{begins}{at}","due":"{due}","today":"{today}","days":{left}}}}}'
        )

    return figures, told, f'"{text}"'


def season_writing(node: EachSeasonPoint) -> Dated | None:
    """Of before or after each of a season; what is to be done once inside it is judged."""
    if node.when == "once":
        return None
    base, before, key = node.base, node.when == "before", node.key
    opening = f'{{"code":"{node.when}-season","text":"The season {escaped(node.name)} {"begins" if before else "ends"} on '

    def figures(moment: Moment, records: Sequence[Record], begin: Begin) -> DayFigures | None:
        day, today = records[-1].day, moment.today
        period = node.coming(moment.history.periods(key, records[0].day), records)
        if period is None:
            return None
        due = period.first if before else period.last
        left, used = (due - today).days, (today - day).days
        if left > 0:
            standing = _UPCOMING if left <= base.notice else _CLEAR
        else:
            standing = _DUE if left == 0 or today <= base.late.after(due) else _OVERDUE
        return standing, used if used > 0 else 0, max(used + left, 1), day_text(due), left, "", False

    def told(figures: DayFigures, today: str) -> str:
        due, left = figures[3], figures[4]
        return f'{opening}{due}, {ends_in(left)}.","values":{{"due":"{due}","today":"{today}"}}}}'

    return figures, told, f'"{escaped(node.text)}"'


@lru_cache(maxsize=4096)
def _stepped(done: date, months: int, days: int) -> tuple[date, str]:
    """The day after a length, and its text. Kept, as `day_text` is."""
    due = add_months(done, months) if months else done + timedelta(days=days)
    return due, day_text(due)


def ends_in(left: int) -> str:
    """As `days.ends`, by the days left."""
    if left == 0:
        return "that is today"
    if left > 0:
        return "in 1 day" if left == 1 else f"in {left} days"
    return "1 day ago" if left == -1 else f"{-left} days ago"


def in_words(number: str) -> str:
    """The text of a double as it stands in a sentence: 640, 712.4."""
    return number.removesuffix(".0")


def escaped(text: str) -> str:
    """A text as it stands inside a JSON string."""
    return json.dumps(text, ensure_ascii=False)[1:-1]
