"""Shapes of links to calendars; written by tests/client/write_shapes.py from the contract."""

from typing import TypedDict


class FeedMade(TypedDict):
    """A link that was just made. path: its address on this service, told this once: whoever has it needs no key."""

    id: str
    name: str
    machine: str | None
    site: str | None
    made_at: str
    revoked_at: str | None
    last_used: str | None
    path: str


class FeedItem(TypedDict):
    """A link. id: public; machine, site: null where it is not of one alone; last_used: to the minute."""

    id: str
    name: str
    machine: str | None
    site: str | None
    made_at: str
    revoked_at: str | None
    last_used: str | None


class FeedsPage(TypedDict):
    """A page of links, in the order in which they were made."""

    items: list[FeedItem]
    next: str | None
