"""Every address that takes a body, with one that is too large however it comes: told, untold, packed; or nested too deep."""

import gzip
import json
import re
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from fieldworthy.rest.readings import PATH as READINGS
from fieldworthy.rest.unpack import zstd
from fieldworthy.usecases.limits import MAX_READINGS_BYTES
from tests.contract.test_openapi import CONTRACT, operations
from tests.keep.service import running
from tests.postgres import lent

MOST = 20_000
BATCH = "/v1/due/batch"
PACKED = {READINGS, "/v1/readings/iso15143-3", "/v1/readings/counters"}
DEEP = 50_000
"""Brackets in each other: what a parser that calls itself for each would not come back from."""


def taking() -> Iterator[tuple[str, str, str]]:
    """Method, address and media type of each operation that takes a body, and of each type that it takes."""
    for path, method, operation in operations():
        for kind in operation.get("requestBody", {}).get("content", {}):
            yield method.upper(), re.sub(r"{[^}]*}", "1", path), kind


async def pieces(body: bytes) -> AsyncIterator[bytes]:
    """Without a length: `Transfer-Encoding: chunked`."""
    for start in range(0, len(body), 1_000_000):
        yield body[start : start + 1_000_000]


async def test_every_address_that_takes_a_body_counts_it(request: pytest.FixtureRequest, tmp_path: Path) -> None:
    much = bytes(MAX_READINGS_BYTES + 1)
    bombs = {"gzip": gzip.compress(much, 9), "zstd": zstd.compress(much, 9)}
    counted = {"too large": 0, "bombs": 0, "not unpacked": 0}
    with lent("sqlite", request, tmp_path) as address:
        async with running(address, max_body=MOST) as service:

            async def send(place: tuple[str, str, str], body: Any, status: int, code: str, **headers: str) -> None:
                method, path, kind = place
                answer: httpx.Response = await service.http.request(method, path, content=body, headers={"content-type": kind, **headers})
                assert (answer.status_code, answer.json()["code"]) == (status, code), (method, path, kind, answer.text[:300])

            for place in taking():
                path = place[1]
                if path == BATCH:  # by the line: tests/doors/test_rest_batch.py
                    continue
                most = MAX_READINGS_BYTES if path == READINGS else MOST
                blanks = b" " * (most + 1)
                await send(place, blanks, 413, "body.too_large")
                await send(place, pieces(blanks), 413, "body.too_large")
                counted["too large"] += 1
                for coding, bomb in bombs.items():
                    assert len(bomb) < MOST
                    if path in PACKED:
                        await send(place, bomb, 413, "body.too_large", **{"content-encoding": coding})
                        counted["bombs"] += 1
                    else:
                        await send(place, bomb, 415, "body.media_type", **{"content-encoding": coding})
                        counted["not unpacked"] += 1
            assert (await service.http.get("/v1/machines")).json() == {"items": [], "next": None}  # and nothing was kept of it
    assert counted["bombs"] == 2 * sum(path in PACKED for _, path, _ in taking())
    assert all(counted.values())
    assert counted["too large"] > 40


async def test_every_address_that_takes_json_bounds_its_depth(request: pytest.FixtureRequest, tmp_path: Path) -> None:
    tried = 0
    with lent("sqlite", request, tmp_path) as address:
        async with running(address) as service:
            for method, path, kind in taking():
                for deep in (b"[" * DEEP, b'{"a":' * DEEP, b"[" * DEEP + b"]" * DEEP, b'{"rulebook":' + b"[" * DEEP + b"]" * DEEP + b"}"):
                    answer = await service.http.request(method, path, content=deep, headers={"content-type": kind})
                    told = answer.status_code
                    if told == 200:  # each line of a batch has its answer, and what a check finds is one
                        assert '"severity":"error"' in answer.text, (method, path, kind, answer.text[:200])
                    else:
                        assert told in (400, 422), (method, path, kind, answer.text[:200])
                    tried += 1
    assert tried > 150


async def test_a_query_has_so_many_parameters(request: pytest.FixtureRequest, tmp_path: Path) -> None:
    asked = "&".join(f"x{n}=1" for n in range(51))
    with lent("sqlite", request, tmp_path) as address:
        async with running(address) as service:
            for path in ("/v1/machines", "/v1/due", "/v1/set-aside", "/v1/rulebooks", "/v1/rulebooks/b/compare", "/v1/shared-rulebooks"):
                answer = await service.http.get(f"{path}?{asked}")
                assert (answer.status_code, answer.json()["code"]) == (400, "request.unreadable"), answer.text
                few = await service.http.get(f"{path}?x=1")
                assert few.status_code == 422


def test_the_contract_says_what_is_too_large_and_too_slow() -> None:
    for path, _, operation in operations():
        assert "408" in operation["responses"], path
        if "requestBody" in operation and path != BATCH:
            assert "413" in operation["responses"], path
    for path, _, operation in operations():
        (name,) = operation["responses"]["503"]["$ref"].rsplit("/", 1)[1:]
        assert "service.busy" in json.dumps(CONTRACT["components"]["responses"][name]), path
