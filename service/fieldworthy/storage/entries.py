"""What was told of machines, in the database: one row a state, and none is ever changed but for when it was superseded."""

from collections.abc import Collection, Mapping, Sequence
from typing import Any

from sqlalchemy import ColumnElement, Select, and_, bindparam, insert, or_, select, tuple_, update
from sqlalchemy.ext.asyncio import AsyncConnection

from fieldworthy.storage.machines import chunks
from fieldworthy.storage.tables import entries
from fieldworthy.usecases.kept import MACHINE, WITHDRAWN, Entry

_ROW = (
    entries.c.machine,
    entries.c.kind,
    entries.c.id,
    entries.c.known,
    entries.c.at,
    entries.c.about,
    entries.c.body,
    entries.c.open,
    entries.c.superseded,
)


class SqlEntries:
    """Implements `usecases.kept.Entries` inside one transaction, which it neither begins nor ends."""

    def __init__(self, connection: AsyncConnection, organisation: int) -> None:
        self._connection = connection
        self._organisation = organisation
        self._own = entries.c.organisation == organisation

    async def newest(self, machine: int, kind: str, ids: Collection[str]) -> Mapping[str, Entry]:
        found: dict[str, Entry] = {}
        for chunk in chunks(sorted(ids)):
            query = self._of(machine, kind).where(entries.c.id.in_(chunk), entries.c.superseded.is_(None))
            found.update({entry.id: entry for entry in await self._all(query)})
        return found

    async def put(self, machine: int, told: Sequence[Entry]) -> None:
        if not told:
            return
        supersede = (
            update(entries)
            .where(
                self._own,
                entries.c.machine == machine,
                entries.c.kind == bindparam("of_kind"),
                entries.c.id == bindparam("of_id"),
                entries.c.superseded.is_(None),
            )
            .values(superseded=bindparam("since"))
        )
        await self._connection.execute(supersede, [{"of_kind": e.kind, "of_id": e.id, "since": e.known} for e in told])
        await self._connection.execute(
            insert(entries),
            [
                {
                    "organisation": self._organisation,
                    "machine": machine,
                    "kind": e.kind,
                    "id": e.id,
                    "known": e.known,
                    "superseded": None,
                    "at": e.at,
                    "about": e.about,
                    "open": int(e.open),
                    "body": e.body,
                }
                for e in told
            ],
        )

    async def of(self, machine: int, kinds: Collection[str], as_of: int | None = None) -> Sequence[Entry]:
        query = (
            select(*_ROW)
            .where(self._own, entries.c.machine == machine, entries.c.kind.in_(sorted(kinds)), _stands(as_of))
            .order_by(entries.c.kind, entries.c.at, entries.c.id)
        )
        return await self._all(query)

    async def open(self, machine: int, kind: str) -> Sequence[Entry]:
        query = self._of(machine, kind).where(entries.c.open == 1, _stands(None)).order_by(entries.c.at, entries.c.id)
        return await self._all(query)

    async def page(
        self,
        machine: int,
        kind: str,
        limit: int,
        before: tuple[int, str] | None = None,
        as_of: int | None = None,
        about: str | None = None,
    ) -> Sequence[Entry]:
        query = self._of(machine, kind).where(_stands(as_of)).order_by(entries.c.at.desc(), entries.c.id.desc()).limit(limit)
        if before is not None:
            query = query.where(tuple_(entries.c.at, entries.c.id) < tuple_(*before))
        if about is not None:
            query = query.where(entries.c.about == about)
        return await self._all(query)

    async def history(self, machine: int, kind: str, id: str) -> Sequence[Entry]:
        return await self._all(self._of(machine, kind).where(entries.c.id == id).order_by(entries.c.known))

    async def documents(self, machines: Collection[int], as_of: int | None = None) -> Mapping[int, Entry]:
        found: dict[int, Entry] = {}
        for chunk in chunks(sorted(machines)):
            query = select(*_ROW).where(
                self._own, entries.c.machine.in_(chunk), entries.c.kind == MACHINE, entries.c.id == "", _stands(as_of)
            )
            for row in await self._connection.execute(query):
                found[row.machine] = _entry(row)
        return found

    def _of(self, machine: int, kind: str) -> Select[Any]:
        return select(*_ROW).where(self._own, entries.c.machine == machine, entries.c.kind == kind)

    async def _all(self, query: Select[Any]) -> list[Entry]:
        return [_entry(row) for row in await self._connection.execute(query)]


def _stands(as_of: int | None) -> ColumnElement[bool]:
    """What stands now, or stood at a moment, and was not withdrawn by then."""
    if as_of is None:
        return and_(entries.c.superseded.is_(None), entries.c.body != WITHDRAWN)
    later = or_(entries.c.superseded.is_(None), entries.c.superseded > as_of)
    return and_(entries.c.known <= as_of, later, entries.c.body != WITHDRAWN)


def _entry(row: Any) -> Entry:
    return Entry(row.kind, row.id, row.known, row.at, row.about, row.body, bool(row.open), row.superseded)
