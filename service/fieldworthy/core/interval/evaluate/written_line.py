"""One task's whole standing as one text: what `written` writes, with all that stands around it prepared once for a rulebook."""

from collections.abc import Callable, Sequence
from datetime import date
from typing import NamedTuple, TypeAlias

from fieldworthy.core.base.quantity import TICKS
from fieldworthy.core.interval.evaluate.combine import JoinedBases
from fieldworthy.core.interval.evaluate.context import URGENT, WORDS, Record, Standing
from fieldworthy.core.interval.evaluate.days import EveryOnCalendar
from fieldworthy.core.interval.evaluate.events import EachSeasonPoint
from fieldworthy.core.interval.evaluate.meter import EveryOnMeter
from fieldworthy.core.interval.evaluate.stretches import RulePlan
from fieldworthy.core.interval.evaluate.written import Writer, writer_of
from fieldworthy.core.interval.evaluate.written_bases import (
    Dated,
    MeterWords,
    Moment,
    calendar_writing,
    meter_figures,
    meter_reason,
    season_writing,
    whole_ticks,
)

Line: TypeAlias = tuple[int, float, str, str]
"""How urgent it is, minus the share used, the task's name, and its standing as JSON text: lines sort as they are answered."""

LineWriter: TypeAlias = Callable[[Moment, Sequence[Record]], Line | None]
"""Records oldest first, at least one. None: judge it."""


class Around(NamedTuple):
    """What every answer about a task says the same: its name, and as JSON text its first members, its rule and its needs."""

    name: str
    head: str
    rule: str
    needs: str


_STARTS = ',"incomplete":false,"at_least":null,"assumed":[],"resting":false,"points":[],"due_at":{"meters":{'
_UPCOMING = Standing.UPCOMING


def line_writer(rule: RulePlan, around: Around) -> LineWriter | None:
    """Writes the standing of a task whose one rule is always in force; None where it is of no form that can be written."""
    node = rule.node
    if rule.when is None and rule.during is None and rule.firsts is None:
        if isinstance(node, EveryOnMeter):
            return _on_meter(node, around)
        if isinstance(node, EveryOnCalendar):
            return _on_days(calendar_writing(node), around)
        season = season_writing(node) if isinstance(node, EachSeasonPoint) else None
        if season is not None:
            return _on_days(season, around)
        if isinstance(node, JoinedBases) and len(node.parts) == 2:
            meter, calendar = sorted(node.parts, key=lambda part: isinstance(part, EveryOnCalendar))
            if isinstance(meter, EveryOnMeter) and isinstance(calendar, EveryOnCalendar):
                return _on_both(node, meter, calendar, around)
    write = writer_of(rule)
    return None if write is None else _around(write, rule, around)


def _opens(around: Around) -> Sequence[str]:
    """The text up to the share used, by the standing's value."""
    return [f'{{{around.head},"standing":"{word}","used":' for word in WORDS]


def _around(write: Writer, rule: RulePlan, around: Around) -> LineWriter:
    name, opens, node = around.name, _opens(around), rule.node
    told_apart = node if isinstance(node, JoinedBases) and node.told_apart else None
    ruled, needed = f',"rule":{around.rule},"expected":', f'],"needs":{around.needs}}}'

    def line(moment: Moment, records: Sequence[Record]) -> Line | None:
        written = write(moment, records, None)
        if written is None:
            return None
        standing, top, bottom, due, left, day, reasons, decided, counts = written
        expects, expected, used = moment.expects, "null", top / bottom
        if expects is not None and counts and standing <= _UPCOMING:
            if day is None and len(counts) == 1:  # nearly all have one base
                expected = expects.alone(*counts[0])
            elif told_apart is not None:
                expected = expects.joined(told_apart, dict(counts), None if day is None else date.fromisoformat(day[0]))
        date_text, days = ("null", "null") if day is None else (f'"{day[0]}"', day[1])
        text = (
            f'{opens[standing]}{share_json(used)}{_STARTS}{due}}},"date":{date_text}}},"remaining":{{"meters":{{{left}}},"days":{days}}},'
            f'"decided_by":{decided}{ruled}{expected},"because":[{reasons}{needed}'
        )
        return URGENT[standing], -used, name, text

    return line


def _on_meter(node: EveryOnMeter, around: Around) -> LineWriter | None:
    """As `_around` does it, for the most common form of all."""
    figures, words = meter_figures(node), MeterWords(node)
    if figures is None:
        return None
    name, key, opens, every = around.name, node.base.key, _opens(around), whole_ticks(node)
    starts, between = _STARTS + words.member, f'{words.closing}}},"date":null}},"remaining":{{"meters":{{{words.member}'
    ruled = f'{words.closing}}},"days":null}},"decided_by":{words.decided},"rule":{around.rule},"expected":'
    done, makes, in_service, since = words.done, words.makes, words.in_service, words.since
    done, in_service = f',"because":[{done}', f',"because":[{in_service}'
    shows, divider, values = words.shows, words.divider, words.values
    to_go, past, just = words.to_go, words.past, words.just
    end = f'{words.end}],"needs":{around.needs}}}'

    def line(moment: Moment, records: Sequence[Record]) -> Line | None:
        found = figures(moment, records, None)
        if found is None:
            return None
        standing, progress, due, value, start, (now, now_text, now_json) = found
        at, due_json, used = repr(value / TICKS), repr(due / TICKS), progress / every
        if due > now:
            left = repr((due - now) / TICKS)
            going = left.removesuffix(".0") + to_go
        elif due < now:
            left = repr((now - due) / TICKS)
            going, left = left.removesuffix(".0") + past, "-" + left
        else:
            left, going = "0.0", just
        expects = moment.expects
        expected = "null" if expects is None or standing > _UPCOMING else expects.alone(key, due)
        text = (
            f"{opens[standing]}{share_json(used)}{starts}{due_json}{between}{left}{ruled}{expected}"
            f"{in_service if start else done}{at.removesuffix('.0')}{since if start else makes}{due_json.removesuffix('.0')}{shows}"
            f'{now_text}{divider}{going}{at}{values}{due_json},"now":{now_json}{end}'
        )
        return URGENT[standing], -used, name, text

    return line


def _on_days(dated: Dated, around: Around) -> LineWriter:
    """As `_around` does it."""
    figures, told, decided = dated
    name, opens = around.name, _opens(around)
    starts, between = f'{_STARTS}}},"date":"', '"},"remaining":{"meters":{},"days":'
    ruled = f'}},"decided_by":{decided},"rule":{around.rule},"expected":null,"because":['
    end = f'],"needs":{around.needs}}}'

    def line(moment: Moment, records: Sequence[Record]) -> Line | None:
        found = figures(moment, records, None)
        if found is None:
            return None
        standing, top, bottom, due, left, _, _ = found
        used = top / bottom
        text = f"{opens[standing]}{share_json(used)}{starts}{due}{between}{left}{ruled}{told(found, moment.today_text)}{end}"
        return URGENT[standing], -used, name, text

    return line


def _on_both(node: JoinedBases, meter: EveryOnMeter, calendar: EveryOnCalendar, around: Around) -> LineWriter | None:
    """As `_around` does it; of the two `written` joins, each in its place."""
    meter_figures_of, words, (day_figures_of, by_day, by_calendar) = meter_figures(meter), MeterWords(meter), calendar_writing(calendar)
    if meter_figures_of is None:
        return None
    by_meter, first, meter_leads = meter_reason(meter), node.op == "or", node.parts[0] is meter
    name, key, opens, every = around.name, meter.base.key, _opens(around), whole_ticks(meter)
    starts, dated = _STARTS + words.member, words.closing + '},"date":"'
    between, left_days = f'"}},"remaining":{{"meters":{{{words.member}', words.closing + '},"days":'
    ruled = f',"rule":{around.rule},"expected":'
    decided_by_meter = f'}},"decided_by":{words.decided}{ruled}'
    decided_by_day = f'}},"decided_by":{by_calendar}{ruled}'
    needed = f'],"needs":{around.needs}}}'

    def line(moment: Moment, records: Sequence[Record]) -> Line | None:
        counted = meter_figures_of(moment, records, None)
        if counted is None:
            return None
        dated_so = day_figures_of(moment, records, None)
        if dated_so is None:
            return None
        standing, progress, due, _, _, _ = counted
        other, top, bottom, day, days, _, _ = dated_so
        over = progress * bottom - top * every  # above 0: more of the meter's share is used
        used = progress / every if (over > 0) is first else top / bottom
        leads = (standing > other) is first if standing is not other else (over > 0) is first if over else meter_leads
        due_json, left, reason = by_meter(counted)
        reasons = by_day(dated_so, moment.today_text)
        if leads:
            reasons, decided = f"{reason},{reasons}", decided_by_meter
        else:
            reasons, decided, standing = f"{reasons},{reason}", decided_by_day, other
        expects, expected = moment.expects, "null"
        if expects is not None and standing <= _UPCOMING:
            expected = expects.joined(node, {key: due}, date.fromisoformat(day))
        text = (
            f"{opens[standing]}{share_json(used)}{starts}{due_json}{dated}{day}{between}{left}{left_days}{days}{decided}{expected},"
            f'"because":[{reasons}{needed}'
        )
        return URGENT[standing], -used, name, text

    return line


def share_json(used: float) -> str:
    """What `Share.rounded` gives, as JSON text; where it needs no exponent without a number in between."""
    if not 0.001 <= used < 1000:
        return repr(round(used, 6))
    text = f"{used:.6f}".rstrip("0")
    return text + "0" if text[-1] == "." else text
