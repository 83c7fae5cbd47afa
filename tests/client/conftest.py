"""A migrated database, SQLite or PostgreSQL, for the tests in which the store matters; and either client."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.client.both import BOTH as CLIENTS
from tests.client.both import Both
from tests.postgres import BOTH, lent


@pytest.fixture(params=BOTH)
def address(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """The address of a database of its own."""
    with lent(request.param, request, tmp_path) as address:
        yield address


@pytest.fixture(params=CLIENTS, ids=lambda both: both.kind)
def both(request: pytest.FixtureRequest) -> Both:
    """The plain client, then the async one."""
    found: Both = request.param
    return found
