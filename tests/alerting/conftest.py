"""A migrated store on either database, by the clock of this machine."""

from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import pytest
import pytest_asyncio

from fieldworthy.storage.engine import SqlStore, open_engine
from tests.postgres import BOTH, lent
from tests.threads import ended_threads


@pytest.fixture(params=BOTH)
def address(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """The address of a database in which nothing was kept."""
    with lent(request.param, request, tmp_path) as address:
        yield address


@pytest.fixture
async def store(address: str, ended: None) -> AsyncIterator[SqlStore]:
    store = SqlStore(open_engine(address))
    yield store
    await store.close()


@pytest_asyncio.fixture
async def ended() -> AsyncIterator[None]:
    """Each test waits for the threads of its connections."""
    async for _ in ended_threads():
        yield
