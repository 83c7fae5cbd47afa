"""Requests that keep machines and what is told of them."""

from typing import Annotated, Any, NotRequired, TypeAlias

from pydantic import Field, with_config
from typing_extensions import TypedDict

from fieldworthy.wire.scalars import CONTROLS, PRINTABLE, STRICT, Day, Name, TimeOfDay
from fieldworthy.wire.shapes import (
    DeferralIn,
    DoneIn,
    EvidenceIn,
    FoundIn,
    InService,
    NoticeIn,
    OccurrenceIn,
    Options,
    ReplacedMeterIn,
    SeasonIn,
    UsageIn,
    UsedIn,  # noqa: F401  # DoneIn names it by a text, which is looked up here for what is made of it
    WorkingConditionIn,
)

ID_PATTERN = rf"^[^/{CONTROLS}]*[^./{CONTROLS}][^/{CONTROLS}]*$"

Id: TypeAlias = Annotated[
    str,
    Field(
        strict=True,
        min_length=1,
        max_length=120,
        pattern=ID_PATTERN,
        description="an id of your own: 1 to 120 characters, no `/`, no control characters, not of dots alone",
    ),
]
"""An id that has its place in an address."""

MOST_MACHINES = 1_000
MOST_RECORDS = 10_000


@with_config(STRICT)
class KeptMachineIn(TypedDict):
    """A machine's document: who it is, where it stands, and whose rules it is kept by. A member that is absent is not known."""

    rulebook: Annotated[
        str,
        Field(strict=True, min_length=1, max_length=200, pattern=PRINTABLE, description="a published one: `name` (its newest) or `name@3`"),
    ]
    model: NotRequired[Name]
    serial: NotRequired[Name]
    options: NotRequired[Options]
    site: NotRequired[Name]
    timezone: NotRequired[Name]
    day_starts: NotRequired[TimeOfDay]
    in_service: NotRequired[InService]
    seasons: NotRequired[Annotated[dict[Name, Annotated[list[SeasonIn], Field(max_length=200)]], Field(max_length=50)]]
    usage: NotRequired[Annotated[dict[Name, UsageIn], Field(max_length=50)]]
    notice: NotRequired[NoticeIn]
    working_days: NotRequired[Annotated[list[Day], Field(max_length=10_000)]]
    silent_after: NotRequired[
        Annotated[
            int,
            Field(
                strict=True,
                ge=1,
                le=365,
                description="days without a reading in season after which a meter of it is told of as silent; absent: the service's",
                json_schema_extra={"format": "int32"},
            ),
        ]
    ]


@with_config(STRICT)
class MachineItem(KeptMachineIn):
    """One of many machines."""

    id: Id


@with_config(STRICT)
class MachinesIn(TypedDict):
    """Many machines: all are kept, or none."""

    items: Annotated[list[MachineItem], Field(max_length=MOST_MACHINES)]


@with_config(STRICT)
class DoneItem(DoneIn):
    """One of many done records. One with `meters` alone is old history: it is put in time by the machine's readings."""

    id: Id  # type: ignore[misc]  # required here, and an id that has its place in an address


@with_config(STRICT)
class WorkingConditionItem(WorkingConditionIn):
    """One of many working conditions."""

    id: Id


@with_config(STRICT)
class OccurrenceItem(OccurrenceIn):
    """One of many occurrences."""

    id: Id


@with_config(STRICT)
class EvidenceItem(EvidenceIn):
    """One of many reports."""

    id: Id


@with_config(STRICT)
class FoundItem(FoundIn):
    """One of many things found."""

    id: Id


@with_config(STRICT)
class DeferralItem(DeferralIn):
    """One of many deferrals."""

    id: Id


@with_config(STRICT)
class ReplacedMeterItem(ReplacedMeterIn):
    """One of many replaced meters."""

    id: Id


def _many(item: Any) -> Any:
    """The shape of a post of many records of a kind."""
    members = {"items": Annotated[list[item], Field(max_length=MOST_RECORDS)]}
    made = TypedDict(item.__name__ + "s", members)  # type: ignore[misc]
    made.__doc__ = "Many at once, each with an id of its own, so that a repeat changes nothing: all are kept, or none."
    return with_config(STRICT)(made)


SINGLE: dict[str, Any] = {
    "done": DoneIn,
    "working-conditions": WorkingConditionIn,
    "occurrences": OccurrenceIn,
    "evidence": EvidenceIn,
    "found": FoundIn,
    "deferrals": DeferralIn,
    "meter-replacements": ReplacedMeterIn,
}
"""By the part of the address: the body of a put."""

MANY: dict[str, Any] = {
    path: _many(item)
    for path, item in {
        "done": DoneItem,
        "working-conditions": WorkingConditionItem,
        "occurrences": OccurrenceItem,
        "evidence": EvidenceItem,
        "found": FoundItem,
        "deferrals": DeferralItem,
        "meter-replacements": ReplacedMeterItem,
    }.items()
}
"""By the part of the address: the body of a post."""
