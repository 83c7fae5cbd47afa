"""The service in this process, over a store in memory: for the tests of the doors and for whoever rewrites the contract."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

import httpx
import structlog
from fastapi import FastAPI

from fieldworthy.main import make_app
from fieldworthy.usecases.audit import ITSELF, Actor
from fieldworthy.usecases.kept import HOME
from fieldworthy.usecases.ports import Draft, Published, Shelved, Version

# one line of the trouble, without a screen of local values
structlog.configure(processors=[structlog.dev.ConsoleRenderer(colors=False, exception_formatter=structlog.dev.plain_traceback)])

NOW = datetime(2026, 7, 14, 6, 0, tzinfo=UTC)


@dataclass
class MemoryStore:
    """Drafts and versions of one organisation in two dicts. Its shelf and both kinds of transaction are itself."""

    drafts: dict[str, Draft] = field(default_factory=dict)
    kept: dict[str, list[Published]] = field(default_factory=dict)
    organisation: int = HOME

    def shelf(self, organisation: int) -> "MemoryStore":
        assert organisation == self.organisation  # there is no other
        return self

    @asynccontextmanager
    async def read(self, actor: Actor = ITSELF) -> AsyncIterator["MemoryStore"]:
        yield self

    write = read

    beside: None = None

    async def moment(self) -> datetime | None:
        return None

    async def draft(self, name: str) -> Draft | None:
        return self.drafts.get(name)

    async def put_draft(self, draft: Draft) -> None:
        self.drafts[draft.name] = draft

    async def newest(self, name: str) -> Version | None:
        return self.kept[name][-1] if name in self.kept else None

    async def newest_at(self, name: str, moment: datetime) -> Version | None:
        return next((v for v in reversed(self.kept.get(name, ())) if v.published_at <= moment), None)

    async def version(self, name: str, version: int) -> Version | None:
        return await self.published(name, version)

    async def by_digest(self, digest: str) -> Version | None:
        return next((v for versions in self.kept.values() for v in versions if v.digest == digest), None)

    async def published(self, name: str, version: int) -> Published | None:
        return next((v for v in self.kept.get(name, ()) if v.version == version), None)

    async def add(self, published: Published) -> None:
        self.kept.setdefault(published.name, []).append(published)

    async def names(self, after: str | None, limit: int) -> tuple[Shelved, ...]:
        names = sorted(n for n in {*self.drafts, *self.kept} if after is None or n > after)
        return tuple([Shelved(n, await self.newest(n), self.drafts[n].revision if n in self.drafts else None) for n in names[:limit]])

    async def versions(self, name: str, before: int | None, limit: int) -> tuple[Version, ...]:
        return tuple(v for v in reversed(self.kept.get(name, ())) if before is None or v.version < before)[:limit]

    async def shared_by_digest(self, digest: str) -> None:
        """Nobody shares anything here."""

    async def close_names(self, name: str, most: int) -> tuple[str, ...]:
        return tuple(n for n in sorted(self.kept) if n[:2] == name[:2])[:most]


def make_test_app(store: MemoryStore | None = None, **options: Any) -> FastAPI:
    """The app over a store in memory, its clock standing still, without keys unless told otherwise."""
    return make_app(store if store is not None else MemoryStore(), lambda: NOW, **{"is_open": True, **options})


def client(app: FastAPI) -> httpx.AsyncClient:
    """A client of the app, in this process."""
    return httpx.AsyncClient(transport=httpx.ASGITransport(app, raise_app_exceptions=False), base_url="http://localhost")


async def publish(http: httpx.AsyncClient, name: str, text: str) -> None:
    """Puts and publishes a rulebook; fails where it has errors."""
    put = await http.put(f"/v1/rulebooks/{name}/draft", content=text.encode(), headers={"content-type": "application/yaml"})
    assert put.status_code == 200, put.text
    published = await http.post(f"/v1/rulebooks/{name}/publish")
    assert published.status_code == 200, published.text
