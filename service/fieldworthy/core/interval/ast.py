"""The interval language's nodes. Places ride along and are no part of equality, so that parse(render(x)) == x."""

from dataclasses import dataclass, field
from enum import StrEnum
from fractions import Fraction
from typing import Literal

from fieldworthy.core.base.span import Span
from fieldworthy.core.condition.ast import Condition

NOWHERE = Span(0, 0)


class Anchor(StrEnum):
    """What a repeated amount is counted from."""

    SINCE_LAST = "since last"
    SINCE_LAST_DUE = "since last due"
    ON_SCHEDULE = "on schedule"
    ON_THE_METER = "on the meter"
    ON_THE_CALENDAR = "on the calendar"


@dataclass(frozen=True, slots=True)
class Amount:
    """number > 0 of `unit`, one of quantity.UNITS' names (meter and calendar units), or the author's word where no unit is known."""

    number: Fraction
    unit: str
    span: Span = field(default=NOWHERE, compare=False)


@dataclass(frozen=True, slots=True)
class EveryAmount:
    """`every 250 h of drum on the meter`; meter None: the default one of the amount's dimension."""

    amount: Amount
    meter: str | None = None
    anchor: Anchor = Anchor.SINCE_LAST
    span: Span = field(default=NOWHERE, compare=False)


@dataclass(frozen=True, slots=True)
class EveryWord:
    """`daily`, `weekly`, `monthly`, `yearly`: every 1 day, week, month, year since last."""

    word: Literal["daily", "weekly", "monthly", "yearly"]
    span: Span = field(default=NOWHERE, compare=False)


@dataclass(frozen=True, slots=True)
class EveryWorkingDay:
    """`every working day`."""

    span: Span = field(default=NOWHERE, compare=False)


@dataclass(frozen=True, slots=True)
class EveryOccurrence:
    """`every belt fitted`."""

    name: str
    span: Span = field(default=NOWHERE, compare=False)


@dataclass(frozen=True, slots=True)
class EachSeason:
    """`before each silage`, `after each silage`, `once each winter`."""

    when: Literal["before", "after", "once"]
    season: str
    span: Span = field(default=NOWHERE, compare=False)


@dataclass(frozen=True, slots=True)
class Combined:
    """Two or more bases: `or` takes whichever comes first, `and` whichever comes last."""

    op: Literal["or", "and"]
    parts: "tuple[Base, ...]"
    span: Span = field(default=NOWHERE, compare=False)


Base = EveryAmount | EveryWord | EveryWorkingDay | EveryOccurrence | EachSeason | Combined


@dataclass(frozen=True, slots=True)
class OnceAt:
    """`once at 50 h`."""

    amount: Amount
    span: Span = field(default=NOWHERE, compare=False)


@dataclass(frozen=True, slots=True)
class OnceAfter:
    """`once 10 h after wheel fitted`."""

    amount: Amount
    occurrence: str
    span: Span = field(default=NOWHERE, compare=False)


@dataclass(frozen=True, slots=True)
class FirstThen:
    """`first at 1 h and 10 h after wheel fitted, then every 50 h`; after None: on the meter itself, from in service."""

    amounts: tuple[Amount, ...]
    after: str | None
    then: Base
    span: Span = field(default=NOWHERE, compare=False)


Timing = Base | OnceAt | OnceAfter | FirstThen


@dataclass(frozen=True, slots=True)
class Allowance:
    """`10 % at most 5 h or 30 days late`, or an amount. Exactly one of percent and amount is set. way None: both."""

    percent: Fraction | None = None
    caps: tuple[Amount, ...] = ()
    amount: Amount | None = None
    way: Literal["early", "late"] | None = None
    span: Span = field(default=NOWHERE, compare=False)


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule of an interval; when None: the default one."""

    timing: Timing
    when: Condition | None = None
    during: str | None = None
    within: tuple[Allowance, ...] = ()
    span: Span = field(default=NOWHERE, compare=False)


@dataclass(frozen=True, slots=True)
class Interval:
    """A whole interval: one or more rules, at most one of them without `when`."""

    rules: tuple[Rule, ...]


@dataclass(frozen=True, slots=True)
class Notice:
    """How long before the due point a task moves `upcoming`. Any of the three may be set.

    share: of the interval, 0 to 1; days: at most so many on calendar bases (whole days); amount: in a meter's unit, or days.
    """

    share: Fraction | None = None
    days: int | None = None
    amount: Amount | None = None
