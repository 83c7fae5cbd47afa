"""Links to calendars: the request, and the published shapes of the answers."""

from typing import Annotated, NotRequired

from pydantic import BaseModel, Field, with_config
from typing_extensions import TypedDict

from fieldworthy.wire.closed import Closed, Id, Time
from fieldworthy.wire.kept_answers import Next
from fieldworthy.wire.kept_shapes import Id as MachineId
from fieldworthy.wire.scalars import STRICT, Name


@with_config(STRICT)
class FeedIn(TypedDict):
    """A link to a calendar: of a machine, or of a site; of neither: of the whole fleet."""

    machine: NotRequired[MachineId]
    site: NotRequired[Name]
    name: NotRequired[Annotated[Name, Field(description="what it is for: whose calendar")]]


_OptionalTime = Annotated[Time | None, Field(description="null: never")]


class FeedItem(Closed):
    """A link. id: public; machine, site: null where it is not of one alone; last_used: to the minute."""

    id: Annotated[str, Field(pattern="^[a-z2-7]{12}$", max_length=12)]
    name: Annotated[str, Field(max_length=120)]
    machine: Id | None
    site: Id | None
    made_at: Time
    revoked_at: _OptionalTime
    last_used: _OptionalTime


class FeedMade(FeedItem):
    """A link that was just made. path: its address on this service, told this once: whoever has it needs no key."""

    path: Annotated[str, Field(pattern=r"^/v1/feeds/fwf_[a-z2-7]{12}_[A-Za-z0-9_-]{43}[0-9a-f]{8}\.ics$", max_length=90)]


class FeedsPage(Closed):
    """A page of links, in the order in which they were made."""

    items: Annotated[list[FeedItem], Field(max_length=200)]
    next: Next


ALL: tuple[type[BaseModel], ...] = (FeedItem, FeedMade, FeedsPage)
