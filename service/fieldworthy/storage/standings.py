"""Standings that are kept ready, in the database. It filters and orders them; what they are was decided before."""

from collections.abc import AsyncIterator, Collection, Mapping, Sequence
from dataclasses import replace
from typing import Any

from sqlalchemy import ColumnElement, Select, and_, case, delete, func, insert, or_, select, true, tuple_, union_all
from sqlalchemy.ext.asyncio import AsyncConnection

from fieldworthy.storage.due_days import note_days
from fieldworthy.storage.events import SqlEvents
from fieldworthy.storage.machines import chunks
from fieldworthy.storage.tables import computed, due_days, entries, machines, meters, readings, readings_withdrawn, standings
from fieldworthy.storage.tables import rulebook_versions as versions
from fieldworthy.usecases.announce import Made, announce
from fieldworthy.usecases.kept import Machine
from fieldworthy.usecases.kept_standings import FITNESS, URGENCY, Computed, Place, Row, Scope, Summary, Wanted

_EVERYTHING = Scope()
_COMPUTED = [computed.c[name] for name in Computed.__dataclass_fields__]
_MACHINE = [machines.c[name] for name in Machine._fields]
_ROW = [standings.c[name] for name in Row.__dataclass_fields__ if name != "day"]  # which due_days keeps
_ORDER = (standings.c.urgency, standings.c.rank, standings.c.machine_id, standings.c.task)
_ROWS_AT_ONCE = 500


class SqlStandings:
    """Implements `usecases.kept_standings.Standings` inside one transaction, which it neither begins nor ends."""

    def __init__(self, connection: AsyncConnection, organisation: int, of_events: SqlEvents) -> None:
        self._connection = connection
        self._events = of_events
        self._organisation = organisation
        self._own = standings.c.organisation == organisation
        self._own_computed = computed.c.organisation == organisation

    async def newest_known(self, machine: int, as_of: int | None) -> int:
        def newest(column: Any, *where: ColumnElement[bool]) -> Select[Any]:
            query = select(func.max(column).label("known")).where(*where)
            return query if as_of is None else query.where(column <= as_of)

        def own(table: Any) -> ColumnElement[bool]:
            keys = select(meters.c.key).where(meters.c.organisation == self._organisation, meters.c.machine == machine)
            return and_(table.c.organisation == self._organisation, table.c.meter.in_(keys))

        each = union_all(
            newest(entries.c.known, entries.c.organisation == self._organisation, entries.c.machine == machine),
            newest(readings.c.known, own(readings)),
            newest(readings_withdrawn.c.known, own(readings_withdrawn)),
            newest(readings_withdrawn.c.superseded, own(readings_withdrawn)),
        ).subquery()
        found = (await self._connection.execute(select(func.max(each.c.known)))).scalar()
        return 0 if found is None else int(found)

    async def newest_known_of(self, keys: Collection[int], as_of: int | None) -> Mapping[int, int]:
        found: dict[int, int] = {}
        for chunk in chunks(sorted(keys)):

            def newest(column: Any, *where: ColumnElement[bool]) -> Select[Any]:
                query = select(entries.c.machine, func.max(column).label("known")).where(*where).group_by(entries.c.machine)
                return query if as_of is None else query.where(column <= as_of)

            def of_meters(table: Any, column: Any, chunk: list[int] = chunk) -> Select[Any]:
                here = (table.c.organisation == self._organisation, table.c.meter == meters.c.key)
                own = (meters.c.organisation == self._organisation, meters.c.machine.in_(chunk))
                query = select(meters.c.machine, func.max(column).label("known")).where(*own, *here).group_by(meters.c.machine)
                return query if as_of is None else query.where(column <= as_of)

            each = union_all(
                newest(entries.c.known, entries.c.organisation == self._organisation, entries.c.machine.in_(chunk)),
                of_meters(readings, readings.c.known),
                of_meters(readings_withdrawn, readings_withdrawn.c.known),
                of_meters(readings_withdrawn, readings_withdrawn.c.superseded),
            ).subquery()
            query = select(each.c.machine, func.max(each.c.known).label("known")).group_by(each.c.machine)
            found.update({row.machine: int(row.known) for row in await self._connection.execute(query)})
        return found

    async def stale(self, moment: int, most: int, scope: Scope = _EVERYTHING) -> Sequence[int]:
        query = self._with_computed(machines.c.key).where(self._stale(moment), *_of_machine(scope), _may_come_by(scope))
        return [row.key for row in await self._connection.execute(query.order_by(machines.c.key).limit(most))]

    async def summary(self, moment: int, scope: Scope) -> Summary:
        def shown(column: Any) -> Any:
            return column if scope.rulebook is None else case((_by(scope.rulebook), column))

        def total(column: Any) -> Any:
            return func.coalesce(func.sum(column), 0)

        stale = total(case((and_(self._stale(moment), _may_come_by(scope)), 1), else_=0))
        counts = [total(shown(computed.c[word])) for word in URGENCY]
        fits = [total(shown(case((computed.c.fit == word, 1), else_=0))) for word in FITNESS]
        query = self._with_computed(stale, func.min(shown(computed.c.at)), func.count(shown(computed.c.problem)), *counts, *fits)
        row = (await self._connection.execute(query.where(*_of_machine(scope)))).one()
        told = [int(count) for count in row[3:]]
        return Summary(int(row[0]), row[1], row[2], told[: len(URGENCY)], told[len(URGENCY) :])

    async def computed(self, keys: Collection[int]) -> Mapping[int, tuple[Machine, Computed]]:
        found: dict[int, tuple[Machine, Computed]] = {}
        for chunk in chunks(sorted(keys)):
            query = self._with_computed(*_MACHINE, *_COMPUTED).where(machines.c.key.in_(chunk), computed.c.machine.is_not(None))
            for row in await self._connection.execute(query):
                found[row[0]] = Machine(*row[: len(_MACHINE)]), Computed(*row[len(_MACHINE) :])
        return found

    async def put(self, made: Sequence[Made]) -> int:
        there = {key: one for key, (_, one) in (await self.computed([each.computed.machine for each in made])).items()}
        newer: list[tuple[Computed, Sequence[Row]]] = []
        for each in made:
            before = there.get(each.computed.machine)
            if before is None or _is_newer(each.computed, before):
                announced, events = announce(before, each)
                self._events.add(events)
                newer.append((replace(each.computed, announced=announced), each.rows))
        keys = [one.machine for one, _ in newer]
        for chunk in chunks(keys):
            await self._connection.execute(delete(standings).where(self._own, standings.c.machine.in_(chunk)))
            await self._connection.execute(delete(computed).where(self._own_computed, computed.c.machine.in_(chunk)))
        written = [self._values(row, _ROW) for _, rows in newer for row in rows]
        for part in chunks(written, _ROWS_AT_ONCE):
            await self._connection.execute(insert(standings), part)
        if newer:
            await self._connection.execute(insert(computed), [self._values(one, _COMPUTED) for one, _ in newer])
            await note_days(self._connection, self._organisation, newer)
        return len(newer)

    async def page(self, wanted: Wanted, after: Place | None, limit: int) -> Sequence[Row]:
        query = select(*_ROW).where(*self._wanted(wanted)).order_by(*_ORDER).limit(limit)
        if after is not None:
            query = query.where(tuple_(*_ORDER) > tuple_(*after))
        return [Row(*row) for row in await self._connection.execute(query)]

    async def counts(self, wanted: Wanted) -> Mapping[int, int]:
        query = select(standings.c.urgency, func.count()).where(*self._wanted(wanted)).group_by(standings.c.urgency)
        return {row[0]: row[1] for row in await self._connection.execute(query)}

    async def not_fit(self, scope: Scope, most: int) -> Sequence[tuple[Machine, Computed]]:
        worst = case({word: i for i, word in enumerate(FITNESS)}, value=computed.c.fit)
        query = self._with_computed(*_MACHINE, *_COMPUTED).where(computed.c.fit != "fit", *_in_scope(scope))
        rows = await self._connection.execute(query.order_by(worst, machines.c.id).limit(most))
        return [(Machine(*row[: len(_MACHINE)]), Computed(*row[len(_MACHINE) :])) for row in rows]

    async def problems(self, scope: Scope, most: int) -> Sequence[tuple[str, Computed]]:
        query = self._with_computed(machines.c.id, *_COMPUTED).where(computed.c.problem.is_not(None), *_in_scope(scope))
        rows = await self._connection.execute(query.order_by(machines.c.id).limit(most))
        return [(row[0], Computed(*row[1:])) for row in rows]

    async def made_of(self, scope: Scope) -> Sequence[Sequence[int]]:
        query = self._with_computed(machines.c.key, machines.c.known, computed.c.at, computed.c.known, computed.c.version)
        query = query.where(computed.c.machine.is_not(None), *_in_scope(scope)).order_by(machines.c.key)
        return [tuple(row) for row in await self._connection.execute(query)]

    async def dated(self, scope: Scope, most: int) -> AsyncIterator[Sequence[tuple[Row, int]]]:
        query = self._dated(scope, *_ROW, due_days.c.day, due_days.c.sequence)
        order = (due_days.c.day, standings.c.machine_id, standings.c.task)
        rows = await self._connection.stream(query.order_by(*order).limit(most))
        async for some in rows.partitions(_ROWS_AT_ONCE):
            yield [(Row(*row[:-1]), row[-1]) for row in some]

    async def count_dated(self, scope: Scope) -> int:
        return int((await self._connection.execute(self._dated(scope, func.count()))).scalar_one())

    def _dated(self, scope: Scope, *columns: Any) -> Select[Any]:
        d = due_days.c
        same = and_(d.organisation == self._organisation, d.machine == standings.c.machine, d.task == standings.c.task)
        query = select(*columns).select_from(standings.join(due_days, same)).where(d.day.is_not(None))
        return query.where(*self._wanted(Wanted(scope)))

    async def rows(self, wanted: Wanted) -> AsyncIterator[Sequence[Row]]:
        found = await self._connection.stream(select(*_ROW).where(*self._wanted(wanted)).order_by(*_ORDER))
        async for some in found.partitions(_ROWS_AT_ONCE):
            yield [Row(*row) for row in some]

    def _values(self, one: Computed | Row, columns: Sequence[Any]) -> dict[str, Any]:
        return {"organisation": self._organisation, **{column.name: getattr(one, column.name) for column in columns}}

    def _with_computed(self, *columns: Any) -> Select[Any]:
        """Of every machine, what was computed of it, if anything was."""
        same = and_(computed.c.organisation == machines.c.organisation, computed.c.machine == machines.c.key)
        return select(*columns).select_from(machines.outerjoin(computed, same)).where(machines.c.organisation == self._organisation)

    def _stale(self, moment: int) -> ColumnElement[bool]:
        newest = (
            select(func.max(versions.c.version))
            .where(versions.c.organisation == self._organisation, versions.c.name == machines.c.rulebook)
            .correlate(machines)
            .scalar_subquery()
        )
        return or_(
            computed.c.machine.is_(None),
            computed.c.known < machines.c.known,
            computed.c.until <= moment,
            newest > computed.c.version,
        )

    def _wanted(self, wanted: Wanted) -> list[ColumnElement[bool]]:
        """Conditions on standings."""
        found = [self._own]
        if wanted.scope != _EVERYTHING:
            meant = self._with_computed(machines.c.key).where(*_in_scope(wanted.scope))
            found.append(standings.c.machine.in_(meant))
        if wanted.fits:
            fit = select(computed.c.machine).where(self._own_computed, computed.c.fit.in_(sorted(wanted.fits)))
            found.append(standings.c.machine.in_(fit))
        if wanted.urgencies:
            found.append(standings.c.urgency.in_(sorted(wanted.urgencies)))
        if wanted.kind is not None:
            found.append(standings.c.kind == wanted.kind)
        if wanted.skill is not None:
            found.append(standings.c.skill == wanted.skill)
        if wanted.before is not None:
            found.append(standings.c.due_on < wanted.before)
        return found


def _of_machine(scope: Scope) -> list[ColumnElement[bool]]:
    """Conditions on machines."""
    found: list[ColumnElement[bool]] = []
    if scope.site is not None:
        found.append(machines.c.site == scope.site)
    if scope.machine is not None:
        found.append(machines.c.id == scope.machine)
    return found


def _in_scope(scope: Scope) -> list[ColumnElement[bool]]:
    """Conditions on machines and what was computed of them."""
    return [*_of_machine(scope), *(() if scope.rulebook is None else (_by(scope.rulebook),))]


def _by(rulebook: str) -> ColumnElement[bool]:
    """Whether standings were computed by this rulebook, `name` or `name@3`."""
    name, _, version = rulebook.partition("@")
    mine = computed.c.rulebook == name
    return and_(mine, computed.c.version == int(version)) if version else mine


def _may_come_by(scope: Scope) -> ColumnElement[bool]:
    """
    Whether standings that are to be computed anew belong to a scope's rulebook, or may once they are: so a machine that came to it since
    is missing from no list without being told of as stale.
    """
    if scope.rulebook is None:
        return true()
    name, _, version = scope.rulebook.partition("@")
    named = machines.c.rulebook == scope.rulebook if version else machines.c.rulebook.startswith(f"{name}@", autoescape=True)
    return or_(_by(scope.rulebook), machines.c.rulebook == name, named)


def _is_newer(one: Computed, there: Computed) -> bool:
    """
    Whether nothing that went into `one` is older than what went into what is there. Each was read from one state of everything: so what
    knows of a later change of the machine knows of all that was published before too, and may have gone back to an earlier version.
    """
    if one.known != there.known:
        return one.known > there.known
    return one.version > there.version or (one.version == there.version and one.at >= there.at)
