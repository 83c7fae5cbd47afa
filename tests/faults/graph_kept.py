"""Everything that a database holds, in a few numbers: so that it can be said that a request changed nothing."""

from collections import defaultdict
from collections.abc import Mapping

from fieldworthy.storage import alert_tables  # noqa: F401  # its tables are the store's as well
from fieldworthy.storage.engine import SqlStore
from fieldworthy.storage.tables import metadata

Kept = Mapping[tuple[str, int], tuple[int, int]]
"""By table and organisation (0: nobody's): how many rows, and their hash."""

_ASIDE = {"quotas": (), "keys": ("last_used",)}
"""What every request may change: nothing of a table's columns counts (quotas), or these do not."""


async def kept(store: SqlStore) -> Kept:
    """All that is there now."""
    found: dict[tuple[str, int], tuple[int, int]] = defaultdict(lambda: (0, 0))
    async with store.engine.connect() as connection:
        for table in metadata.sorted_tables:
            if _ASIDE.get(table.name) == ():
                continue
            columns = [each.name for each in table.columns if each.name not in _ASIDE.get(table.name, ())]
            whose = columns.index("organisation") if "organisation" in columns else None
            listed = ", ".join(f'"{each}"' for each in columns)
            for row in await connection.exec_driver_sql(f'SELECT {listed} FROM "{table.name}"'):  # noqa: S608  # names of our own tables
                place = table.name, 0 if whose is None else int(row[whose])
                count, sum_ = found[place]
                found[place] = count + 1, (sum_ + hash(tuple(row))) % 2**64  # in whatever order the rows come
    return dict(found)


def differences(before: Kept, after: Kept, whose: int | None = None) -> list[str]:
    """The tables in which something differs. whose: of this organisation alone."""
    return sorted({t for (t, o) in {*before, *after} if whose in (None, o) and before.get((t, o)) != after.get((t, o))})
