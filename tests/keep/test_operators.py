"""The door for operators, as real processes have it: `serve` and, beside PostgreSQL, `worker`."""

import asyncio
import json
import re
import signal
import socket
import subprocess
import sys
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import httpx
import pytest

from fieldworthy.cli.operators import Operators
from fieldworthy.cli.stopping import told_to_stop
from fieldworthy.rest.metrics import TEXT
from fieldworthy.rest.readiness import Readiness
from tests.doors_app import make_test_app
from tests.faults.harness import Served
from tests.keep.test_metrics import of, read
from tests.postgres import as_plain_role, lent

PROGRAM = [sys.executable, "-c", "from fieldworthy.cli import main; main()"]


async def test_it_answers_three_addresses_and_no_others() -> None:
    app = make_test_app()
    door = Operators(app.state.metrics, app.state.readiness)
    async with httpx.AsyncClient(transport=httpx.ASGITransport(door), base_url="http://localhost") as http:
        assert [(await http.get(path)).status_code for path in ("/healthz", "/readyz", "/metrics")] == [200] * 3
        assert (await http.head("/metrics")).headers["content-type"] == TEXT
        for path in ("/", "/v1/machines", "/metrics/", "/docs"):
            assert (await http.get(path)).json()["code"] == "address.unknown"
        refused = await http.post("/metrics")
        assert (refused.status_code, refused.headers["allow"]) == (405, "GET, HEAD")
        app.state.readiness.stopping = True
        stopping = await http.get("/readyz")
        assert (stopping.status_code, stopping.json()["detail"]) == (503, "the service is stopping")
        assert [(await http.get(path)).status_code for path in ("/healthz", "/metrics")] == [200] * 2


@pytest.mark.slow
async def test_serve_tells_there_and_nowhere_else(tmp_path: Path) -> None:
    address = f"sqlite:///{tmp_path}/served.db"
    environment = {"FIELDWORTHY_DATABASE_URL": address, "PATH": "", "HOME": str(tmp_path)}
    made = [*PROGRAM, "key", "create", "all", "-o", "Nine Oxen", "-s", "administer", "-s", "read"]
    key = subprocess.run(made, env=environment, capture_output=True, text=True, check=True).stdout.strip()  # noqa: ASYNC221
    served = Served(
        address, tmp_path, words=("serve",), more={"FIELDWORTHY_METRICS_ADDRESS": "127.0.0.1:0", "FIELDWORTHY_LOG_LEVEL": "info"}
    )
    await served.start()
    try:
        found = re.search(r"metrics are at (\S+)/metrics, without a key", served.log.read_text())
        assert found
        named = {"authorization": f"Bearer {key}", "x-request-id": "of-this-test"}
        async with httpx.AsyncClient(timeout=30) as http:
            assert (await http.get(f"{served.url}/v1/machines", headers=named)).status_code == 200
            assert (await http.get(f"{served.url}/v1/audit?limit=none", headers=named)).status_code == 422
            answer = await http.get(f"{served.url}/metrics", headers=named)
            assert (answer.status_code, answer.json()["code"]) == (404, "address.unknown")
            told = read((await http.get(f"{found[1]}/metrics")).text)
        assert of(told, "fieldworthy_requests_total", method="GET", route="/v1/machines", status="200") == 1
        assert of(told, "fieldworthy_requests_total", method="GET", route="/v1/audit", status="422") == 1
        assert of(told, "fieldworthy_store_readable") == 1
        assert of(told, "fieldworthy_database_connections_most") == 8
        assert any(name == "process_resident_memory_bytes" for name, _ in told) == (sys.platform == "linux")
        logged = [json.loads(line) for line in served.log.read_text().splitlines() if line.startswith("{")]
        lines = [line for line in logged if line.get("request_id") == "of-this-test"]
        assert [(line["route"], line["status"]) for line in lines] == [("/v1/machines", 200), ("/v1/audit", 422)]
        assert [line["key"] for line in lines] == [key.split("_")[1]] * 2
        assert [line["organisation"] for line in lines] == [1, 1]
        assert key not in served.log.read_text()
    finally:
        served.stop()


async def test_an_address_that_is_taken_is_refused(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        address = f"127.0.0.1:{taken.getsockname()[1]}"
        environment = {"FIELDWORTHY_DATA_DIR": str(tmp_path), "PATH": "", "HOME": str(tmp_path), "FIELDWORTHY_METRICS_ADDRESS": address}
        words = [*PROGRAM, "serve", "--open", "--port", "0"]
        ended = await asyncio.to_thread(subprocess.run, words, env=environment, capture_output=True, text=True, timeout=60)
    assert ended.returncode == 2
    assert "is in use; choose another with FIELDWORTHY_METRICS_ADDRESS" in ended.stderr


@pytest.fixture
def postgresql(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    with lent("postgresql", request, tmp_path) as address:
        yield as_plain_role(address)


async def test_what_works_without_a_door_says_too_that_it_stops() -> None:
    readiness = Readiness([])
    with told_to_stop(readiness) as stop:
        assert await readiness() is None
        signal.raise_signal(signal.SIGTERM)
        async with asyncio.timeout(10):
            await stop.wait()
        assert await readiness() == "the service is stopping"


@asynccontextmanager
async def a_worker(address: str, room: Path) -> AsyncIterator[tuple[subprocess.Popen[bytes], str]]:
    """A process that delivers, and where its operators' door is."""
    log = room / "worker.log"
    environment = {"FIELDWORTHY_DATABASE_URL": address, "FIELDWORTHY_METRICS_ADDRESS": "127.0.0.1:0", "PATH": "", "HOME": str(room)}
    with log.open("w") as said:
        process = subprocess.Popen([*PROGRAM, "worker"], env=environment, stderr=said)  # noqa: ASYNC220
    try:
        async with asyncio.timeout(60):
            while not (found := re.search(r"metrics are at (\S+)/metrics", log.read_text())):  # noqa: ASYNC110  # it tells no other way
                await asyncio.sleep(0.05)
        yield process, found[1]
    finally:
        process.kill()
        process.wait()


@pytest.mark.postgres
@pytest.mark.slow
async def test_a_worker_that_is_told_twice_ends_at_once(postgresql: str, tmp_path: Path) -> None:
    async with a_worker(postgresql, tmp_path) as (process, url):
        async with httpx.AsyncClient(base_url=url, timeout=60) as http:
            assert (await http.get("/readyz")).status_code == 200
        for told in (signal.SIGSTOP, signal.SIGTERM, signal.SIGINT, signal.SIGCONT):  # so it finds both
            process.send_signal(told)
        assert -await asyncio.to_thread(process.wait, 30) in (signal.SIGTERM, signal.SIGINT)


@pytest.mark.postgres
@pytest.mark.slow
async def test_a_worker_has_that_door_too(postgresql: str, tmp_path: Path) -> None:
    async with a_worker(postgresql, tmp_path) as (process, url):
        async with httpx.AsyncClient(base_url=url, timeout=60) as http:
            ready: Any = await http.get("/readyz")
            told = read((await http.get("/metrics")).text)
        assert (ready.status_code, of(told, "fieldworthy_store_readable")) == (200, 1)
        assert of(told, "fieldworthy_deliveries", state="waiting") == 0
        assert of(told, "fieldworthy_delivery_attempt_seconds_count", outcome="delivered") == 0
        process.send_signal(signal.SIGTERM)
        assert await asyncio.to_thread(process.wait, 30) == 0
