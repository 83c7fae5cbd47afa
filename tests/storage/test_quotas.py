"""Quotas in both databases: whoever draws at the same time, from however many processes, no window grants more than it has."""

import asyncio
from datetime import UTC, datetime, timedelta

from fieldworthy.core.base.micros import DAY, SECOND
from fieldworthy.storage.engine import SqlStore, open_engine
from fieldworthy.usecases.quota import Drawn, Quota, Window

QUOTA = Quota(100, 60)


async def drawn(store: SqlStore, asker: str = "a", wanted: int = 1, quota: Quota = QUOTA) -> Drawn:
    async with store.keep_quotas() as book:
        return await book.draw(asker, quota, wanted)


async def test_what_many_draw_at_once_adds_up_to_the_quota(address: str) -> None:
    """The first rows of an asker are made at the same moment too."""
    stores = [SqlStore(open_engine(address)) for _ in range(3)]
    got = await asyncio.gather(*(drawn(stores[n % 3], "ab"[n % 2], 7) for n in range(60)))
    assert [sum(each.got for each in got[start::2]) for start in (0, 1)] == [100, 100]
    assert len({each.window.begun for each in got[::2]}) == 1  # nobody began another window
    assert all(0 < each.left <= 60 * SECOND for each in got)
    for store in stores:
        await store.close()


async def test_each_asker_has_a_window_of_their_own_that_is_kept(store: SqlStore, address: str) -> None:
    first = await drawn(store)
    assert (first.got, first.window.granted) == (10, 10)
    assert (await drawn(store, "b")).window.granted == 10
    again = SqlStore(open_engine(address))
    next = await drawn(again)
    assert (next.got, next.window) == (9, Window(first.window.begun, 19))
    await again.close()


async def test_a_window_ends_by_the_stores_clock(address: str) -> None:
    now = datetime(2026, 7, 14, 6, 0, tzinfo=UTC)
    store = SqlStore(open_engine(address), lambda: now)
    assert (await drawn(store, wanted=100)).got == 100
    for later, got, left in ((0, 0, 60), (59, 0, 1), (60, 10, 60), (0, 9, 60), (-3600, 8, 60)):
        now += timedelta(seconds=later)
        told = await drawn(store)
        assert (told.got, told.left) == (got, left * SECOND), later
    await store.close()


async def test_windows_that_are_long_over_are_dropped(address: str) -> None:
    now = datetime(2026, 7, 14, 6, 0, tzinfo=UTC)
    store = SqlStore(open_engine(address), lambda: now)
    await drawn(store, "old", 50)
    now += timedelta(days=1)
    await drawn(store, "new", 50)
    async with store.keep_quotas() as book:
        await book.forget(DAY - 1)
    assert [(await drawn(store, who)).window.granted for who in ("old", "new")] == [10, 55]
    await store.close()
