"""Where readings are kept on PostgreSQL: a table for each year of `at`.

PostgreSQL takes no `COPY` into a table with row-level security, so the security is on the whole (`readings`), by which everything is read
and changed, and the copies go into the years' own tables. Whoever may only add to those (`storage.roles`) sees and changes nothing past the
policies, and a trigger looks whose readings were added.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime

from fieldworthy.core.base.micros import micros_of
from fieldworthy.usecases.kept_readings import OfMeter

FIRST_YEAR, LAST_YEAR = 2020, 2039
OTHER = "readings_other"
"""For all other years."""

_BEGINNINGS = [micros_of(datetime(year, 1, 1, tzinfo=UTC)) for year in range(FIRST_YEAR, LAST_YEAR + 2)]
_NAMES = [OTHER, *(f"readings_{year}" for year in range(FIRST_YEAR, LAST_YEAR + 1)), OTHER]

PARTITIONS = tuple(dict.fromkeys(_NAMES))


def partition_of(first: int, last: int) -> str | None:
    """The name of the table in which all lies that is read from `first` to `last`; None where there are several."""
    place = bisect_right(_BEGINNINGS, first)
    return _NAMES[place] if place == bisect_right(_BEGINNINGS, last) else None


def by_partition(by_meter: Sequence[OfMeter]) -> Mapping[str, Sequence[OfMeter]]:
    """The readings of each year, by the name of its table."""
    if not by_meter:
        return {}
    table = partition_of(min(each.ats[0] for each in by_meter), max(each.ats[-1] for each in by_meter))
    if table is not None:  # as nearly always
        return {table: by_meter}
    found: dict[str, list[OfMeter]] = {}
    for each in by_meter:
        begin = 0
        while begin < len(each.ats):
            place = bisect_right(_BEGINNINGS, each.ats[begin])
            end = bisect_left(each.ats, _BEGINNINGS[place], begin) if place < len(_BEGINNINGS) else len(each.ats)
            found.setdefault(_NAMES[place], []).append(OfMeter(each.meter, each.unit, each.ats[begin:end], each.values[begin:end]))
            begin = end
    return found
