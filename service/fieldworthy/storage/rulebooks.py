"""Drafts and published versions in the database. Takes and gives the core values of `usecases.ports`."""

from datetime import datetime
from hashlib import sha256
from typing import TYPE_CHECKING, Any

from sqlalchemy import ColumnElement, Row, Select, and_, delete, func, insert, or_, select, tuple_, union, update
from sqlalchemy.exc import IntegrityError
from sqlalchemy.ext.asyncio import AsyncConnection

from fieldworthy.core.base.finding import nearest
from fieldworthy.core.base.micros import micros_of
from fieldworthy.storage.tables import organisations
from fieldworthy.storage.tables import rulebook_drafts as drafts
from fieldworthy.storage.tables import rulebook_shares as shares
from fieldworthy.storage.tables import rulebook_versions as versions
from fieldworthy.usecases.ports import Draft, Published, Shared, Shelved, Version
from fieldworthy.usecases.refusals import VersionTaken

if TYPE_CHECKING:
    from fieldworthy.storage.kept import SqlKept

_SUMMARY = (versions.c.name, versions.c.version, versions.c.digest, versions.c.title, versions.c.published_at)
_WHOLE = (*_SUMMARY, versions.c.text, versions.c.media_type, versions.c.document, versions.c.declared)


class SqlRulebooks:
    """Implements `usecases.ports.Rulebooks` for one organisation, inside one transaction, which it neither begins nor ends."""

    def __init__(self, connection: AsyncConnection, organisation: int, own_clock: bool = False, beside: "SqlKept | None" = None) -> None:
        """own_clock: whether moments are told by the database's clock. beside: what it keeps of machines, and the trail, for who writes."""
        self.beside = beside
        self._connection = connection
        self._own_clock = own_clock
        self.organisation = organisation
        self._trail = None if beside is None else beside.trail
        self._own_drafts = drafts.c.organisation == organisation
        self._own = versions.c.organisation == organisation

    async def moment(self) -> datetime | None:
        if not self._own_clock:
            return None
        now: datetime = (await self._connection.execute(select(func.clock_timestamp()))).scalar_one()
        return now

    async def draft(self, name: str) -> Draft | None:
        row = await self._first(select(drafts).where(self._own_drafts, drafts.c.name == name))
        return None if row is None else Draft(row.name, row.text, row.media_type, row.revision, row.changed_at)

    async def put_draft(self, draft: Draft) -> None:
        values = {"text": draft.text, "media_type": draft.media_type, "revision": draft.revision, "changed_at": draft.changed_at}
        old = await self.draft(draft.name)
        if old is None:
            await self._connection.execute(insert(drafts).values(organisation=self.organisation, name=draft.name, **values))
        else:
            await self._connection.execute(update(drafts).where(self._own_drafts, drafts.c.name == draft.name).values(values))
        self._note("draft", draft.name, micros_of(draft.changed_at), None if old is None else _draft(old), _draft(draft))

    async def newest(self, name: str) -> Version | None:
        return await self._version(versions.c.name == name)

    async def newest_at(self, name: str, moment: datetime) -> Version | None:
        return await self._version(versions.c.name == name, versions.c.published_at <= moment)

    async def version(self, name: str, version: int) -> Version | None:
        return await self._version(versions.c.name == name, versions.c.version == version)

    async def by_digest(self, digest: str) -> Version | None:
        found = (
            select(*_SUMMARY)
            .where(self._own, versions.c.digest == digest)
            .order_by(versions.c.published_at, versions.c.name, versions.c.version)
            .limit(1)
        )
        row = await self._first(found)
        return None if row is None else _summary(row)

    async def published(self, name: str, version: int) -> Published | None:
        row = await self._first(select(*_WHOLE).where(self._own, versions.c.name == name, versions.c.version == version))
        return None if row is None else Published(**row._mapping)

    async def add(self, published: Published) -> None:
        values = {column.name: getattr(published, column.name) for column in _WHOLE}
        try:
            async with self._connection.begin_nested():
                await self._connection.execute(insert(versions).values(organisation=self.organisation, **values))
        except IntegrityError as trouble:
            raise VersionTaken(published.name, published.version) from trouble
        told = {"digest": published.digest, "title": published.title}
        self._note("version", _called(published.name, published.version), micros_of(published.published_at), None, told)

    async def names(self, after: str | None, limit: int) -> tuple[Shelved, ...]:
        known = union(select(versions.c.name).where(self._own), select(drafts.c.name).where(self._own_drafts)).subquery()
        newest = func.max(versions.c.version).label("version")
        top = select(versions.c.name, newest).where(self._own).group_by(versions.c.name).subquery()
        query = (
            select(known.c.name.label("shelved"), drafts.c.revision, *_SUMMARY)
            .select_from(known)
            .outerjoin(drafts, self._own_drafts & (drafts.c.name == known.c.name))
            .outerjoin(top, top.c.name == known.c.name)
            .outerjoin(versions, self._own & (versions.c.name == top.c.name) & (versions.c.version == top.c.version))
            .order_by(known.c.name)
            .limit(limit)
        )
        if after is not None:
            query = query.where(known.c.name > after)
        rows = (await self._connection.execute(query)).all()
        return tuple(Shelved(row.shelved, None if row.name is None else _summary(row), row.revision) for row in rows)

    async def versions(self, name: str, before: int | None, limit: int) -> tuple[Version, ...]:
        query = select(*_SUMMARY).where(self._own, versions.c.name == name).order_by(versions.c.version.desc()).limit(limit)
        if before is not None:
            query = query.where(versions.c.version < before)
        return tuple(_summary(row) for row in (await self._connection.execute(query)).all())

    async def close_names(self, name: str, most: int) -> tuple[str, ...]:
        """Names of the same beginning (three characters), by how near they are; the rest of the judgement is `finding.nearest`'s."""
        start = versions.c.name.startswith(name[:3], autoescape=True)
        end = versions.c.name.endswith(name[-3:], autoescape=True)
        query = select(versions.c.name).where(self._own, or_(start, end)).distinct().order_by(versions.c.name).limit(200)
        return nearest(name, (await self._connection.execute(query)).scalars().all(), most)

    async def share(self, name: str, version: int, reader: str, at: datetime) -> None:
        if reader not in await self.readers(name, version):  # whoever writes rulebooks queues: nobody else adds it meanwhile
            values = {"organisation": self.organisation, "name": name, "version": version, "reader": reader, "shared_at": at}
            await self._connection.execute(insert(shares).values(values))
            self._note("reader", _called(name, version), micros_of(at), None, {"reader": reader})

    async def unshare(self, name: str, version: int, reader: str) -> None:
        gone = await self._connection.execute(delete(shares).where(*self._shares(name, version), shares.c.reader == reader))
        if gone.rowcount:
            self._note("reader", _called(name, version), None, {"reader": reader}, None)

    async def readers(self, name: str, version: int) -> tuple[str, ...]:
        query = select(shares.c.reader).where(*self._shares(name, version)).order_by(shares.c.reader)
        return tuple((await self._connection.execute(query)).scalars().all())

    async def _say_who_reads(self) -> None:
        """On PostgreSQL others' versions are shown to a transaction that says by which name it reads; SQLite has no such thing."""
        if self._connection.dialect.name == "postgresql":
            own = select(organisations.c.name).where(organisations.c.id == self.organisation).scalar_subquery()
            await self._connection.execute(select(func.set_config("fieldworthy.reader", own, True)))

    async def shared(self, after: tuple[str, str, int] | None, limit: int) -> tuple[Shared, ...]:
        await self._say_who_reads()
        place = (organisations.c.name, versions.c.name, versions.c.version)
        query = self._shared_with_us(organisations.c.name.label("owner"), *_SUMMARY).order_by(*place).limit(limit)
        if after is not None:
            query = query.where(tuple_(*place) > tuple_(*after))
        return tuple(Shared(row.owner, _summary(row)) for row in (await self._connection.execute(query)).all())

    async def shared_version(self, organisation: str, name: str, version: int) -> Published | None:
        await self._say_who_reads()
        query = self._shared_with_us(*_WHOLE)
        row = await self._first(query.where(organisations.c.name == organisation, versions.c.name == name, versions.c.version == version))
        return None if row is None else Published(**row._mapping)

    async def shared_by_digest(self, digest: str) -> tuple[str, Published] | None:
        await self._say_who_reads()
        query = self._shared_with_us(organisations.c.name.label("owner"), *_WHOLE).where(versions.c.digest == digest)
        row = await self._first(query.order_by(versions.c.published_at, organisations.c.name, versions.c.name, versions.c.version).limit(1))
        if row is None:
            return None
        told = dict(row._mapping)
        return told.pop("owner"), Published(**told)

    def _shares(self, name: str, version: int) -> tuple[ColumnElement[bool], ...]:
        """Of a version of our own."""
        return shares.c.organisation == self.organisation, shares.c.name == name, shares.c.version == version

    def _shared_with_us(self, *columns: Any) -> Select[Any]:
        """Versions of others, each with whose it is, that name us as a reader."""
        us = organisations.alias()
        same = and_(
            shares.c.organisation == versions.c.organisation, shares.c.name == versions.c.name, shares.c.version == versions.c.version
        )
        return (
            select(*columns)
            .select_from(versions)
            .join(shares, same)
            .join(organisations, organisations.c.id == versions.c.organisation)
            .join(us, us.c.name == shares.c.reader)
            .where(us.c.id == self.organisation)
        )

    def _note(self, kind: str, id: str, at: int | None, before: object, after: object) -> None:
        if self._trail is None:
            raise RuntimeError("whoever only reads changes nothing")
        self._trail.note(kind, id, at, before, after)

    async def _version(self, *where: ColumnElement[bool]) -> Version | None:
        row = await self._first(select(*_SUMMARY).where(self._own, *where).order_by(versions.c.version.desc()).limit(1))
        return None if row is None else _summary(row)

    async def _first(self, query: Any) -> Row[Any] | None:
        return (await self._connection.execute(query)).first()


def _called(name: str, version: int) -> str:
    return f"{name}@{version}"


def _draft(draft: Draft) -> dict[str, Any]:
    """A draft as the trail tells of it: which text it was, and not the text, which may be large and is in force nowhere."""
    text = draft.text.encode("utf-8", "surrogatepass")
    return {"revision": draft.revision, "media_type": draft.media_type, "bytes": len(text), "sha256": sha256(text).hexdigest()}


def _summary(row: Any) -> Version:
    return Version(row.name, row.version, row.digest, row.title, row.published_at)
