"""`/readyz` means it: what is in the way is told, and it is ready again by itself once that is gone. And `/metrics` meanwhile.

On both databases, stopped and started: PostgreSQL as a server, SQLite by its file.
"""

import asyncio
from collections.abc import AsyncIterator, Iterator
from functools import partial
from pathlib import Path

import httpx
import pytest
import pytest_asyncio
import structlog
from sqlalchemy import text

from fieldworthy.main import make_app
from fieldworthy.rest.metrics import Metrics
from fieldworthy.rest.readiness import Readiness
from fieldworthy.storage.engine import SqlStore, open_engine
from fieldworthy.storage.readiness import hindrance, pool_of
from fieldworthy.storage.tables import REVISION
from fieldworthy.tokens.issuer import AGAIN_SECONDS, Issuer
from fieldworthy.tokens.sources import from_address
from fieldworthy.usecases.database_limits import DatabaseLimits
from fieldworthy.usecases.tally import Tally
from fieldworthy.usecases.watch import Pool, Watch
from tests.doors_app import NOW, client
from tests.faults.own_postgres import OwnPostgres, own_postgres
from tests.keep.issuing import key_server
from tests.keep.service import Service
from tests.keep.test_metrics import of, read


async def told(http: httpx.AsyncClient) -> str | None:
    """What is in the way; None where it is ready."""
    answer = await http.get("/readyz")
    if answer.status_code == 200:
        assert answer.json() == {"status": "ok"}
        return None
    assert (answer.status_code, answer.json()["code"], answer.headers["retry-after"]) == (503, "service.unavailable", "5")
    return str(answer.json()["detail"])


async def readable(metrics: Metrics) -> list[float | None]:
    found = read((await metrics()).decode())
    return [of(found, "fieldworthy_store_readable"), of(found, "fieldworthy_machines_stale")]


async def at_revision(service: Service, revision: str | None) -> None:
    async with service.store.engine.begin() as connection:
        await connection.execute(text("delete from alembic_version"))
        if revision is not None:
            await connection.execute(text("insert into alembic_version values (:revision)"), {"revision": revision})


async def test_a_schema_of_another_release(service: Service) -> None:
    assert await told(service.http) is None
    try:
        for revision in ("0001", "9999", None):
            await at_revision(service, revision)
            said = await told(service.http)
            assert said == f"the database is at revision {revision or 'none (it is empty)'}, and this release needs {REVISION}"
    finally:
        await at_revision(service, REVISION)
    assert await told(service.http) is None


async def test_the_connections_are_counted(service: Service) -> None:
    pool = pool_of(service.store.engine, DatabaseLimits(pool=3, overflow=4))
    async with service.store.engine.connect(), service.store.engine.connect():
        assert pool() == Pool(2, 0, 7)
    assert pool() == Pool(0, 2, 7)
    memory = open_engine("sqlite:///:memory:")
    assert pool_of(memory, DatabaseLimits())() is None
    await memory.dispose()


@pytest.fixture
def own() -> Iterator[OwnPostgres]:
    with own_postgres() as server:
        yield server


@pytest_asyncio.fixture
async def opened() -> AsyncIterator[list[SqlStore]]:
    stores: list[SqlStore] = []
    yield stores
    for store in stores:
        await store.close()


@pytest.mark.postgres
@pytest.mark.slow
async def test_postgresql_goes_and_comes_back(own: OwnPostgres, opened: list[SqlStore]) -> None:
    store = SqlStore(open_engine(own.address))
    opened.append(store)
    app = make_app(store, lambda: NOW, partial(hindrance, store), is_open=True)
    metrics = Metrics(Tally(), Watch(store, fresh=0.0))
    async with client(app) as http:
        assert (await told(http), await readable(metrics)) == (None, [1, 0])
        await asyncio.to_thread(own.stop, "fast")
        assert (await told(http), await readable(metrics)) == ("the database can't be reached", [0, None])
        assert (await http.get("/healthz")).status_code == 200
        await asyncio.to_thread(own.start)
        assert (await told(http), await readable(metrics)) == (None, [1, 0])


async def test_an_sqlite_file_goes_and_comes_back(service: Service, tmp_path: Path) -> None:
    if service.store.engine.dialect.name != "sqlite":
        pytest.skip("of SQLite's file")
    file, aside = tmp_path / "store.db", tmp_path / "aside.db"
    metrics = Metrics(Tally(), Watch(service.store, fresh=0.0))
    assert (await told(service.http), await readable(metrics)) == (None, [1, 0])
    await service.store.engine.dispose()
    file.rename(aside)
    file.mkdir()
    with structlog.testing.capture_logs() as logged:
        assert (await told(service.http), await readable(metrics)) == ("the database can't be reached", [0, None])
        await told(service.http)
        file.rmdir()
        aside.rename(file)
        assert (await told(service.http), await readable(metrics)) == (None, [1, 0])
    said = [(line["log_level"], line["event"]) for line in logged if line["event"] in ("not ready", "ready again")]
    assert said == [("warning", "not ready"), ("info", "ready again")]  # once each, however often it is asked


async def test_who_asks_meanwhile_waits_for_the_same_look() -> None:
    looks, gate = 0, asyncio.Event()

    async def slow() -> None:
        nonlocal looks
        looks += 1
        await gate.wait()

    ready = Readiness([slow])
    asked = [asyncio.create_task(ready()) for _ in range(50)]
    await asyncio.sleep(0)
    asked[0].cancel()  # that one leaves, and the others hear it all the same
    await asyncio.sleep(0)
    gate.set()
    assert await asyncio.gather(*asked[1:]) == [None] * 49
    assert looks == 1
    assert await ready() is None
    assert looks == 2


async def test_what_gives_no_answer_is_not_ready() -> None:
    ready = Readiness([asyncio.Event().wait], within=0.01)  # type: ignore[list-item]  # which never ends
    assert await ready() == "it was not known after 0.01 s whether the service can answer"


async def test_from_when_it_is_told_to_stop() -> None:
    async def well() -> None:
        return None

    ready = Readiness([well])
    assert await ready() is None
    ready.stopping = True
    assert await ready() == "the service is stopping"


async def test_the_issuers_keys_must_have_been_had_once() -> None:
    with key_server() as keys:
        seconds = 0.0
        issuer = Issuer(from_address(keys.address), lambda: seconds)
        keys.away = True
        away = "the keys of the tokens' issuer could not be had yet"
        assert await issuer.hindrance() == away
        keys.away, asked = False, keys.asked
        assert await issuer.hindrance() == away  # nobody is asked twice in so short a time
        assert keys.asked == asked
        seconds = AGAIN_SECONDS + 1
        assert await issuer.hindrance() is None
        keys.away = True
        seconds = 1e6  # it has been away for long: keys go on beside tokens, and other replicas would do no better
        assert await issuer.hindrance() is None
