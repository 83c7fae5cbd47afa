"""Shapes of what is told of machines; written by tests/client/write_shapes.py from the contract."""

from collections.abc import Mapping
from datetime import date, datetime
from typing import Literal, NotRequired, TypedDict

from fieldworthy.client.shapes.asked import AmountIn, EvidenceIn, ForIn, InService, NoticeIn, PutOnIn, SeasonIn, UsageIn, UsedIn


class KeptMachineIn(TypedDict):
    """A machine's document: who it is, where it stands, and whose rules it is kept by. A member that is absent is not known."""

    rulebook: str
    model: NotRequired[str]
    serial: NotRequired[str]
    options: NotRequired[list[str]]
    site: NotRequired[str]
    timezone: NotRequired[str]
    day_starts: NotRequired[str]
    in_service: NotRequired[InService]
    seasons: NotRequired[Mapping[str, list[SeasonIn]]]
    usage: NotRequired[Mapping[str, UsageIn]]
    notice: NotRequired[NoticeIn]
    working_days: NotRequired[list[str | date]]
    silent_after: NotRequired[int]


class MachineItem(TypedDict):
    """One of many machines."""

    rulebook: str
    model: NotRequired[str]
    serial: NotRequired[str]
    options: NotRequired[list[str]]
    site: NotRequired[str]
    timezone: NotRequired[str]
    day_starts: NotRequired[str]
    in_service: NotRequired[InService]
    seasons: NotRequired[Mapping[str, list[SeasonIn]]]
    usage: NotRequired[Mapping[str, UsageIn]]
    notice: NotRequired[NoticeIn]
    working_days: NotRequired[list[str | date]]
    silent_after: NotRequired[int]
    id: str


class MachinesIn(TypedDict):
    """Many machines: all are kept, or none."""

    items: list[MachineItem]


class DoneItem(TypedDict):
    """One of many done records. One with `meters` alone is old history: it is put in time by the machine's readings."""

    task: str
    at: NotRequired[str | datetime]
    on: NotRequired[str | date]
    meters: NotRequired[Mapping[str, float | str | AmountIn]]
    id: str
    by: NotRequired[str]
    result: NotRequired[Literal["done", "partly", "skipped", "not possible"]]
    why: NotRequired[str]
    points: NotRequired[list[str]]
    found: NotRequired[str]
    measured: NotRequired[Mapping[str, float | str | AmountIn]]
    used: NotRequired[list[UsedIn]]


class DoneItems(TypedDict):
    """Many at once, each with an id of its own, so that a repeat changes nothing: all are kept, or none."""

    items: list[DoneItem]


WorkingConditionItem = TypedDict(
    "WorkingConditionItem", {"condition": str, "value": str, "from": str | datetime, "to": NotRequired[str | datetime | None], "id": str}
)
WorkingConditionItem.__doc__ = "One of many working conditions."


class WorkingConditionItems(TypedDict):
    """Many at once, each with an id of its own, so that a repeat changes nothing: all are kept, or none."""

    items: list[WorkingConditionItem]


class OccurrenceItem(TypedDict):
    """One of many occurrences."""

    occurrence: str
    at: NotRequired[str | datetime]
    on: NotRequired[str | date]
    meters: NotRequired[Mapping[str, float | str | AmountIn]]
    id: str


class OccurrenceItems(TypedDict):
    """Many at once, each with an id of its own, so that a repeat changes nothing: all are kept, or none."""

    items: list[OccurrenceItem]


class EvidenceItem(TypedDict):
    """One of many reports."""

    fact: str
    value: float | str | AmountIn
    at: str | datetime
    via: Literal["sensor", "seen"]
    by: NotRequired[str]
    id: str


class EvidenceItems(TypedDict):
    """Many at once, each with an id of its own, so that a repeat changes nothing: all are kept, or none."""

    items: list[EvidenceItem]


class FoundItem(TypedDict):
    """One of many things found."""

    what: str
    at: NotRequired[str | datetime]
    on: NotRequired[str | date]
    by: NotRequired[str]
    task: NotRequired[str]
    unfit: NotRequired[bool]
    then: NotRequired[str]
    within: NotRequired[float | str | AmountIn]
    id: str


class FoundItems(TypedDict):
    """Many at once, each with an id of its own, so that a repeat changes nothing: all are kept, or none."""

    items: list[FoundItem]


class DeferralItem(TypedDict):
    """One of many deferrals."""

    task: str
    at: str | datetime
    by: str
    why: str
    amount: NotRequired[float | str | AmountIn]
    id: str


class DeferralItems(TypedDict):
    """Many at once, each with an id of its own, so that a repeat changes nothing: all are kept, or none."""

    items: list[DeferralItem]


class ReplacedMeterItem(TypedDict):
    """One of many replaced meters."""

    meter: str
    at: str | datetime
    old_value: float
    new_value: float
    unit: NotRequired[str]
    id: str


class ReplacedMeterItems(TypedDict):
    """Many at once, each with an id of its own, so that a repeat changes nothing: all are kept, or none."""

    items: list[ReplacedMeterItem]


class CounterIn(TypedDict):
    """One counter. Exactly one of `spn` and `ddi`, and exactly one of `raw` and `bytes`."""

    machine: str
    meter: str
    at: str | datetime
    spn: NotRequired[int]
    ddi: NotRequired[int]
    raw: NotRequired[int]
    bytes: NotRequired[str]


class CountersIn(TypedDict):
    """Counters of machines' buses, in any order."""

    readings: list[CounterIn]


KeptClearanceIn = TypedDict(
    "KeptClearanceIn",
    {
        "for": ForIn,
        "by": NotRequired[str],
        "evidence": NotRequired[list[EvidenceIn]],
        "put_on": NotRequired[list[PutOnIn]],
        "now": NotRequired[str | datetime],
        "as_of": NotRequired[str | datetime],
    },
)
KeptClearanceIn.__doc__ = "May this task, step or action start on this machine, by what is kept of it."


KeptHandOverIn = TypedDict("KeptHandOverIn", {"from": NotRequired[str], "to": str, "by": str, "why": str})
KeptHandOverIn.__doc__ = "Work, a lock or a cover goes from whoever has it in hand to another. by: who decided it; why: the reason."


class KeptPutOnIn(TypedDict):
    """A lock or cover, as the state of a fact: it is taken off by whoever put it on, or after a hand-over by whom it was handed over to."""

    fact: str
    state: str
    by: str
    hand_over: NotRequired[KeptHandOverIn]


class OpenIn(TypedDict):
    """Work to be opened. work: an id of your own; the same again changes nothing."""

    work: str
    task: str
    by: str
    evidence: NotRequired[list[EvidenceIn]]
    put_on: NotRequired[list[KeptPutOnIn]]


class StepIn(TypedDict):
    """A step to be begun, or said to be done. by: whoever has the work in hand."""

    by: str
    evidence: NotRequired[list[EvidenceIn]]
    put_on: NotRequired[list[KeptPutOnIn]]


class CloseIn(TypedDict):
    """How the work ended; a done record is kept of it. leave: why what was changed is not put back."""

    by: str
    result: Literal["done", "partly", "skipped", "not possible"]
    why: NotRequired[str]
    leave: NotRequired[str]
    meters: NotRequired[Mapping[str, float | str | AmountIn]]
    points: NotRequired[list[str]]
    found: NotRequired[str]
    measured: NotRequired[Mapping[str, float | str | AmountIn]]
    used: NotRequired[list[UsedIn]]
    evidence: NotRequired[list[EvidenceIn]]
    put_on: NotRequired[list[KeptPutOnIn]]


class TakenOffIn(TypedDict):
    """A lock or cover that was taken off, by whoever had it in hand."""

    fact: str
    by: str


class SentReadingIn(TypedDict):
    """What a meter's dial showed at a time."""

    machine: str
    meter: str
    value: float
    unit: NotRequired[str]
    at: str | datetime


class ReadingsIn(TypedDict):
    """Many readings."""

    readings: list[SentReadingIn]


class ReadAsIn(TypedDict):
    """What the dial showed in truth."""

    value: float
    unit: NotRequired[str]


class NewDialIn(TypedDict):
    """The meter was replaced: when, what the old dial showed last and the new one first, in the meter's own unit."""

    at: str | datetime
    old_value: float
    new_value: float


AcceptIn = TypedDict("AcceptIn", {"by": str, "why": str, "as": NotRequired[ReadAsIn], "replaced_meter": NotRequired[NewDialIn]})
AcceptIn.__doc__ = "Who accepts a reading that was set aside, and why; as what, where not as it was sent."


class DismissIn(TypedDict):
    """Who dismisses a reading that was set aside, and why."""

    by: str
    why: str


class FeedIn(TypedDict):
    """A link to a calendar: of a machine, or of a site; of neither: of the whole fleet."""

    machine: NotRequired[str]
    site: NotRequired[str]
    name: NotRequired[str]
