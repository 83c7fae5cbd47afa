"""Many readings at once, in each database's own quickest way.

The statements go through the driver's own connection, inside the transaction of SQLAlchemy's: building ten thousand statements of ten
thousand values each would take longer than the database does.
"""

import json
from collections.abc import Iterable, Sequence
from typing import Any, Protocol

from sqlalchemy.ext.asyncio import AsyncConnection

from fieldworthy.usecases.kept_readings import Row, Span

_COLUMNS = ("organisation", "meter", "at", "value", "unit", "known")

Rows = Sequence[Any]


class Bulk(Protocol):
    """The same questions to either database. Rows come as tuples, or what can be taken apart like them."""

    async def meters_of(self, machines: list[int]) -> Rows: ...

    async def replacements(self, machines: list[int], withdrawn: str) -> Rows: ...

    async def within(self, spans: Sequence[Span]) -> Rows: ...

    async def before(self, spans: Sequence[Span]) -> Rows: ...

    async def behind(self, spans: Sequence[Span]) -> Rows: ...

    async def next_meter(self) -> int: ...

    async def keep(self, rows: Sequence[tuple[Any, ...]]) -> None: ...

    async def note_last(self, rows: Sequence[Row]) -> None: ...


def bulk_of(connection: AsyncConnection, organisation: int) -> Bulk:
    """The one that fits the connection's database."""
    return (_Postgres if connection.dialect.name == "postgresql" else _Sqlite)(connection, organisation)


_METERS = "select key, machine, name, last_at, last_value, last_unit from meters where organisation = {o} and machine {among}"
_REPLACEMENTS = (
    "select machine, body from entries where organisation = {o} and machine {among} and kind = 'meter-replacement' "
    "and superseded is null and body <> {w} order by machine, at, id"
)
# SQLite takes the tables of a cross join in their order: the few stretches first, then the readings by their key
_POINTS = "select r.meter, r.at, r.value, r.unit from {spans} cross join readings r where r.organisation = {o} and r.meter = s.meter "
_WITHIN = _POINTS + "and r.at between s.first and s.last"
_BEFORE = _POINTS + ("and r.at = (select max(q.at) from readings q where q.organisation = {o} and q.meter = s.meter and q.at < s.first)")  # noqa: S608
_BEHIND = _POINTS + ("and r.at = (select min(q.at) from readings q where q.organisation = {o} and q.meter = s.meter and q.at > s.last)")  # noqa: S608
_NEXT = "select coalesce(max(key), 0) + 1 from meters where organisation = {o}"


class _Postgres:
    """Arrays in, `COPY` for what is written."""

    def __init__(self, connection: AsyncConnection, organisation: int) -> None:
        self._connection = connection
        self._organisation = organisation

    async def _raw(self) -> Any:
        raw = (await self._connection.get_raw_connection()).driver_connection
        assert raw is not None
        if not raw.is_in_transaction():  # SQLAlchemy begins with its own first statement
            await self._connection.exec_driver_sql("select 1")
        return raw

    async def _ask(self, sql: str, *values: Any) -> Rows:
        rows: Rows = await (await self._raw()).fetch(sql, self._organisation, *values)
        return rows

    async def meters_of(self, machines: list[int]) -> Rows:
        return await self._ask(_METERS.format(o="$1", among="= any($2::int[])"), machines)

    async def replacements(self, machines: list[int], withdrawn: str) -> Rows:
        return await self._ask(_REPLACEMENTS.format(o="$1", among="= any($2::int[])", w="$3"), machines, withdrawn)

    async def _spans(self, sql: str, spans: Sequence[Span]) -> Rows:
        table = "unnest($2::int[], $3::bigint[], $4::bigint[]) as s(meter, first, last)"
        return await self._ask(sql.format(o="$1", spans=table), *map(list, zip(*spans, strict=True)))

    async def within(self, spans: Sequence[Span]) -> Rows:
        return await self._spans(_WITHIN, spans)

    async def before(self, spans: Sequence[Span]) -> Rows:
        return await self._spans(_BEFORE, spans)

    async def behind(self, spans: Sequence[Span]) -> Rows:
        return await self._spans(_BEHIND, spans)

    async def next_meter(self) -> int:
        return int((await self._ask(_NEXT.format(o="$1")))[0][0])

    async def keep(self, rows: Sequence[tuple[Any, ...]]) -> None:
        await (await self._raw()).copy_records_to_table("readings", records=rows, columns=_COLUMNS)

    async def note_last(self, rows: Sequence[Row]) -> None:
        sql = (
            "update meters set last_at = s.at, last_value = s.value, last_unit = s.unit "
            "from unnest($2::int[], $3::bigint[], $4::bigint[], $5::text[]) as s(key, at, value, unit) "
            "where meters.organisation = $1 and meters.key = s.key"
        )
        await (await self._raw()).execute(sql, self._organisation, *map(list, zip(*rows, strict=True)))


class _Sqlite:
    """JSON arrays in, and each statement in one hop to the driver's thread."""

    def __init__(self, connection: AsyncConnection, organisation: int) -> None:
        self._connection = connection
        self._organisation = organisation

    async def _raw(self) -> Any:
        raw = (await self._connection.get_raw_connection()).driver_connection
        assert raw is not None
        return raw

    async def _ask(self, sql: str, *values: Any) -> Rows:
        numbered = {str(n): value for n, value in enumerate((self._organisation, *values), 1)}
        rows: Rows = list(await (await self._raw()).execute_fetchall(sql, numbered))
        return rows

    async def meters_of(self, machines: list[int]) -> Rows:
        return await self._ask(_METERS.format(o=":1", among="in (select value from json_each(:2))"), _json(machines))

    async def replacements(self, machines: list[int], withdrawn: str) -> Rows:
        return await self._ask(
            _REPLACEMENTS.format(o=":1", among="in (select value from json_each(:2))", w=":3"), _json(machines), withdrawn
        )

    async def _spans(self, sql: str, spans: Sequence[Span]) -> Rows:
        table = (
            "(select json_extract(value, '$[0]') as meter, json_extract(value, '$[1]') as first, json_extract(value, '$[2]') as last "
            "from json_each(:2)) as s"
        )
        return await self._ask(sql.format(o=":1", spans=table), _json(spans))

    async def within(self, spans: Sequence[Span]) -> Rows:
        return await self._spans(_WITHIN, spans)

    async def before(self, spans: Sequence[Span]) -> Rows:
        return await self._spans(_BEFORE, spans)

    async def behind(self, spans: Sequence[Span]) -> Rows:
        return await self._spans(_BEHIND, spans)

    async def next_meter(self) -> int:
        return int((await self._ask(_NEXT.format(o=":1")))[0][0])

    async def keep(self, rows: Sequence[tuple[Any, ...]]) -> None:
        sql = "insert into readings (organisation, meter, at, value, unit, known) values (?, ?, ?, ?, ?, ?)"
        await (await self._raw()).executemany(sql, rows)

    async def note_last(self, rows: Sequence[Row]) -> None:
        organisation = self._organisation
        sql = "update meters set last_at = ?, last_value = ?, last_unit = ? where organisation = ? and key = ?"
        await (await self._raw()).executemany(sql, [(at, value, unit, organisation, key) for key, at, value, unit in rows])


def _json(values: Iterable[Any]) -> str:
    return json.dumps(list(values))
