"""What was told of machines, in the database: one row a state, and none is ever changed but for when it was superseded."""

import json
from collections.abc import Collection, Mapping, Sequence
from typing import Any

from sqlalchemy import ColumnElement, Select, and_, case, func, insert, not_, or_, select, tuple_, update
from sqlalchemy.ext.asyncio import AsyncConnection

from fieldworthy.storage.machines import NUL, chunks, of_each
from fieldworthy.storage.tables import entries
from fieldworthy.storage.trail import SqlTrail
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

    def __init__(self, connection: AsyncConnection, organisation: int, trail: SqlTrail) -> None:
        self._connection = connection
        self._organisation = organisation
        self._trail = trail
        self._own = entries.c.organisation == organisation

    async def newest(self, machine: int, kind: str, ids: Collection[str], as_of: int | None = None) -> Mapping[str, Entry]:
        found: dict[str, Entry] = {}
        for chunk in chunks(sorted(id for id in ids if NUL not in id)):
            query = self._of(machine, kind).where(entries.c.id.in_(chunk), _is_newest(as_of))
            found.update({entry.id: entry for entry in await self._all(query)})
        return found

    async def put(self, machine: int, told: Sequence[Entry]) -> None:
        if not told:
            return
        since: dict[tuple[str, int], list[str]] = {}
        for entry in told:
            since.setdefault((entry.kind, entry.known), []).append(entry.id)
        before: dict[tuple[str, str], tuple[str, bool]] = {}
        for (kind, known), ids in since.items():
            for chunk in chunks(sorted(ids)):
                rows = await self._connection.execute(
                    update(entries)
                    .where(
                        self._own,
                        entries.c.machine == machine,
                        entries.c.kind == kind,
                        entries.c.id.in_(chunk),
                        entries.c.superseded.is_(None),
                    )
                    .values(superseded=known)
                    .returning(entries.c.id, entries.c.body, entries.c.open)
                )
                before.update({(kind, id): (body, bool(is_open)) for id, body, is_open in rows})
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
        self._trail.told(machine, told, before)

    async def of(self, machine: int, kinds: Collection[str], as_of: int | None = None) -> Sequence[Entry]:
        query = (
            select(*_ROW)
            .where(self._own, entries.c.machine == machine, entries.c.kind.in_(sorted(kinds)), _stands(as_of))
            .order_by(entries.c.kind, entries.c.at, entries.c.id)
        )
        return await self._all(query)

    async def open(self, machine: int, kind: str, as_of: int | None = None) -> Sequence[Entry]:
        query = self._of(machine, kind).where(entries.c.open == 1, _stands(as_of)).order_by(entries.c.at, entries.c.id)
        return await self._all(query)

    async def newest_of_each(self, machine: int, kind: str, most: int, as_of: int | None = None) -> Sequence[Entry]:
        place = (
            func.row_number()
            .over(partition_by=(entries.c.about, self._said_by()), order_by=(entries.c.at.desc(), entries.c.id.desc()))
            .label("place")
        )
        placed = self._of(machine, kind).add_columns(place).where(_stands(as_of)).subquery()
        return await self._all(select(placed).where(placed.c.place <= most).order_by(placed.c.at, placed.c.id))

    async def page(
        self,
        machine: int,
        kind: str,
        limit: int,
        before: tuple[int, str] | None = None,
        as_of: int | None = None,
        about: str | None = None,
        open: bool | None = None,
    ) -> Sequence[Entry]:
        query = self._of(machine, kind).where(_stands(as_of)).order_by(entries.c.at.desc(), entries.c.id.desc()).limit(limit)
        if before is not None:
            query = query.where(tuple_(entries.c.at, entries.c.id) < tuple_(*before))
        if about is not None:
            query = query.where(entries.c.about == about)
        if open is not None:
            query = query.where(entries.c.open == int(open))
        return await self._all(query)

    async def at_times(self, machine: int, kind: str, times: Collection[int]) -> Sequence[Entry]:
        found: list[Entry] = []
        for chunk in chunks(sorted(set(times))):
            query = self._of(machine, kind).where(entries.c.at.in_(chunk), _stands(None)).order_by(entries.c.at, entries.c.id)
            found += await self._all(query)
        return found

    async def history(self, machine: int, kind: str, id: str, after: int | None = None, limit: int | None = None) -> Sequence[Entry]:
        if NUL in id:
            return []
        query = self._of(machine, kind).where(entries.c.id == id).order_by(entries.c.known).limit(limit)
        if after is not None:
            query = query.where(entries.c.known > after)
        return await self._all(query)

    async def documents(self, machines: Collection[int], as_of: int | None = None) -> Mapping[int, Entry]:
        found: dict[int, Entry] = {}
        for chunk in chunks(sorted(machines)):
            query = select(*_ROW).where(
                self._own, entries.c.machine.in_(chunk), entries.c.kind == MACHINE, entries.c.id == "", _stands(as_of)
            )
            for row in await self._connection.execute(query):
                found[row.machine] = _entry(row)
        return found

    async def documents_ever(self, machines: Collection[int]) -> Mapping[int, Sequence[Entry]]:
        found = await self._of_each(machines, entries.c.kind == MACHINE, entries.c.id == "")
        return {key: sorted(states, key=lambda state: state.known) for key, states in found.items()}

    async def documents_elsewhere(self, machines: Collection[int], rulebook: str) -> Mapping[int, Sequence[Entry]]:
        """
        The bodies' text is looked at, and not read as JSON, of which PostgreSQL would not take every text. A body that has the member once
        has it where it must be, and with this name it stays here: `name` or `name@3`. Quotes inside a text are escaped.
        """
        member, start = '"rulebook":', json.dumps(rulebook, ensure_ascii=False).removesuffix('"')
        body = entries.c.body
        once = func.length(body) - func.length(func.replace(body, member, "")) == len(member)
        here = or_(*(self._find(f"{member}{start}{end}") > 0 for end in ('"', "@")))
        return await self._of_each(machines, entries.c.kind == MACHINE, entries.c.id == "", not_(and_(once, here)))

    async def told_of(self, machines: Collection[int], kinds: Collection[str], holding: str) -> Mapping[int, Sequence[Entry]]:
        return await self._of_each(machines, entries.c.kind.in_(sorted(kinds)), _stands(None), self._find(holding) > 0)

    async def of_all(self, machines: Collection[int], kinds: Collection[str], as_of: int | None = None) -> Mapping[int, Sequence[Entry]]:
        return await self._of_each(machines, entries.c.kind.in_(sorted(kinds)), _stands(as_of))

    async def open_of(self, machines: Collection[int], kind: str) -> Mapping[int, Sequence[Entry]]:
        return await self._of_each(machines, entries.c.kind == kind, entries.c.open == 1, _stands(None))

    async def _of_each(self, machines: Collection[int], *conditions: ColumnElement[bool]) -> Mapping[int, Sequence[Entry]]:
        """By the machine's key, in the order of kind, `at`, id and `known`."""
        those = of_each(self._connection, entries.c.machine, machines, self._own, *conditions).subquery().c
        columns = (those[column.name] for column in _ROW)
        found: dict[int, list[Entry]] = {}
        rows = await self._connection.execute(select(*columns).order_by(those.machine, those.kind, those.at, those.id, those.known))
        for row in rows:
            found.setdefault(row.machine, []).append(_entry(row))
        return found

    def _find(self, wanted: str) -> ColumnElement[int]:
        """Where the body has this text, from 1; 0 where it has not."""
        find = func.strpos if self._connection.dialect.name == "postgresql" else func.instr
        return find(entries.c.body, wanted)

    def _said_by(self) -> ColumnElement[str]:
        """
        Parts what each said of each thing by the text of the body, finer rather than coarser, so that nobody pushes out another: from `by`
        on; without it what is said from `fact` on, but of a number, which would be parted endlessly. Quotes inside a text are escaped.
        """
        by, fact = self._find('"by":'), self._find('"fact":')
        state = self._find('"value":"') + self._find('"value": "') > 0
        return case((by > 0, func.substr(entries.c.body, by)), (state, func.substr(entries.c.body, fact)), else_="")

    def _of(self, machine: int, kind: str) -> Select[Any]:
        return select(*_ROW).where(self._own, entries.c.machine == machine, entries.c.kind == kind)

    async def _all(self, query: Select[Any]) -> list[Entry]:
        return [_entry(row) for row in await self._connection.execute(query)]


def _stands(as_of: int | None) -> ColumnElement[bool]:
    """What stands now, or stood at a moment, and was not withdrawn by then."""
    return and_(_is_newest(as_of), entries.c.body != WITHDRAWN)


def _is_newest(as_of: int | None) -> ColumnElement[bool]:
    """The newest states of now, or of a moment, withdrawn ones included."""
    if as_of is None:
        return entries.c.superseded.is_(None)
    return and_(entries.c.known <= as_of, or_(entries.c.superseded.is_(None), entries.c.superseded > as_of))


def _entry(row: Any) -> Entry:
    return Entry(row.kind, row.id, row.known, row.at, row.about, row.body, bool(row.open), row.superseded)
