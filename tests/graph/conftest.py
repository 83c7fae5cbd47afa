"""A database of its own for each test that asks for one."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.postgres import BOTH, lent


@pytest.fixture(params=BOTH)
def address(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """The address of a migrated database of its own."""
    with lent(request.param, request, tmp_path) as address:
        yield address
