"""Who may send what: claims of deliveries. What one costs goes by what is claimed, not by what waits.

First one look at whose turn it is: of each listener that can be told, and each lane, when its first delivery is due. Then one look at each
of those, the longest due first, until there is enough: at its next few that are due and, where all of these wait behind others of their
machines, at the first one of each machine.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import ColumnElement, Row, Select, and_, exists, literal_column, or_, select, text, update
from sqlalchemy.ext.asyncio import AsyncConnection

from fieldworthy.storage.events import SqlEvents
from fieldworthy.storage.listeners import SqlListeners
from fieldworthy.storage.machines import chunks
from fieldworthy.storage.tables import deliveries, listeners
from fieldworthy.usecases.deliveries import DIGEST_PREFIX, MOST_DIGEST_BYTES, MOST_IN_DIGEST, MOST_IN_MAIL, Claim
from fieldworthy.usecases.listeners import ON, Lane, Listener
from fieldworthy.usecases.ports import Chance

_CHUNK = 500  # rows of one statement
_NEAR = 256  # of one listener and lane, what is looked at in one claim
_PUT_OFF = 2000  # what waits for the next mail and is told so in one claim
_AROUND = 600  # bytes of an event around its data, or a little more
_D = deliveries.c
_IS_WAITING = _D.state == literal_column("'waiting'")  # in words: by an argument neither database knows that its partial index will do

# from one machine that something waits of to the next, by the index `queue`, the first of each; and what is of no machine
_HEADS = text(
    "with recursive whose(machine) as ("
    "select min(machine) from deliveries where organisation = :organisation and listener = :listener and state = 'waiting' union all "
    "select (select min(d.machine) from deliveries d where d.organisation = :organisation and d.listener = :listener "
    "and d.state = 'waiting' and d.machine > whose.machine) from whose where whose.machine is not null"
    "), heads(event) as ("
    "select (select min(d.event) from deliveries d where d.organisation = :organisation and d.listener = :listener "
    "and d.state = 'waiting' and d.machine = whose.machine and d.lane = :lane) from whose where whose.machine is not null union all "
    "select event from (select d.event from deliveries d where d.organisation = :organisation and d.listener = :listener "
    "and d.state = 'waiting' and d.machine is null and d.lane = :lane and d.due <= :moment and (d.lease is null or d.lease <= :moment) "
    "order by d.event limit :near) as of_none"
    ") select d.event from heads join deliveries d on d.organisation = :organisation and d.listener = :listener and d.event = heads.event "
    "where d.due <= :moment and (d.lease is null or d.lease <= :moment) order by d.due, d.event limit :near"
)


@dataclass(frozen=True, slots=True)
class _Turn:
    """A listener that something is due for. mail_after: until when it gets no other mail; first: by lane, when the first is due."""

    listener: Listener
    mail_after: int | None
    first: Mapping[Lane, int]

    @property
    def plain(self) -> int | None:
        """When the first one is due that goes out by itself."""
        return min((due for lane, due in self.first.items() if lane != Lane.DIGEST), default=None)


class SqlClaims:
    """What `usecases.deliveries.Deliveries.claim` says, inside one transaction, which it neither begins nor ends."""

    def __init__(
        self, connection: AsyncConnection, organisation: int, of_events: SqlEvents, of_listeners: SqlListeners, chance: Chance
    ) -> None:
        self._chance = chance
        self._connection = connection
        self._organisation = organisation
        self._events = of_events
        self._listeners = of_listeners
        self._own = _D.organisation == organisation

    async def claim(self, moment: int, lease: int, owner: str, most: int, but_not: Collection[int]) -> Sequence[Claim]:
        turns = await self._turns(moment, but_not)
        plain = await self._plain(turns, moment, most)
        for key in sorted({row.listener for row in plain}):
            await self._take(key, [row.event for row in plain if row.listener == key], {"lease": lease, "owner": owner})
        digests = await self._digests(turns, moment, lease, owner, most - len(plain))
        groups = [*([row] for row in plain), *digests]
        told = await self._events.numbered([row.event for group in groups for row in group])
        whom = {turn.listener.key: turn.listener for turn in turns}
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

    async def _turns(self, moment: int, but_not: Collection[int]) -> list[_Turn]:
        those = listeners.c
        firsts = [
            select(_D.due)
            .where(_D.organisation == those.organisation, _D.listener == those.key, _D.lane == int(lane), _IS_WAITING)
            .order_by(_D.due)
            .limit(1)
            .correlate(listeners)
            .scalar_subquery()
            .label(lane.name)
            for lane in Lane
        ]
        query = select(those.key, those.mail_after, *firsts).where(those.organisation == self._organisation, *_can_be_told(moment))
        if but_not:
            query = query.where(those.key.not_in(sorted(but_not)))
        rows = (await self._connection.execute(query)).all()
        due = {}
        for row in rows:
            first = {lane: at for lane in Lane if (at := getattr(row, lane.name)) is not None and at <= moment}
            if first:
                due[row.key] = (row.mail_after, first)
        whom = await self._listeners.by_key(list(due)) if due else {}
        return [_Turn(whom[key], *due[key]) for key in sorted(due)]

    async def _plain(self, turns: Sequence[_Turn], moment: int, most: int) -> list[Row[Any]]:
        """At most so many that go out by themselves, the longest due first."""
        found: list[Row[Any]] = []
        if most <= 0:
            return found
        for first, key, turn in sorted((turn.plain, turn.listener.key, turn) for turn in turns if turn.plain is not None):
            if len(found) == most and found[-1].due < first:
                break
            lanes = [lane for lane in (Lane.URGENT, Lane.ORDER) if lane in turn.first]
            quiet = turn.listener.choice.when(Lane.ORDER, moment)
            if Lane.ORDER in lanes and quiet > moment:
                await self._put_off(key, Lane.ORDER, moment, quiet)
                lanes.remove(Lane.ORDER)
            for lane in lanes:
                found += await self._next_few(key, lane, moment, most)
            found = sorted(found, key=lambda row: (row.due, row.event, row.listener))[:most]
        return found

    async def _next_few(self, listener: int, lane: Lane, moment: int, most: int) -> Sequence[Row[Any]]:
        """Of one listener and lane, what may go out now, locked; what others have locked is theirs."""
        free = self._free(moment, _D.organisation, _D.listener, _D.machine, _D.lane, _D.event, _D.due)
        near = free.where(_D.listener == listener, _D.lane == int(lane)).order_by(_D.due, _D.event).limit(_NEAR).subquery("near")
        looked = (await self._connection.execute(select(near.c.event, _blocked(near.c).label("blocked")))).all()
        events = [row.event for row in looked if not row.blocked]
        if not events and len(looked) == _NEAR:
            whose = {"organisation": self._organisation, "listener": listener, "lane": int(lane), "moment": moment, "near": _NEAR}
            events = list((await self._connection.execute(_HEADS, whose)).scalars())
        if not events:
            return []
        columns = (_D.event, _D.listener, _D.lane, _D.tries, _D.hurried, _D.digest, _D.due)
        # what is behind none stays so: later events have greater numbers
        query = self._free(moment, *columns).where(_D.listener == listener, _D.event.in_(events))
        query = query.order_by(_D.due, _D.event).limit(most).with_for_update(of=deliveries, skip_locked=True)
        rows: Sequence[Row[Any]] = (await self._connection.execute(query)).all()
        return rows

    async def _put_off(self, listener: int, lane: Lane, moment: int, until: int, most: int | None = None) -> None:
        """What of it is due waits until then, whatever made it due. What others have locked is left to them."""
        free = self._free(moment, _D.event).where(_D.listener == listener, _D.lane == int(lane)).order_by(_D.due).limit(most)
        those = (self._own, _D.listener == listener, _D.event.in_(free.correlate(None).with_for_update(of=deliveries, skip_locked=True)))
        await self._connection.execute(update(deliveries).where(*those).values(due=until))

    async def _digests(self, turns: Sequence[_Turn], moment: int, lease: int, owner: str, most: int) -> list[list[Row[Any]]]:
        """Of each listener that has one due, the digest that failed before, or a new one of what there is."""
        due = sorted((turn.first[Lane.DIGEST], turn.listener.key, turn) for turn in turns if Lane.DIGEST in turn.first)
        whose = {key: turn for _, key, turn in due}
        query = select(listeners.c.key).where(listeners.c.organisation == self._organisation, listeners.c.key.in_(list(whose)))
        locked = query.order_by(listeners.c.key).with_for_update(skip_locked=True)
        keys = set((await self._connection.execute(locked)).scalars()) if most > 0 and whose else set()
        found: list[list[Row[Any]]] = []
        for key, turn in whose.items():
            if key not in keys or len(found) >= most:
                continue
            quiet = turn.listener.choice.when(Lane.ORDER, moment)
            if quiet > moment:
                await self._put_off(key, Lane.DIGEST, moment, quiet)
                continue
            digest, rows = await self._digest(turn, moment)
            if rows:
                taken = sorted(row.event for row in rows)
                await self._take(key, taken, {"lease": lease, "owner": owner, "digest": digest})
                found.append(await self._again_read(key, taken))
        return found

    async def _digest(self, turn: _Turn, moment: int) -> tuple[str, Sequence[Row[Any]]]:
        """The id of a listener's next digest, and what goes into it: nothing where its turn has not come."""
        key, by_mail = turn.listener.key, turn.listener.choice.email is not None
        of_it = (_D.listener == key, _D.lane == int(Lane.DIGEST))
        query = self._free(moment, _D.event, _D.listener, _D.digest).where(*of_it).with_for_update(of=deliveries)
        old = (await self._connection.execute(query.where(_D.digest.is_not(None)).order_by(_D.event))).all()
        if old:
            begun_before: str = old[0].digest
            return begun_before, [row for row in old if row.digest == begun_before]
        begun = select(exists().where(self._own, *of_it, _IS_WAITING, _D.digest.is_not(None)))
        if (await self._connection.execute(begun)).scalar():
            return "", []  # one is in somebody's hands, or waits for its next try: the next one goes behind it
        if by_mail and turn.mail_after is not None and turn.mail_after > moment:
            await self._put_off(key, Lane.DIGEST, moment, turn.mail_after, _PUT_OFF)
            return "", []
        most = MOST_IN_MAIL if by_mail else MOST_IN_DIGEST
        rows = list((await self._connection.execute(query.order_by(_D.due, _D.event).limit(most))).all())
        return DIGEST_PREFIX + self._chance(16).hex(), rows if by_mail else await self._short_enough(rows)

    async def _short_enough(self, rows: list[Row[Any]]) -> list[Row[Any]]:
        """As many of them as one digest may hold, at least one."""
        told = await self._events.numbered([row.event for row in rows])
        long = 0
        for i, row in enumerate(rows):
            long += len(told[row.event].body.encode()) + _AROUND
            if i and long > MOST_DIGEST_BYTES:
                return rows[:i]
        return rows

    async def _again_read(self, listener: int, numbers: Sequence[int]) -> list[Any]:
        columns = (_D.event, _D.listener, _D.lane, _D.tries, _D.hurried, _D.digest)
        found: list[Any] = []
        for chunk in chunks(numbers, _CHUNK):
            found += (await self._connection.execute(select(*columns).where(self._own, among(listener, chunk)).order_by(_D.event))).all()
        return found

    async def _take(self, listener: int, numbers: Sequence[int], values: dict[str, Any]) -> None:
        for chunk in chunks(numbers, _CHUNK):
            await self._connection.execute(update(deliveries).where(self._own, among(listener, chunk)).values(**values))

    def _free(self, moment: int, *columns: Any) -> Select[Any]:
        """What is due, and in nobody's hands, of listeners that can be told."""
        free = (_IS_WAITING, _D.due <= moment, or_(_D.lease.is_(None), _D.lease <= moment))
        whose = (same_listener(), *_can_be_told(moment))
        return select(*columns).select_from(deliveries.join(listeners, and_(*whose))).where(self._own, *free)


def _can_be_told(moment: int) -> tuple[ColumnElement[bool], ...]:
    return listeners.c.state == ON, or_(listeners.c.hold.is_(None), listeners.c.hold <= moment)


def same_listener() -> ColumnElement[bool]:
    return and_(listeners.c.organisation == _D.organisation, listeners.c.key == _D.listener)


def among(listener: int, numbers: Collection[int]) -> ColumnElement[bool]:
    """Whether it is on its way to that listener, of one of these events. (Of pairs of both SQLite looks at each row there is.)"""
    return and_(_D.listener == listener, _D.event.in_(list(numbers)))


def _blocked(these: Any) -> ColumnElement[bool]:
    """Whether something earlier of the same listener, machine and lane waits. (What is of no machine waits for nothing.)"""
    earlier = deliveries.alias("earlier").c
    same = (getattr(earlier, name) == getattr(these, name) for name in ("organisation", "listener", "machine", "lane"))
    first = select(earlier.event).where(*same, earlier.state == literal_column("'waiting'"), earlier.event < these.event)
    # in order, and one: so PostgreSQL takes the index that has them so, whatever its statistics say
    return first.order_by(earlier.event).limit(1).scalar_subquery().is_not(None)
