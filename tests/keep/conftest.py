"""The service over a real store for every test here: an SQLite file, and a database of a real PostgreSQL."""

from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import pytest
import pytest_asyncio

from tests.keep.service import Service, running
from tests.postgres import BOTH, lent
from tests.threads import ended_threads


@pytest.fixture(params=BOTH)
def address(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """The address of a migrated database of its own."""
    with lent(request.param, request, tmp_path) as address:
        yield address


@pytest.fixture
async def service(address: str) -> AsyncIterator[Service]:
    """The service over that database, its clock in the test's hand."""
    async with running(address) as opened:
        yield opened


@pytest_asyncio.fixture(autouse=True)
async def ended() -> AsyncIterator[None]:
    """Each test waits for the threads of its connections."""
    async for _ in ended_threads():
        yield
