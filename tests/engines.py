"""Engines that are lent to one test after another: what SQLAlchemy has made of a statement stays with the engine, and is not made anew."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

from sqlalchemy import event, make_url
from sqlalchemy.ext.asyncio import AsyncEngine

from fieldworthy.storage.engine import database_url, open_engine

_SQLITE = "sqlite"


class _Lent:
    """An engine; one of SQLite opens the file that it is told, for each test has one of its own."""

    def __init__(self, address: str) -> None:
        self.engine: AsyncEngine = open_engine(address)
        self.file: str | None = None
        if self.engine.dialect.name == _SQLITE:
            event.listen(self.engine.sync_engine, "do_connect", self._elsewhere)

    def _elsewhere(self, _dialect: Any, _record: Any, positional: list[Any], _named: dict[str, Any]) -> None:
        positional[0] = self.file


_IDLE: dict[str, list[_Lent]] = {}


@asynccontextmanager
async def lent_engine(address: str) -> AsyncIterator[AsyncEngine]:
    """An engine over this database, without a connection and with the usual limits; a listener that a test adds it must take away."""
    file = make_url(address).database if database_url(address).get_backend_name() == _SQLITE else None
    idle = _IDLE.setdefault(address if file is None else _SQLITE, [])
    lent = idle.pop() if idle else _Lent(address)
    lent.file = file
    try:
        yield lent.engine
    finally:
        await lent.engine.dispose()
        idle.append(lent)
