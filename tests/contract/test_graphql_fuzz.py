"""A short form of `tests.faults.fuzz_graphql`: some hundred requests, right ones and spoiled ones, each answered as it must be."""

from pathlib import Path

import pytest

from tests.effort import examples
from tests.faults.fuzz_graphql import fuzz


@pytest.mark.slow
async def test_whatever_is_asked_is_answered_as_it_must_be(tmp_path: Path) -> None:
    tried = await fuzz(f"sqlite:///{tmp_path}/store.db", examples(900), seed=1)
    assert not tried.failures, "\n".join(tried.failures)
    assert tried.asked.total() >= examples(900)
    assert tried.share >= 0.5, tried.unanswered  # of the right ones, or else it is not the service that is tried, but its first check
    assert len(tried.fields) > 80, sorted(tried.fields)
    assert {"leaf", "member", "ids", "by chance", "document", "request", "other's", "keys", "pages", "chained"} <= set(tried.asked)
