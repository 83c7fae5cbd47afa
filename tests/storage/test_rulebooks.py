"""Drafts and versions, the same on SQLite and on PostgreSQL."""

import asyncio
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone

import pytest
from sqlalchemy import text
from sqlalchemy.exc import DBAPIError

from fieldworthy.storage.engine import SqlStore
from fieldworthy.usecases.ports import Draft, Published, Shelved, Version
from fieldworthy.usecases.refusals import VersionTaken

NOON = datetime(2026, 7, 14, 12, 30, 15, 123456, tzinfo=UTC)


def version(name: str, number: int, digest: str = "a") -> Published:
    return Published(
        name=name,
        version=number,
        digest="sha256:" + (digest * 64)[:64],
        title=f"Title {number} ä 🌾",
        published_at=NOON + timedelta(hours=number),
        text="rulebook: x  # the author's own words, ä 🌾\r\n",
        media_type="application/yaml",
        document='{"rulebook":"x","title":"t"}',
        declared='{"title":"t","rulebook":"x"}',
    )


def summary(p: Published) -> Version:
    return Version(p.name, p.version, p.digest, p.title, p.published_at)


async def test_a_draft_comes_back_as_it_was_put(store: SqlStore) -> None:
    paris = timezone(timedelta(hours=2))
    first = Draft("baler", "title: ü\r\n\t# kept\n", "application/yaml", 1, NOON.astimezone(paris))
    async with store.write() as kept:
        assert await kept.draft("baler") is None
        await kept.put_draft(first)
    second = replace(first, text="other", revision=2)
    async with store.read() as kept:
        assert await kept.draft("baler") == first
    async with store.write() as kept:
        await kept.put_draft(second)
    async with store.read() as kept:
        assert await kept.draft("baler") == second
        found = await kept.draft("baler")
        assert found is not None
        assert found.changed_at.utcoffset() == timedelta(0)


async def test_a_version_comes_back_whole(store: SqlStore) -> None:
    async with store.write() as kept:
        await kept.add(version("baler", 1))
    async with store.read() as kept:
        assert await kept.published("baler", 1) == version("baler", 1)
        assert await kept.version("baler", 1) == summary(version("baler", 1))
        assert await kept.published("baler", 2) is None
        assert await kept.version("Baler", 1) is None


async def test_newest_is_the_highest_number_not_the_last_written(store: SqlStore) -> None:
    async with store.write() as kept:
        for number in (2, 10, 9, 1):
            await kept.add(version("baler", number))
    async with store.read() as kept:
        newest = await kept.newest("baler")
        assert newest is not None
        assert newest.version == 10
        assert await kept.newest("nothing") is None
        assert [v.version for v in await kept.versions("baler", None, 3)] == [10, 9, 2]
        assert [v.version for v in await kept.versions("baler", 9, 3)] == [2, 1]


async def test_of_one_digest_the_oldest_version_is_found(store: SqlStore) -> None:
    async with store.write() as kept:
        await kept.add(version("zulu", 1, "b"))
        await kept.add(version("alpha", 3, "b"))
    async with store.read() as kept:
        found = await kept.by_digest("sha256:" + "b" * 64)
        assert found is not None
        assert (found.name, found.version) == ("zulu", 1)
        assert await kept.by_digest("sha256:" + "c" * 64) is None


async def test_a_number_is_given_once_and_the_transaction_survives_it(store: SqlStore) -> None:
    async with store.write() as kept:
        await kept.add(version("baler", 1))
        with pytest.raises(VersionTaken):
            await kept.add(version("baler", 1, "b"))
        await kept.add(version("baler", 2))
    async with store.read() as kept:
        assert len(await kept.versions("baler", None, 10)) == 2


@pytest.mark.parametrize("deed", ["update rulebook_versions set title = 'other'", "delete from rulebook_versions"])
async def test_the_database_itself_refuses_to_change_a_version(store: SqlStore, deed: str) -> None:
    async with store.write() as kept:
        await kept.add(version("baler", 1))
    async with store.engine.connect() as connection:
        with pytest.raises(DBAPIError, match="a published version is never changed"):
            await connection.execute(text(deed))
    async with store.read() as kept:
        assert await kept.published("baler", 1) == version("baler", 1)


async def test_what_raises_is_undone(store: SqlStore) -> None:
    async def cut_short() -> None:
        async with store.write() as kept:
            await kept.add(version("baler", 1))
            raise RuntimeError("power cut")

    with pytest.raises(RuntimeError, match="power cut"):
        await cut_short()
    async with store.read() as kept:
        assert await kept.newest("baler") is None


async def test_names_are_paged_in_order_with_drafts_and_versions(store: SqlStore) -> None:
    async with store.write() as kept:
        await kept.put_draft(Draft("bravo", "x", "application/yaml", 4, NOON))
        await kept.put_draft(Draft("delta", "x", "application/yaml", 1, NOON))
        for number in (1, 2):
            await kept.add(version("alpha", number))
            await kept.add(version("bravo", number))
    everything = (
        Shelved("alpha", summary(version("alpha", 2)), None),
        Shelved("bravo", summary(version("bravo", 2)), 4),
        Shelved("delta", None, 1),
    )
    async with store.read() as kept:
        assert await kept.names(None, 10) == everything
        assert await kept.names(None, 2) == everything[:2]
        assert await kept.names("bravo", 2) == everything[2:]
        assert await kept.names("delta", 2) == ()


async def test_close_names_know_the_misspelt_ones_and_no_wildcards(store: SqlStore) -> None:
    async with store.write() as kept:
        for name in ("plover-r5-baler", "plover-c9-combine", "heron-sprayer"):
            await kept.add(version(name, 1))
    async with store.read() as kept:
        assert (await kept.close_names("plover-r5-bailer", 3))[0] == "plover-r5-baler"
        assert await kept.close_names("%_%", 3) == ()


async def test_writers_queue_and_nobody_counts_wrong(store: SqlStore) -> None:
    """Twenty publications at once: each reads the newest number and adds one; without a queue two would read the same."""

    async def one_more() -> None:
        async with store.write() as kept:
            newest = await kept.newest("baler")
            await asyncio.sleep(0)
            await kept.add(version("baler", newest.version + 1 if newest else 1))

    await asyncio.gather(*(one_more() for _ in range(20)))
    async with store.read() as kept:
        assert [v.version for v in await kept.versions("baler", None, 50)] == list(range(20, 0, -1))
