"""From nodes back to the canonical text (parse(render(x)) == x), and to a reading aloud in plain words."""

from fieldworthy.core.base.quantity import UNITS, number_text
from fieldworthy.core.condition.explain import aloud as condition_aloud
from fieldworthy.core.condition.explain import render as render_condition
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
    EveryWorkingDay,
    FirstThen,
    Interval,
    OnceAfter,
    OnceAt,
    Rule,
    Timing,
)
from fieldworthy.core.interval.lexer import needs_quotes


def name_text(name: str) -> str:
    """A declared name as it stands in an interval: quoted where it holds a keyword."""
    return f'"{name}"' if needs_quotes(name) else name


def render_amount(amount: Amount) -> str:
    """`250 h`, `1 month`, `12 months`."""
    unit = UNITS.get(amount.unit)
    word = amount.unit
    if unit is not None and unit.dimension == "calendar":
        word = unit.one if amount.number == 1 else unit.many
    return f"{number_text(amount.number, 12)} {word}"


def render_allowance(allowance: Allowance) -> str:
    """`10 % at most 5 h or 30 days late`."""
    if allowance.amount is not None:
        text = render_amount(allowance.amount)
    else:
        text = f"{number_text(allowance.percent or 0, 12)} %"
        if allowance.caps:
            text += " at most " + " or ".join(render_amount(cap) for cap in allowance.caps)
    return f"{text} {allowance.way}" if allowance.way else text


def render_base(base: Base, bracket: bool = False) -> str:
    """A base as it is written; `bracket`: a combined one stands in brackets."""
    match base:
        case EveryAmount(amount, meter, anchor):
            of = f" of {name_text(meter)}" if meter else ""
            return f"every {render_amount(amount)}{of}" + ("" if anchor is Anchor.SINCE_LAST else f" {anchor.value}")
        case EveryWord(word):
            return word
        case EveryWorkingDay():
            return "every working day"
        case EveryOccurrence(name):
            return f"every {name_text(name)}"
        case EachSeason(when, season):
            return f"{when} each {name_text(season)}"
        case Combined(op, parts):
            text = f" {op} ".join(render_base(part, bracket=True) for part in parts)
            text += ", whichever first" if op == "or" else ", whichever last"
            return f"({text})" if bracket else text


def render_timing(timing: Timing) -> str:
    """A timing as it is written."""
    match timing:
        case OnceAt(amount):
            return f"once at {render_amount(amount)}"
        case OnceAfter(amount, occurrence):
            return f"once {render_amount(amount)} after {name_text(occurrence)}"
        case FirstThen(amounts, after, then):
            tail = f" after {name_text(after)}" if after else ""
            return "first at " + " and ".join(render_amount(a) for a in amounts) + f"{tail}, then {render_base(then)}"
        case _:
            return render_base(timing)


def render_rule(rule: Rule) -> str:
    """One rule in canonical text."""
    when = f"when {render_condition(rule.when)}, " if rule.when is not None else ""
    during = f" during {name_text(rule.during)}" if rule.during else ""
    return when + render_timing(rule.timing) + during + "".join(f", within {render_allowance(a)}" for a in rule.within)


def render(interval: Interval) -> str:
    """The canonical text of an interval."""
    return "; ".join(render_rule(rule) for rule in interval.rules)


# Aloud


def _amount_aloud(amount: Amount, meter: str | None = None) -> str:
    unit = UNITS.get(amount.unit)
    if unit is None:
        return f"{number_text(amount.number, 12)} {amount.unit}"
    words = f"{number_text(amount.number, 12)} {unit.one if amount.number == 1 else unit.many}"
    return f"{words} on the {meter} meter" if meter else words


_ANCHORS = {
    Anchor.SINCE_LAST: "since it was last done",
    Anchor.SINCE_LAST_DUE: "since it was last done or due, whichever was earlier",
    Anchor.ON_SCHEDULE: "on a fixed schedule",
    Anchor.ON_THE_METER: "at round values of the meter",
    Anchor.ON_THE_CALENDAR: "to the end of the calendar month",
}
_WORDS = {"daily": "every day", "weekly": "every week", "monthly": "every month", "yearly": "every year"}
_SEASONS = {"before": "before every {} season begins", "after": "after every {} season ends", "once": "once in every {} season"}


def _base_aloud(base: Base) -> str:
    match base:
        case EveryAmount(amount, meter, anchor):
            return f"every {_amount_aloud(amount, meter)} {_ANCHORS[anchor]}"
        case EveryWord(word):
            return _WORDS[word]
        case EveryWorkingDay():
            return "on every day that the machine works"
        case EveryOccurrence(name):
            return f"after every time that this happens: {name}"
        case EachSeason(when, season):
            return _SEASONS[when].format(season)
        case Combined(op, parts):
            joined = f" {op} ".join(f"({_base_aloud(p)})" if isinstance(p, Combined) else _base_aloud(p) for p in parts)
            return f"{joined}, whichever comes {'first' if op == 'or' else 'last'}"


def _timing_aloud(timing: Timing) -> str:
    match timing:
        case OnceAt(amount):
            return f"once, at {_amount_aloud(amount)}"
        case OnceAfter(amount, occurrence):
            return f"once, {_amount_aloud(amount)} after this happened: {occurrence}"
        case FirstThen(amounts, after, then):
            tail = f" after this happened: {after}" if after else ""
            return "first at " + " and at ".join(_amount_aloud(a) for a in amounts) + f"{tail}; from then on {_base_aloud(then)}"
        case _:
            return _base_aloud(timing)


def _allowance_aloud(allowance: Allowance) -> str:
    way = {"early": "early", "late": "late", None: "early or late"}[allowance.way]
    if allowance.amount is not None:
        return f"up to {_amount_aloud(allowance.amount)} {way}"
    cap = " or ".join(_amount_aloud(c) for c in allowance.caps)
    return f"up to {number_text(allowance.percent or 0, 12)} per cent of it {way}" + (f", but never more than {cap}" if cap else "")


def aloud(interval: Interval) -> str:
    """The interval in plain words, one sentence a rule."""
    said = []
    for rule in interval.rules:
        text = _timing_aloud(rule.timing)
        if rule.during:
            text += f", only during the {rule.during} season"
        for allowance in rule.within:
            text += f", {_allowance_aloud(allowance)}"
        if rule.when is not None:
            text = f"when {condition_aloud(rule.when)}: {text}"
        elif len(interval.rules) > 1:
            text = f"otherwise {text}"
        said.append(text[0].upper() + text[1:] + ".")
    return " ".join(said)
