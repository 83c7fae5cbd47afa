"""A fresh service for each test, and one that already holds the example's rulebook."""

from collections.abc import AsyncIterator
from pathlib import Path

import httpx
import pytest
import pytest_asyncio

from tests.doors_app import client, make_test_app, publish

NAME = "plover-r5-baler"


@pytest.fixture(scope="session")
def rulebook() -> str:
    return (Path(__file__).resolve().parents[1] / "contract" / "example_rulebook.yaml").read_text("utf-8")


@pytest_asyncio.fixture
async def empty() -> AsyncIterator[httpx.AsyncClient]:
    async with client(make_test_app()) as http:
        yield http


@pytest_asyncio.fixture
async def http(empty: httpx.AsyncClient, rulebook: str) -> httpx.AsyncClient:
    await publish(empty, NAME, rulebook)
    return empty
