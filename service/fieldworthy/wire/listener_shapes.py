"""Requests that keep listeners and send deliveries again."""

from typing import Annotated, Literal, NotRequired, TypeAlias

from pydantic import Field, with_config
from typing_extensions import TypedDict

from fieldworthy.usecases.keep_listeners import CHOSEN, MOST_OVERLAP_HOURS
from fieldworthy.usecases.kept_standings import URGENCY
from fieldworthy.usecases.reachable import MOST_URL
from fieldworthy.wire.scalars import PRINTABLE, STRICT, Name, When, Whole

Clock: TypeAlias = Annotated[
    str, Field(strict=True, max_length=5, pattern=r"^([01]\d|2[0-3]):[0-5]\d$", description="a local time, as in `06:30`")
]
Type: TypeAlias = Annotated[Literal[CHOSEN], Field(description="an event's type")]  # type: ignore[valid-type]  # told from one list
Standing: TypeAlias = Literal[tuple(URGENCY)]  # type: ignore[valid-type]

QuietHours = TypedDict("QuietHours", {"from": Clock, "to": Clock})
QuietHours.__doc__ = "What comes up between these local times (over midnight, where `to` is earlier) waits until they end."
with_config(STRICT)(QuietHours)


@with_config(STRICT)
class DigestIn(TypedDict):
    """Once a day, at this local time, all at once."""

    at: Clock


@with_config(STRICT)
class ListenerIn(TypedDict):
    """
    Who is told, and of what. Exactly one of `url` and `email` is given. A filter that is absent, or empty, lets everything pass; an event
    that has no site (kind, standing) passes only where none is chosen.
    """

    name: Name
    url: NotRequired[
        Annotated[
            str,
            Field(
                strict=True,
                min_length=1,
                max_length=MOST_URL,
                pattern=PRINTABLE,
                description="of a receiver on the public internet, `https://…`; in networks that whoever runs the service names `http` too",
            ),
        ]
    ]
    email: NotRequired[Annotated[str, Field(strict=True, min_length=3, max_length=254, pattern=PRINTABLE, description="told by mail")]]
    types: NotRequired[Annotated[list[Type], Field(max_length=50)]]
    sites: NotRequired[Annotated[list[Name], Field(max_length=100)]]
    kinds: NotRequired[Annotated[list[Name], Field(max_length=20, description="of tasks: inspect, clean, lubricate, …")]]
    standings: NotRequired[Annotated[list[Standing], Field(max_length=10)]]
    timezone: NotRequired[Annotated[Name, Field(description="IANA name of quiet hours and digest; absent: UTC")]]
    quiet_hours: NotRequired[QuietHours]
    digest: NotRequired[DigestIn]
    urgent: NotRequired[
        Annotated[
            list[Type],
            Field(
                max_length=50,
                description="types that wait for neither; absent: `fieldworthy.machine.unfit` and `fieldworthy.machine.fitness_unknown`",
            ),
        ]
    ]


@with_config(STRICT)
class ListenerPostIn(ListenerIn):
    """A new listener. id: one of your own, which no listener of yours has or had; absent: one is made."""

    id: NotRequired[
        Annotated[
            str, Field(strict=True, min_length=1, max_length=40, pattern=r"^[A-Za-z0-9][A-Za-z0-9_-]*$", description="an id of your own")
        ]
    ]


@with_config(STRICT)
class ListenerPutIn(ListenerIn):
    """The whole listener. state: absent, it stays as it is; `on` turns one on again that was off, or gone."""

    state: NotRequired[Literal["on", "off"]]


@with_config(STRICT)
class RotateIn(TypedDict):
    """overlap_hours: for so long the earlier secret signs too; absent: 24."""

    overlap_hours: NotRequired[Annotated[Whole, Field(ge=0, le=MOST_OVERLAP_HOURS, json_schema_extra={"format": "int32"})]]


AgainIn = TypedDict("AgainIn", {"listener": Name, "from": NotRequired[When], "to": NotRequired[When]})
AgainIn.__doc__ = "Events of that listener from a time on (included) to another (excluded) that stayed undelivered."
with_config(STRICT)(AgainIn)
