"""Old history: records that say what the meters showed, and no time. And the days of a machine's site, which records are placed by."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from fieldworthy.core.answer.machine import read_zone
from fieldworthy.core.answer.reader import EPOCH, Reader
from fieldworthy.core.base.calendar import local_days
from fieldworthy.core.base.micros import micros_of, micros_text
from fieldworthy.core.base.names import key
from fieldworthy.core.base.quantity import Exact
from fieldworthy.core.meter.series import Reading
from fieldworthy.core.meter.when import Dial, Showed, when_shown
from fieldworthy.core.rulebook.model import CheckedRulebook

Plain = dict[str, Any]
_MICROSECOND = timedelta(microseconds=1)


@dataclass(frozen=True, slots=True)
class Days:
    """The days of a site: its zone, and when a day begins there."""

    zone: ZoneInfo
    starts: time

    @classmethod
    def of(cls, machine: Mapping[str, Any], book: CheckedRulebook) -> "Days":
        """Of a machine's own document; UTC where its zone can't be read, which the question itself then refuses."""
        return cls(*read_zone(machine, Reader(book)))

    def start_of(self, day: date) -> datetime:
        return datetime.combine(day, self.starts, self.zone).astimezone(UTC)

    def day_of(self, at: datetime) -> date:
        """The local day of an instant (UTC)."""
        return local_days(self.zone, self.starts)(at)

    def turns(self, at: datetime) -> Sequence[datetime]:
        """Instants (UTC) at the next of which after `at` the local day may be another: where days begin, and where the clocks are set."""
        days = [self.day_of(at) + timedelta(days=n) for n in (0, 1, 2)]
        found = [datetime.combine(day, self.starts.replace(fold=n), self.zone).astimezone(UTC) for day in days for n in (0, 1)]
        before, after = at, max(found)
        if self._ahead(before) != self._ahead(after):
            while after - before > _MICROSECOND:
                middle = before + (after - before) // 2
                before, after = (middle, after) if self._ahead(middle) == self._ahead(before) else (before, middle)
            found.append(after)
        return found

    def _ahead(self, at: datetime) -> timedelta | None:
        return at.astimezone(self.zone).utcoffset()

    def when(self, item: Mapping[str, Any]) -> datetime:
        """The instant of a record, or the beginning of its day; the beginning of all time where it says none."""
        try:
            if item.get("at") is not None:
                return datetime.fromisoformat(item["at"].upper()).astimezone(UTC)
            if item.get("on") is not None:
                return self.start_of(date.fromisoformat(item["on"]))
        except (ValueError, OverflowError):
            pass  # the question itself refuses it
        return EPOCH


def place(
    timeless: Iterable[tuple[str, Plain]],
    machine: Mapping[str, Any],
    points: Mapping[str, Sequence[Reading]],
    book: CheckedRulebook,
    days: Days,
) -> tuple[list[Plain], list[Plain]]:
    """
    Records with the `at` at which the machine's meters showed their values, and those of which that can't be told.

    timeless: each with its id. machine: as it is assembled so far: what its records, occurrences and replacements showed tells too.
    """
    dials = _dials(machine, points, book, days)
    waiting = []
    for id_, item in timeless:
        values = {key(m): _ticks(v, key(m), book) for m, v in (item.get("meters") or {}).items()}
        waiting.append((sorted(values.items()), id_, item))
    found, lost = [], []
    for showed, _, item in sorted(waiting, key=lambda w: w[:2]):
        at = when_shown(dials, dict(showed))
        if at is None:
            lost.append(item)
        else:
            found.append({**item, "at": micros_text(at)})
    return found, lost


def _ticks(value: Any, meter: str, book: CheckedRulebook, unit: str | None = None) -> Exact:
    return Reader(book).ticks(value, book.vocabulary.meters[meter].unit, "", unit)  # what does not fit was left out before


def _dials(
    machine: Mapping[str, Any], points: Mapping[str, Sequence[Reading]], book: CheckedRulebook, days: Days
) -> Mapping[str, Sequence[Dial]]:
    """Every dial of every meter, with all that it is known to have shown."""
    showed: defaultdict[str, list[Showed]] = defaultdict(list)
    for meter, readings in points.items():
        showed[meter] += [(micros_of(at), shown) for at, shown, _ in readings]
    start = machine.get("in_service") or {}
    for item in (start, *machine.get("done", ()), *machine.get("occurrences", ())):
        for meter, value in (item.get("meters") or {}).items():
            showed[key(meter)].append((micros_of(days.when(item)), _ticks(value, key(meter), book)))
    swaps: defaultdict[str, list[tuple[int, Exact, Exact]]] = defaultdict(list)
    for item in machine.get("replaced_meters", ()):
        meter = key(item["meter"])
        old, new = (_ticks(item[m], meter, book, item.get("unit")) for m in ("old_value", "new_value"))
        swaps[meter].append((micros_of(days.when(item)), old, new))
    return {meter: _cut(showed[meter], sorted(swaps.get(meter, ()))) for meter in {*showed, *swaps}}


def _cut(showed: Sequence[Showed], swaps: Sequence[tuple[int, Exact, Exact]]) -> Sequence[Dial]:
    """What a meter showed, by dial: one more than there were replacements."""
    found = []
    first: list[Showed] = []
    begins: int | None = None
    for at, old, new in swaps:
        own = [p for p in showed if p[0] < at and (begins is None or p[0] >= begins)]
        found.append(Dial([*first, *own, (at, old)], begins is not None, True))
        first, begins = [(at, new)], at
    own = [p for p in showed if begins is None or p[0] >= begins]
    found.append(Dial([*first, *own], begins is not None))
    return found
