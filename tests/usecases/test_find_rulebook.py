"""What a request calls its rulebook, and the rulebooks that are kept ready."""

import asyncio
import threading
from typing import Any

import pytest

from fieldworthy.core.rulebook.text import read_document
from fieldworthy.storage.engine import SqlStore
from fieldworthy.usecases.find_rulebook import BookCache, FindRulebook, checked
from fieldworthy.usecases.refusals import ReferenceMalformed, RulebookHasErrors, RulebookUnknown, VersionUnknown
from tests.usecases.conftest import BOOK, BROKEN

NAME = "plover-r5-baler"


def data(text: str = BOOK) -> Any:
    document = read_document(text)
    assert not isinstance(document, list)
    return document.data


@pytest.mark.parametrize(
    "reference",
    [
        *("", "@1", "baler@", "baler@0", "baler@01", "baler@-1", "baler@1.0", "baler@x", "baler@1\n", "baler@" + "9" * 10, "baler@\u0661"),
        *("Baler", "ba ler", "baler\n", "-baler", "b" * 81, "bal\u00e9r", "../baler"),
        *("sha256:", "sha256:" + "A" * 64, "sha256:" + "a" * 63),
    ],
)
async def test_what_has_no_form_of_a_name_is_refused(store: SqlStore, reference: str) -> None:
    with pytest.raises(ReferenceMalformed) as refused:
        await FindRulebook(store)(reference)
    assert refused.value.status == 422
    assert refused.value.findings[0].path == "/rulebook"


async def test_what_nobody_published_is_unknown_with_the_nearest_name(store: SqlStore, publish: Any) -> None:
    await publish()
    with pytest.raises(RulebookUnknown, match="did you mean `plover-r5-baler`"):
        await FindRulebook(store)("plover-r5-bailer")
    with pytest.raises(RulebookUnknown):
        await FindRulebook(store)("sha256:" + "0" * 64)
    with pytest.raises(VersionUnknown):
        await FindRulebook(store)(f"{NAME}@2")


async def test_a_draft_alone_answers_nothing(store: SqlStore, clock: Any) -> None:
    from fieldworthy.usecases.check_draft import CheckDraft
    from fieldworthy.usecases.keep_drafts import PutDraft

    await PutDraft(store, clock, CheckDraft())(NAME, BOOK, "application/yaml")
    with pytest.raises(RulebookUnknown):
        await FindRulebook(store)(NAME)


async def test_every_way_to_call_it_finds_the_same(store: SqlStore, publish: Any) -> None:
    await publish()
    find = FindRulebook(store)
    by_name = await find(NAME)
    assert by_name.provenance() == {"name": NAME, "version": 1, "digest": by_name.book.digest}
    assert (await find(f"{NAME}@1")).book is by_name.book
    assert (await find(by_name.book.digest)).book is by_name.book
    sent = await find(data())
    assert sent.provenance() == {"name": NAME, "version": None, "digest": by_name.book.digest}


async def test_a_document_with_errors_is_refused_with_its_findings() -> None:
    with pytest.raises(RulebookHasErrors) as refused:
        await FindRulebook()(data(BROKEN))
    assert refused.value.status == 422
    assert {f.path for f in refused.value.findings if f.severity == "error"} == {"/tasks/bearing-grease/interval", "/tasks/belt-check/kind"}


@pytest.mark.parametrize("document", [{}, {"rulebook": 7}, {"rulebook": "x", "title": None}, {"rulebook": "x", "title": "t", "tasks": [1]}])
async def test_any_mapping_is_answered_with_findings_not_with_a_fault(document: dict[str, Any]) -> None:
    with pytest.raises(RulebookHasErrors) as refused:
        await FindRulebook()(document)
    assert refused.value.findings


async def test_a_published_version_is_checked_once(store: SqlStore, publish: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    await publish()
    made = []
    monkeypatch.setattr("fieldworthy.usecases.find_rulebook.checked", lambda *given: made.append(1) or checked(*given))
    find = FindRulebook(store)
    found = await asyncio.gather(*(find(NAME) for _ in range(20)))
    assert len(made) == 1
    assert len({id(f.book) for f in found}) == 1


async def test_a_batch_keeps_to_the_version_that_it_began_with(store: SqlStore, publish: Any) -> None:
    await publish()
    find = FindRulebook(store)
    pinned = find.pinned()
    assert (await pinned(NAME)).version == 1
    await publish(BOOK.replace("every 80 h", "every 90 h"))
    assert (await pinned(NAME)).version == 1
    assert (await find(NAME)).version == 2


class TestCache:
    def test_the_least_lately_used_goes_first(self) -> None:
        cache, book = BookCache(most=100), checked(data())
        cache.put("a", book, 40)
        cache.put("b", book, 40)
        assert cache.get("a") is book
        cache.put("c", book, 40)
        assert [k for k in "abc" if cache.get(k)] == ["a", "c"]

    def test_one_that_is_heavier_than_all_is_kept_alone(self) -> None:
        cache, book = BookCache(most=100), checked(data())
        cache.put("a", book, 40)
        cache.put("b", book, 400)
        assert [k for k in "ab" if cache.get(k)] == ["b"]
        cache.put("c", book, 40)
        assert [k for k in "bc" if cache.get(k)] == ["c"]

    def test_putting_one_again_does_not_count_it_twice(self) -> None:
        cache, book = BookCache(most=100), checked(data())
        for _ in range(5):
            cache.put("a", book, 60)
        cache.put("b", book, 40)
        assert len(cache) == 2

    async def test_many_askers_wait_for_one_maker_and_a_failure_is_not_kept(self) -> None:
        cache, book = BookCache(), checked(data())
        gate, made = threading.Event(), []

        def fails() -> Any:
            made.append("fails")
            gate.wait(5)
            raise RulebookHasErrors("x", [])

        waiting = [asyncio.create_task(cache.once("a", fails, 1)) for _ in range(5)]
        await asyncio.sleep(0.05)
        gate.set()
        results = await asyncio.gather(*waiting, return_exceptions=True)
        assert [type(r) for r in results] == [RulebookHasErrors] * 5
        assert made == ["fails"]
        assert await cache.once("a", lambda: book, 1) is book

    async def test_who_leaves_does_not_take_it_from_the_others(self) -> None:
        cache, book = BookCache(), checked(data())
        gate = threading.Event()

        def slow() -> Any:
            gate.wait(5)
            return book

        first = asyncio.create_task(cache.once("a", slow, 1))
        await asyncio.sleep(0.02)
        second = asyncio.create_task(cache.once("a", slow, 1))
        await asyncio.sleep(0.02)
        first.cancel()
        with pytest.raises(asyncio.CancelledError):
            await first
        gate.set()
        assert await second is book
