"""The service in this process over a real database, with a clock that a test turns."""

from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from functools import partial
from random import Random
from typing import Any

import httpx
from fastapi import FastAPI
from sqlalchemy import event

from fieldworthy.main import make_app
from fieldworthy.storage.engine import SqlStore
from fieldworthy.storage.readiness import hindrance
from fieldworthy.usecases.ports import Published
from tests.chance import Chance
from tests.doors_app import client, publish
from tests.engines import lent_engine

_PUBLISHED: dict[tuple[str, str], Published] = {}

BEGINNING = datetime(2026, 7, 14, 6, 0, tzinfo=UTC)


@dataclass
class Service:
    """
    A running service. now: what its clock and its store's say; turn it with `later`. chance: of which it makes secrets; ids: of which it
    makes the ids of events.
    """

    address: str
    now: datetime = BEGINNING
    chance: Chance = field(default_factory=Chance)
    ids: Random = field(default_factory=Random)
    store: SqlStore = None  # type: ignore[assignment]  # set by `running`
    app: FastAPI = None  # type: ignore[assignment]
    http: httpx.AsyncClient = None  # type: ignore[assignment]

    def later(self, **by: float) -> datetime:
        """Turns the clock on: `later(hours=1)`."""
        self.now += timedelta(**by)
        return self.now

    async def publish(self, text: str, name: str) -> None:
        """Puts and publishes a rulebook; one that was published before in this process, and so checked, goes straight into the store."""
        seen = _PUBLISHED.get((name, text))
        if seen is None:
            await publish(self.http, name, text)
            async with self.store.read() as kept:
                newest = await kept.newest(name)
                assert newest is not None
                published = await kept.published(name, newest.version)
                assert published is not None
            _PUBLISHED[name, text] = published
            return
        async with self.store.write() as kept:
            newest = await kept.newest(name)
            if newest is None:
                await kept.add(replace(seen, version=1, published_at=self.now))
            elif newest.digest != seen.digest:
                at = max(self.now, newest.published_at + timedelta(microseconds=1))
                await kept.add(replace(seen, version=newest.version + 1, published_at=at))

    async def get(self, path: str, **options: Any) -> Any:
        """The answer's JSON; fails where it is a problem."""
        answer = await self.http.get(path, **options)
        assert answer.status_code < 300, answer.text
        return answer.json()

    async def put(self, path: str, body: Any, **options: Any) -> Any:
        answer = await self.http.put(path, json=body, **options)
        assert answer.status_code < 300, answer.text
        return answer.json()

    async def post(self, path: str, body: Any, **options: Any) -> Any:
        answer = await self.http.post(path, json=body, **options)
        assert answer.status_code < 300, answer.text
        return answer.json()


@asynccontextmanager
async def running(address: str, **options: Any) -> AsyncIterator[Service]:
    """The service over a migrated database, without keys unless told otherwise. options: of `make_app`."""
    service = Service(address)
    async with lent_engine(address) as engine:
        service.store = SqlStore(engine, lambda: service.now, chance=service.ids.randbytes)
        service.app = make_app(
            service.store, lambda: service.now, partial(hindrance, service.store), **{"is_open": True, "random": service.chance, **options}
        )
        async with client(service.app) as service.http:
            yield service
        await service.store.close()


@contextmanager
def statements(service: Service) -> Iterator[list[str]]:
    """What the database is asked meanwhile."""
    asked: list[str] = []

    def noted(_c: Any, _cursor: Any, statement: str, *_more: Any) -> None:
        asked.append(statement)

    event.listen(service.store.engine.sync_engine, "before_cursor_execute", noted)
    try:
        yield asked
    finally:
        event.remove(service.store.engine.sync_engine, "before_cursor_execute", noted)
