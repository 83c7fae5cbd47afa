"""How far from its due point a base may be done, and how long before it people are told.

Source of the shape: percentage with a cap, a month counted as 30 days and a year as 360, fractions of a day dropped, as in
US Army TM 1-1500-328-23 (1999), recurring special inspections (tests/core/test_interval_standards.py).
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta
from fractions import Fraction
from typing import Literal

from fieldworthy.core.base.calendar import add_months
from fieldworthy.core.base.quantity import TICKS, UNITS, Exact, Unit, convert, whole
from fieldworthy.core.interval.ast import Allowance, Amount, Notice

Way = Literal["early", "late"]
DEFAULT_SHARE = Fraction(1, 10)
DEFAULT_DAYS = 7
YEAR_DAYS = 360


@dataclass(frozen=True, slots=True)
class Days:
    """A length on the calendar: months step on the calendar, days are days."""

    months: int = 0
    days: int = 0

    def after(self, day: date) -> date:
        """The day that is this long after `day`."""
        if self is NO_DAYS:
            return day
        return (add_months(day, self.months) if self.months else day) + timedelta(days=self.days)

    def before(self, day: date) -> date:
        """The day that is this long before `day`."""
        return (add_months(day, -self.months) if self.months else day) - timedelta(days=self.days)

    @property
    def nominal(self) -> int:
        """Days, a month counted as 30 (a year as 360)."""
        return self.months * 30 + self.days


NO_DAYS = Days()


def on_calendar(amount: Amount) -> Days:
    """A calendar amount as a length; its number is whole (checked)."""
    n = int(amount.number)
    match amount.unit:
        case "month":
            return Days(months=n)
        case "year":
            return Days(months=12 * n)
        case "week":
            return Days(days=7 * n)
    return Days(days=n)


def is_calendar(amount: Amount) -> bool:
    """Whether an amount is counted on the calendar."""
    return UNITS[amount.unit].dimension == "calendar"


def in_ticks(amount: Amount, unit: Unit) -> Exact:
    """A meter amount as ticks of the meter's unit."""
    return whole(Fraction(convert(amount.number, UNITS[amount.unit], unit)) * TICKS)


def _for_way(allowances: Iterable[Allowance], way: Way) -> Iterable[Allowance]:
    return (a for a in allowances if a.way is None or a.way == way)


def meter_slack(allowances: Iterable[Allowance], way: Way, every: Exact, unit: Unit) -> Exact | None:
    """Ticks that a meter base may be early or late by; None where nothing is said for it."""
    for a in _for_way(allowances, way):
        if a.amount is not None:
            if UNITS[a.amount.unit].dimension == unit.dimension:
                return in_ticks(a.amount, unit)
        else:
            share = whole(Fraction(a.percent or 0) * every / 100)
            caps = [in_ticks(c, unit) for c in a.caps if UNITS[c.unit].dimension == unit.dimension]
            return min([share, *caps])
    return None


def calendar_slack(allowances: Iterable[Allowance], way: Way, every: Days | None) -> Days | None:
    """What a calendar base may be early or late by; every None: an occurrence, a season or a working day, to which no share applies."""
    for a in _for_way(allowances, way):
        if a.amount is not None:
            if is_calendar(a.amount):
                return on_calendar(a.amount)
        elif every is not None:
            share = int(every.nominal * (a.percent or 0) // 100)
            return Days(days=min([share, *(on_calendar(c).nominal for c in a.caps if is_calendar(c))]))
    return None


def meter_notice(notices: Iterable[Notice], every: Exact, unit: Unit) -> Exact:
    """Ticks before the due point from which on a meter base is upcoming."""
    for n in notices:
        if n.amount is not None and UNITS[n.amount.unit].dimension == unit.dimension:
            return in_ticks(n.amount, unit)
        if n.share is not None:
            return whole(every * n.share)
    return whole(every * DEFAULT_SHARE)


def calendar_notice(notices: Iterable[Notice], every: Days) -> int:
    """Whole days before the due day from which on a calendar, occurrence or season base is upcoming."""
    for n in notices:
        if n.amount is not None and is_calendar(n.amount):
            return on_calendar(n.amount).nominal
        if n.share is not None or n.days is not None:
            share = DEFAULT_SHARE if n.share is None else n.share
            return min(int(every.nominal * share), DEFAULT_DAYS if n.days is None else n.days)
    return min(int(every.nominal * DEFAULT_SHARE), DEFAULT_DAYS)
