"""Makes the tables' readers (`tests.due_cases` and its like) importable, however pytest was started, and settles the property tests.

In the pipeline (CI=true) properties try the same examples every time, so that a change is judged by itself; anywhere else they look
for new ones at each run. A thorough run (THOROUGH=yes) draws more of them, always new ones. No property fails on a time.
"""

import gc
import logging
import os
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import settings

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from tests.effort import THOROUGH, examples
from tests.in_turn import left_out

if TYPE_CHECKING:
    from tests.postgres import Postgres

settings.register_profile("searching", deadline=None, max_examples=examples(100))
settings.register_profile("pipeline", deadline=None, derandomize=True, database=None, max_examples=examples(100))
settings.register_profile("thorough", deadline=None, max_examples=500)
settings.load_profile("thorough" if THOROUGH else "pipeline" if os.environ.get("CI") else "searching")


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """
    Of the tests that run on one database in turn, the other half is named as deselected. First come those that mostly wait for processes:
    the first worker waits with them while the others keep the processors busy, so that nothing waits alone in the end. Then the twins, the
    longest of those that compute.
    """
    gone = set() if THOROUGH else set(left_out(items))
    if gone:
        items[:] = [item for item in items if item not in gone]
        config.hook.pytest_deselected(items=list(gone))
    items.sort(key=lambda item: (item.get_closest_marker("slow") is None, not item.nodeid.startswith("tests/twin/")))


def pytest_collection_finish() -> None:
    """What is loaded by now stays, so the collector need not walk it again after each few tests (a fifth of what many of them cost)."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(20_000, 20, 20)


@pytest.fixture(scope="session")
def postgres() -> "Iterator[Postgres]":
    """One real PostgreSQL a session (and worker), started when a test first asks for it."""
    from tests.postgres import running_postgres

    yield from running_postgres()


@pytest.fixture
def lines() -> Iterator[list[dict[str, Any]]]:
    """What is told in the log, with what is bound around it."""
    import structlog

    told: list[dict[str, Any]] = []

    def keep(logger: object, name: str, event: structlog.typing.EventDict) -> structlog.typing.EventDict:
        told.append({**structlog.contextvars.get_contextvars(), **event, "level": name})
        raise structlog.DropEvent

    before = structlog.get_config()
    structlog.configure(processors=[keep], wrapper_class=structlog.make_filtering_bound_logger(logging.DEBUG))
    yield told
    structlog.configure(**before)
