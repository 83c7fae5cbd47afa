"""Events in the database: gathered while a transaction goes on, written at its end, with a delivery for each listener that wants one.

Events are numbered in each organisation from 1 in the order in which they are committed: whoever writes some holds the organisation's
events from there to the commit. Listeners are locked against changes before that: so whoever turns one off leaves nothing of it waiting.
"""

import json
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from typing import Any
from urllib.parse import quote

from sqlalchemy import ColumnElement, Insert, Row, delete, exists, func, insert, literal, select, text
from sqlalchemy.ext.asyncio import AsyncConnection

from fieldworthy.storage.listeners import listener_of
from fieldworthy.storage.machines import NUL, chunks
from fieldworthy.storage.tables import attempts, deliveries, events, listeners, organisations
from fieldworthy.usecases.deliveries import WAITING
from fieldworthy.usecases.events import PREFIX, Event, NewEvent, WantedEvents
from fieldworthy.usecases.listeners import ON, Lane, Listener
from fieldworthy.usecases.ports import Chance

EVENTS_LOCK = 728317
"""PostgreSQL's advisory lock on one organisation's events: taken after machines and listeners, before the trail, and held to the end."""

_CHUNK = 500  # rows of one statement
_MADE = 5000  # of those that the database makes by itself
_LOCK = text("select pg_advisory_xact_lock(:lock, :whose)")


class SqlEvents:
    """Implements `usecases.events.Events`. It neither begins nor ends the transaction; whoever does asks it to `write` before."""

    def __init__(self, connection: AsyncConnection, organisation: int, chance: Chance) -> None:
        self._chance = chance
        self._connection = connection
        self._organisation = organisation
        self._own = events.c.organisation == organisation
        self._new: list[tuple[str, NewEvent, int | None]] = []

    def add(self, new: Sequence[NewEvent], only: int | None = None) -> Sequence[str]:
        made = [(new_id(each.at, self._chance), each, only) for each in new]
        self._new += made
        return [id for id, _, _ in made]

    async def write(self) -> None:
        """Writes what was added."""
        if not self._new:
            return
        told = await self._listening(None if any(only is None for _, _, only in self._new) else {only for _, _, only in self._new})
        if self._connection.dialect.name == "postgresql":
            await self._connection.execute(_LOCK, {"lock": EVENTS_LOCK, "whose": self._organisation})
        last = (await self._connection.execute(select(func.coalesce(func.max(events.c.n), 0)).where(self._own))).scalar_one()
        source = await self._source()
        numbered = [(last + i, *each) for i, each in enumerate(self._new, 1)]
        self._new = []
        rows = [self._row(n, id, source, event) for n, id, event, _ in numbered]
        for chunk in chunks(rows, _CHUNK):
            await self._connection.execute(insert(events), chunk)
        await self._fan_out(numbered, told)

    async def find(self, id: str) -> Event | None:
        if NUL in id:
            return None
        row = (await self._connection.execute(select(events).where(self._own, events.c.id == id))).first()
        return None if row is None else event_of(row)

    async def numbered(self, numbers: Sequence[int]) -> Mapping[int, Event]:
        found: dict[int, Event] = {}
        for chunk in chunks(sorted(set(numbers)), _CHUNK):
            for row in await self._connection.execute(select(events).where(self._own, events.c.n.in_(chunk))):
                found[row.n] = event_of(row)
        return found

    async def page(self, wanted: WantedEvents, after: int, limit: int) -> Sequence[Event]:
        if wanted.machine is not None and NUL in wanted.machine:
            return []
        e = events.c
        query = select(events).where(self._own, e.n > after).order_by(e.n).limit(limit)
        if wanted.type is not None:
            query = query.where(e.type == wanted.type)
        if wanted.machine is not None:
            query = query.where(e.machine_id == wanted.machine)
        if wanted.first is not None:
            query = query.where(e.at >= wanted.first)
        if wanted.until is not None:
            query = query.where(e.at < wanted.until)
        return [event_of(row) for row in await self._connection.execute(query)]

    async def newest(self) -> int:
        return (await self._connection.execute(select(func.max(events.c.n)).where(self._own))).scalar() or 0

    async def forget(self, before: int, most: int) -> int:
        waits = exists().where(
            deliveries.c.organisation == events.c.organisation, deliveries.c.event == events.c.n, deliveries.c.state == WAITING
        )
        newest = select(func.max(events.c.n)).where(self._own).scalar_subquery()  # stays: the next one's number is counted on from it
        query = select(events.c.n).where(self._own, events.c.at < before, events.c.n < newest, ~waits).order_by(events.c.at).limit(most)
        old = (await self._connection.execute(query)).scalars().all()
        forgotten = 0
        for numbers in chunks(old, _CHUNK):
            chunk = await self._still_over(numbers)
            forgotten += len(chunk)
            for table, column in ((attempts, attempts.c.event), (deliveries, deliveries.c.event), (events, events.c.n)):
                await self._connection.execute(delete(table).where(table.c.organisation == self._organisation, column.in_(chunk)))
        return forgotten

    async def _still_over(self, numbers: Sequence[int]) -> list[int]:
        """Those of which nothing waits, or is just told to go out again: what is about to change keeps its event until the next time."""
        d = deliveries.c
        those = (d.organisation == self._organisation, d.event.in_(numbers))
        counted = await self._connection.execute(select(d.event, func.count()).where(*those).group_by(d.event))
        there = {int(n): int(count) for n, count in counted}
        held = select(d.event).where(*those, d.state != WAITING).with_for_update(skip_locked=True)
        over = Counter((await self._connection.execute(held)).scalars())
        return [n for n in numbers if over[n] == there.get(n, 0)]

    async def _listening(self, only: Collection[int | None] | None) -> Sequence[Listener]:
        """Listeners that are on; nobody changes them until this transaction ends. only: their keys; None: all."""
        those = (listeners.c.organisation == self._organisation, listeners.c.state == ON)
        query = select(listeners).where(*those).order_by(listeners.c.key)
        if only is not None:  # whoever has locked one of them must not wait for the others
            query = query.where(listeners.c.key.in_(only))
        return [listener_of(row) for row in await self._connection.execute(query.with_for_update(read=True))]

    async def _fan_out(self, numbered: Sequence[tuple[int, str, NewEvent, int | None]], told: Sequence[Listener]) -> None:
        """
        A delivery for each listener that wants an event. Rows that differ by event and listener alone the database makes: a new machine
        may have a thousand tasks, and a hundred who hear of them.
        """
        alike: dict[tuple[object, ...], tuple[NewEvent, int | None, list[int]]] = {}
        for n, _, event, only in numbered:
            sign = (event.type, event.site, event.kind, event.standing, event.at, only)
            alike.setdefault(sign, (event, only, []))[2].append(n)
        together: dict[tuple[Lane, int, tuple[int, ...]], list[int]] = {}
        for listener in told:
            of_it: dict[tuple[Lane, int], list[int]] = {}
            for event, only, numbers in alike.values():
                if _goes_to(event, only, listener):
                    lane = listener.choice.lane(event.type)
                    of_it.setdefault((lane, listener.choice.when(lane, event.at)), []).extend(numbers)
            for (lane, due), mine in of_it.items():
                together.setdefault((lane, due, tuple(mine)), []).append(listener.key)
        for (lane, due, numbers_of_all), keys in together.items():
            for chunk in chunks(numbers_of_all, max(1, min(_CHUNK, _MADE // len(keys)))):
                await self._connection.execute(_made(self._organisation, chunk, keys, lane, due))

    async def _source(self) -> str:
        query = select(organisations.c.name).where(organisations.c.id == self._organisation)
        name = (await self._connection.execute(query)).scalar()
        return f"/organisations/{quote(name, safe='') if name else self._organisation}"

    def _row(self, n: int, id: str, source: str, event: NewEvent) -> dict[str, Any]:
        return {
            "organisation": self._organisation,
            "n": n,
            "id": id,
            "source": source,
            "at": event.at,
            "type": event.type,
            "subject": event.subject,
            "machine": event.machine,
            "machine_id": event.machine_id,
            "site": event.site,
            "task": event.task,
            "kind": event.kind,
            "standing": event.standing,
            "body": json.dumps(event.data, ensure_ascii=False, separators=(",", ":")),
        }


def _made(organisation: int, numbers: Sequence[int], keys: Sequence[int], lane: Lane, due: int) -> Insert:
    """New deliveries of each of these events to each of these listeners."""
    d, e = deliveries.c, events.c
    values: Mapping[str, ColumnElement[Any]] = {
        "organisation": e.organisation,
        "event": e.n,
        "listener": listeners.c.key,
        "at": e.at,
        "machine": e.machine,
        **{
            name: literal(value, d[name].type)
            for name, value in (("lane", int(lane)), ("state", WAITING), ("due", due), ("tries", 0), ("hurried", 0))
        },
    }
    pairs = select(*values.values()).select_from(events.join(listeners, listeners.c.organisation == e.organisation))
    pairs = pairs.where(e.organisation == organisation, e.n.in_(numbers), listeners.c.key.in_(keys))
    return insert(deliveries).from_select(list(values), pairs)


def new_id(at: int, chance: Chance) -> str:
    """`evt_` and 32 hex digits: a UUID of version 7 (RFC 9562, 5.7), so that later ones are greater."""
    millis = max(at // 1000, 0) & ((1 << 48) - 1)
    drawn = int.from_bytes(chance(10), "big")
    return f"{PREFIX}{millis << 80 | 0x7 << 76 | (drawn >> 64 & 0xFFF) << 64 | 0x2 << 62 | drawn & ((1 << 62) - 1):032x}"


def event_of(row: Row[Any]) -> Event:
    values = row._mapping
    return Event(**{name: values[name] for name in Event.__slots__})


def _goes_to(event: NewEvent, only: int | None, listener: Listener) -> bool:
    return listener.choice.wants(event) if only is None else listener.key == only
