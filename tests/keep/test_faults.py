"""What happens when something breaks: the service is killed, the database goes away, the disk is full, two replicas do the same.

The short form of `tests/faults/run.py`, over real processes, sockets and databases. Nothing acknowledged is lost, nothing is there twice.
"""

import asyncio
import random
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path

import httpx
import pytest
from sqlalchemy import event

from fieldworthy.main import make_app
from fieldworthy.storage.engine import SqlStore, open_engine
from fieldworthy.storage.readiness import hindrance
from fieldworthy.usecases.kept import HOME, Entry, next_known
from tests.doors_app import client
from tests.effort import THOROUGH, examples
from tests.faults.harness import Served, killed, machines_of, settle_in, tally, under_load, until
from tests.faults.own_postgres import OwnPostgres, own_postgres

pytestmark = [pytest.mark.slow, pytest.mark.both_databases]


async def test_killed_under_load(address: str, tmp_path: Path) -> None:
    account, told = await killed(address, tmp_path, times=3 if THOROUGH else 1, seed=random.randrange(10_000))
    assert account.wrong == []
    assert account.acknowledged > 3
    assert account.tries > account.acknowledged  # somebody was cut off
    assert (told.lost, told.double) == (0, 0)


@pytest.fixture
def own() -> Iterator[OwnPostgres]:
    with own_postgres() as server:
        yield server


@pytest.mark.postgres
@pytest.mark.parametrize("how", ["fast", "immediate"])
async def test_the_database_goes_and_comes_back(own: OwnPostgres, tmp_path: Path, how: str) -> None:
    served = Served(own.address, tmp_path)
    await served.start()
    try:
        await settle_in(served.url, machines_of(3))
        async with under_load([served.url], 3, 1) as account, httpx.AsyncClient(base_url=served.url, timeout=30) as http:
            await until(account, 10)
            await asyncio.to_thread(own.stop, how)
            before = account.acknowledged
            await asyncio.sleep(0.5)
            refused = len(account.refused)
            assert refused > 0
            for path in ("/readyz", "/v1/rulebooks", "/v1/machines/shared/done"):
                begun = time.monotonic()
                answer = await http.get(path)
                assert (answer.status_code, answer.json()["code"]) == (503, "service.unavailable"), path
                assert 0 < int(answer.headers["retry-after"]) <= 60
                assert time.monotonic() - begun < 10
            assert (await http.get("/healthz")).status_code == 200
            assert account.acknowledged == before
            await asyncio.to_thread(own.start)
            await until(account, before + 10)  # by itself
            assert (await http.get("/readyz")).status_code == 200
        assert account.wrong == []
        assert all(status in (409, 503) and after for status, after in account.refused if status == 503)
        told = await tally(served.url, account, machines_of(3))
        assert (told.lost, told.double) == (0, 0)
    finally:
        served.stop()


async def test_two_replicas_write_the_same(address: str, tmp_path: Path) -> None:
    """The same reading, the same record, the same key, to both at once: one does it, and both say the same in the end."""
    first, second = Served(address, tmp_path, "a"), Served(address, tmp_path, "b")
    await first.start()
    await second.start()
    beginning = datetime.now(UTC).replace(microsecond=0) - timedelta(days=30)
    try:
        await settle_in(first.url, ["shared"])
        async with httpx.AsyncClient(timeout=30) as http:
            for n in range(examples(8)):
                at = (beginning + timedelta(hours=n)).isoformat()
                readings = [{"machine": "shared", "meter": "work", "at": at, "value": n / 2}]
                answers = await asyncio.gather(*(http.post(f"{s.url}/v1/readings", json=readings) for s in (first, second)))
                assert sorted((a.json()["kept"], a.json()["same"]) for a in answers) == [(0, 1), (1, 0)]

                record = {"task": "grease", "at": at}
                path = f"/v1/machines/shared/done/d{n}"
                answers = await asyncio.gather(*(http.put(s.url + path, json=record) for s in (first, second)))
                assert sorted(a.status_code for a in answers) == [200, 201]
                states = (await http.get(f"{first.url}{path}/states")).json()["items"]
                assert len(states) == 1

                path, headers = f"/v1/machines/shared/done/k{n}", {"idempotency-key": f"k{n}"}
                answers = await asyncio.gather(*(http.put(s.url + path, json=record, headers=headers) for s in (first, second)))
                assert {a.status_code for a in answers} <= {201, 409}
                assert 201 in {a.status_code for a in answers}
                again = [await http.put(s.url + path, json=record, headers=headers) for s in (first, second)]
                assert len({(a.status_code, a.content) for a in (*again, *answers) if a.status_code != 409}) == 1
    finally:
        first.stop()
        second.stop()


async def test_two_replicas_under_load_and_one_is_killed(address: str, tmp_path: Path) -> None:
    first, second = Served(address, tmp_path, "a"), Served(address, tmp_path, "b")
    await first.start()
    await second.start()
    try:
        await settle_in(first.url, machines_of(3))
        async with under_load([first.url, second.url], 3, 7) as account:
            await until(account, 15)
            second.kill()
            await until(account, account.acknowledged + 10)  # the other goes on
            await second.start()
            await until(account, account.acknowledged + 15)
        assert account.wrong == []
        told = await tally(second.url, account, machines_of(3))
        assert (told.lost, told.double) == (0, 0)
    finally:
        first.stop()
        second.stop()


async def test_the_disk_is_full(tmp_path: Path) -> None:
    """SQLite's own SQLITE_FULL, for the file may have no more pages: `tests/faults/run.py` fills a real disk where it may mount one."""
    room = {"pages": 1_000_000}
    store = SqlStore(open_engine(f"sqlite:///{tmp_path / 'store.db'}"))
    from fieldworthy.storage.engine import prepare

    await prepare(store, f"sqlite:///{tmp_path / 'store.db'}")

    @event.listens_for(store.engine.sync_engine, "begin")
    def limited(connection: object) -> None:
        connection.exec_driver_sql(f"pragma max_page_count = {room['pages']}")  # type: ignore[attr-defined]

    app = make_app(store, lambda: datetime.now(UTC), partial(hindrance, store), is_open=True)
    async with client(app) as http:
        await http.put("/v1/rulebooks/faults/draft", content="rulebook: faults\n", headers={"content-type": "application/yaml"})
        room["pages"] = 1  # it becomes as many as there are
        big = "rulebook: faults\ntitle: " + "long " * 20_000
        refused = await http.put("/v1/rulebooks/faults/draft", content=big, headers={"content-type": "application/yaml"})
        assert (refused.status_code, refused.json()["code"]) == (503, "service.unavailable")
        assert refused.json()["detail"] == "the database's disk is full"
        assert int(refused.headers["retry-after"]) > 0
        kept = await http.get("/v1/rulebooks/faults/draft")
        assert (kept.status_code, kept.text) == (200, "rulebook: faults\n")  # it answers on, and there is no half of it
        room["pages"] = 1_000_000
        again = await http.put("/v1/rulebooks/faults/draft", content=big, headers={"content-type": "application/yaml"})
        assert again.status_code < 300
    await store.close()


async def test_clocks_an_hour_apart(address: str) -> None:
    """Two replicas of which one's clock is an hour ahead: what is known of a machine still only grows, and as of then is as of then."""
    now = datetime(2026, 7, 14, 6, tzinfo=UTC)
    ahead, behind = SqlStore(open_engine(address), lambda: now + timedelta(hours=1)), SqlStore(open_engine(address), lambda: now)
    async with behind.keep(HOME) as kept:
        await kept.machines.add("r5-17", await kept.moment(), "baler", None)
    knowns = []
    for n, store in enumerate((behind, ahead, behind, behind, ahead, behind)):
        async with store.keep(HOME) as kept:
            machine = (await kept.machines.lock(["r5-17"]))["r5-17"]
            known = await next_known(kept, [machine])
            await kept.entries.put(machine.key, [Entry("done", "same", known, n, "grease", f'{{"n": {n}}}')])
            await kept.machines.touch([machine], known)
        knowns.append(known)
    assert knowns == sorted(set(knowns))
    async with behind.look(HOME) as kept:
        for n, known in enumerate(knowns):
            (stood,) = await kept.entries.of(machine.key, ["done"], known)
            assert stood.body == f'{{"n": {n}}}'
    await ahead.close()
    await behind.close()
