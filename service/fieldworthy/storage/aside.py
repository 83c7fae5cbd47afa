"""Readings that were set aside, in the database."""

import json
from collections.abc import Collection, Iterable, Sequence
from dataclasses import asdict
from typing import Any

from sqlalchemy import Row, bindparam, func, literal, select, tuple_, update
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.ext.asyncio import AsyncConnection

from fieldworthy.storage.driver import ANY_VALUE, EACH, EACH_VALUE, ask, in_json, text_array
from fieldworthy.storage.machines import NUL, chunks, of_each
from fieldworthy.storage.tables import set_aside
from fieldworthy.storage.trail import SqlTrail
from fieldworthy.usecases.kept_readings import DISMISSED, MEANWHILE, Mark, SetAside

_CHUNK = 1_000  # rows of one statement
_MARKS = (
    "select a.key, a.machine, a.at, a.settled is not null as dismissed from set_aside a where a.organisation = {o} "
    "and a.machine {is_one} and a.at between {first} and {last} and (a.settled is null or a.settled_as = {dismissed})"
)
_MARKS_EACH = EACH.format(
    type="text::text[]", query=_MARKS.format(o="$1", is_one=EACH_VALUE, first="$3", last="$4", dismissed="$5"), lock=""
)
_MARKS_AMONG = _MARKS.format(o=":1", is_one=ANY_VALUE, first=":3", last=":4", dismissed=":5")
_NEVER = -1  # stands for when it was settled, of one that was not


class SqlAside:
    """Implements `usecases.kept_readings.Aside` inside one transaction, which it neither begins nor ends."""

    def __init__(self, connection: AsyncConnection, organisation: int, trail: SqlTrail) -> None:
        self._connection = connection
        self._organisation = organisation
        self._trail = trail
        self._own = set_aside.c.organisation == organisation

    async def add(self, readings: Iterable[SetAside]) -> None:
        make = postgresql.insert if self._connection.dialect.name == "postgresql" else sqlite.insert
        new = make(set_aside).on_conflict_do_nothing()
        # everybody in the same order: who waits for a row of another never waits in a circle
        for chunk in chunks(sorted(readings, key=_key), _CHUNK):
            await self._connection.execute(new, [{"organisation": self._organisation, **asdict(reading)} for reading in chunk])
            self._trail.set_aside(max(reading.known for reading in chunk), [reading.key for reading in chunk])

    async def among(self, keys: Collection[str]) -> Sequence[SetAside]:
        found: list[SetAside] = []
        for chunk in chunks(keys, _CHUNK):
            rows = await self._connection.execute(of_each(self._connection, set_aside.c.key, chunk, self._own))
            found += map(_reading, rows)
        return found

    async def marks(self, machines: Collection[str], first: int, last: int) -> Sequence[Mark]:
        if self._connection.dialect.name == "postgresql":
            rows = await ask(self._connection, _MARKS_EACH, self._organisation, text_array(list(machines)), first, last, DISMISSED)
        else:
            rows = await ask(self._connection, _MARKS_AMONG, self._organisation, in_json(machines), first, last, DISMISSED)
        return [Mark(key, machine, at, bool(dismissed)) for key, machine, at, dismissed in rows]

    async def wait_again(self, readings: Iterable[tuple[SetAside, int | None]]) -> None:
        a = set_aside.c
        was = func.coalesce(a.settled, _NEVER) == bindparam("was")
        names = ("why", "details", "known", "settled", "settled_as", "settled_by", "settled_why")
        anew = update(set_aside).where(self._own, a.key == bindparam("of"), was).values({name: bindparam(f"new_{name}") for name in names})
        for chunk in chunks(sorted(readings, key=lambda each: each[0].key), _CHUNK):
            rows = [
                {"of": r.key, "was": _NEVER if settled is None else settled, **{f"new_{name}": getattr(r, name) for name in names}}
                for r, settled in chunk
            ]
            await self._connection.execute(anew, rows)
            again = [r.key for r, settled in chunk if settled is not None]
            if again:
                self._trail.set_aside(max(r.known for r, _ in chunk), again)
            self._trail.counted(None, told_anew=len(chunk) - len(again))

    async def find(self, key: str, lock: bool = False) -> SetAside | None:
        query = select(set_aside).where(self._own, set_aside.c.key == key)
        row = (await self._connection.execute(query.with_for_update() if lock else query)).first()
        return None if row is None else _reading(row)

    async def open_of(self, machines: Collection[str]) -> Sequence[SetAside]:
        query = of_each(self._connection, set_aside.c.machine, machines, self._own, set_aside.c.settled.is_(None))
        return [_reading(row) for row in await self._connection.execute(query)]

    async def settle(self, key: str, known: int, deed: str, by: str | None, why: str | None, details: str | None = None) -> None:
        values: dict[str, Any] = {"settled": known, "settled_as": deed, "settled_by": by, "settled_why": why}
        if details is not None:
            values["details"] = details
        was = (await self._connection.execute(select(set_aside).where(self._own, set_aside.c.key == key))).one()
        await self._connection.execute(update(set_aside).where(self._own, set_aside.c.key == key).values(**values))
        before = {"settled": was.settled_as, "by": was.settled_by, "why": was.settled_why}
        how = {} if details is None else json.loads(details).get("settlement", {})
        after = {"settled": deed, "by": by, "why": why, **{name: value for name, value in how.items() if name != "kept"}}
        self._trail.of_machine(was.machine, "set-aside", key, known, before, after)

    async def settle_meanwhile(self, keys: Collection[str], known: int) -> None:
        those = (self._own, set_aside.c.key == bindparam("of"))
        settled = update(set_aside).where(*those).values(settled=known, settled_as=MEANWHILE, settled_by=None, settled_why=None)
        for chunk in chunks(sorted(keys), _CHUNK):
            await self._connection.execute(settled, [{"of": key} for key in chunk])
            self._trail.counted(known, fit_by_now=len(chunk))

    async def page(
        self, limit: int, settled: bool, after: tuple[int, int, str] | None = None, machine: str | None = None, why: str | None = None
    ) -> Sequence[SetAside]:
        if machine is not None and NUL in machine:
            return []
        a = set_aside.c
        query = select(set_aside).where(self._own, a.settled.is_not(None) if settled else a.settled.is_(None)).limit(limit)
        if settled:
            query = query.order_by(a.settled, a.known, a.key)
            if after is not None:
                query = query.where(tuple_(a.settled, a.known, a.key) > tuple_(*(literal(v) for v in after)))
        else:
            query = query.order_by(a.known, a.key)
            if after is not None:
                query = query.where(tuple_(a.known, a.key) > tuple_(*(literal(v) for v in after[1:])))
        if machine is not None:
            query = query.where(a.machine == machine)
        if why is not None:
            query = query.where(a.why == why)
        return [_reading(row) for row in await self._connection.execute(query)]


def _key(reading: SetAside) -> str:
    return reading.key


def _reading(row: Row[Any]) -> SetAside:
    values = row._mapping
    return SetAside(**{name: values[name] for name in SetAside.__slots__})
