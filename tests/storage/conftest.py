"""Two stores for every test here: an SQLite file, and a database of a real PostgreSQL that runs for the session."""

from collections.abc import AsyncIterator
from pathlib import Path

import pytest
import pytest_asyncio

from fieldworthy.storage.engine import SqlStore, open_engine
from tests.postgres import BOTH, Postgres, address_of
from tests.threads import ended_threads


@pytest.fixture(params=BOTH)
def empty_address(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """The address of a database in which nothing was done yet."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'new folder' / 'store.db'}"
    server: Postgres = request.getfixturevalue("postgres")
    return server.empty()


@pytest.fixture(params=BOTH)
def address(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """The address of a migrated database of its own."""
    return address_of(request.param, request, tmp_path)


@pytest.fixture
def postgresql_address(postgres: Postgres) -> str:
    """The address of a migrated PostgreSQL of its own."""
    return postgres.migrated()


@pytest.fixture
def postgresql_empty(postgres: Postgres) -> str:
    """The address of an empty PostgreSQL of its own."""
    return postgres.empty()


@pytest.fixture
async def store(address: str) -> AsyncIterator[SqlStore]:
    opened = SqlStore(open_engine(address))
    yield opened
    await opened.close()


@pytest_asyncio.fixture(autouse=True)
async def ended() -> AsyncIterator[None]:
    """Each test waits for the threads of its connections."""
    async for _ in ended_threads():
        yield
