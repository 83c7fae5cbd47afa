"""A store of a test's own, a clock that stands still, and a small rulebook."""

from collections.abc import AsyncIterator, Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from fieldworthy.storage.engine import SqlStore, open_engine
from fieldworthy.usecases.ports import Clock
from tests.postgres import address_of

NOON = datetime(2026, 7, 14, 12, tzinfo=UTC)

BOOK = """\
# the author's own words
rulebook: plover-r5-baler
title: Plover R5 round baler
applies_to: {models: [R5]}
meters:
  work: {unit: h, default: true, good_for: 2 days}
  bales: {unit: bales}
seasons:
  silage: {from: 05-10, to: 09-25}
occurrences:
  belt fitted: {}
working_conditions:
  dust: [light, heavy]
facts:
  tailgate: {states: [closed, raised], known_by: [seen], good_for: 60 s}
  engine: {states: [stopped, running]}
options: [net wrap]
tasks:
  bearing-grease:
    title: Grease the starter roller's bearings
    kind: lubricate
    interval: every 80 h
    needs: tailgate is closed
    holds: engine is stopped
    only_with: {options: [net wrap]}
    uses: [{part: PL-0400, amount: 60 g}]
  belt-check:
    title: Check the belts
    kind: inspect
    interval: first at 1 h and 10 h after belt fitted, then every 2000 bales since last due
  filter-clean:
    title: Clean the air filter
    kind: clean
    interval: every 50 h; when dust is heavy, every 10 h
  barn-check:
    title: Check it in the barn
    kind: inspect
    interval: before each silage
  blockage:
    title: Clear a blockage
    kind: clean
parts:
  PL-0400: {title: Grease EP 2, unit: g, packs: [400 g]}
"""

BROKEN = BOOK.replace("every 80 h", "every 80 hurs").replace("kind: inspect", "kind: inspekt", 1)


@pytest.fixture
def clock() -> Clock:
    return lambda: NOON


@pytest.fixture
async def store(request: pytest.FixtureRequest, tmp_path: Path) -> AsyncIterator[SqlStore]:
    address = address_of("sqlite", request, tmp_path)
    opened = SqlStore(open_engine(address))
    yield opened
    await opened.close()


@pytest.fixture
def publish(store: SqlStore, clock: Clock) -> Callable[..., object]:
    """Puts a text as the draft of the baler's rulebook and publishes it; gives the version's number."""
    from fieldworthy.usecases.check_draft import CheckDraft
    from fieldworthy.usecases.keep_drafts import PutDraft
    from fieldworthy.usecases.publish import Publish

    check = CheckDraft()

    async def do(text: str = BOOK, name: str = "plover-r5-baler") -> int:
        await PutDraft(store, clock, check)(name, text, "application/yaml")
        version, _ = await Publish(store, clock, check)(name)
        return version.version

    return do
