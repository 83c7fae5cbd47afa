"""Links to calendars in the database. Of a link's token there is only the SHA-256 of its secret."""

from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import BigInteger, String, bindparam, func, insert, or_, select, tuple_, update
from sqlalchemy.ext.asyncio import AsyncConnection

from fieldworthy.core.base.micros import micros_text
from fieldworthy.storage.machines import chunks
from fieldworthy.storage.tables import feeds
from fieldworthy.storage.trail import SqlTrail
from fieldworthy.usecases.feeds import Feed

_FEED = [feeds.c[name] for name in Feed.__dataclass_fields__]


class SqlFeeds:
    """Implements `usecases.feeds.Feeds` inside one transaction. organisation: whose they are; None: where they are looked for by token."""

    def __init__(self, connection: AsyncConnection, trail: SqlTrail, organisation: int | None = None) -> None:
        self._connection = connection
        self._trail = trail
        self._own = feeds.c.organisation == organisation if organisation is not None else feeds.c.organisation.is_not(None)

    async def find(self, id: str) -> Feed | None:
        row = (await self._connection.execute(select(*_FEED).where(feeds.c.id == id, self._own))).first()
        return None if row is None else Feed(*row)

    async def page(self, after: tuple[int, str] | None, limit: int) -> Sequence[Feed]:
        query = select(*_FEED).where(self._own).order_by(feeds.c.created, feeds.c.id).limit(limit)
        if after is not None:
            query = query.where(tuple_(feeds.c.created, feeds.c.id) > tuple_(*after))
        return [Feed(*row) for row in await self._connection.execute(query)]

    async def working(self) -> int:
        query = select(func.count()).select_from(feeds).where(self._own, feeds.c.revoked.is_(None))
        return int((await self._connection.execute(query)).scalar_one())

    async def add(self, feed: Feed) -> None:
        values: dict[str, Any] = {column.name: getattr(feed, column.name) for column in _FEED}
        await self._connection.execute(insert(feeds).values(values))
        told = {"name": feed.name, "machine": feed.machine, "site": feed.site}
        self._trail.of(feed.organisation, "feed", feed.id, feed.created, None, told)

    async def revoke(self, id: str, at: int) -> None:
        works = update(feeds).where(feeds.c.id == id, self._own, feeds.c.revoked.is_(None))
        for (organisation,) in (await self._connection.execute(works.values(revoked=at).returning(feeds.c.organisation))).all():
            self._trail.of(organisation, "feed", id, at, {"revoked": None}, {"revoked": micros_text(at)})

    async def note_used(self, used: Mapping[str, int]) -> None:
        if not used:
            return
        for some in chunks(sorted(used)):
            never = select(feeds.c.id, feeds.c.organisation).where(self._own, feeds.c.id.in_(some), feeds.c.last_used.is_(None))
            for id, organisation in (await self._connection.execute(never)).all():
                self._trail.of(organisation, "feed", id, None, {"first_used": None}, {"first_used": micros_text(used[id])})
        id_, at = bindparam("used_id", type_=String), bindparam("used_at", type_=BigInteger)
        newer = update(feeds).where(feeds.c.id == id_, or_(feeds.c.last_used.is_(None), feeds.c.last_used < at)).values(last_used=at)
        await self._connection.execute(newer, [{"used_id": each, "used_at": moment} for each, moment in used.items()])
