"""An interval against the names, meters and units of its rulebook: all findings at once, in the order of the text."""

from collections.abc import Iterable, Iterator, Mapping
from itertools import pairwise
from typing import Any

from fieldworthy.core.base.finding import Finding, did_you_mean
from fieldworthy.core.base.names import key
from fieldworthy.core.base.quantity import CALENDAR_UNITS, METER_UNITS, SPELLINGS, UNITS, find_unit
from fieldworthy.core.base.span import Span
from fieldworthy.core.base.vocabulary import Vocabulary
from fieldworthy.core.condition.check import check_condition
from fieldworthy.core.interval.ast import (
    Allowance,
    Amount,
    Anchor,
    Base,
    Combined,
    EachSeason,
    EveryAmount,
    EveryOccurrence,
    EveryWord,
    FirstThen,
    Interval,
    OnceAfter,
    OnceAt,
    Rule,
    Timing,
)

_LONGEST = 36_000  # days, a year counted as 360: beyond it a due day could leave the calendar
_LARGEST = 10**9  # in any unit: far beyond any counter, and small enough to stay exact on the wire


def check_interval(interval: Interval, known: Vocabulary) -> list[Finding]:
    """Every finding of an interval; none: it can be computed."""
    bare = [rule for rule in interval.rules if rule.when is None]
    mend = "begin it with `when` and a working condition, or make one rule of both"
    found = [Finding("interval.second_default", "a second rule has no `when`", mend, span=rule.span) for rule in bare[1:]]
    stretches = any(rule.when is not None or rule.during is not None for rule in interval.rules)
    for rule in interval.rules:
        found += _rule(rule, known, stretches)
    return sorted(found, key=lambda f: f.span.start if f.span else 0)


def check_allowance(allowance: Allowance) -> list[Finding]:
    """The findings of an allowance that stands alone (a rulebook's default, what a task may be deferred by)."""
    found = [
        f for amount in (allowance.amount, *allowance.caps) if amount is not None for f in _amount(amount, METER_UNITS + CALENDAR_UNITS)
    ]
    return found + _percent(allowance)


def _percent(allowance: Allowance) -> list[Finding]:
    """A share of 0 or, on the early side, of a whole interval and more makes no sense."""
    if allowance.percent is None:
        return []
    if allowance.percent == 0 or allowance.percent > 100 or (allowance.way != "late" and allowance.percent == 100):
        return [
            Finding(
                "interval.percent",
                "the percentage is out of bounds",
                "write one above 0 and up to 100 (early: below 100)",
                span=allowance.span,
            )
        ]
    caps = [_dimension(cap) for cap in allowance.caps]
    return [
        Finding(
            "interval.two_caps",
            f"two caps measure {_DIMENSIONS.get(dimension, dimension)}",
            "keep one of them",
            span=allowance.caps[i].span,
        )
        for i, dimension in enumerate(caps)
        if dimension in caps[:i]
    ]


def _rule(rule: Rule, known: Vocabulary, stretches: bool) -> list[Finding]:
    found: list[Finding] = []
    if rule.when is not None:
        found += check_condition(rule.when, known.working_conditions, "working condition")
    if rule.during is not None:
        found += _declared(rule.during, known.seasons, "season", "seasons", rule.span)
    found += _timing(rule.timing, known)
    if stretches:
        found += [
            Finding(
                "interval.anchor_in_stretches",
                f"`{base.anchor.value}` can't stand in a text with `when` or `during`",
                "leave it out: with changing conditions each stretch counts since the last time",
                span=base.span,
            )
            for base in every_base(rule.timing)
            if isinstance(base, EveryAmount) and base.anchor is not Anchor.SINCE_LAST
        ]
    for allowance in rule.within:
        found += check_allowance(allowance)
    return found + list(_together(rule))


_DIMENSIONS = {"calendar": "the calendar"}


def _dimension(amount: Amount) -> str:
    unit = UNITS.get(amount.unit)
    return unit.dimension if unit is not None else amount.unit


def _together(rule: Rule) -> Iterator[Finding]:
    """Two allowances for one dimension and direction, and one that no base of the rule can use."""
    has = {d for timing in [rule.timing] for d in dimensions(timing)}
    seen: set[tuple[str, str]] = set()
    for allowance in rule.within:
        covers = has - {"event"} if allowance.amount is None else {_dimension(allowance.amount)}
        if allowance.amount is not None and not _usable(allowance.amount, has):
            yield Finding(
                "interval.idle_allowance",
                "no time of this rule can use this allowance",
                "write it in the unit of one of the times",
                span=allowance.span,
            )
        if allowance.amount is None and not covers:
            yield Finding(
                "interval.idle_allowance",
                "a percentage does not apply to occurrences, seasons and working days",
                "write it in days",
                span=allowance.span,
            )
        ways = ("early", "late") if allowance.way is None else (allowance.way,)
        taken = {(dimension, way) for dimension in covers for way in ways}
        if taken & seen:
            yield Finding(
                "interval.two_allowances", "two allowances hold for the same time and direction", "keep one of them", span=allowance.span
            )
        seen |= taken


def _usable(amount: Amount, has: set[str]) -> bool:
    dimension = _dimension(amount)
    return amount.unit not in UNITS or dimension in has or (dimension == "calendar" and "event" in has)


def dimensions(timing: Timing) -> set[str]:
    """The dimensions that a timing counts in; `event` for occurrences, seasons and working days."""
    match timing:
        case EveryAmount(amount) | OnceAt(amount) | OnceAfter(amount):
            return {_dimension(amount)}
        case EveryWord():
            return {"calendar"}
        case Combined(_, parts):
            return {d for part in parts for d in dimensions(part)}
        case FirstThen(amounts, _, then):
            return {_dimension(a) for a in amounts} | dimensions(then)
        case _:
            return {"event"}


def every_base(timing: Timing) -> Iterator[Base]:
    """The single bases of a timing, in the order of the text."""
    match timing:
        case Combined(_, parts):
            for part in parts:
                yield from every_base(part)
        case FirstThen(_, _, then):
            yield from every_base(then)
        case OnceAt() | OnceAfter():
            return
        case _:
            yield timing


def _timing(timing: Timing, known: Vocabulary) -> list[Finding]:
    match timing:
        case EveryAmount(amount, meter, anchor, span):
            return _every(amount, meter, anchor, span, known)
        case EveryOccurrence(name, span):
            return _occurrence(name, known, span, as_base=True)
        case EachSeason(_, season, span):
            return _declared(season, known.seasons, "season", "seasons", span)
        case Combined(_, parts):
            return [f for part in parts for f in _timing(part, known)]
        case OnceAt(amount):
            return _counted(amount, known)
        case OnceAfter(amount, occurrence, span):
            return _counted(amount, known) + _occurrence(occurrence, known, span)
        case FirstThen(amounts, after, then, span):
            found = [f for a in amounts for f in _counted(a, known)]
            if not found:
                found += _ascending(amounts)
            if after is not None:
                found += _occurrence(after, known, span)
            return found + _timing(then, known)
        case _:
            return []


def _ascending(amounts: tuple[Amount, ...]) -> list[Finding]:
    for before, after in pairwise(amounts):
        a, b = UNITS[before.unit], UNITS[after.unit]
        if a.dimension != b.dimension:
            return [
                Finding(
                    "interval.first_dimensions",
                    "the first times are counted in different things",
                    "write them in one unit",
                    span=after.span,
                )
            ]
        if before.number * a.factor >= after.number * b.factor:
            return [Finding("interval.first_order", "the first times do not grow", "write them in rising order", span=after.span)]
    return []


def _every(amount: Amount, meter: str | None, anchor: Anchor, span: Span, known: Vocabulary) -> list[Finding]:
    found = _amount(amount, METER_UNITS + CALENDAR_UNITS)
    if found:
        return found
    calendar = _dimension(amount) == "calendar"
    if meter is not None:
        found += _declared(meter, known.meters, "meter", "meters", span)
        if not found and calendar:
            found.append(_unfit(f"`{amount.unit}` is counted on the calendar, not on the meter `{meter}`", known, meter, amount.span))
        elif not found and known.meters[key(meter)].unit.dimension != _dimension(amount):
            found.append(_unfit(f"`{amount.unit}` does not fit the meter `{meter}`", known, meter, amount.span))
    elif not calendar:
        found += _default_meter(amount, known)
    if anchor is Anchor.ON_THE_CALENDAR and amount.unit not in ("month", "year"):
        found.append(
            Finding(
                "interval.anchor_unit", "`on the calendar` takes months or years", "write months or years, or another anchor", span=span
            )
        )
    if anchor is Anchor.ON_THE_METER and calendar:
        found.append(
            Finding(
                "interval.anchor_unit", "`on the meter` takes a meter's unit", "write hours or the like, or `on the calendar`", span=span
            )
        )
    return found


def _unfit(message: str, known: Vocabulary, meter: str, span: Span) -> Finding:
    return Finding("interval.unit_of_meter", message, f"the meter counts `{known.meters[key(meter)].unit.name}`", span=span)


def _counted(amount: Amount, known: Vocabulary) -> list[Finding]:
    found = _amount(amount, METER_UNITS + CALENDAR_UNITS)
    return found or ([] if _dimension(amount) == "calendar" else _default_meter(amount, known))


def _default_meter(amount: Amount, known: Vocabulary) -> list[Finding]:
    if known.default_meter(_dimension(amount)) is not None:
        return []
    fit = [m.name for m in known.meters.values() if m.unit.dimension == _dimension(amount)]
    if fit:
        return [
            Finding(
                "interval.which_meter",
                f"`{amount.unit}` could be counted on {' or '.join(f'`{m}`' for m in fit)}",
                "say which with `of` and its name, or make one of them the default",
                span=amount.span,
            )
        ]
    have = ", ".join(f"`{m.name}` ({m.unit.name})" for m in known.meters.values()) or "none"
    return [
        Finding(
            "interval.no_meter",
            f"no meter counts `{amount.unit}`",
            f"declare one under `meters`, or use another unit; declared: {have}",
            span=amount.span,
        )
    ]


def _amount(amount: Amount, allowed: tuple[str, ...]) -> list[Finding]:
    unit = UNITS.get(amount.unit) or find_unit(amount.unit)
    if unit is None or unit.name not in allowed:
        words = [w for w, u in SPELLINGS.items() if u.name in allowed and w.isascii() and w.isalpha() and len(w) > 1]
        return [
            Finding(
                "interval.unknown_unit",
                f"`{amount.unit}` is no unit of a meter or of the calendar",
                did_you_mean(amount.unit, words, f"write one of {', '.join(allowed)}"),
                span=amount.span,
            )
        ]
    if amount.number == 0:
        return [Finding("interval.not_positive", "the amount is 0", "write one above 0", span=amount.span)]
    if amount.number > _LARGEST or (amount.number * 10**6).denominator != 1:
        return [
            Finding(
                "interval.number_size",
                "the number is too large or too fine",
                "write at most 1000000000, with at most six decimals",
                span=amount.span,
            )
        ]
    if unit.dimension == "calendar" and (amount.number.denominator != 1 or amount.number * unit.factor > _LONGEST):
        return [
            Finding(
                "interval.whole_days",
                f"`{unit.many}` are counted in whole numbers, up to a hundred years",
                "write a whole number, or a smaller unit",
                span=amount.span,
            )
        ]
    return []


def _declared(name: str, known: Mapping[str, Any], what: str, member: str, span: Span) -> list[Finding]:
    if key(name) in known:
        return []
    return [_unknown(name, (d.name for d in known.values()), what, member, span)]


def _unknown(name: str, known: Iterable[str], what: str, member: str, span: Span) -> Finding:
    return Finding(
        f"interval.unknown_{what}", f"no {what} is called `{name}`", did_you_mean(name, known, f"declare it under `{member}`"), span=span
    )


def _occurrence(name: str, known: Vocabulary, span: Span, as_base: bool = False) -> list[Finding]:
    if key(name) in known.occurrences:
        return []
    if as_base and find_unit(name) is not None:
        return [
            Finding(
                "interval.number_missing", f"a number is missing before `{name}`", f"write how many, as in `every 250 {name}`", span=span
            )
        ]
    names = [o.name for o in known.occurrences.values()]
    return [_unknown(name, [*names, "working day"] if as_base else names, "occurrence", "occurrences", span)]
