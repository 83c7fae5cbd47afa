"""Deliveries in the database: who may send what, what became of it, and what is to be tried when."""

from collections.abc import Collection, Sequence
from typing import Any

from sqlalchemy import ColumnElement, Row, Select, and_, case, exists, func, insert, or_, select, tuple_, update
from sqlalchemy.ext.asyncio import AsyncConnection

from fieldworthy.core.base.micros import SECOND
from fieldworthy.storage.claims import SqlClaims, among, same_listener
from fieldworthy.storage.events import SqlEvents
from fieldworthy.storage.listeners import SqlListeners
from fieldworthy.storage.machines import NUL
from fieldworthy.storage.tables import attempts, deliveries, events, listeners
from fieldworthy.usecases.deliveries import (
    DELIVERED,
    MAIL_EVERY,
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

_D = deliveries.c
_COLUMNS = (
    *(_D.event, events.c.id.label("event_id"), events.c.type, events.c.machine_id, _D.listener, listeners.c.id.label("listener_id")),
    *(_D.at, _D.lane, _D.state, _D.due, _D.tries, _D.hurried, _D.digest, _D.last_at, _D.last_status, _D.last_trouble),
)


class SqlDeliveries:
    """Implements `usecases.deliveries.Deliveries` inside one transaction, which it neither begins nor ends."""

    def __init__(
        self, connection: AsyncConnection, organisation: int, of_events: SqlEvents, of_listeners: SqlListeners, chance: Chance
    ) -> None:
        self._claims = SqlClaims(connection, organisation, of_events, of_listeners, chance)
        self._connection = connection
        self._organisation = organisation
        self._listeners = of_listeners
        self._own = _D.organisation == organisation

    async def claim(self, moment: int, lease: int, owner: str, most: int, but_not: Collection[int] = ()) -> Sequence[Claim]:
        return await self._claims.claim(moment, lease, owner, most, but_not)

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
            tried = (and_(_D.lane == int(Lane.DIGEST), _D.tries > 0), moment)
            if listener.choice.digest is None:  # of mails it is no time of day that is waited for
                tried = (_D.lane == int(Lane.DIGEST), listener.choice.when(Lane.ORDER, moment))
            for which, due in (plain, (_D.lane == int(Lane.URGENT), moment), tried):
                put_off = update(deliveries).where(*waits, _D.listener == key, which, _D.due > due).values(due=due)
                righted += (await self._connection.execute(put_off)).rowcount
        held = update(deliveries).where(*waits, _D.lease > lease).values(lease=None, owner=None)
        righted += (await self._connection.execute(held)).rowcount
        failing, hold = listeners.c.failing, listeners.c.hold
        ahead = or_(failing > moment, hold > moment + round(MOST_RETRY_AFTER) * SECOND, listeners.c.key.in_(keys))
        far = listeners.c.mail_after > moment + MAIL_EVERY
        of_mail = update(listeners).where(listeners.c.organisation == self._organisation, far)
        await self._connection.execute(of_mail.values(mail_after=None))
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
        if claim.is_digest and claim.listener.choice.email is not None:  # whatever came of it: it may have arrived
            this = (listeners.c.organisation == self._organisation, listeners.c.key == claim.listener.key)
            await self._connection.execute(update(listeners).where(*this).values(mail_after=attempt.at + MAIL_EVERY))
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

    def _put_off_behind(self, moment: int, most_hurried: int) -> ColumnElement[bool]:
        """Whether something of the same listener, machine and lane failed that can be hurried to that moment, and waits no less long."""
        head = deliveries.alias("head").c
        same = (getattr(head, name) == _D[name] for name in ("organisation", "listener", "machine", "lane"))
        failed = (head.state == WAITING, head.due > moment, head.lease.is_(None), head.tries > 0, head.hurried < most_hurried)
        return exists().where(*same, *failed, head.due >= _D.due)

    def _those(self, claim: Claim) -> ColumnElement[bool]:
        return among(claim.listener.key, [event.n for event in claim.events])

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
        return select(*_COLUMNS).select_from(deliveries.join(events, same_event).join(listeners, same_listener())).where(self._own)


def _delivery(row: Row[Any]) -> Delivery:
    values = dict(row._mapping)
    return Delivery(**{**values, "lane": Lane(values["lane"])})
