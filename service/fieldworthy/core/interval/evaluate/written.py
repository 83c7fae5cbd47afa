"""The plainest cases, written straight as JSON text without the values in between.

Most tasks of most machines are of a few forms: an amount on a meter, a length on the calendar, some of them joined, each with a record
that tells its meter. Of those the standing and its reason are computed here in whole numbers and put into one text. Everything else
(deferrals, missing or old readings, replaced meters, stretches and seasons) is left to `Plan.judge`, which computes these too: what is
written here reads back as what it gives, and tests/core/test_written.py holds the two together.
"""

from collections.abc import Callable, Sequence
from typing import Literal, TypeAlias

from fieldworthy.core.base.quantity import TICKS, from_ticks
from fieldworthy.core.interval.evaluate.combine import JoinedBases, Node
from fieldworthy.core.interval.evaluate.context import Record, Standing
from fieldworthy.core.interval.evaluate.days import EveryOnCalendar
from fieldworthy.core.interval.evaluate.events import EachSeasonPoint
from fieldworthy.core.interval.evaluate.firsts import Ahead, Firsts, MeterPoint
from fieldworthy.core.interval.evaluate.meter import EveryOnMeter, MeterTerms, place
from fieldworthy.core.interval.evaluate.stretches import RulePlan
from fieldworthy.core.interval.evaluate.written_bases import (
    FINEST,
    MOST,
    Begin,
    Dated,
    MeterWords,
    Moment,
    calendar_writing,
    escaped,
    in_words,
    meter_figures,
    meter_reason,
    season_writing,
    whole_ticks,
)

Written: TypeAlias = tuple[Standing, int, int, str, str, tuple[str, int] | None, str, str, tuple[tuple[str, int], ...]]
"""Standing; share used (top, bottom); due point and what is left on the meter, as members of JSON objects ("" on the calendar); due
day in RFC 3339 and how many days are left; the reasons, as items of a JSON array; the base that decided, as a JSON string; and of each
meter its key and the count at which it is due [ticks]."""

_CLEAR, _UPCOMING, _DUE, _OVERDUE = Standing.CLEAR, Standing.UPCOMING, Standing.DUE, Standing.OVERDUE
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
        points = firsts.left(moment.history, records)
        if points.ahead is not None:
            return None if point is None else point(moment, points.ahead)
        return None if then is None or points.judged is not None else then(moment, points.records or records, points.begin)

    return write


def _first_point(firsts: Firsts, base: MeterTerms) -> Callable[[Moment, Ahead], Written | None]:
    """base: of any of the points, which are all on one meter."""
    key, unit, text, name, meter = base.key, base.unit.name, *(escaped(word) for word in (firsts.text, firsts.name, base.name))
    decided, member, closing = f'"{text}"', f'"{meter}":{{"value":', f',"unit":"{unit}"}}'
    opening = f'{{"code":"first-point","text":"{f"`{name}` at " if name else ""}'
    due_at = f"{f' {unit}; ' if name else ''}{text}: due at "
    shows, divider, begins = f" {unit}; the meter shows ", f" {unit}, ", '.","values":{"from":'
    to_go, past, just = f" {unit} to go{begins}", f" {unit} past it{begins}", f"just reached{begins}"
    end = f',"unit":"{unit}","meter":"{meter}"}}}}'

    def write(moment: Moment, ahead: Ahead) -> Written | None:
        dial, base, zero = moment.dials.get(key), ahead.point.base, ahead.zero
        every = base.every
        if dial is None or type(zero) is not int or type(every) is not int or zero % FINEST or every % FINEST or zero >= MOST:
            return None
        now, now_text, now_json = dial
        due, progress = zero + every, now - zero
        due_json, zero_json = repr(due / TICKS), repr(zero / TICKS)
        if due > now:
            left = repr((due - now) / TICKS)
            going = in_words(left) + to_go
        elif due < now:
            left = repr((now - due) / TICKS)
            going, left = in_words(left) + past, "-" + left
        else:
            left, going = "0.0", just
        reason = (
            f"{opening}{in_words(zero_json) if name else ''}{due_at}{in_words(due_json)}{shows}{now_text}{divider}{going}{zero_json}"
            f',"every":{from_ticks(every)!r},"due":{due_json},"now":{now_json}{end}'
        )
        due_json, left = f"{member}{due_json}{closing}", f"{member}{left}{closing}"
        standing = place(base, None, due, now, 0)
        return standing, progress if progress > 0 else 0, every, due_json, left, None, reason, decided, ((key, due),)

    return write


def _writer(node: Node) -> Writer | None:
    if isinstance(node, EveryOnMeter):
        return _on_meter(node)
    if isinstance(node, EveryOnCalendar):
        return _on_days(calendar_writing(node))
    if isinstance(node, EachSeasonPoint):
        season = season_writing(node)
        return None if season is None else _on_days(season)
    return _joined(node) if isinstance(node, JoinedBases) else None


def _on_meter(node: EveryOnMeter) -> Writer | None:
    figures, told, words = meter_figures(node), meter_reason(node), MeterWords(node)
    if figures is None:
        return None
    key, every, decided, member, closing = node.base.key, whole_ticks(node), words.decided, words.member, words.closing

    def write(moment: Moment, records: Sequence[Record], begin: Begin) -> Written | None:
        found = figures(moment, records, begin)
        if found is None:
            return None
        due, left, reason = told(found)
        due, left = f"{member}{due}{closing}", f"{member}{left}{closing}"
        return found[0], found[1], every, due, left, None, reason, decided, ((key, found[2]),)

    return write


def _on_days(dated: Dated) -> Writer:
    figures, told, decided = dated

    def write(moment: Moment, records: Sequence[Record], begin: Begin) -> Written | None:
        found = figures(moment, records, begin)
        if found is None:
            return None
        standing, top, bottom, due, left, _, _ = found
        return standing, top, bottom, "", "", (due, left), told(found, moment.today_text), decided, ()

    return write


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
