"""Meters and their readings in the database: what is asked of them. How many are written at once stands in readings_bulk.py."""

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from heapq import merge
from itertools import islice
from typing import Any

from sqlalchemy import Select, Table, delete, func, insert, literal, select, tuple_, union_all
from sqlalchemy.ext.asyncio import AsyncConnection

from fieldworthy.storage.machines import chunks, lock_keys
from fieldworthy.storage.readings_bulk import bulk_of
from fieldworthy.storage.tables import meters, readings, readings_withdrawn
from fieldworthy.storage.trail import SqlTrail
from fieldworthy.usecases.kept import WITHDRAWN
from fieldworthy.usecases.kept_readings import Meter, OfMeter, PastReading, Point, Row, Span

_FEW = 500  # values of one statement
_MOST_TERMS = 100  # selects of one statement


class SqlReadings:
    """Implements `usecases.kept_readings.Readings` inside one transaction, which it neither begins nor ends."""

    def __init__(self, connection: AsyncConnection, organisation: int, trail: SqlTrail) -> None:
        self._trail = trail
        self._connection = connection
        self._organisation = organisation
        self._bulk = bulk_of(connection, organisation)

    async def meters_of(self, machines: Collection[int]) -> Mapping[tuple[int, str], Meter]:
        rows = await self._bulk.meters_of(list(machines)) if machines else ()
        return {(row[1], row[2]): Meter(*row) for row in rows}

    async def meters_and_replacements(
        self, machines: Collection[int]
    ) -> tuple[Mapping[tuple[int, str], Meter], Mapping[int, Sequence[str]]]:
        meters: dict[tuple[int, str], Meter] = {}
        replaced: dict[int, list[str]] = {}
        for row in await self._bulk.meters_and_replacements(list(machines), WITHDRAWN) if machines else ():
            if row[0] is None:
                replaced.setdefault(row[1], []).append(row[6])
            else:
                meters[row[1], row[2]] = Meter._make(row[:6])
        return meters, replaced

    async def unnamed(self, meters: Collection[int], but_zero: bool = False) -> set[int]:
        return {row[0] for row in await self._bulk.unnamed(sorted(meters), but_zero)} if meters else set()

    async def series(self, meters: Collection[int], as_of: int | None = None, until: int | None = None) -> Mapping[int, Sequence[Point]]:
        found: dict[int, list[Point]] = {}
        for chunk in chunks(sorted(meters)):
            stood = _points(readings, self._organisation, chunk, until).order_by(readings.c.meter, readings.c.at)
            if as_of is None:
                await self._gather(stood, found)
                continue
            await self._gather(stood.where(readings.c.known <= as_of), found)
            gone = _points(readings_withdrawn, self._organisation, chunk, until)
            gone = gone.where(readings_withdrawn.c.known <= as_of, readings_withdrawn.c.superseded > as_of)
            for key in await self._gather(gone, found):
                found[key].sort(key=_moment)
        return found

    async def withdrawn(self, meters: Collection[int]) -> Mapping[int, Sequence[Point]]:
        found: dict[int, list[Point]] = {}
        t = readings_withdrawn.c
        for chunk in chunks(sorted(meters)):
            since = func.min(t.known)
            gone = select(t.meter, t.at, t.value, t.unit).where(t.organisation == self._organisation, t.meter.in_(chunk))
            await self._gather(gone.group_by(t.meter, t.at, t.value, t.unit).order_by(t.meter, since, t.at, t.value, t.unit), found)
        return found

    async def _gather(self, query: Select[Any], found: dict[int, list[Point]]) -> set[int]:
        seen = set()
        for key, at, value, unit in await self._connection.execute(query):
            if key in found:
                found[key].append((at, value, unit))
            else:
                found[key] = [(at, value, unit)]
            seen.add(key)
        return seen

    async def page(
        self,
        meters: Collection[int],
        limit: int,
        before: tuple[int, int] | None = None,
        first: int | None = None,
        until: int | None = None,
        as_of: int | None = None,
    ) -> Sequence[PastReading]:
        of_each = await self.newest_of_each(meters, limit, before, first, until, as_of)
        return list(islice(merge(*of_each.values(), key=lambda r: (r.at, r.meter), reverse=True), limit))

    async def newest_of_each(
        self,
        meters: Collection[int],
        limit: int,
        before: tuple[int, int] | None = None,
        first: int | None = None,
        until: int | None = None,
        as_of: int | None = None,
    ) -> Mapping[int, Sequence[PastReading]]:
        found: dict[int, list[PastReading]] = {}
        for table in (readings,) if as_of is None else (readings, readings_withdrawn):
            for chunk in chunks(sorted(meters), _MOST_TERMS):
                few = [self._few(table, meter, limit, before, first, until, as_of) for meter in chunk]
                for row in await self._connection.execute(union_all(*few)):
                    found.setdefault(row.meter, []).append(PastReading(*row))
        return {meter: sorted(rows, key=lambda r: r.at, reverse=True)[:limit] for meter, rows in found.items()}

    def _few(
        self,
        table: Table,
        meter: int,
        limit: int,
        before: tuple[int, int] | None,
        first: int | None,
        until: int | None,
        as_of: int | None,
    ) -> Select[Any]:
        """The newest of one meter and table, read along its key."""
        query = select(table.c.at, table.c.meter, table.c.value, table.c.unit, table.c.known).where(
            table.c.organisation == self._organisation, table.c.meter == meter
        )
        if before is not None:
            at, last = before
            query = query.where(table.c.at <= at, tuple_(table.c.at, table.c.meter) < tuple_(literal(at), literal(last)))
        if first is not None:
            query = query.where(table.c.at >= first)
        if until is not None:
            query = query.where(table.c.at < until)
        if as_of is not None:
            query = query.where(table.c.known <= as_of)
        if table is readings_withdrawn:
            query = query.where(table.c.superseded > as_of)
        return select(query.order_by(table.c.at.desc()).limit(limit).subquery())

    async def onward(self, meter: int, limit: int, first: int | None, until: int | None, as_of: int) -> Sequence[PastReading]:
        found: list[Sequence[PastReading]] = []
        for table in (readings, readings_withdrawn):
            t = table.c
            query = select(t.at, t.meter, t.value, t.unit, t.known).where(
                t.organisation == self._organisation, t.meter == meter, t.known <= as_of
            )
            if first is not None:
                query = query.where(t.at >= first)
            if until is not None:
                query = query.where(t.at < until)
            if table is readings_withdrawn:
                query = query.where(t.superseded > as_of)
            found.append([PastReading(*row) for row in await self._connection.execute(query.order_by(t.at).limit(limit))])
        return list(islice(merge(*found, key=lambda r: r.at), limit))

    async def replacements(self, machines: Collection[int]) -> Mapping[int, Sequence[str]]:
        found: dict[int, list[str]] = {}
        for machine, body in await self._bulk.replacements(list(machines), WITHDRAWN) if machines else ():
            found.setdefault(machine, []).append(body)
        return found

    async def within(self, spans: Sequence[Span]) -> Mapping[int, Sequence[Point]]:
        found = await self._bulk.within(spans) if spans else {}
        for points in found.values():
            points.sort(key=_moment)
        return found

    async def columns(self, spans: Sequence[Span], unit: str | None) -> Mapping[int, tuple[Sequence[int], Sequence[int]]]:
        return await self._bulk.columns(spans, unit) if spans else {}

    async def beside(self, spans: Sequence[Span]) -> Mapping[int, Sequence[Point]]:
        return _by_meter([*await self._bulk.before(spans), *await self._bulk.behind(spans)] if spans else ())

    async def around(self, machine: int, wanted: Collection[tuple[str, int]]) -> Mapping[str, Sequence[Point]]:
        found: dict[str, dict[int, Point]] = {}
        for name, at, value, unit in await self._bulk.around(machine, sorted(wanted)) if wanted else ():
            found.setdefault(name, {})[at] = (at, value, unit)
        return {name: [points[at] for at in sorted(points)] for name, points in found.items()}

    async def add_meters(self, wanted: Collection[tuple[int, str]]) -> Mapping[tuple[int, str], Meter]:
        if not wanted:
            return {}
        await lock_keys(self._connection, self._organisation)
        first = await self._bulk.next_meter()
        made = {(machine, name): Meter(first + n, machine, name, None, None, None) for n, (machine, name) in enumerate(sorted(wanted))}
        rows = [{"organisation": self._organisation, "key": m.key, "machine": m.machine, "name": m.name} for m in made.values()]
        await self._connection.execute(insert(meters), rows)
        return made

    async def keep(self, by_meter: Iterable[OfMeter], known: int, span: tuple[int, int] | None = None) -> None:
        sizes: list[int] = []
        await self._bulk.keep(_counted(by_meter, sizes), known, span)
        self._trail.counted(known, kept=sum(sizes))

    async def note_last(self, rows: Sequence[Row]) -> None:
        if rows:
            await self._bulk.note_last(rows)

    async def note_kept(self, rows: Sequence[Row], machines: Collection[int], known: int) -> None:
        if machines:
            await self._bulk.note_kept(rows, list(machines), known)

    async def withdraw(self, meter: int, moments: Collection[int], known: int) -> None:
        for chunk in chunks(sorted(moments), _FEW):
            those = (readings.c.organisation == self._organisation, readings.c.meter == meter, readings.c.at.in_(chunk))
            columns = ("organisation", "meter", "at", "known", "superseded", "value", "unit")
            moved = select(*(literal(known) if c == "superseded" else readings.c[c] for c in columns)).where(*those)
            await self._connection.execute(insert(readings_withdrawn).from_select(columns, moved))
            await self._connection.execute(delete(readings).where(*those))
            self._trail.counted(known, withdrawn=len(chunk))


def _points(table: Any, organisation: int, keys: Sequence[int], until: int | None) -> Select[Any]:
    query = select(table.c.meter, table.c.at, table.c.value, table.c.unit).where(
        table.c.organisation == organisation, table.c.meter.in_(keys)
    )
    return query if until is None else query.where(table.c.at <= until)


def _by_meter(rows: Sequence[Row]) -> Mapping[int, Sequence[Point]]:
    found: dict[int, list[Point]] = {}
    for meter, at, value, unit in rows:
        found.setdefault(meter, []).append((at, value, unit))
    return found


def _counted(by_meter: Iterable[OfMeter], sizes: list[int]) -> Iterator[OfMeter]:
    """Notes how many there are of each."""
    for each in by_meter:
        sizes.append(len(each.ats))
        yield each


def _moment(point: Point) -> int:
    return point[0]
