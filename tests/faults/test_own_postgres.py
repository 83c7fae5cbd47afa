"""The servers that tests start end with the tests."""

import asyncio
import os
import signal
import time

import asyncpg
import pytest

from tests.faults.own_postgres import own_postgres


@pytest.mark.slow
@pytest.mark.postgres
def test_a_server_ends_though_somebody_hangs_on_it() -> None:
    async def hang(address: str) -> None:
        connection = await asyncpg.connect(address)
        os.kill(await connection.fetchval("select pg_backend_pid()"), signal.SIGSTOP)
        connection.terminate()

    with own_postgres() as server:
        asyncio.run(hang(server.address))
        begun = time.monotonic()
    assert time.monotonic() - begun < 40  # stopped in order, it would wait for a minute
