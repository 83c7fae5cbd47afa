"""The audit trail in the database: gathered while a transaction goes on, written as the last thing that it does.

Lines are numbered in each organisation from 1, without a gap, in the order in which they are committed: whoever writes holds the
organisation's trail from there to the commit. The number says nothing of what others do.
"""

import json
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import BigInteger, Integer, Text, bindparam, cast, func, insert, or_, select, text
from sqlalchemy.ext.asyncio import AsyncConnection

from fieldworthy.core.base.micros import micros_text
from fieldworthy.storage.moments import moment
from fieldworthy.storage.tables import audit, machines
from fieldworthy.usecases.audit import MOST_NAMED, READINGS, Actor, Change, Looked
from fieldworthy.usecases.kept import MACHINE, THINNED, WITHDRAWN, Entry
from fieldworthy.usecases.ports import Clock

AUDIT_LOCK = 728316
"""PostgreSQL's advisory lock on one organisation's trail: taken last of all, and held to the end, so it can't be part of a circle."""

_DERIVED = "change"
"""The kind of entry that follows from what is told of work, and is told by nobody."""


@dataclass(slots=True)
class _Note:
    """machine: the caller's id, or the store's own key of it."""

    organisation: int
    kind: str
    id: str | None
    at: int | None
    before: str | None
    after: str | None
    machine: str | int | None = None
    actor: Actor | None = None


@dataclass(slots=True)
class _Tally:
    """What became of readings in one transaction, however many calls it took."""

    at: int | None = None
    counts: dict[str, int] = field(default_factory=dict)
    aside: list[str] = field(default_factory=list)


class SqlTrail:
    """Implements `usecases.audit.Trail`. It neither begins nor ends the transaction; whoever does asks it to `write` before."""

    def __init__(self, connection: AsyncConnection, organisation: int, actor: Actor, clock: Clock | None) -> None:
        self._connection = connection
        self._organisation = organisation
        self._actor = actor
        self._clock = clock
        self._notes: list[_Note] = []
        self._tally = _Tally()

    def note(self, kind: str, id: str | None, at: int | None, before: object, after: object) -> None:
        self._notes.append(_Note(self._organisation, kind, id, at, _json(before), _json(after)))

    def of_machine(self, machine: str, kind: str, id: str, at: int, before: object, after: object) -> None:
        """The same of something that belongs to a machine. machine: the caller's id."""
        self._notes.append(_Note(self._organisation, kind, id, at, _json(before), _json(after), machine))

    def of(self, organisation: int, kind: str, id: str, at: int | None, before: object, after: object, actor: Actor | None = None) -> None:
        """The same of another organisation. actor: who did it, where that is somebody else."""
        self._notes.append(_Note(organisation, kind, id, at, _json(before), _json(after), None, actor))

    def told(self, machine: int, entries: Iterable[Entry], before: Mapping[tuple[str, str], tuple[str, bool]]) -> None:
        """
        What was told of a machine (its key), or its own document. before: the body that stood, and whether it was open, by kind and id.
        What stands just so is no change, nor is what follows from other entries.
        """
        for entry in entries:
            body, was_open = before.get((entry.kind, entry.id), (WITHDRAWN, False))
            if entry.kind == _DERIVED or (body, was_open) == (entry.body, entry.open):
                continue
            was, now = (None if text == WITHDRAWN else text for text in (body, entry.body))
            if entry.kind == THINNED:
                was, now = None, _json({"readings_before": micros_text(entry.at)})
            kind, id = ("retention" if entry.kind == THINNED else entry.kind), (entry.id or None)
            actor = None if self._actor.by is not None else _named(self._actor, entry.body)
            self._notes.append(_Note(self._organisation, kind, id, entry.known, was, now, machine, actor))

    def counted(self, at: int | None, **more: int) -> None:
        """More readings of which this became: kept, withdrawn, dropped, and so on."""
        if at is not None:
            self._tally.at = at if self._tally.at is None else max(at, self._tally.at)
        for name, count in more.items():
            if count:
                self._tally.counts[name] = self._tally.counts.get(name, 0) + count

    def set_aside(self, at: int, keys: Collection[str]) -> None:
        """Readings that wait from now on."""
        self.counted(at, set_aside=len(keys))
        self._tally.aside += keys

    async def write(self) -> None:
        """Writes what was noted. Nothing may be asked of this transaction afterwards."""
        self._sum_up()
        if not self._notes:
            return
        now = await moment(self._connection, self._clock) if any(note.at is None for note in self._notes) else 0
        for organisation in sorted({note.organisation for note in self._notes}):
            if self._connection.dialect.name == "postgresql":
                # whoever keeps keys keeps those of many organisations, and has said of none that it is about it
                values = {"lock": AUDIT_LOCK, "whose": organisation, "said": str(organisation)}
                await self._connection.execute(_LOCK, values)
            rows = [self._row(note, now) for note in self._notes if note.organisation == organisation]
            await self._connection.execute(_NEW, rows)
        self._notes.clear()

    async def page(self, looked: Looked, before: int | None, limit: int) -> Sequence[Change]:
        a = audit.c
        query = select(audit).where(a.organisation == self._organisation).order_by(a.n.desc()).limit(limit)
        if before is not None:
            query = query.where(a.n < before)
        if looked.first is not None:
            query = query.where(a.at >= looked.first)
        if looked.until is not None:
            query = query.where(a.at < looked.until)
        if looked.who is not None:
            query = query.where(or_(a.who == looked.who, a.by == looked.who))
        if looked.kind is not None:
            query = query.where(a.kind == looked.kind)
        if looked.id is not None:
            query = query.where(or_(a.id == looked.id, a.machine == looked.id))
        return [_change(row) for row in await self._connection.execute(query)]

    def _sum_up(self) -> None:
        """All that became of readings is one note."""
        tally, self._tally = self._tally, _Tally()
        if not tally.counts:
            return
        told: dict[str, Any] = dict(tally.counts)
        if tally.aside:
            told["set_aside_ids"] = sorted(tally.aside)[:MOST_NAMED]
        at = tally.at if tally.at is not None else max((note.at for note in self._notes if note.at is not None), default=None)
        self.note(READINGS, None, at, None, told)

    def _row(self, note: _Note, now: int) -> dict[str, Any]:
        actor = note.actor or self._actor
        return {
            "of": note.organisation,
            "at": now if note.at is None else note.at,
            "way": actor.way,
            "who": actor.id,
            "name": actor.name,
            "by": actor.by,
            "kind": note.kind,
            "id": note.id,
            "machine_id": note.machine if isinstance(note.machine, str) else None,
            "machine_key": note.machine if isinstance(note.machine, int) else None,
            "before": note.before,
            "after": note.after,
        }


_LOCK = text("select pg_advisory_xact_lock(:lock, :whose), set_config('fieldworthy.organisation', :said, true)")


def _new() -> Any:
    """Writes a line: the next of its organisation, and with the machine's id in place of its key."""
    of, there = bindparam("of", type_=Integer), audit.alias("there")
    last = select(func.coalesce(func.max(there.c.n), cast(0, BigInteger))).where(there.c.organisation == of).scalar_subquery()
    key = bindparam("machine_key", type_=Integer)
    named = select(machines.c.id).where(machines.c.organisation == of, machines.c.key == key).scalar_subquery()
    machine = func.coalesce(bindparam("machine_id", type_=Text), named)
    return insert(audit).values(organisation=of, n=last + 1, machine=machine)


_NEW = _new()


def _named(actor: Actor, body: str) -> Actor | None:
    """The actor with the person that a body names; None where it names none."""
    if '"by"' not in body:
        return None
    told = json.loads(body)
    by = told.get("by") if isinstance(told, dict) else None
    return Actor(actor.way, actor.id, actor.name, by) if isinstance(by, str) else None


def _json(value: object) -> str | None:
    return None if value is None else json.dumps(value, ensure_ascii=False, separators=(",", ":"))


def _change(row: Any) -> Change:
    actor = Actor(row.way, row.who, row.name, row.by)
    id = row.machine if row.kind == MACHINE else row.id
    return Change(row.n, row.at, actor, row.kind, id, row.machine, row.before, row.after)
