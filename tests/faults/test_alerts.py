"""The table of `tests.faults.alerts` on a quick schedule: nothing is lost, and who dedupes by id sees each once."""

from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import pytest
import pytest_asyncio

from tests.faults.alerts import RECEIVERS, SHORT, clock_set_back, database_restarted, emptied, receiver_does, worker_killed
from tests.faults.own_postgres import OwnPostgres, own_postgres
from tests.faults.receiver import CUT_AFTER, SLOW
from tests.postgres import address_of
from tests.threads import ended_threads


@pytest_asyncio.fixture(autouse=True)
async def ended() -> AsyncIterator[None]:
    async for _ in ended_threads():
        yield


@pytest.fixture
def sqlite(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    return address_of("sqlite", request, tmp_path)


@pytest.fixture(scope="module")
def server() -> Iterator[OwnPostgres]:
    with own_postgres() as server:
        yield server


@pytest.mark.slow
@pytest.mark.parametrize("how", RECEIVERS)
async def test_receivers_that_fail(how: str, sqlite: str) -> None:
    row = await receiver_does(how, sqlite, SHORT)
    assert row.holds, row
    assert row.caused == 18
    assert how not in (CUT_AFTER, SLOW) or row.again > 0, "it took what it did not say that it took"


@pytest.mark.slow
async def test_a_clock_that_is_set_back(sqlite: str) -> None:
    row = await clock_set_back(sqlite, SHORT)
    assert row.holds, row


@pytest.mark.slow
@pytest.mark.postgres
async def test_workers_that_are_killed(server: OwnPostgres) -> None:
    await emptied(server.address)
    row = await worker_killed(server.address, SHORT)
    assert row.holds, row
    assert row.again > 0, "nothing was in mid-delivery"


@pytest.mark.slow
@pytest.mark.postgres
@pytest.mark.parametrize("how", ["fast", "immediate"])
async def test_a_database_that_is_restarted(how: str, server: OwnPostgres) -> None:
    await emptied(server.address)
    row = await database_restarted(how, server, SHORT)
    assert row.holds, row
