"""Deliveries in the database: who may send what, what became of it, and what is to be tried when."""

from collections.abc import Collection, Sequence
from typing import Any

from sqlalchemy import ColumnElement, Row, Select, and_, case, exists, func, insert, or_, select, true, tuple_, update
from sqlalchemy.ext.asyncio import AsyncConnection

from fieldworthy.core.base.micros import SECOND
from fieldworthy.storage.events import SqlEvents
from fieldworthy.storage.listeners import SqlListeners
from fieldworthy.storage.machines import NUL, chunks
from fieldworthy.storage.tables import attempts, deliveries, events, listeners
from fieldworthy.usecases.deliveries import (
    DELIVERED,
    DIGEST_PREFIX,
    MOST_DIGEST_BYTES,
    MOST_IN_DIGEST,
    UNDELIVERED,
    WAITING,
    Attempt,
    Claim,
    Delivery,
    Outbox,
    WantedDeliveries,
)
from fieldworthy.usecases.listeners import ON, Lane
from fieldworthy.usecases.ports import Chance
from fieldworthy.usecases.retrying import MOST_RETRY_AFTER

_CHUNK = 500  # rows of one statement
_AROUND = 600  # bytes of an event around its data, or a little more
_D = deliveries.c
_Key = tuple[int, int]
_COLUMNS = (
    *(_D.event, events.c.id.label("event_id"), events.c.type, events.c.machine_id, _D.listener, listeners.c.id.label("listener_id")),
    *(_D.at, _D.lane, _D.state, _D.due, _D.tries, _D.hurried, _D.digest, _D.last_at, _D.last_status, _D.last_trouble),
)


class SqlDeliveries:
    """Implements `usecases.deliveries.Deliveries` inside one transaction, which it neither begins nor ends."""

    def __init__(
        self, connection: AsyncConnection, organisation: int, of_events: SqlEvents, of_listeners: SqlListeners, chance: Chance
    ) -> None:
        self._chance = chance
        self._connection = connection
        self._organisation = organisation
        self._events = of_events
        self._listeners = of_listeners
        self._own = _D.organisation == organisation

    async def claim(self, moment: int, lease: int, owner: str, most: int, but_not: Collection[int] = ()) -> Sequence[Claim]:
        others = _D.listener.not_in(sorted(but_not)) if but_not else true()
        plain = await self._claim_plain(moment, lease, owner, most, others)
        digests = await self._claim_digests(moment, lease, owner, most - len(plain), others)
        rows = [*plain, *(row for group in digests for row in group)]
        told = await self._events.numbered([row.event for row in rows])
        whom = await self._listeners.by_key([row.listener for row in rows])
        groups = [*([row] for row in plain), *digests]
        return [
            Claim(
                told[group[0].event].id if group[0].digest is None else group[0].digest,
                whom[group[0].listener],
                [told[row.event] for row in group],
                Lane(group[0].lane),
                group[0].tries,
                group[0].hurried,
                lease,
                owner,
            )
            for group in groups
        ]

    async def next_due(self, moment: int) -> int | None:
        coming = select(func.min(_D.due)).where(self._own, _D.state == WAITING, _D.due > moment).scalar_subquery()
        those = listeners.c
        held = (
            select(func.min(those.hold))
            .where(those.organisation == self._organisation, those.state == ON, those.hold > moment)
            .scalar_subquery()
        )
        found = (await self._connection.execute(select(coming, held))).one()
        return min((int(at) for at in found if at is not None), default=None)

    async def right(self, moment: int, lease: int) -> int:
        waits = (self._own, _D.state == WAITING)
        # no event and no try is of a time to come: where it seems so, it was another clock
        sign = select(_D.listener).where(*waits, _D.due > moment, or_(_D.at > moment, _D.last_at > moment)).distinct()
        keys = (await self._connection.execute(sign)).scalars().all()
        righted = 0
        for key, listener in (await self._listeners.by_key(keys)).items():
            await self._hold_listener(key)
            plain = (_D.lane == int(Lane.ORDER), listener.choice.when(Lane.ORDER, moment))
            for which, due in (plain, (_D.lane == int(Lane.URGENT), moment), (and_(_D.lane == int(Lane.DIGEST), _D.tries > 0), moment)):
                put_off = update(deliveries).where(*waits, _D.listener == key, which, _D.due > due).values(due=due)
                righted += (await self._connection.execute(put_off)).rowcount
        held = update(deliveries).where(*waits, _D.lease > lease).values(lease=None, owner=None)
        righted += (await self._connection.execute(held)).rowcount
        failing, hold = listeners.c.failing, listeners.c.hold
        ahead = or_(failing > moment, hold > moment + round(MOST_RETRY_AFTER) * SECOND, listeners.c.key.in_(keys))
        values = {"failing": case((failing > moment, moment), else_=failing), "hold": None}
        await self._connection.execute(update(listeners).where(listeners.c.organisation == self._organisation, ahead).values(**values))
        return righted

    async def renew(self, claim: Claim, lease: int) -> bool:
        renewed = await self._connection.execute(update(deliveries).where(*self._still(claim)).values(lease=lease))
        return renewed.rowcount > 0

    async def release(self, claims: Sequence[Claim]) -> None:
        for claim in claims:
            await self._connection.execute(update(deliveries).where(*self._still(claim)).values(lease=None, owner=None))

    async def settle(self, claim: Claim, attempt: Attempt, state: str, due: int | None = None) -> bool:
        if state == WAITING and due is None:
            raise ValueError("what waits is tried again at a time")
        await self._hold_listener(claim.listener.key)
        those = self._those(claim)
        await self._note(claim, attempt)
        tried = {"last_at": attempt.at, "last_status": attempt.status, "last_trouble": attempt.trouble}
        values: dict[str, Any] = {**tried, "state": state, "tries": claim.tries + 1, "lease": None, "owner": None}
        if due is not None:
            values["due"] = due
        # that it was taken is true whoever has it now
        whose = [_D.state != DELIVERED, those] if state == DELIVERED else self._still(claim)
        settled = await self._connection.execute(update(deliveries).where(self._own, *whose).values(**values))
        if not settled.rowcount:
            return False
        if state == WAITING:
            machines = {event.machine for event in claim.events if event.machine is not None}
            behind = (self._own, _D.listener == claim.listener.key, _D.lane == int(claim.lane), _D.state == WAITING, _D.due < due)
            if machines and claim.lane != Lane.DIGEST:
                after = claim.events[0].n
                await self._connection.execute(
                    update(deliveries).where(*behind, _D.machine.in_(machines), _D.event > after).values(due=due)
                )
        return True

    async def hurry(self, listener: int, moment: int, most_hurried: int) -> int:
        await self._hold_listener(listener)
        whose = (await self._listeners.by_key([listener]))[listener]
        urgent, done = _D.lane == int(Lane.URGENT), 0
        for lane, at in ((urgent, moment), (~urgent, whose.choice.when(Lane.ORDER, moment))):
            late = (self._own, _D.listener == listener, lane, _D.state == WAITING, _D.due > at, _D.lease.is_(None))
            behind = (_D.tries == 0, _D.lane != int(Lane.DIGEST), self._put_off_behind(at, most_hurried))
            await self._connection.execute(update(deliveries).where(*late, *behind).values(due=at))
            failed = (*late, _D.tries > 0, _D.hurried < most_hurried)
            done += (await self._connection.execute(update(deliveries).where(*failed).values(due=at, hurried=_D.hurried + 1))).rowcount
        return done

    async def again(self, listener: int, first: int | None, until: int | None, moment: int) -> int:
        await self._hold_listener(listener)
        those = [self._own, _D.listener == listener, _D.state == UNDELIVERED]
        if first is not None:
            those.append(_D.at >= first)
        if until is not None:
            those.append(_D.at < until)
        fresh = {"state": WAITING, "due": moment, "tries": 0, "hurried": 0, "digest": None, "lease": None, "owner": None}
        return (await self._connection.execute(update(deliveries).where(*those).values(**fresh))).rowcount

    async def page(self, wanted: WantedDeliveries, before: tuple[int, int] | None, limit: int) -> Sequence[Delivery]:
        if NUL in f"{wanted.listener}{wanted.machine}":
            return []
        query = self._told().order_by(_D.event.desc(), _D.listener.desc()).limit(limit)
        if before is not None:
            query = query.where(tuple_(_D.event, _D.listener) < tuple_(*before))
        if wanted.listener is not None:
            query = query.where(listeners.c.id == wanted.listener)
        if wanted.state is not None:
            query = query.where(_D.state == wanted.state)
        if wanted.machine is not None:
            query = query.where(events.c.machine_id == wanted.machine)
        if wanted.first is not None:
            query = query.where(_D.at >= wanted.first)
        if wanted.until is not None:
            query = query.where(_D.at < wanted.until)
        return [_delivery(row) for row in await self._connection.execute(query)]

    async def find(self, id: str) -> Delivery | None:
        event, dash, listener = id.partition("-")
        if not dash or NUL in id:
            return None
        row = (await self._connection.execute(self._told().where(events.c.id == event, listeners.c.id == listener))).first()
        return None if row is None else _delivery(row)

    async def attempts(self, delivery: Delivery) -> Sequence[Attempt]:
        a = attempts.c
        those = (a.organisation == self._organisation, a.event == delivery.event, a.listener == delivery.listener)
        rows = await self._connection.execute(select(a.at, a.ms, a.status, a.trouble).where(*those).order_by(a.n))
        return [Attempt(*row) for row in rows]

    async def outbox(self, moment: int) -> Outbox:
        waiting = select(func.count()).where(self._own, _D.state == WAITING).scalar_subquery()
        late = select(func.min(_D.due)).where(self._own, _D.state == WAITING, _D.tries == 0, _D.due <= moment).scalar_subquery()
        first = and_(*(attempts.c[name] == _D[name] for name in ("organisation", "event", "listener")), attempts.c.n == 1)
        failed = select(func.min(attempts.c.at)).select_from(deliveries.join(attempts, first))
        failed_since = failed.where(self._own, _D.state == WAITING, _D.tries > 0).scalar_subquery()
        undelivered = select(func.count()).where(self._own, _D.state == UNDELIVERED).scalar_subquery()
        row = (await self._connection.execute(select(waiting, late, failed_since, undelivered))).one()
        return Outbox(row[0], min((since for since in row[1:3] if since is not None), default=None), row[3])

    async def _hold_listener(self, key: int) -> None:
        """Whoever changes many deliveries of a listener does so alone: so nobody waits in a circle. Claims pass by what is locked."""
        query = select(listeners.c.key).where(listeners.c.organisation == self._organisation, listeners.c.key == key)
        await self._connection.execute(query.with_for_update(key_share=True))

    async def _claim_plain(self, moment: int, lease: int, owner: str, most: int, others: ColumnElement[bool]) -> Sequence[Row[Any]]:
        if most <= 0:
            return []
        query = self._free(moment, _D.event, _D.listener, _D.lane, _D.tries, _D.hurried, _D.digest)
        query = query.where(_D.lane != int(Lane.DIGEST), ~_blocked(), others).order_by(_D.due, _D.event, _D.listener).limit(most)
        query = query.with_for_update(of=deliveries, skip_locked=True)
        while True:
            rows: Sequence[Row[Any]] = (await self._connection.execute(query)).all()
            quiet = await self._quiet(moment, [row.listener for row in rows if row.lane != int(Lane.URGENT)])
            if not quiet:
                break
            for key, until in quiet.items():
                await self._put_off(key, moment, until)
        await self._take([(row.event, row.listener) for row in rows], {"lease": lease, "owner": owner})
        return rows

    async def _quiet(self, moment: int, keys: Sequence[int]) -> dict[int, int]:
        """Of these listeners, those that have quiet hours now, and until when."""
        whom = await self._listeners.by_key(keys) if keys else {}
        until = {key: listener.choice.when(Lane.ORDER, moment) for key, listener in sorted(whom.items())}
        return {key: end for key, end in until.items() if end > moment}

    async def _put_off(self, listener: int, moment: int, until: int) -> None:
        """What of it is due, and not urgent, waits until then, whatever made it due. What others have locked is left to them."""
        free = self._free(moment, _D.event).where(_D.listener == listener, _D.lane != int(Lane.URGENT)).correlate(None)
        those = (self._own, _D.listener == listener, _D.event.in_(free.with_for_update(of=deliveries, skip_locked=True)))
        await self._connection.execute(update(deliveries).where(*those).values(due=until))

    async def _claim_digests(self, moment: int, lease: int, owner: str, most: int, others: ColumnElement[bool]) -> list[list[Row[Any]]]:
        """Of each listener that has one due, the digest that failed before, or a new one of what there is."""
        if most <= 0:
            return []
        due = self._free(moment, _D.listener).where(_D.lane == int(Lane.DIGEST), others).distinct()
        whose = select(listeners.c.key).where(listeners.c.organisation == self._organisation, listeners.c.key.in_(due)).limit(most)
        locked = whose.order_by(listeners.c.key).with_for_update(skip_locked=True)
        found = []
        keys = (await self._connection.execute(locked)).scalars().all()
        quiet = await self._quiet(moment, keys)
        for key in keys:
            if key in quiet:
                await self._put_off(key, moment, quiet[key])
                continue
            of_it = (_D.listener == key, _D.lane == int(Lane.DIGEST))
            begun = exists().where(self._own, *of_it, _D.state == WAITING, _D.digest.is_not(None))
            query = self._free(moment, _D.event, _D.listener, _D.lane, _D.tries, _D.hurried, _D.digest).where(*of_it)
            query = query.order_by(_D.event).with_for_update(of=deliveries)
            old = (await self._connection.execute(query.where(_D.digest.is_not(None)))).all()
            if old:
                rows = [row for row in old if row.digest == old[0].digest]
                digest = old[0].digest
            elif (await self._connection.execute(select(begun))).scalar():
                continue  # one is in somebody's hands, or waits for its next try: the next one goes behind it
            else:
                rows = await self._short_enough(list((await self._connection.execute(query.limit(MOST_IN_DIGEST))).all()))
                digest = DIGEST_PREFIX + self._chance(16).hex()
            if not rows:
                continue
            keys = [(row.event, row.listener) for row in rows]
            await self._take(keys, {"lease": lease, "owner": owner, "digest": digest})
            found.append(await self._again_read(keys))
        return found

    async def _short_enough(self, rows: list[Row[Any]]) -> list[Row[Any]]:
        """As many of them as one digest may hold, at least one."""
        told = await self._events.numbered([row.event for row in rows])
        long = 0
        for i, row in enumerate(rows):
            long += len(told[row.event].body.encode()) + _AROUND
            if i and long > MOST_DIGEST_BYTES:
                return rows[:i]
        return rows

    def _put_off_behind(self, moment: int, most_hurried: int) -> ColumnElement[bool]:
        """Whether something of the same listener, machine and lane failed that can be hurried to that moment, and waits no less long."""
        head = deliveries.alias("head").c
        same = (getattr(head, name) == _D[name] for name in ("organisation", "listener", "machine", "lane"))
        failed = (head.state == WAITING, head.due > moment, head.lease.is_(None), head.tries > 0, head.hurried < most_hurried)
        return exists().where(*same, *failed, head.due >= _D.due)

    async def _again_read(self, keys: Sequence[_Key]) -> list[Any]:
        query = select(_D.event, _D.listener, _D.lane, _D.tries, _D.hurried, _D.digest).where(self._own, _among(keys)).order_by(_D.event)
        return list((await self._connection.execute(query)).all())

    async def _take(self, keys: Sequence[_Key], values: dict[str, Any]) -> None:
        for chunk in chunks(keys, _CHUNK):
            await self._connection.execute(update(deliveries).where(self._own, _among(chunk)).values(**values))

    def _free(self, moment: int, *columns: Any) -> Select[Any]:
        """What is due, and in nobody's hands, of listeners that can be told."""
        whose = (listeners.c.state == ON, or_(listeners.c.hold.is_(None), listeners.c.hold <= moment))
        free = (_D.state == WAITING, _D.due <= moment, or_(_D.lease.is_(None), _D.lease <= moment))
        return select(*columns).select_from(deliveries.join(listeners, _same_listener())).where(self._own, *free, *whose)

    def _those(self, claim: Claim) -> ColumnElement[bool]:
        return _among([(event.n, claim.listener.key) for event in claim.events])

    def _still(self, claim: Claim) -> list[ColumnElement[bool]]:
        """The rows of a claim, as long as they are its owner's."""
        return [self._own, _D.state == WAITING, _D.owner == claim.owner, self._those(claim)]

    async def _note(self, claim: Claim, attempt: Attempt) -> None:
        a = attempts.c
        numbers = [event.n for event in claim.events]
        those = (a.organisation == self._organisation, a.listener == claim.listener.key, a.event.in_(numbers))
        query = select(a.event, func.max(a.n)).where(*those).group_by(a.event)
        last = {row[0]: row[1] for row in await self._connection.execute(query)}
        told = {"at": attempt.at, "ms": attempt.ms, "status": attempt.status, "trouble": attempt.trouble}
        of_it = {"organisation": self._organisation, "listener": claim.listener.key, **told}
        await self._connection.execute(insert(attempts), [{**of_it, "event": n, "n": last.get(n, 0) + 1} for n in numbers])

    def _told(self) -> Select[Any]:
        same_event = and_(events.c.organisation == _D.organisation, events.c.n == _D.event)
        return select(*_COLUMNS).select_from(deliveries.join(events, same_event).join(listeners, _same_listener())).where(self._own)


def _same_listener() -> ColumnElement[bool]:
    return and_(listeners.c.organisation == _D.organisation, listeners.c.key == _D.listener)


def _blocked() -> ColumnElement[bool]:
    """Whether something earlier of the same listener, machine and lane waits. (What is of no machine waits for nothing.)"""
    earlier = deliveries.alias("earlier").c
    same = (getattr(earlier, name) == _D[name] for name in ("organisation", "listener", "machine", "lane"))
    return exists().where(*same, earlier.state == WAITING, earlier.event < _D.event, _D.lane != int(Lane.DIGEST))


def _among(keys: Collection[_Key]) -> ColumnElement[bool]:
    return tuple_(_D.event, _D.listener).in_(list(keys))


def _delivery(row: Row[Any]) -> Delivery:
    values = dict(row._mapping)
    return Delivery(**{**values, "lane": Lane(values["lane"])})
