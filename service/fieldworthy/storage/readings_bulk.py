"""Many readings at once, in each database's own quickest way, past SQLAlchemy (driver.py)."""

from array import array
from collections.abc import AsyncIterator, Iterable, Mapping, Sequence
from functools import cache
from itertools import chain, repeat
from struct import pack
from sys import byteorder
from typing import Any, Protocol

from sqlalchemy.ext.asyncio import AsyncConnection

from fieldworthy.storage.driver import ANY_VALUE, EACH, EACH_VALUE, Rows, ask, driver_of, in_json, int_array
from fieldworthy.storage.machines import TOUCH, touch
from fieldworthy.storage.partitions import by_partition, partition_of
from fieldworthy.usecases.kept_readings import OfMeter, Point, Row, Span

_COLUMNS = ("organisation", "meter", "at", "value", "unit", "known")

_FIRST, _PIECE = 200, 1_000
"""Rows that are sent at once: PostgreSQL takes them in while the next are made ready, and begins with few, so that it waits for few."""

_ROWS = 50
"""Rows of one statement on SQLite, which then takes half of the time that one by one they would."""


class Bulk(Protocol):
    """The same questions to either database."""

    async def meters_of(self, machines: list[int]) -> Rows: ...

    async def meters_and_replacements(self, machines: list[int], withdrawn: str) -> Rows:
        """Rows of `meters_of`, with a null behind each; and of `replacements`, as such rows, in which only the machine and the last are."""

    async def unnamed(self, meters: list[int], but_zero: bool) -> Rows: ...

    async def replacements(self, machines: list[int], withdrawn: str) -> Rows: ...

    async def within(self, spans: Sequence[Span]) -> Mapping[int, list[Point]]: ...

    async def columns(self, spans: Sequence[Span], unit: str | None) -> Mapping[int, tuple[Sequence[int], Sequence[int]]]: ...

    async def before(self, spans: Sequence[Span]) -> Rows: ...

    async def behind(self, spans: Sequence[Span]) -> Rows: ...

    async def around(self, machine: int, wanted: Sequence[tuple[str, int]]) -> Rows: ...

    async def next_meter(self) -> int: ...

    async def keep(self, by_meter: Iterable[OfMeter], known: int, span: tuple[int, int] | None) -> None: ...

    async def note_last(self, rows: Sequence[Row]) -> None: ...

    async def note_kept(self, rows: Sequence[Row], machines: list[int], known: int) -> None: ...


def bulk_of(connection: AsyncConnection, organisation: int) -> Bulk:
    """The one that fits the connection's database."""
    return (_Postgres if connection.dialect.name == "postgresql" else _Sqlite)(connection, organisation)


_METERS = "select key, machine, name, last_at, last_value, last_unit from meters where organisation = {o} and machine {is_one}"
_REPLACEMENTS = (
    "select machine, body from entries where organisation = {o} and machine {is_one} and kind = 'meter-replacement' "
    "and superseded is null and body <> {w} order by machine, at, id"
)
_METERS_EACH = EACH.format(type="text::int[]", query=_METERS.format(o="$1", is_one=EACH_VALUE), lock="")
_METERS_AMONG = _METERS.format(o=":1", is_one=ANY_VALUE)
_REPLACEMENTS_EACH = EACH.format(type="text::int[]", query=_REPLACEMENTS.format(o="$1", is_one=EACH_VALUE, w="$3"), lock="")
_BOTH = "select m.*, null as body from ({}) as m union all select null, r.machine, null, null, null, null, r.body from ({}) as r"
_BOTH_EACH = _BOTH.format(_METERS_EACH, _REPLACEMENTS_EACH)
_REPLACEMENTS_AMONG = _REPLACEMENTS.format(o=":1", is_one=ANY_VALUE, w=":3")
_BOTH_AMONG = _BOTH.format(_METERS_AMONG, _REPLACEMENTS_AMONG)
_NOTE_LAST = (
    "update meters set last_at = s.at, last_value = s.value, last_unit = $5 "
    "from unnest($2::text::int[], $3::text::bigint[], $4::text::bigint[]) as s(key, at, value) "
    "where meters.organisation = $1 and meters.key = s.key"
)
_NOTE_KEPT = f"with noted as ({_NOTE_LAST}) {TOUCH.format(keys='$6', known='$7')}"  # pieces of our own  # nosec B608
# of each meter it ends at the first that is found, which nearly always is the first that there is
_BUT_ZERO = " and q.value <> 0"
_UNNAMED_EACH = (
    "select s.meter from unnest($2::int[]) as s(meter) cross join lateral (select 1 from readings q "
    "where q.organisation = $1 and q.meter = s.meter and q.unit is null{but} order by q.at limit 1) r "
    "union select q.meter from readings_withdrawn q where q.organisation = $1 and q.meter = any($2::int[]) and q.unit is null{but}"
)
_UNNAMED = (
    "select s.value from json_each(:2) s where exists "
    "(select 1 from readings q where q.organisation = :1 and q.meter = s.value and q.unit is null{but}) or exists "
    "(select 1 from readings_withdrawn q where q.organisation = :1 and q.meter = s.value and q.unit is null{but})"
)
# SQLite takes the tables of a cross join in their order: the few stretches first, then the readings by their key
_POINTS = "{spans} select r.meter, r.at, r.value, r.unit from s cross join readings r where r.organisation = {o} and r.meter = s.meter "
_WITHIN = _POINTS + "and r.at between s.first and s.last"
_NEXT_TO = "and r.at = (select {} from readings q where q.organisation = {{o}} and q.meter = s.meter and q.at {})"
_BEFORE = _POINTS + _NEXT_TO.format("max(q.at)", "< s.first")
_BEHIND = _POINTS + _NEXT_TO.format("min(q.at)", "> s.last")
# one step down the index for each, whatever PostgreSQL takes a table for before its first `analyze`
_BESIDE_EACH = (
    "{{spans}} select s.meter, r.at, r.value, r.unit from s cross join lateral (select q.at, q.value, q.unit from readings q "
    "where q.organisation = {{o}} and q.meter = s.meter and q.at {} order by q.at {} limit 1) r"
)
_BEFORE_EACH, _BEHIND_EACH = _BESIDE_EACH.format("< s.first", "desc"), _BESIDE_EACH.format("> s.last", "asc")
# one question, for it is asked at every record that notes a meter
_SIDE = (
    "(select q.at, q.value, q.unit from readings q where q.organisation = $1 and q.meter = m.key and q.at {} s.at order by q.at {} limit 1)"
)
_AROUND_EACH = (
    "select s.name, r.at, r.value, r.unit from unnest($3::text[], $4::bigint[]) as s(name, at) "  # noqa: S608  # pieces of our own  # nosec B608
    "cross join lateral (select key from meters where organisation = $1 and machine = $2 and name = s.name limit 1) m "
    f"cross join lateral ({_SIDE.format('<=', 'desc')} union all {_SIDE.format('>', 'asc')}) r"
)
_ONE_SIDE = (
    "select s.name, r.at, r.value, r.unit from s cross join meters m cross join readings r where m.organisation = :1 and m.machine = :2 "
    "and m.name = s.name and r.organisation = :1 and r.meter = m.key and r.at = "
    "(select {}(q.at) from readings q where q.organisation = :1 and q.meter = m.key and q.at {} s.at)"
)
_AROUND = (
    "with s(name, at) as materialized (select json_extract(value, '$[0]'), json_extract(value, '$[1]') from json_each(:3)) "  # noqa: S608  # pieces of our own  # nosec B608
    f"{_ONE_SIDE.format('max', '<=')} union all {_ONE_SIDE.format('min', '>')}"
)
_NEXT = "select coalesce(max(key), 0) + 1 from meters where organisation = {o}"


# a row a stretch: ten thousand readings one by one would take the driver longer to hand over than the database to find
_WITHIN_AS_ARRAYS = (
    "{spans} select s.meter, r.at, r.value, r.unit from s cross join lateral (select array_agg(q.at) as at, array_agg(q.value) as value, "
    "array_agg(q.unit) as unit from readings q where q.organisation = {o} and q.meter = s.meter and q.at between s.first and s.last) r "
    "where r.at is not null"
)
_COLUMNS_EACH = (
    "{spans} select s.meter, r.at, r.value from s cross join lateral (select array_agg(q.at) as at, array_agg(q.value) as value, "
    "bool_and(q.unit is not distinct from $5) as alike from readings q where q.organisation = {o} and q.meter = s.meter "
    "and q.at between s.first and s.last) r where r.alike"
)


class _Postgres:
    """Arrays in, `COPY` for what is written."""

    def __init__(self, connection: AsyncConnection, organisation: int) -> None:
        self._connection = connection
        self._organisation = organisation

    async def _ask(self, sql: str, *values: Any) -> Rows:
        return await ask(self._connection, sql, self._organisation, *values)

    async def meters_of(self, machines: list[int]) -> Rows:
        return await self._ask(_METERS_EACH, int_array(machines))

    async def meters_and_replacements(self, machines: list[int], withdrawn: str) -> Rows:
        return await self._ask(_BOTH_EACH, int_array(machines), withdrawn)

    async def unnamed(self, meters: list[int], but_zero: bool) -> Rows:
        return await self._ask(_UNNAMED_EACH.format(but=_BUT_ZERO if but_zero else ""), meters)

    async def replacements(self, machines: list[int], withdrawn: str) -> Rows:
        return await self._ask(_REPLACEMENTS_EACH, int_array(machines), withdrawn)

    async def _spans(self, sql: str, spans: Sequence[Span], *more: Any) -> Rows:
        table = "with s as (select * from unnest($2::text::int[], $3::text::bigint[], $4::text::bigint[]) as s(meter, first, last))"
        return await self._ask(sql.format(o="$1", spans=table), *map(int_array, zip(*spans, strict=True)), *more)

    async def columns(self, spans: Sequence[Span], unit: str | None) -> Mapping[int, tuple[Sequence[int], Sequence[int]]]:
        return {meter: (ats, values) for meter, ats, values in await self._spans(_COLUMNS_EACH, spans, unit)}

    async def within(self, spans: Sequence[Span]) -> Mapping[int, list[Point]]:
        found: dict[int, list[Point]] = {}
        for meter, *columns in await self._spans(_WITHIN_AS_ARRAYS, spans):
            found.setdefault(meter, []).extend(zip(*columns, strict=True))
        return found

    async def before(self, spans: Sequence[Span]) -> Rows:
        return await self._spans(_BEFORE_EACH, spans)

    async def behind(self, spans: Sequence[Span]) -> Rows:
        return await self._spans(_BEHIND_EACH, spans)

    async def around(self, machine: int, wanted: Sequence[tuple[str, int]]) -> Rows:
        return await self._ask(_AROUND_EACH, machine, *map(list, zip(*wanted, strict=True)))

    async def next_meter(self) -> int:
        return int((await self._ask(_NEXT.format(o="$1")))[0][0])

    async def keep(self, by_meter: Iterable[OfMeter], known: int, span: tuple[int, int] | None) -> None:
        one = None if span is None else partition_of(*span)
        parts: Mapping[str, Iterable[OfMeter]] = by_partition(list(by_meter)) if one is None else {one: by_meter}
        async with driver_of(self._connection) as raw:
            for table, part in parts.items():
                source = _binary(part, self._organisation, known)
                await raw.copy_to_table(table, source=source, columns=_COLUMNS, format="binary")

    async def note_last(self, rows: Sequence[Row]) -> None:
        await self._note(_by_unit(rows))

    async def note_kept(self, rows: Sequence[Row], machines: list[int], known: int) -> None:
        *others, last = _by_unit(rows) or [(None, ())]  # nearly always there is one unit, and so one message
        await self._note(others)
        await self._note([last], _NOTE_KEPT, int_array(machines), known)

    async def _note(self, by_unit: Sequence[tuple[str | None, Sequence[Row]]], sql: str = _NOTE_LAST, *more: Any) -> None:
        async with driver_of(self._connection) as raw:
            for unit, rows in by_unit:
                keys, ats, values, _ = zip(*rows, strict=True) if rows else ((),) * 4
                await raw.execute(sql, self._organisation, int_array(keys), int_array(ats), int_array(values), unit, *more)


def _by_unit(rows: Sequence[Row]) -> list[tuple[str | None, Sequence[Row]]]:
    found: dict[str | None, list[Row]] = {}
    for row in rows:
        found.setdefault(row[3], []).append(row)
    return list(found.items())


async def _binary(by_meter: Iterable[OfMeter], organisation: int, known: int) -> AsyncIterator[bytes]:
    """Readings in the binary form of PostgreSQL's `COPY` (its manual, "COPY", Binary Format): each value behind its length in bytes.

    The driver does the same row by row, and sends it all at its end.
    """
    yield b"PGCOPY\n\xff\r\n\0" + bytes(8)
    piece: dict[str | None, list[OfMeter]] = {}
    rows, enough = 0, _FIRST
    for each in by_meter:
        piece.setdefault(each.unit, []).append(each)
        rows += len(each.ats)
        if rows >= enough:
            yield b"".join(_filled(_row(unit, organisation, known), some) for unit, some in piece.items())
            piece, rows, enough = {}, 0, _PIECE
    yield b"".join([*(_filled(_row(unit, organisation, known), some) for unit, some in piece.items()), pack(">h", -1)])


_METER, _AT, _VALUE = 14, 22, 34
"""Where in a row these values stand."""


def _row(unit: str | None, organisation: int, known: int) -> bytes:
    """A row in which the meter, the moment and the value are still to be filled in."""
    said = b"" if unit is None else unit.encode()
    size = -1 if unit is None else len(said)
    return pack(f">hiiiiiqiqi{len(said)}siq", 6, 4, organisation, 4, 0, 8, 0, 8, 0, size, said, 8, known)


def _filled(row: bytes, by_meter: Sequence[OfMeter]) -> bytearray:
    """All rows at once: the first bytes of a column, then the second ones, and so on, each in one step through all rows."""
    meters = array("i")
    for each in by_meter:
        meters.extend(repeat(each.meter, len(each.ats)))
    ats = array("q", list(chain.from_iterable(each.ats for each in by_meter)))  # of a list, for its size is known: twice as fast
    values = array("q", list(chain.from_iterable(each.values for each in by_meter)))
    size, filled = len(row), bytearray(row * len(ats))
    for place, column in ((_METER, meters), (_AT, ats), (_VALUE, values)):
        if byteorder == "little":
            column.byteswap()
        said = column.tobytes()
        for n in range(column.itemsize):
            filled[place + n :: size] = said[n :: column.itemsize]
    return filled


class _Sqlite:
    """JSON arrays in, and each statement in one hop to the driver's thread."""

    def __init__(self, connection: AsyncConnection, organisation: int) -> None:
        self._connection = connection
        self._organisation = organisation

    async def _ask(self, sql: str, *values: Any) -> Rows:
        return await ask(self._connection, sql, self._organisation, *values)

    async def meters_of(self, machines: list[int]) -> Rows:
        return await self._ask(_METERS_AMONG, in_json(machines))

    async def meters_and_replacements(self, machines: list[int], withdrawn: str) -> Rows:
        return await self._ask(_BOTH_AMONG, in_json(machines), withdrawn)

    async def unnamed(self, meters: list[int], but_zero: bool) -> Rows:
        return await self._ask(_UNNAMED.format(but=_BUT_ZERO if but_zero else ""), in_json(meters))

    async def replacements(self, machines: list[int], withdrawn: str) -> Rows:
        return await self._ask(_REPLACEMENTS_AMONG, in_json(machines), withdrawn)

    async def _spans(self, sql: str, spans: Sequence[Span]) -> Rows:
        table = (  # taken apart once, and not again for every reading
            "with s(meter, first, last) as materialized "
            "(select json_extract(value, '$[0]'), json_extract(value, '$[1]'), json_extract(value, '$[2]') from json_each(:2))"
        )
        return await self._ask(sql.format(o=":1", spans=table), in_json(spans))

    async def within(self, spans: Sequence[Span]) -> Mapping[int, list[Point]]:
        found: dict[int, list[Point]] = {}
        for meter, at, value, unit in await self._spans(_WITHIN, spans):
            if meter in found:
                found[meter].append((at, value, unit))
            else:
                found[meter] = [(at, value, unit)]
        return found

    async def columns(self, spans: Sequence[Span], unit: str | None) -> Mapping[int, tuple[Sequence[int], Sequence[int]]]:
        found: dict[int, tuple[list[int], list[int]]] = {span[0]: ([], []) for span in spans}
        others: set[int] = set()
        for meter, at, value, said in await self._spans(_WITHIN, spans):
            if said != unit:
                others.add(meter)
            ats, values = found[meter]
            ats.append(at)
            values.append(value)
        return {meter: columns for meter, columns in found.items() if meter not in others}

    async def before(self, spans: Sequence[Span]) -> Rows:
        return await self._spans(_BEFORE, spans)

    async def behind(self, spans: Sequence[Span]) -> Rows:
        return await self._spans(_BEHIND, spans)

    async def around(self, machine: int, wanted: Sequence[tuple[str, int]]) -> Rows:
        return await self._ask(_AROUND, machine, in_json(wanted))

    async def next_meter(self) -> int:
        return int((await self._ask(_NEXT.format(o=":1")))[0][0])

    async def keep(self, by_meter: Iterable[OfMeter], known: int, span: tuple[int, int] | None) -> None:
        rows = [row for each in by_meter for row in zip(repeat(each.meter), each.ats, each.values, repeat(each.unit))]
        whole = len(rows) - len(rows) % _ROWS
        async with driver_of(self._connection) as raw:
            if whole:
                await raw.executemany(_insert(_ROWS), [self._flat(rows[n : n + _ROWS], known) for n in range(0, whole, _ROWS)])
            if whole < len(rows):
                await raw.execute(_insert(len(rows) - whole), self._flat(rows[whole:], known))

    def _flat(self, rows: Sequence[Row], known: int) -> tuple[Any, ...]:
        return (self._organisation, known, *chain.from_iterable(rows))

    async def note_last(self, rows: Sequence[Row]) -> None:
        organisation = self._organisation
        sql = "update meters set last_at = ?, last_value = ?, last_unit = ? where organisation = ? and key = ?"
        async with driver_of(self._connection) as raw:
            await raw.executemany(sql, [(at, value, unit, organisation, key) for key, at, value, unit in rows])

    async def note_kept(self, rows: Sequence[Row], machines: list[int], known: int) -> None:
        await self.note_last(rows)
        await touch(self._connection, self._organisation, machines, known)


@cache
def _insert(rows: int) -> str:
    """Keeps so many rows at once: ?1 is the organisation, ?2 `known`, then each row's own."""
    values = (f"(?1, ?{n}, ?{n + 1}, ?{n + 2}, ?{n + 3}, ?2)" for n in range(3, 3 + 4 * rows, 4))
    return "insert into readings (organisation, meter, at, value, unit, known) values " + ", ".join(values)  # noqa: S608  # pieces of our own  # nosec B608
