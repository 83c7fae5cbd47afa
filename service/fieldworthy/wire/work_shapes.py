"""Requests about open work on a machine of the store."""

from typing import Annotated, Literal, NotRequired

from pydantic import Field, with_config
from typing_extensions import TypedDict

from fieldworthy.wire.scalars import STRICT, Amount, Name, When, Words
from fieldworthy.wire.shapes import EvidenceIn, ForIn, MeterValues, PutOnIn, UsedIn

_FROM = (
    "whom it is taken from; in other hands by now it stays there (`work.of_another`), so that a request that comes late takes it from "
    "nobody else. Absent: from whoever has it"
)

KeptHandOverIn = TypedDict(
    "KeptHandOverIn",
    {"from": NotRequired[Annotated[Name, Field(description=_FROM)]], "to": Name, "by": Name, "why": Words},
)
KeptHandOverIn.__doc__ = "Work, a lock or a cover goes from whoever has it in hand to another. by: who decided it; why: the reason."
with_config(STRICT)(KeptHandOverIn)


@with_config(STRICT)
class KeptPutOnIn(TypedDict):
    """A lock or cover, as the state of a fact: it is taken off by whoever put it on, or after a hand-over by whom it was handed over to."""

    fact: Name
    state: Name
    by: Name
    hand_over: NotRequired[KeptHandOverIn]


_REPORTS = (
    "reports of now; they are kept with what is known of the machine. `at` is when it was seen: a phone whose clock may be wrong adds to "
    "its own time how far the `now` of an answer was ahead of it when that answer came in"
)
Reports = Annotated[list[EvidenceIn], Field(max_length=1000, description=_REPORTS)]
Locks = Annotated[list[KeptPutOnIn], Field(max_length=100, description="locks and covers, and who put them on; they are kept too")]

KeptClearanceIn = TypedDict(
    "KeptClearanceIn",
    {
        "for": ForIn,
        "by": NotRequired[Annotated[Name, Field(description="who asks; absent: nobody, who takes no lock off")]],
        "evidence": NotRequired[Annotated[list[EvidenceIn], Field(max_length=1000, description="beside what is kept; not kept itself")]],
        "put_on": NotRequired[Annotated[list[PutOnIn], Field(max_length=100, description="beside what is kept; not kept itself")]],
        "now": NotRequired[Annotated[When, Field(description="absent, or up to 2 minutes earlier: the store's own")]],
        "as_of": NotRequired[Annotated[When, Field(description="by what was known at that moment; absent: by all that is known")]],
    },
)
KeptClearanceIn.__doc__ = "May this task, step or action start on this machine, by what is kept of it."
with_config(STRICT)(KeptClearanceIn)


@with_config(STRICT)
class OpenIn(TypedDict):
    """Work to be opened. work: an id of your own; the same again changes nothing."""

    work: Name
    task: Name
    by: Name
    evidence: NotRequired[Reports]
    put_on: NotRequired[Locks]


@with_config(STRICT)
class StepIn(TypedDict):
    """A step to be begun, or said to be done. by: whoever has the work in hand."""

    by: Name
    evidence: NotRequired[Reports]
    put_on: NotRequired[Locks]


@with_config(STRICT)
class CloseIn(TypedDict):
    """How the work ended; a done record is kept of it. leave: why what was changed is not put back."""

    by: Name
    result: Literal["done", "partly", "skipped", "not possible"]
    why: NotRequired[Words]
    leave: NotRequired[Words]
    meters: NotRequired[MeterValues]
    points: NotRequired[Annotated[list[Name], Field(max_length=200)]]
    found: NotRequired[Words]
    measured: NotRequired[Annotated[dict[Name, Amount], Field(max_length=50)]]
    used: NotRequired[Annotated[list[UsedIn], Field(max_length=200)]]
    evidence: NotRequired[Reports]
    put_on: NotRequired[Locks]


@with_config(STRICT)
class TakenOffIn(TypedDict):
    """A lock or cover that was taken off, by whoever had it in hand."""

    fact: Name
    by: Name


__all__ = ["CloseIn", "KeptClearanceIn", "KeptHandOverIn", "KeptPutOnIn", "OpenIn", "StepIn", "TakenOffIn"]
