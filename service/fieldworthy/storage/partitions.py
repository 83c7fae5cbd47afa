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


def by_partition(by_meter: Sequence[OfMeter]) -> Mapping[str, Sequence[OfMeter]]:
    """The readings of each year, by the name of its table; those of a meter in the order of their times, as they come."""
    found: dict[str, list[OfMeter]] = {}
    for meter, points in by_meter:
        place, last = bisect_right(_BEGINNINGS, points[0][0]), bisect_right(_BEGINNINGS, points[-1][0])
        begin = 0
        while place < last:
            end = bisect_left(points, (_BEGINNINGS[place],), begin)
            if begin < end:
                found.setdefault(_NAMES[place], []).append((meter, points[begin:end]))
            begin, place = end, place + 1
        found.setdefault(_NAMES[last], []).append((meter, points[begin:] if begin else points))
    return found
