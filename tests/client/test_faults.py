"""
A bulk post while the service is killed and started again: nothing is lost, nothing is there twice, and the account adds up.

The long form: `tests/faults/bulk.py`.
"""

import asyncio
from pathlib import Path

import pytest

from fieldworthy.client import Posted, Retries, Unavailable
from tests.client.both import Both
from tests.faults.bulk import Load, broken
from tests.faults.harness import Served, settle_in
from tests.postgres import lent

pytestmark = [pytest.mark.slow, pytest.mark.timeout(600)]


@pytest.mark.parametrize(("kind", "plain"), [("sqlite", True), pytest.param("postgresql", False, marks=pytest.mark.postgres)])
def test_killed_twice_in_the_middle_of_a_bulk_post(kind: str, plain: bool, request: pytest.FixtureRequest, tmp_path: Path) -> None:
    load = Load(readings=8_000, same=180, unusable=20, most=800)
    with lent(kind, request, tmp_path) as address:
        told = broken(address, tmp_path, load, kills=2, plain=plain)
    assert told.kills == 2
    assert told.tries >= len(told.told) + 2  # each of them cut something off
    posted = told.posted
    assert posted.sent == posted.kept + posted.same + posted.set_aside == 8_000
    assert (posted.kept, posted.same, posted.set_aside) == (7_800, 180, 20)
    assert [t.sent for t in told.told] == [*range(800, 8_001, 800)]
    assert (told.lost, told.double, told.aside) == (0, 0, 20)


def test_given_up_and_gone_on_with(request: pytest.FixtureRequest, tmp_path: Path, both: Both) -> None:
    """The service stays away for longer than the client waits; later the same call goes on from there, and both accounts add up."""
    with lent("sqlite", request, tmp_path) as address:
        give_up_and_go_on(Served(address, tmp_path), both)


def give_up_and_go_on(served: Served, both: Both) -> None:
    asyncio.run(served.start())
    load = Load(readings=3_000, same=0, unusable=0, most=500)
    posted: Posted | None = None

    def kill(posted: Posted) -> None:
        if posted.sent == 1_000:
            served.kill()

    try:
        asyncio.run(settle_in(served.url, load.machines))
        with pytest.raises(Unavailable) as told:
            both(served.url, "post_readings", load.source(), progress=kill, most=500, client={"retries": Retries(within=0.5)})
        posted = told.value.posted
        assert posted is not None
        assert (posted.sent, posted.kept) == (1_000, 1_000)
        asyncio.run(served.start())
        rest = both(served.url, "post_readings", load.source(), skip=posted.sent, run=posted.run, most=500)
        assert (rest.sent, rest.kept, rest.same, posted.kept + rest.kept) == (3_000, 2_000, 0, 3_000)
        assert len(both(served.url, "readings", "m0")) == 3_000
    finally:
        served.stop()
