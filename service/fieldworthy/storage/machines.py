"""Machines in the database."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import Any

from sqlalchemy import (
    ARRAY,
    Column,
    ColumnElement,
    Row,
    Select,
    bindparam,
    func,
    insert,
    literal_column,
    or_,
    select,
    text,
    true,
    update,
)
from sqlalchemy.exc import IntegrityError
from sqlalchemy.ext.asyncio import AsyncConnection

from fieldworthy.core.base.finding import nearest
from fieldworthy.storage.driver import ANY_VALUE, EACH, EACH_VALUE, ask, driver_of, in_json, int_array, text_array
from fieldworthy.storage.tables import machines
from fieldworthy.usecases.kept import Machine, NewMachine
from fieldworthy.usecases.refusals import MachineTaken

KEYS_LOCK = 728313
"""
PostgreSQL's advisory lock for making keys, taken after the locks on machines, under which all else is written that belongs to them: so it
can't be part of a circle.
"""

NUL = "\x00"
"""PostgreSQL's texts can't hold it, and refuse even to be asked for it: so nothing is called that."""

_OWN = "select m.key, m.id, m.revision, m.known, m.rulebook, m.site from machines m where m.organisation = {o} and m.id {is_one}"
_LOCK_EACH = EACH.format(type="text::text[]", query=_OWN.format(o="$1", is_one=EACH_VALUE), lock=" for update")
_FIND_AMONG = _OWN.format(o=":1", is_one=ANY_VALUE)  # on SQLite whoever writes is alone anyway
TOUCH = (
    "update machines set known = {known} from unnest({keys}::text::int[]) as touched(key) "
    "where machines.organisation = $1 and machines.key = touched.key"
)
"""On PostgreSQL; alone, or in one message with what else changes."""

_TOUCH_EACH = TOUCH.format(keys="$2", known="$3")
_TOUCH_AMONG = "update machines set known = :3 where organisation = :1 and key in (select value from json_each(:2))"

_CHUNK = 5_000  # bound values of one statement, well below what either database takes


class SqlMachines:
    """Implements `usecases.kept.Machines` inside one transaction, which it neither begins nor ends."""

    def __init__(self, connection: AsyncConnection, organisation: int) -> None:
        self._connection = connection
        self._organisation = organisation
        self._own = machines.c.organisation == organisation

    async def find(self, id: str) -> Machine | None:
        if NUL in id:
            return None
        row = (await self._connection.execute(select(machines).where(self._own, machines.c.id == id))).first()
        return None if row is None else _machine(row)

    async def named(self, ids: Collection[str]) -> Mapping[str, Machine]:
        found: dict[str, Machine] = {}
        for chunk in chunks(sorted(id for id in ids if NUL not in id)):
            for row in await self._connection.execute(select(machines).where(self._own, machines.c.id.in_(chunk))):
                found[row.id] = _machine(row)
        return found

    async def by_key(self, keys: Collection[int]) -> Mapping[int, Machine]:
        found: dict[int, Machine] = {}
        for chunk in chunks(sorted(keys)):
            for row in await self._connection.execute(select(machines).where(self._own, machines.c.key.in_(chunk))):
                found[row.key] = _machine(row)
        return found

    async def lock(self, ids: Collection[str]) -> Mapping[str, Machine]:
        wanted = sorted(id for id in ids if NUL not in id)  # everybody locks in the same order: nobody waits in a circle
        if self._connection.dialect.name == "postgresql":
            rows = await ask(self._connection, _LOCK_EACH, self._organisation, text_array(wanted))
        else:
            rows = await ask(self._connection, _FIND_AMONG, self._organisation, in_json(wanted))
        return {row[1]: Machine(*row) for row in rows}

    async def by_serial(self, serials: Collection[str]) -> Mapping[str, Sequence[str]]:
        wanted = sorted(serial for serial in serials if NUL not in serial)
        if not wanted:
            return {}
        those = of_each(self._connection, machines.c.serial, wanted, self._own).subquery().c
        found: dict[str, list[str]] = {}
        for serial, id in await self._connection.execute(select(those.serial, those.id).order_by(those.serial, those.id)):
            found.setdefault(serial, []).append(id)
        return found

    async def add(self, id: str, known: int, rulebook: str, site: str | None, serial: str | None = None) -> Machine:
        return (await self.add_all([NewMachine(id, rulebook, site, serial)], known))[0]

    async def add_all(self, new: Sequence[NewMachine], known: int) -> Sequence[Machine]:
        if not new:
            return []
        await lock_keys(self._connection, self._organisation)
        query = select(func.coalesce(func.max(machines.c.key), 0) + 1).where(self._own)
        first = (await self._connection.execute(query)).scalar_one()
        made = [Machine(first + i, one.id, 1, known, one.rulebook, one.site) for i, one in enumerate(new)]
        try:
            async with self._connection.begin_nested():
                await self._connection.execute(
                    insert(machines),
                    [
                        {
                            "organisation": self._organisation,
                            "key": m.key,
                            "id": m.id,
                            "revision": 1,
                            "known": known,
                            "rulebook": m.rulebook,
                            "site": m.site,
                            "serial": _kept_serial(one.serial),
                        }
                        for m, one in zip(made, new, strict=True)
                    ],
                )
        except IntegrityError as trouble:
            taken = [m.id for m in made if await self.find(m.id) is not None]
            raise MachineTaken((taken or [made[0].id])[0]) from trouble
        return made

    async def change(self, machine: Machine, known: int, rulebook: str, site: str | None, serial: str | None = None) -> Machine:
        changed = Machine(machine.key, machine.id, machine.revision + 1, known, rulebook, site)
        await self._connection.execute(
            update(machines)
            .where(self._own, machines.c.key == machine.key)
            .values(revision=changed.revision, known=known, rulebook=rulebook, site=site, serial=_kept_serial(serial))
        )
        return changed

    async def touch(self, machines_: Collection[Machine], known: int) -> None:
        await touch(self._connection, self._organisation, [machine.key for machine in machines_], known)

    async def page(self, after: str | None, limit: int, site: str | None = None, rulebook: str | None = None) -> Sequence[Machine]:
        query = select(machines).where(self._own).order_by(machines.c.id).limit(limit)
        if after is not None:
            query = query.where(machines.c.id > after)
        if site is not None:
            query = query.where(machines.c.site == site)
        if rulebook is not None:
            query = query.where(machines.c.rulebook == rulebook)
        return [_machine(row) for row in await self._connection.execute(query)]

    async def newest_known(self) -> int:
        query = select(func.max(machines.c.known)).where(machines.c.organisation == self._organisation)
        return int((await self._connection.execute(query)).scalar() or 0)

    async def close_ids(self, id: str, most: int) -> Sequence[str]:
        if NUL in id:
            return []
        start = machines.c.id.startswith(id[:3], autoescape=True)
        end = machines.c.id.endswith(id[-3:], autoescape=True)
        query = select(machines.c.id).where(self._own, or_(start, end)).order_by(machines.c.id).limit(200)
        return nearest(id, (await self._connection.execute(query)).scalars().all(), most)


async def touch(connection: AsyncConnection, organisation: int, keys: Collection[int], known: int) -> None:
    """Notes that something of these machines changed at `known`."""
    async with driver_of(connection) as raw:
        if connection.dialect.name == "postgresql":
            await raw.execute(_TOUCH_EACH, organisation, int_array(keys), known)
        else:
            await raw.execute(_TOUCH_AMONG, {"1": organisation, "2": in_json(keys), "3": known})


async def lock_keys(connection: AsyncConnection, organisation: int) -> None:
    """From here to the end of the transaction nobody else makes keys of this organisation. On SQLite whoever writes is alone anyway."""
    if connection.dialect.name == "postgresql":
        await connection.execute(
            text("select pg_advisory_xact_lock(:lock, :organisation)"), {"lock": KEYS_LOCK, "organisation": organisation}
        )


def of_each(connection: AsyncConnection, column: Column[Any], values: Collection[Any], *conditions: ColumnElement[bool]) -> Select[Any]:
    """The rows of a table where the column has one of these values, and the conditions hold.

    All values are one bound value, so the statement is the same for however many. On PostgreSQL each is looked up by itself: left to
    choose, it compares every value with every row while it takes the table for a small one, as it does before its first `analyze`.
    """
    table = column.table
    if connection.dialect.name != "postgresql":
        return select(table).where(*conditions, _in_json(column, values))
    wanted = func.unnest(bindparam(None, list(values), ARRAY(column.type))).table_valued("value", name="wanted").render_derived()
    own = select(table).where(*conditions, column == wanted.c.value).offset(literal_column("0")).lateral()
    return select(own).select_from(wanted.join(own, true()))


def _in_json(column: Column[Any], values: Collection[Any]) -> ColumnElement[bool]:
    """Whether a column has one of these values, on SQLite."""
    return column.in_(select(func.json_each(in_json(values)).table_valued("value").c.value))


def chunks(items: Iterable[Any], size: int = _CHUNK) -> Iterable[list[Any]]:
    """Items in lists of at most `size`, in their order."""
    listed = list(items)
    return (listed[i : i + size] for i in range(0, len(listed), size))


def _kept_serial(serial: str | None) -> str | None:
    """What is looked for; a telematics document can't say one that no text of PostgreSQL can hold."""
    return None if serial is None or NUL in serial else serial


def _machine(row: Row[Any]) -> Machine:
    return Machine(row.key, row.id, row.revision, row.known, row.rulebook, row.site)
