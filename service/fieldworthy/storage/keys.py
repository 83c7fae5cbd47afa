"""Organisations and keys in the database. Of a key there is only the SHA-256 of its secret."""

from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import BigInteger, String, bindparam, func, insert, or_, select, update
from sqlalchemy.ext.asyncio import AsyncConnection

from fieldworthy.core.base.micros import micros_text
from fieldworthy.storage.feeds import SqlFeeds
from fieldworthy.storage.machines import chunks
from fieldworthy.storage.moments import moment
from fieldworthy.storage.tables import keys, organisations
from fieldworthy.storage.trail import SqlTrail
from fieldworthy.usecases.audit import ITSELF, KEY, Actor
from fieldworthy.usecases.keys import Key, Organisation, scopes_of, scopes_text
from fieldworthy.usecases.ports import Clock


class SqlKeys:
    """Implements `usecases.keys.Keys` inside one transaction, which it neither begins nor ends. clock: see `storage.kept.SqlKept`."""

    def __init__(self, connection: AsyncConnection, clock: Clock | None, actor: Actor = ITSELF) -> None:
        self.trail = SqlTrail(connection, 0, actor, clock)  # each line goes to the organisation whose key it is
        self.feeds = SqlFeeds(connection, self.trail)
        self._connection = connection
        self._clock = clock

    async def find(self, id: str) -> Key | None:
        row = (await self._connection.execute(select(keys).where(keys.c.id == id))).first()
        return None if row is None else _key(row)

    async def of(self, organisation: int | None = None) -> Sequence[Key]:
        query = select(keys).order_by(keys.c.organisation, keys.c.created, keys.c.id)
        if organisation is not None:
            query = query.where(keys.c.organisation == organisation)
        return [_key(row) for row in await self._connection.execute(query)]

    async def add(self, key: Key) -> None:
        values = {
            "id": key.id,
            "organisation": key.organisation,
            "name": key.name,
            "digest": key.digest,
            "scopes": scopes_text(key.scopes),
            "created": key.created,
            "expires": key.expires,
            "revoked": key.revoked,
            "last_used": key.last_used,
        }
        await self._connection.execute(insert(keys).values(values))
        told = {"name": key.name, "scopes": scopes_text(key.scopes).split(), "expires": micros_text(key.expires)}
        self.trail.of(key.organisation, "key", key.id, key.created, None, told)

    async def revoke(self, id: str, at: int) -> None:
        works = update(keys).where(keys.c.id == id, keys.c.revoked.is_(None))
        rows = await self._connection.execute(works.values(revoked=at).returning(keys.c.organisation))
        for (organisation,) in rows.all():
            self.trail.of(organisation, "key", id, at, {"revoked": None}, {"revoked": micros_text(at)})

    async def note_used(self, used: Mapping[str, int]) -> None:
        if not used:
            return
        for some in chunks(sorted(used)):
            never = select(keys.c.id, keys.c.organisation, keys.c.name).where(keys.c.id.in_(some), keys.c.last_used.is_(None))
            for row in (await self._connection.execute(never)).all():
                self.trail.of(
                    row.organisation,
                    "key",
                    row.id,
                    None,
                    {"first_used": None},
                    {"first_used": micros_text(used[row.id])},
                    Actor(KEY, row.id, row.name),
                )
        id, at = bindparam("used_id", type_=String), bindparam("used_at", type_=BigInteger)
        newer = update(keys).where(keys.c.id == id, or_(keys.c.last_used.is_(None), keys.c.last_used < at)).values(last_used=at)
        await self._connection.execute(newer, [{"used_id": each, "used_at": moment} for each, moment in used.items()])

    async def organisation(self, name: str) -> Organisation | None:
        row = (await self._connection.execute(select(organisations).where(organisations.c.name == name))).first()
        return None if row is None else Organisation(row.id, row.name)

    async def organisations(self) -> Sequence[Organisation]:
        rows = await self._connection.execute(select(organisations).order_by(organisations.c.id))
        return [Organisation(row.id, row.name) for row in rows]

    async def add_organisation(self, name: str, at: int) -> Organisation:
        last = (await self._connection.execute(select(func.max(organisations.c.id)))).scalar()
        new = Organisation((last or 0) + 1, name)
        await self._connection.execute(insert(organisations).values(id=new.id, name=name, created=at))
        self.trail.of(new.id, "organisation", name, at, None, {"name": name})
        return new

    async def moment(self) -> int:
        return await moment(self._connection, self._clock)


def _key(row: Any) -> Key:
    return Key(
        row.id,
        row.organisation,
        row.name,
        bytes(row.digest),
        scopes_of(row.scopes),
        row.created,
        row.expires,
        row.revoked,
        row.last_used,
    )
