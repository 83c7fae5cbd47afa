"""From draft to version: what is kept, what is refused, and that a version never changes."""

import json
from typing import Any

import pytest

from fieldworthy.core.rulebook.digest import digest
from fieldworthy.core.rulebook.text import read_document
from fieldworthy.storage.engine import SqlStore
from fieldworthy.usecases.check_draft import CheckDraft
from fieldworthy.usecases.find_rulebook import FindRulebook
from fieldworthy.usecases.keep_drafts import PutDraft, ReadDraft
from fieldworthy.usecases.ports import Clock
from fieldworthy.usecases.publish import Publish
from fieldworthy.usecases.refusals import (
    DraftChanged,
    DraftUnknown,
    NameDiffers,
    RulebookHasErrors,
    RulebookUnknown,
    TooLarge,
    VersionUnknown,
)
from fieldworthy.usecases.shelf import CompareVersions, ListNames, ListVersions, ReadVersion
from tests.usecases.conftest import BOOK, BROKEN, NOON

NAME = "plover-r5-baler"


def yaml_data(text: str) -> Any:
    document = read_document(text)
    assert not isinstance(document, list)
    return document.data


async def test_a_draft_with_errors_is_kept_and_its_findings_told(store: SqlStore, clock: Clock) -> None:
    draft, checked = await PutDraft(store, clock, CheckDraft())(NAME, BROKEN, "application/yaml")
    assert (draft.revision, draft.changed_at) == (1, NOON)
    assert checked.errors == 2
    assert checked.book is None
    assert (await ReadDraft(store)(NAME)).text == BROKEN


async def test_a_draft_with_errors_is_not_published(store: SqlStore, clock: Clock) -> None:
    check = CheckDraft()
    await PutDraft(store, clock, check)(NAME, BROKEN, "application/yaml")
    with pytest.raises(RulebookHasErrors, match=r"`plover-r5-baler` has 2 errors") as refused:
        await Publish(store, clock, check)(NAME)
    assert {f.severity for f in refused.value.findings} >= {"error"}
    assert all(f.line is not None for f in refused.value.findings)
    with pytest.raises(RulebookUnknown):
        await ListVersions(store)(NAME)


FAILING = """
examples:
  - name: not so
    given: {task: bearing-grease, done_at: 640 h, now_at: 700 h}
    expect: {standing: overdue}
"""


async def test_a_failing_example_refuses_the_publication(store: SqlStore, clock: Clock, publish: Any) -> None:
    with pytest.raises(RulebookHasErrors) as refused:
        await publish(BOOK + FAILING)
    assert [f.path for f in refused.value.findings if f.severity == "error"] == ["/examples/0/expect/standing"]
    with pytest.raises(RulebookHasErrors):
        await FindRulebook()(yaml_data(BOOK + FAILING))
    assert await publish(BOOK + FAILING.replace("overdue", "clear")) == 1


async def test_a_version_keeps_the_authors_text_and_the_canonical_form(store: SqlStore, publish: Any) -> None:
    assert await publish() == 1
    kept = await ReadVersion(store)(NAME, 1)
    assert kept.text == BOOK
    assert kept.published_at == NOON
    assert kept.title == "Plover R5 round baler"
    assert digest(json.loads(kept.document)) == kept.digest
    assert json.loads(kept.document) == json.loads(kept.declared)
    assert next(iter(json.loads(kept.declared)["tasks"])) == "bearing-grease"
    assert next(iter(json.loads(kept.document)["tasks"])) == "barn-check"


async def test_answers_are_drawn_from_the_order_of_declaration(store: SqlStore, publish: Any) -> None:
    await publish()
    found = await FindRulebook(store)(NAME)
    assert next(iter(found.book.tasks)) == "bearing-grease"


async def test_publishing_the_same_again_gives_the_same_version(store: SqlStore, publish: Any) -> None:
    assert await publish() == 1
    assert await publish("# only a comment more\n" + BOOK) == 1
    assert await publish(BOOK.replace("every 80 h", "every 90 h")) == 2
    assert await publish(BOOK) == 3
    versions, more = await ListVersions(store)(NAME)
    assert [v.version for v in versions] == [3, 2, 1]
    assert more is None
    assert versions[0].digest == versions[2].digest != versions[1].digest


async def test_an_older_version_goes_on_answering_as_it_did(store: SqlStore, publish: Any) -> None:
    await publish()
    await publish(BOOK.replace("every 80 h", "every 90 h"))
    find = FindRulebook(store)
    old, new = await find(f"{NAME}@1"), await find(NAME)
    assert (old.version, new.version) == (1, 2)
    assert old.book.document["tasks"]["bearing-grease"]["interval"] == "every 80 h"
    assert (await find(old.book.digest)).version == 1


async def test_who_saw_another_draft_does_not_overwrite_it(store: SqlStore, clock: Clock) -> None:
    put = PutDraft(store, clock, CheckDraft())
    await put(NAME, BOOK, "application/yaml", seen=0)
    with pytest.raises(DraftChanged) as refused:
        await put(NAME, BROKEN, "application/yaml", seen=0)
    assert refused.value.status == 412
    second, _ = await put(NAME, BROKEN, "application/yaml", seen=1)
    assert second.revision == 2
    third, _ = await put(NAME, BOOK, "application/yaml")
    assert third.revision == 3


async def test_only_the_draft_that_was_meant_is_published(store: SqlStore, clock: Clock) -> None:
    check = CheckDraft()
    await PutDraft(store, clock, check)(NAME, BOOK, "application/yaml")
    with pytest.raises(DraftChanged):
        await Publish(store, clock, check)(NAME, seen=2)
    version, _ = await Publish(store, clock, check)(NAME, seen=1)
    assert version.version == 1


async def test_a_draft_that_changes_during_its_check_is_not_published(store: SqlStore, clock: Clock) -> None:
    put = PutDraft(store, clock, CheckDraft())
    await put(NAME, BOOK, "application/yaml")

    class Slow(CheckDraft):
        async def __call__(self, text: str | bytes) -> Any:
            checked = await super().__call__(text)
            await put(NAME, BROKEN, "application/yaml")  # somebody else, meanwhile
            return checked

    with pytest.raises(DraftChanged):
        await Publish(store, clock, Slow())(NAME)


async def test_a_document_under_another_name_is_refused(store: SqlStore, clock: Clock) -> None:
    with pytest.raises(NameDiffers, match="`plover-r5-baler`"):
        await PutDraft(store, clock, CheckDraft())("heron-sprayer", BOOK, "application/yaml")


async def test_what_is_not_there_is_not_found(store: SqlStore, clock: Clock, publish: Any) -> None:
    with pytest.raises(DraftUnknown):
        await ReadDraft(store)(NAME)
    with pytest.raises(DraftUnknown):
        await Publish(store, clock, CheckDraft())(NAME)
    with pytest.raises(RulebookUnknown):
        await ReadVersion(store)(NAME, 1)
    await publish()
    with pytest.raises(VersionUnknown, match="its newest is `plover-r5-baler@1`"):
        await ReadVersion(store)(NAME, 2)


async def test_a_text_beyond_the_limit_is_refused(store: SqlStore, clock: Clock) -> None:
    with pytest.raises(TooLarge, match="1,000,000 bytes"):
        await PutDraft(store, clock, CheckDraft())(NAME, "#" * 1_000_001, "application/yaml")


async def test_names_are_listed_page_by_page(store: SqlStore, clock: Clock, publish: Any) -> None:
    await publish()
    for name in ("alpha", "zulu"):
        await PutDraft(store, clock, CheckDraft())(name, f"rulebook: {name}\ntitle: A rulebook\n", "application/yaml")
    first, after = await ListNames(store)(limit=2)
    assert [(s.name, s.newest.version if s.newest else None, s.draft) for s in first] == [("alpha", None, 1), (NAME, 1, 1)]
    rest, end = await ListNames(store)(after=after, limit=2)
    assert [s.name for s in rest] == ["zulu"]
    assert end is None


async def test_two_versions_are_compared(store: SqlStore, publish: Any) -> None:
    await publish()
    await publish(BOOK.replace("every 80 h", "every 90 h"))
    compared = await CompareVersions(FindRulebook(store))(f"{NAME}@1", f"{NAME}@2")
    assert (compared.first.version, compared.second.version) == (1, 2)
    assert compared.comparison.to_json()["intervals"] == ["bearing-grease"]
    same = await CompareVersions(FindRulebook(store))(f"{NAME}@1", f"{NAME}@1")
    assert same.comparison.same
