"""Listeners in the database."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from sqlalchemy import Row, delete, exists, func, insert, or_, select, true, update
from sqlalchemy.ext.asyncio import AsyncConnection

from fieldworthy.storage.machines import NUL, lock_keys
from fieldworthy.storage.tables import deliveries, events, listeners
from fieldworthy.storage.trail import SqlTrail
from fieldworthy.usecases.deliveries import DROPPED, UNDELIVERED, WAITING
from fieldworthy.usecases.listener_refusals import ListenerTaken
from fieldworthy.usecases.listeners import GONE, ON, PREFIX, REMOVED, Choice, Lane, Listener
from fieldworthy.usecases.ports import Chance


class SqlListeners:
    """Implements `usecases.listeners.Listeners` inside one transaction, which it neither begins nor ends."""

    def __init__(self, connection: AsyncConnection, organisation: int, trail: SqlTrail, chance: Chance) -> None:
        self._chance = chance
        self._connection = connection
        self._organisation = organisation
        self._trail = trail
        self._own = listeners.c.organisation == organisation
        self._there = (self._own, listeners.c.state != REMOVED)

    async def add(self, name: str, choice: Choice, secret: str, moment: int, id: str | None = None) -> Listener:
        await lock_keys(self._connection, self._organisation)
        if id is not None and await self._was(id):
            raise ListenerTaken(id)
        query = select(func.coalesce(func.max(listeners.c.key), 0) + 1).where(self._own)
        key = (await self._connection.execute(query)).scalar_one()
        id = id or PREFIX + self._chance(12).hex()
        made = Listener(key, id, 1, name, choice, ON, secret, None, None, None, None, moment, moment)
        values = {column: getattr(made, column) for column in Listener.__slots__ if column != "choice"}
        document = {"document": _document(choice)}
        await self._connection.execute(insert(listeners).values(organisation=self._organisation, **values, **document))
        self._trail.note("listener", id, moment, None, _told(made))
        return made

    async def find(self, id: str, lock: bool = False) -> Listener | None:
        if NUL in id:
            return None
        query = select(listeners).where(*self._there, listeners.c.id == id)
        row = (await self._connection.execute(query.with_for_update() if lock else query)).first()
        return None if row is None else listener_of(row)

    async def by_key(self, keys: Sequence[int]) -> Mapping[int, Listener]:
        rows = await self._connection.execute(select(listeners).where(self._own, listeners.c.key.in_(sorted(set(keys)))))
        return {row.key: listener_of(row) for row in rows}

    async def page(self, after: str | None, limit: int) -> Sequence[Listener]:
        query = select(listeners).where(*self._there).order_by(listeners.c.id).limit(limit)
        if after is not None:
            query = query.where(listeners.c.id > after)
        return [listener_of(row) for row in await self._connection.execute(query)]

    async def count(self, lock: bool = False) -> int:
        if lock:
            await lock_keys(self._connection, self._organisation)
        return int((await self._connection.execute(select(func.count()).select_from(listeners).where(*self._there))).scalar_one())

    async def change(self, listener: Listener, name: str, choice: Choice, state: str, moment: int) -> Listener:
        values: dict[str, Any] = {
            "revision": listener.revision + 1,
            "name": name,
            "document": _document(choice),
            "state": state,
            "failing": None,
            "hold": None,
            "changed_at": moment,
        }
        if state == REMOVED:
            nowhere = _document(replace(choice, url=None, email=None))
            values |= {"secret": "", "secret_before": None, "secret_before_until": None, "document": nowhere, "tests": None}  # nosec B105  # none is kept
        changed = await self._put(listener, values)
        d = deliveries.c
        if state != ON:
            those = (d.organisation == self._organisation, d.listener == listener.key, d.state == WAITING)
            left = UNDELIVERED if state == GONE else DROPPED
            await self._connection.execute(update(deliveries).where(*those).values(state=left, lease=None, owner=None))
        elif _hours(choice) != _hours(listener.choice):
            # by mail nothing goes one by one, whatever was tried by HTTP before
            every = (choice.email is None) != (listener.choice.email is None)
            await self._time_anew(listener.key, choice, moment, every)
        self._trail.note("listener", listener.id, moment, _told(listener), None if state == REMOVED else _told(changed))
        return changed

    async def rotate(self, listener: Listener, secret: str, until: int, moment: int) -> Listener:
        values = {"secret": secret, "secret_before": listener.secret, "secret_before_until": until, "changed_at": moment}
        changed = await self._put(listener, values)
        self._trail.note("listener", listener.id, moment, _told(listener), {**_told(changed), "secret": "another"})  # nosec B105  # said, and not shown
        return changed

    async def tested(self, listener: Listener, moment: int, most: int, within: int) -> int | None:
        this = (self._own, listeners.c.key == listener.key)
        noted = (await self._connection.execute(select(listeners.c.tests).where(*this))).scalar_one()
        last = [at for at in json.loads(noted or "[]") if moment - within < at <= moment]  # what is to come was another clock's
        if len(last) >= most:
            return int(last[-most]) + within
        await self._connection.execute(update(listeners).where(*this).values(tests=json.dumps([*last, moment])))
        return None

    async def health(self, key: int, failing: int | None, hold: int | None) -> None:
        await self._connection.execute(update(listeners).where(self._own, listeners.c.key == key).values(failing=failing, hold=hold))

    async def tidy(self, moment: int) -> None:
        own, before, until = self._own, listeners.c.secret_before, listeners.c.secret_before_until
        over = update(listeners).where(own, before.is_not(None), until <= moment)
        await self._connection.execute(over.values(secret_before=None, secret_before_until=None))
        d = deliveries.c
        told = exists().where(d.organisation == listeners.c.organisation, d.listener == listeners.c.key)
        await self._connection.execute(delete(listeners).where(own, listeners.c.state == REMOVED, ~told))

    async def _time_anew(self, key: int, choice: Choice, moment: int, every: bool) -> None:
        """
        What waits and was never tried goes by the new hours: so nothing overtakes what waits for a digest that there is no more.
        every: what was tried begins anew too.
        """
        d, e = deliveries.c, events.c
        event = (e.organisation == d.organisation, e.n == d.event)
        its = (d.organisation == self._organisation, d.listener == key)
        waits, given_up = (*its, d.state == WAITING), (*its, d.state == UNDELIVERED)
        fresh = (*waits, true() if every else d.tries == 0, d.lease.is_(None))
        tried = (*waits, d.lane != Lane.DIGEST, d.digest.is_(None), or_(d.tries > 0, d.lease.is_not(None)))
        types = await self._connection.execute(select(e.type).where(*event, *its, d.state.in_((WAITING, UNDELIVERED))).distinct())
        for type in types.scalars().all():
            lane, of_it = choice.lane(type), exists().where(*event, e.type == type)
            anew = {"lane": int(lane), "due": choice.when(lane, moment), "digest": None}
            await self._connection.execute(
                update(deliveries).where(*fresh, of_it).values(**anew, **({"tries": 0, "hurried": 0} if every else {}))
            )
            if not every:  # what was tried keeps its turn, but whether it passes quiet hours is as its owner says now
                passes = Lane.URGENT if lane is Lane.URGENT else Lane.ORDER
                await self._connection.execute(update(deliveries).where(*tried, of_it).values(lane=int(passes)))
            await self._connection.execute(update(deliveries).where(*given_up, of_it).values(lane=int(lane)))  # for when it is sent again

    async def _was(self, id: str) -> bool:
        """Whether one has that id, or had it."""
        found = await self._connection.execute(select(listeners.c.key).where(self._own, listeners.c.id == id))
        return found.first() is not None

    async def _put(self, listener: Listener, values: dict[str, Any]) -> Listener:
        this = (self._own, listeners.c.key == listener.key)
        await self._connection.execute(update(listeners).where(*this).values(**values))
        return listener_of((await self._connection.execute(select(listeners).where(*this))).one())


def listener_of(row: Row[Any]) -> Listener:
    values = dict(row._mapping)
    choice = Choice.of(json.loads(values["document"]))
    return Listener(choice=choice, **{name: values[name] for name in Listener.__slots__ if name != "choice"})


def _hours(choice: Choice) -> tuple[object, ...]:
    return choice.quiet, choice.digest, choice.timezone, choice.urgent, choice.email is None


def _document(choice: Choice) -> str:
    return json.dumps(choice.to_json(), ensure_ascii=False, separators=(",", ":"))


def _told(listener: Listener) -> dict[str, Any]:
    """As the trail tells of it."""
    return {"revision": listener.revision, "name": listener.name, "state": listener.state, **listener.choice.to_json()}
