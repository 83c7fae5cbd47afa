"""Makes the tables' readers (`tests.due_cases` and its like) importable, however pytest was started, and settles the property tests.

In the pipeline (CI=true) properties try the same examples every time, so that a change is judged by itself; anywhere else they look
for new ones at each run. No property fails on a time.
"""

import os
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import settings

if TYPE_CHECKING:
    from tests.postgres import Postgres

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

settings.register_profile("searching", deadline=None)
settings.register_profile("pipeline", deadline=None, derandomize=True, database=None, max_examples=50)
settings.load_profile("pipeline" if os.environ.get("CI") else "searching")


@pytest.fixture(scope="session")
def postgres() -> "Iterator[Postgres]":
    """One real PostgreSQL a session (and worker), started when a test first asks for it."""
    from tests.postgres import running_postgres

    yield from running_postgres()
