"""The published shapes of events."""

from typing import Annotated, Any, Literal

from pydantic import BaseModel, Field

from fieldworthy.usecases.events import TYPES
from fieldworthy.wire.closed import Closed, Time
from fieldworthy.wire.kept_answers import Next

EventType = Annotated[str, Field(json_schema_extra={"enum": list(TYPES)})]


class CloudEvent(Closed):
    """
    One event, a CloudEvent of version 1.0. source and id: the same pair is the same event, however often it comes; subject: what it is
    about, as `machines/r5-17/tasks/chain-oil`; time: when it came about; data: what it tells, by type (README, "Events").
    """

    specversion: Literal["1.0"]
    id: Annotated[str, Field(pattern="^evt_[0-9a-f]{32}$", max_length=36)]
    source: Annotated[str, Field(max_length=500, json_schema_extra={"format": "uri-reference"})]
    type: EventType
    subject: Annotated[str, Field(max_length=3000)]
    time: Time
    datacontenttype: Literal["application/json"]
    data: dict[str, Any]


class EventsPage(Closed):
    """
    A page of events, the oldest first. next: as `after` it gives the page behind this one, null where there are no more yet; resume: as
    `after` it gives what comes later, null while there was none at all.
    """

    items: Annotated[list[CloudEvent], Field(max_length=200)]
    next: Next
    resume: Next


ALL: tuple[type[BaseModel], ...] = (EventsPage,)
