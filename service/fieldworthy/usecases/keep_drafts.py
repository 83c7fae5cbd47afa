"""Drafts: the one working text of a rulebook. It may have errors; publishing is what asks for none."""

from fieldworthy.usecases.audit import ITSELF, Actor
from fieldworthy.usecases.check_draft import CheckDraft, Checked
from fieldworthy.usecases.limits import MAX_RULEBOOK_BYTES
from fieldworthy.usecases.ports import Clock, Draft, Store
from fieldworthy.usecases.refusals import DraftChanged, DraftUnknown, NameDiffers, TooLarge


class PutDraft:
    """Keeps a text as the draft of a name, and says what a check of it finds."""

    def __init__(self, store: Store, clock: Clock, check: CheckDraft) -> None:
        self._store = store
        self._clock = clock
        self._check = check

    async def __call__(
        self, name: str, text: str, media_type: str, seen: int | None = None, actor: Actor = ITSELF
    ) -> tuple[Draft, Checked]:
        """seen: the revision that the sender believes to replace (None: whatever is there; 0: there should be none).

        Raises TooLarge, NameDiffers (a text that names another rulebook), DraftChanged. A text with errors is kept all the same.
        """
        if len(text.encode("utf-8", "surrogatepass")) > MAX_RULEBOOK_BYTES:
            raise TooLarge("a rulebook", MAX_RULEBOOK_BYTES, "bytes")
        checked = await self._check(text)
        if checked.book is not None and checked.book.name != name:
            raise NameDiffers(name, checked.book.name)
        async with self._store.write(actor) as kept:
            old = await kept.draft(name)
            now = old.revision if old else 0
            if seen is not None and seen != now:
                raise DraftChanged(name, seen, now)
            draft = Draft(name, text, media_type, now + 1, self._clock())
            await kept.put_draft(draft)
        return draft, checked


class ReadDraft:
    """The draft of a name."""

    def __init__(self, store: Store) -> None:
        self._store = store

    async def __call__(self, name: str) -> Draft:
        """Raises DraftUnknown."""
        async with self._store.read() as kept:
            draft = await kept.draft(name)
        if draft is None:
            raise DraftUnknown(name)
        return draft
