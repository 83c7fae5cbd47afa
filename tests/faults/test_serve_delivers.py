"""On SQLite the service itself delivers, over real sockets; and when it is told to stop it finishes what it began."""

import asyncio
import os
import sqlite3
import sys
from pathlib import Path

import httpx
import pytest

from tests.faults.harness import Served
from tests.faults.receiver import SLOW, receiving
from tests.postgres import address_of

NETWORKS = {"FIELDWORTHY_LISTENER_NETWORKS": "127.0.0.1/32"}


@pytest.mark.slow
async def test_serve_delivers_and_finishes(request: pytest.FixtureRequest, tmp_path: Path) -> None:
    served = Served(address_of("sqlite", request, tmp_path), tmp_path, more=NETWORKS)
    await served.start()
    try:
        async with receiving(slow=1.0) as receiver, httpx.AsyncClient(base_url=served.url, timeout=30) as http:
            made = await http.post("/v1/listeners", json={"id": "here", "name": "Here", "url": receiver.url})
            receiver.secrets.append(made.json()["secret"])
            sent = [(await http.post("/v1/listeners/here/test")).json()["event"]]
            assert await receiver.took(1, 20)
            await receiver.does(SLOW)
            sent.append((await http.post("/v1/listeners/here/test")).json()["event"])
            await receiver.asked(2)
            await asyncio.to_thread(served.stop)
            assert receiver.ids == sent
            assert receiver.doubles == 0
            assert made.json()["secret"] not in served.log.read_text()
    finally:
        served.stop()
    with sqlite3.connect(tmp_path / "store.db") as database:
        assert database.execute("select state, count(*) from deliveries group by state").fetchall() == [("delivered", 2)]
    database.close()


async def test_a_worker_of_its_own_is_for_postgresql(tmp_path: Path) -> None:
    told = {**os.environ, "FIELDWORTHY_DATABASE_URL": f"sqlite:///{tmp_path / 'store.db'}"}
    program = ("-c", "from fieldworthy.cli import main; main()", "worker")
    process = await asyncio.create_subprocess_exec(sys.executable, *program, env=told, stderr=asyncio.subprocess.PIPE)
    _, said = await process.communicate()
    assert process.returncode == 2
    assert b"`fieldworthy serve` delivers by itself" in said
