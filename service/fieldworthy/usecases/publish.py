"""A draft becomes a version that never changes again."""

import json
from datetime import datetime, timedelta

from fieldworthy.core.base.micros import micros_of
from fieldworthy.core.rulebook.digest import canonical
from fieldworthy.core.rulebook.model import CheckedRulebook
from fieldworthy.usecases.audit import ITSELF, Actor
from fieldworthy.usecases.check_draft import CheckDraft, Checked
from fieldworthy.usecases.keep_drafts import ReadDraft
from fieldworthy.usecases.news import published as told_published
from fieldworthy.usecases.own_units import refuse_other_units
from fieldworthy.usecases.ports import Clock, Published, Store, Version
from fieldworthy.usecases.refusals import DraftChanged, NameDiffers, RulebookHasErrors


class Publish:
    """Publishes a draft as the next version of its name."""

    def __init__(self, store: Store, clock: Clock, check: CheckDraft) -> None:
        self._store = store
        self._clock = clock
        self._check = check
        self._read_draft = ReadDraft(store)

    async def __call__(self, name: str, seen: int | None = None, actor: Actor = ITSELF) -> tuple[Version, Checked]:
        """seen: the revision of the draft that is meant (None: whatever is there). Gives the version, and the check with its warnings.

        What has the digest of the newest version already is not published twice: that version is the answer.
        Raises DraftUnknown, DraftChanged, RulebookHasErrors, NameDiffers, MeterUnitChanged, VersionTaken.
        """
        draft = await self._read_draft(name)
        if seen is not None and seen != draft.revision:
            raise DraftChanged(name, seen, draft.revision)
        checked = await self._check(draft.text)  # outside of any transaction: it runs every worked example
        if checked.book is None:
            raise RulebookHasErrors(name, checked.findings)
        if checked.book.name != name:
            raise NameDiffers(name, checked.book.name)
        async with self._store.write(actor) as kept:
            now = await kept.draft(name)
            if now is None or now.revision != draft.revision:
                raise DraftChanged(name, draft.revision, now.revision if now else 0)
            newest = await kept.newest(name)
            if newest is not None and newest.digest == checked.book.digest:
                return newest, checked
            await refuse_other_units(kept, checked.book, draft.text)
            at = await kept.moment() or self._clock()  # by one clock with all that is kept: answers are asked as of a moment
            if newest is not None:
                at = max(at, newest.published_at + timedelta(microseconds=1))
            published = published_of(checked.book, newest.version + 1 if newest else 1, draft.text, draft.media_type, at)
            await kept.add(published)
            if kept.beside is not None:
                kept.beside.events.add([told_published(published, micros_of(at))])
        return published, checked


def published_of(book: CheckedRulebook, version: int, text: str, media_type: str, at: datetime) -> Published:
    """A checked rulebook as the row that is kept for ever. at: the moment of its publication, aware."""
    return Published(
        name=book.name,
        version=version,
        digest=book.digest,
        title=book.title,
        published_at=at,
        text=text,
        media_type=media_type,
        document=canonical(book.document).decode("utf-8"),
        declared=json.dumps(book.document, ensure_ascii=False, separators=(",", ":")),
    )
