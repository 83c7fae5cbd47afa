"""Reads the parts of a question against its rulebook: names, times, days, amounts. A fault becomes a finding and stops nothing."""

from collections.abc import Mapping
from datetime import UTC, date, datetime, timedelta
from typing import Any

from fieldworthy.core.base.finding import Finding, Refused, did_you_mean
from fieldworthy.core.base.names import key
from fieldworthy.core.base.quantity import TICKS, Exact, Quantity, Unit, convert, exact, find_unit, read_amount, to_ticks, whole
from fieldworthy.core.rulebook.model import CheckedRulebook

FIRST_YEAR, LAST_YEAR = 1900, 2300  # the calendar that can be computed
MOST_FINDINGS = 100
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)  # stands for a time that could not be read: its finding refuses the question

Plain = Mapping[str, Any]


_AHEAD = {
    f"{sign}{hours:02}:{minutes:02}": timedelta(hours=hours, minutes=minutes) * (1 if sign == "+" else -1)
    for sign in "+-"
    for hours in range(24)
    for minutes in (0, 15, 30, 45)
}
"""How far a zone's clock is ahead of UTC, by the offset as it is written."""


def instant_of(text: str) -> datetime | None:
    """An RFC 3339 time as it is nearly always written, in UTC; None: `Reader.instant` has to look closer."""
    try:
        if text[4] != "-" or text[10] != "T":
            return None
        ahead = _AHEAD.get(text[-6:])  # not with `astimezone`, which takes three times as long
        at = _read(text) if ahead is None else _read(text[:-6] + "Z") - ahead
    except (ValueError, OverflowError, IndexError):
        return None
    return at if at.tzinfo is UTC and FIRST_YEAR < at.year < LAST_YEAR else None


_read = datetime.fromisoformat


class Reader:
    """Collects findings while the parts of a question are read."""

    def __init__(self, book: CheckedRulebook) -> None:
        self.book = book
        self.words = book.vocabulary
        self.findings: list[Finding] = []

    def fault(self, code: str, message: str, mend: str, path: str) -> None:
        """Notes a fault. Raises Refused at the last one that is told: a long list of records may be wrong in each of them."""
        self.findings.append(Finding(code, message, mend, path=path))
        if len(self.findings) >= MOST_FINDINGS:
            raise Refused(self.findings)

    def known(self, name: str, declared: Mapping[str, Any], what: str, path: str) -> str | None:
        """The key of a declared name; None, with a finding, where it is none."""
        if name in declared:
            return name
        wanted = key(name)
        if wanted in declared:
            return wanted
        names = [getattr(d, "name", d) for d in declared.values()]
        self.fault(
            f"question.unknown_{what.replace(' ', '_')}",
            f"the rulebook declares no {what} `{name}`",
            did_you_mean(name, names, f"use a declared {what}"),
            path,
        )
        return None

    def instant(self, text: str, path: str) -> datetime:
        """An RFC 3339 time with its offset."""
        try:
            if text[10:11] in ("T", "t", " ") and text[4:5] == "-":
                at = datetime.fromisoformat(text.upper())  # RFC 3339 takes `t` and `z` too
                if at.tzinfo is not None and FIRST_YEAR <= at.year <= LAST_YEAR:
                    return at.astimezone(UTC)  # one zone for all: such times compare fast
                if at.tzinfo is not None:
                    return self._far(text, path)
                self.fault(
                    "question.time_without_offset",
                    f"`{text}` has no offset",
                    "write it as in 2026-07-14T06:00:00+01:00, or with Z for UTC",
                    path,
                )
                return at.replace(tzinfo=UTC)
        except (ValueError, TypeError):
            pass
        if str(text)[10:11] in ("T", "t"):  # the form is right, but there is no such day, hour or offset
            mend = "write one that exists, as in 2026-07-14T06:00:00+01:00; of a leap second send the second before it"
            self.fault("question.time", f"there is no time `{text}`", mend, path)
        else:
            self.fault("question.time", f"`{text}` is no time of RFC 3339", "write it as in 2026-07-14T06:00:00+01:00", path)
        return EPOCH

    def _far(self, text: str, path: str) -> datetime:
        mend = f"send one of the years {FIRST_YEAR} to {LAST_YEAR}"
        self.fault("question.time_far_away", f"`{text}` is out of the calendar that can be computed", mend, path)
        return EPOCH

    def day(self, text: str, path: str) -> date:
        """A date, YYYY-MM-DD."""
        try:
            if len(text) == 10:
                day = date.fromisoformat(text)
                return day if FIRST_YEAR <= day.year <= LAST_YEAR else self._far(text, path).date()
        except (ValueError, TypeError):
            pass
        self.fault("question.date", f"`{text}` is no date", "write it as in 2026-07-14", path)
        return EPOCH.date()

    def ticks(self, value: Any, unit: Unit, path: str, stated: str | None = None) -> Exact:
        """A meter value: a bare number, a text with a unit, or {value, unit}, as ticks of the meter's own unit."""
        given: Unit | None = unit
        if isinstance(value, Mapping):
            stated, value = value.get("unit"), value.get("value")
        elif isinstance(value, str):
            amount = read_amount(value)
            if amount is None:
                self.fault("question.amount", f"`{value}` is no amount", f"write a number and a unit, as in `6 {unit.name}`", path)
                return 0
            given, value = amount.unit, amount.value
        if stated is not None:
            given = find_unit(stated)
        if given is unit:
            found = to_ticks(value) if not isinstance(value, str) else 0
        elif given is None or given.dimension != unit.dimension:
            self.fault(
                "question.unit",
                f"the unit `{stated or (given.name if given else value)}` does not fit a meter that counts `{unit.name}`",
                f"send it in `{unit.name}`",
                path,
            )
            return 0
        else:
            found = whole(convert(exact(value) if isinstance(value, float) else value, given, unit) * TICKS)
        if found < 0:
            self.fault("question.negative", "a meter shows no value below 0", "send what its dial shows", path)
            return 0
        return found

    def done(self) -> None:
        """Raises Refused if anything was found."""
        if self.findings:
            raise Refused(self.findings)


def read_quantity(value: Any, reader: Reader, path: str) -> Quantity | None:
    """An amount of the wire: None, "6 h" or {value, unit}."""
    if value is None:
        return None
    if isinstance(value, str):
        read = read_amount(value)
    elif not isinstance(value, Mapping):
        read = None  # a bare number: nothing says which unit is meant
    else:
        unit = find_unit(value["unit"])
        read = None if unit is None else Quantity(whole(exact(value["value"])), unit)
    if read is None:
        reader.fault("question.amount", "it is no amount with a unit", "write a number and a unit, as in `6 h`", path)
    elif read.value <= 0:
        reader.fault("question.amount", "the amount is not above 0", "write how much later it may be, as in `6 h`", path)
    return read
