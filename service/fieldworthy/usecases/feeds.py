"""Links to calendars that need no key: whoever has one sees what is due on a machine, at a site, or in the whole fleet, and nothing else.

A calendar asks for its feed by an address alone, so the address carries the secret: a token made as keys are (see `usecases.keys`), with
a prefix of its own. Kept is the SHA-256 of its secret. A link stands until it is revoked, and then opens nothing from the next request on.
"""

import re
from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from hashlib import sha256
from secrets import token_bytes
from typing import Protocol

from fieldworthy.core.base.finding import Finding, Refused
from fieldworthy.core.base.micros import micros_of
from fieldworthy.usecases.feed_refusals import FeedUnknown, TooManyFeeds
from fieldworthy.usecases.kept import Kept
from fieldworthy.usecases.kept_standings import Scope
from fieldworthy.usecases.keys import ID_BYTES, SECRET_BYTES, KeyStore, new_key_text, read_key_text
from fieldworthy.usecases.last_used import LastUsed
from fieldworthy.usecases.ports import Clock
from fieldworthy.usecases.quota import Quota
from fieldworthy.usecases.refusals import MachineUnknown

PREFIX = "fwf_"
FEED_QUOTA = Quota(600, 3600, "feed", "link")
"""What one link may be asked: a calendar asks once an hour or a few times, and a whole workshop may follow one link."""

MOST_FEEDS = 1_000
"""Links of one organisation that work at one time."""

_MOST_KNOWN = 10_000
_ID = re.compile(r"[a-z2-7]{12}\Z")


@dataclass(frozen=True, slots=True)
class Feed:
    """
    What is kept of a link. Times are whole microseconds since 1970, UTC.

    id: public, as the token holds it; name: what it is for; machine: the caller's id of it, or site: of this alone; neither: the whole
    fleet; digest: SHA-256 of its secret; revoked, last_used: None where that never was. last_used may be a minute behind.
    """

    id: str
    organisation: int
    name: str
    machine: str | None
    site: str | None
    digest: bytes
    created: int
    revoked: int | None = None
    last_used: int | None = None

    @property
    def scope(self) -> Scope:
        """Whose tasks it shows."""
        return Scope(self.site, None, self.machine)


class Feeds(Protocol):
    """Links, inside one transaction: of one organisation, or of all where one is looked for by its token."""

    async def find(self, id: str) -> Feed | None: ...

    async def page(self, after: tuple[int, str] | None, limit: int) -> Sequence[Feed]:
        """In the order in which they were made, from behind (created, id) on; those that were revoked too."""

    async def working(self) -> int:
        """How many there are that were not revoked."""

    async def add(self, feed: Feed) -> None:
        """Keeps a new one."""

    async def revoke(self, id: str, at: int) -> None:
        """From now on it opens nothing. What was revoked before stays so since then."""

    async def note_used(self, used: Mapping[str, int]) -> None:
        """When links were last used, by id; what is noted later already stays."""


async def make_feed(
    kept: Kept, machine: str | None, site: str | None, name: str, random: Callable[[int], bytes] = token_bytes
) -> tuple[Feed, str]:
    """
    A new link and its token, to be shown once. Raises MachineUnknown, TooManyFeeds; Refused for a machine and a site at once.

    Of a site there need be no machine yet.
    """
    if machine is not None and site is not None:
        raise Refused([Finding("request.does_not_fit", "a link is of one machine or of one site", "leave `machine` or `site` out")])
    if machine is not None and await kept.machines.find(machine) is None:
        raise MachineUnknown(machine, await kept.machines.close_ids(machine, 3))
    if await kept.feeds.working() >= MOST_FEEDS:
        raise TooManyFeeds(MOST_FEEDS)
    token, presented = new_key_text(random(ID_BYTES + SECRET_BYTES), PREFIX)
    feed = Feed(presented.id, kept.organisation, name, machine, site, presented.digest, await kept.moment())
    await kept.feeds.add(feed)
    return feed, token


async def revoke_feed(kept: Kept, id: str) -> Feed:
    """Ends a link. Once more does nothing. Raises FeedUnknown, also for what no link can be called."""
    if not _ID.match(id):
        raise FeedUnknown(id)
    await kept.feeds.revoke(id, await kept.moment())
    feed = await kept.feeds.find(id)
    if feed is None:
        raise FeedUnknown(id)
    return feed


class FeedRing:
    """Looks for the link of a token. The store is asked each time: calendars ask seldom, and a link that was revoked ends at once."""

    def __init__(self, store: KeyStore, clock: Clock) -> None:
        """clock: by which it is noted when a link was used."""
        self._store = store
        self._clock = clock
        self._known: OrderedDict[bytes, None] = OrderedDict()
        self._used = LastUsed(store, lambda keys, used: keys.feeds.note_used(used))

    def knows(self, token: bytes) -> bool:
        """Whether that token was seen to work, by the SHA-256 of its text. It may have been revoked since."""
        return sha256(token).digest() in self._known

    async def feed(self, token: bytes) -> Feed | None:
        """The link of that token; None where there is none that works. Raises StoreUnavailable."""
        presented = read_key_text(token, PREFIX)
        if presented is None:
            return None
        async with self._store.look_keys() as keys:
            found = await keys.feeds.find(presented.id)
        if not presented.is_of(found) or found is None or found.revoked is not None:
            return None
        called = sha256(token).digest()
        self._known[called] = None
        self._known.move_to_end(called)
        while len(self._known) > _MOST_KNOWN:
            self._known.popitem(last=False)
        self._used.note(found.id, micros_of(self._clock()))
        return found

    async def note_used(self) -> None:
        """Tells the store when links were last used. Raises StoreUnavailable; then it is told the next time."""
        await self._used.tell()
