"""Which key a request carries, judged without asking the store each time.

What the store said of a key is believed for LIFE_SECONDS, by every process for itself: one that was revoked opens nothing more by then, on
every replica, and a busy key costs one question in that time and not one a request. While the store is away, no key is believed for longer.
"""

import asyncio
import hashlib
import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass

from fieldworthy.core.base.micros import micros_of
from fieldworthy.usecases.key_refusals import KeyEnded, KeyRefused
from fieldworthy.usecases.keys import Key, KeyStore, Presented, read_key_text
from fieldworthy.usecases.last_used import LastUsed
from fieldworthy.usecases.ports import Clock

LIFE_SECONDS = 5.0
"""For how long what the store said of a key is believed, counted from when it was asked."""

MOST_KNOWN = 10_000
MOST_UNKNOWN = 1_000
"""Keys that are remembered, and texts that are none: apart, so that whoever guesses drives out nobody's."""


@dataclass(frozen=True, slots=True)
class _Seen:
    key: Key | None
    until: float


class KeyRing:
    """The keys that were seen lately, by the SHA-256 of their whole text: a key itself is not held in memory."""

    def __init__(self, store: KeyStore, clock: Clock, tick: Callable[[], float] = time.monotonic) -> None:
        """clock: against which keys expire; tick: seconds that never run back, which the remembering goes by."""
        self._store = store
        self._clock = clock
        self._tick = tick
        self._known: OrderedDict[bytes, _Seen] = OrderedDict()
        self._unknown: OrderedDict[bytes, _Seen] = OrderedDict()
        self._asking: dict[bytes, asyncio.Task[Key | None]] = {}
        self._used = LastUsed(store, lambda keys, used: keys.note_used(used))

    async def key(self, text: bytes) -> Key:
        """The key of that text, which works now. Raises KeyRefused, KeyEnded, StoreUnavailable."""
        called = hashlib.sha256(text).digest()
        seen = self._known.get(called) or self._unknown.get(called)
        is_asked = seen is None or self._tick() >= seen.until
        if seen is not None and not is_asked:
            key = seen.key
        else:
            presented = read_key_text(text)
            if presented is None:
                raise KeyRefused("what was sent is no key of this service, or was cut or mistyped")
            key = await self._ask_once(called, presented)
        if key is None:
            raise KeyRefused(is_guess=is_asked)
        now = micros_of(self._clock())
        if key.revoked is not None or now >= key.expires:
            raise KeyEnded(key)
        self._used.note(key.id, now)
        return key

    def knows(self, text: bytes) -> bool:
        """Whether the key of that text was there when the store was last asked for it. It may have ended since."""
        return hashlib.sha256(text).digest() in self._known

    async def note_used(self) -> None:
        """Tells the store when keys were last used. Raises StoreUnavailable; then it is told the next time."""
        await self._used.tell()

    async def _ask_once(self, called: bytes, presented: Presented) -> Key | None:
        """Many requests with one key wait for one question; that one of them leaves ends nothing for the others."""
        asking = self._asking.get(called)
        if asking is None:
            asking = self._asking[called] = asyncio.create_task(self._ask(called, presented))
            asking.add_done_callback(lambda done: self._answered(called, done))
        return await asyncio.shield(asking)

    def _answered(self, called: bytes, done: "asyncio.Task[Key | None]") -> None:
        del self._asking[called]
        if not done.cancelled():
            done.exception()  # whoever still waits is told it; where nobody does, it is no fault

    async def _ask(self, called: bytes, presented: Presented) -> Key | None:
        until = self._tick() + LIFE_SECONDS
        async with self._store.look_keys() as keys:
            found = await keys.find(presented.id)
        key = found if presented.is_of(found) else None
        for shelf, most, is_its in ((self._known, MOST_KNOWN, key is not None), (self._unknown, MOST_UNKNOWN, key is None)):
            shelf.pop(called, None)
            if is_its:
                shelf[called] = _Seen(key, until)
                while len(shelf) > most:
                    shelf.popitem(last=False)
        return key
