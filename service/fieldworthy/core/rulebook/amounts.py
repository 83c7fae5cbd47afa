"""Amounts, durations, days of the year and dates as a document writes them."""

import re
from datetime import date, timedelta
from fractions import Fraction
from typing import Any

from fieldworthy.core.base.calendar import MonthDay
from fieldworthy.core.base.finding import did_you_mean
from fieldworthy.core.base.quantity import PART_UNITS, Quantity, Unit, exact, find_unit, read_amount, whole
from fieldworthy.core.rulebook.fields import Fields, type_words, wrong_type
from fieldworthy.core.rulebook.report import Report
from fieldworthy.core.rulebook.shapes import AMOUNT

_MONTH_DAY = re.compile(r"(\d\d)-(\d\d)\Z", re.ASCII)
_DATE = re.compile(r"\d{4}-\d\d-\d\d\Z", re.ASCII)
_DAYS_IN_MONTH = (31, 29, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)
LONGEST = timedelta(days=3660)


def read_duration(text: str) -> timedelta | None:
    """`60 s`, `2 min`, `4 h`, `2 days`, `1 week`, above 0 and at most ten years; None where the text is none (months differ in length)."""
    amount = read_amount(text)
    if amount is None or amount.value <= 0:
        return None
    unit = amount.unit
    if unit.dimension == "time":
        seconds = Fraction(amount.value) * unit.factor * 3600
    elif unit.name in ("day", "week"):
        seconds = Fraction(amount.value) * unit.factor * 86400
    else:
        return None
    micros = seconds * 1_000_000
    if micros.denominator != 1 or micros > LONGEST // timedelta(microseconds=1):
        return None
    return timedelta(microseconds=micros.numerator)


def duration(fields: Fields, name: str) -> timedelta | None:
    """A member that is a duration."""
    text = fields.text(name)
    if text is None:
        return None
    found = read_duration(text)
    if found is None:
        fields.report.error(
            "duration",
            fields.at(name),
            f"`{text[:60]}` is no length of time",
            "write a number and `s`, `min`, `h`, `days` or `weeks`, at most ten years",
        )
    return found


def month_day(fields: Fields, name: str) -> MonthDay | None:
    """A member that is a day of the year, MM-DD; it must be there."""
    text = fields.text(name, must="05-10")
    if text is None:
        return None
    found = _MONTH_DAY.match(text)
    if found is not None:
        month, day = int(found[1]), int(found[2])
        if 1 <= month <= 12 and 1 <= day <= _DAYS_IN_MONTH[month - 1]:
            return month, day
    fields.report.error("day_of_year", fields.at(name), f"`{text[:20]}` is no day of the year", "write the month and the day as in `05-10`")
    return None


def day(fields: Fields, name: str) -> date | None:
    """A member that is a date, YYYY-MM-DD."""
    text = fields.text(name)
    if text is None:
        return None
    if _DATE.match(text):
        try:
            return date.fromisoformat(text)
        except ValueError:
            pass
    fields.report.error("date", fields.at(name), f"`{text[:20]}` is no date", "write it as in `2025-01-31`")
    return None


def unit_of(fields: Fields, name: str, allowed: tuple[str, ...], what: str) -> Unit | None:
    """A member that names a unit, one of `allowed`; it must be there."""
    text = fields.text(name, must=allowed[0])
    if text is None:
        return None
    unit = find_unit(text.strip())
    if unit is None or unit.name not in allowed:
        mend = did_you_mean(text, allowed, f"units of {what} are {', '.join(f'`{u}`' for u in allowed)}")
        fields.report.error("unknown_unit", fields.at(name), f"`{text[:40]}` is no unit of {what}", mend)
        return None
    return unit


def part_amount(report: Report, path: str, value: Any, name: str, unit: Unit | None) -> Quantity | None:
    """
    An amount of a part: `60 g`, {value, unit}, or a bare number of the part's own unit.

    Whether it is above 0 and of the part's dimension is the parts' own check (parts.check).
    """
    amount = _amount(report, path, value, name, unit)
    if amount is not None and amount.unit.name not in PART_UNITS:
        report.error(
            "unknown_unit",
            path,
            f"`{amount.unit.name}` is no unit of parts",
            f"units of parts are {', '.join(f'`{u}`' for u in PART_UNITS)}",
        )
        return None
    return amount


def _amount(report: Report, path: str, value: Any, name: str, unit: Unit | None) -> Quantity | None:
    if isinstance(value, str):
        found = read_amount(value)
        if found is None:
            report.error("amount", path, f"`{value[:60]}` is no amount", "write a number and a unit, as in `60 g`")
        return found
    if isinstance(value, dict):
        fields = Fields(report, value, path, "an amount", AMOUNT)
        number = fields.get("value")
        if isinstance(number, bool) or not isinstance(number, (int, float)):
            report.error("amount", path, f"the `value` of an amount must be a number, not {type_words(number)}", "write a number")
            return None
        own = unit_of(fields, "unit", PART_UNITS, "parts")
        return None if own is None else Quantity(whole(exact(number)), own)
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        wrong_type(report, path, name, "an amount like `60 g`", value)
        return None
    return None if unit is None else Quantity(whole(exact(value)), unit)
