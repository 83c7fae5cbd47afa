"""One key's quota over two real replicas, and the client that waits as it is told. The long form: tests/faults/shared_limit.py."""

import asyncio
from pathlib import Path

import pytest

from tests.faults.shared_limit import hammered, posted

pytestmark = [pytest.mark.slow, pytest.mark.timeout(300)]


@pytest.mark.both_databases
def test_two_replicas_grant_no_more_than_one_quota(address: str, tmp_path: Path) -> None:
    told = asyncio.run(hammered(address, tmp_path, quota=20, seconds=4, windows=1.25, kill=False))
    assert (told.over(), told.wrong(), told.other) == (0, [], 0)
    assert 20 <= told.granted <= 40
    assert told.refused > 0
    assert {each.replica for each in told.told if each.status < 300} == {0, 1}  # each had its part


def test_the_client_waits_as_it_is_told_and_posts_all(tmp_path: Path) -> None:
    told = asyncio.run(posted(f"sqlite:///{tmp_path}/store.db", tmp_path, quota=5, seconds=2, posts=12))
    assert (told.kept, told.there) == (120, 120)
    assert told.refused >= 2
    assert told.took >= 3
