"""A publication beside work that is being kept: what was known at a moment never changes afterwards."""

import asyncio
from datetime import datetime

import pytest

from fieldworthy.core.base.micros import micros_of
from fieldworthy.storage.engine import SqlStore, open_engine
from fieldworthy.usecases.check_draft import CheckDraft
from fieldworthy.usecases.keep_drafts import PutDraft
from fieldworthy.usecases.kept import HOME, next_known
from fieldworthy.usecases.publish import Publish
from tests.keep.service import BEGINNING, Service

pytestmark = pytest.mark.both_databases

BOOK = """rulebook: plain
title: A plain one
meters: {work: {unit: h, default: true}}
tasks: {grease: {title: Grease it, kind: lubricate, interval: every 10 h}}
"""


async def test_what_is_published_is_from_after_what_was_being_kept(service: Service, address: str) -> None:
    """By the database's own clock on PostgreSQL, while another process keeps something: the publication waits for it."""
    store = SqlStore(open_engine(address))

    def far_off() -> datetime:
        return BEGINNING  # on PostgreSQL nobody asks it

    check = CheckDraft()
    await PutDraft(store, far_off, check)("plain", BOOK, "application/yaml")
    kept_by = asyncio.Event()

    async def keep() -> int:
        async with store.keep(HOME) as kept:
            machine = await kept.machines.add("r5-17", await kept.moment(), "plain", None)
            known = await next_known(kept, [machine])
            await kept.machines.touch([machine], known)
            kept_by.set()
            await asyncio.sleep(0.3)
            return known

    async def publish() -> int:
        await kept_by.wait()
        version, _ = await Publish(store, far_off, check)("plain")
        return micros_of(version.published_at)

    known, published = await asyncio.gather(keep(), publish())
    if address.startswith("postgresql"):
        assert published > known
    await store.close()


async def test_each_version_is_published_after_the_one_before_though_the_clock_stands(service: Service) -> None:
    await service.publish(BOOK, "plain")
    await service.publish(BOOK.replace("every 10 h", "every 20 h"), "plain")
    async with service.store.read() as kept:
        newer, older = await kept.versions("plain", None, 2)
    assert newer.published_at > older.published_at
