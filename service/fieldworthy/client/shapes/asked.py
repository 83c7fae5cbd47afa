"""Shapes of questions; written by tests/client/write_shapes.py from the contract."""

from collections.abc import Mapping
from datetime import date, datetime
from typing import Any, Literal, NotRequired, TypedDict


class AmountIn(TypedDict):
    """A value and its unit."""

    value: float
    unit: str


InService = TypedDict(
    "InService", {"on": str | date, "as": NotRequired[Literal["new", "used"]], "meters": NotRequired[Mapping[str, float | str | AmountIn]]}
)
InService.__doc__ = "When the machine came into service here, and what its meters showed."


class ReadingIn(TypedDict):
    """What a meter's dial showed at a time."""

    meter: str
    value: float
    unit: NotRequired[str]
    at: str | datetime


class ReplacedMeterIn(TypedDict):
    """A meter was replaced; the count goes on."""

    meter: str
    at: str | datetime
    old_value: float
    new_value: float
    unit: NotRequired[str]


WorkingConditionIn = TypedDict(
    "WorkingConditionIn", {"condition": str, "value": str, "from": str | datetime, "to": NotRequired[str | datetime | None]}
)
WorkingConditionIn.__doc__ = "How the machine works, from a time on (included) to another (excluded); without `to` it goes on."


class OccurrenceIn(TypedDict):
    """Something that happened to the machine."""

    occurrence: str
    at: NotRequired[str | datetime]
    on: NotRequired[str | date]
    meters: NotRequired[Mapping[str, float | str | AmountIn]]


SeasonIn = TypedDict("SeasonIn", {"from": str | date, "to": str | date})
SeasonIn.__doc__ = "A season's first and last day, both included."


class DeferralIn(TypedDict):
    """One due point was moved, once."""

    task: str
    at: str | datetime
    by: str
    why: str
    amount: NotRequired[float | str | AmountIn]


class UsedIn(TypedDict):
    """A part that was used."""

    part: str
    amount: float | str | AmountIn


class DoneIn(TypedDict):
    """A done record. Exactly one of `at` and `on` is given."""

    task: str
    at: NotRequired[str | datetime]
    on: NotRequired[str | date]
    meters: NotRequired[Mapping[str, float | str | AmountIn]]
    id: NotRequired[str]
    by: NotRequired[str]
    result: NotRequired[Literal["done", "partly", "skipped", "not possible"]]
    why: NotRequired[str]
    points: NotRequired[list[str]]
    found: NotRequired[str]
    measured: NotRequired[Mapping[str, float | str | AmountIn]]
    used: NotRequired[list[UsedIn]]


class FoundIn(TypedDict):
    """Something that somebody found on the machine. Exactly one of `at` and `on` is given. With `task` and neither `then` nor `unfit`, a
    word of that task's `if_found` says what follows; any other word at such a task makes `fit` not known. With `then`, a word by
    which the machine is unfit makes it so until that is done, unless `unfit` is false.
    """

    what: str
    at: NotRequired[str | datetime]
    on: NotRequired[str | date]
    by: NotRequired[str]
    task: NotRequired[str]
    unfit: NotRequired[bool]
    then: NotRequired[str]
    within: NotRequired[float | str | AmountIn]


class UsageIn(TypedDict):
    """How much a meter runs in a day."""

    per_day: float
    unit: NotRequired[str]


class MachineIn(TypedDict):
    """One machine, and what is known of it."""

    id: NotRequired[str]
    model: NotRequired[str]
    serial: NotRequired[str]
    options: NotRequired[list[str]]
    timezone: NotRequired[str]
    day_starts: NotRequired[str]
    in_service: NotRequired[InService]
    meters: NotRequired[list[ReadingIn]]
    replaced_meters: NotRequired[list[ReplacedMeterIn]]
    readings: NotRequired[list[ReadingIn]]
    working_conditions: NotRequired[list[WorkingConditionIn]]
    occurrences: NotRequired[list[OccurrenceIn]]
    seasons: NotRequired[Mapping[str, list[SeasonIn]]]
    deferrals: NotRequired[list[DeferralIn]]
    working_days: NotRequired[list[str | date]]
    done: NotRequired[list[DoneIn]]
    found: NotRequired[list[FoundIn]]
    usage: NotRequired[Mapping[str, UsageIn]]


class NoticeIn(TypedDict):
    """How long before its due point a task moves `upcoming`."""

    share: NotRequired[float]
    days: NotRequired[int]


class DueIn(TypedDict):
    """Which tasks of one machine are due."""

    rulebook: str | Mapping[str, Any]
    now: str | datetime
    machine: MachineIn
    tasks: NotRequired[list[str]]
    notice: NotRequired[NoticeIn]
    forecast: NotRequired[bool]


class IdentityIn(TypedDict):
    """What is said of a machine. A member that is absent is not known."""

    id: NotRequired[str]
    model: NotRequired[str]
    serial: NotRequired[str]
    options: NotRequired[list[str]]


class ForIn(TypedDict):
    """What is asked for: {"task"} and perhaps {"step"}, or {"action"}, or {"needs"}."""

    task: NotRequired[str]
    step: NotRequired[int]
    action: NotRequired[str]
    needs: NotRequired[str]


class EvidenceIn(TypedDict):
    """What was reported of a fact. value: a state, or an amount."""

    fact: str
    value: float | str | AmountIn
    at: str | datetime
    via: Literal["sensor", "seen"]
    by: NotRequired[str]


class HandOverIn(TypedDict):
    """Work, a lock or a cover went from whoever had it in hand to another. by: who decided it; why: the reason."""

    to: str
    by: str
    why: str


class OpenWorkIn(TypedDict):
    """Work that somebody has started on this machine and not closed; after a hand-over it is the work of whom it was handed over to."""

    work: str
    task: str
    step: NotRequired[int]
    by: NotRequired[str]
    hand_over: NotRequired[HandOverIn]


class PutOnIn(TypedDict):
    """A lock or cover, as the state of a fact: it is taken off by whoever put it on, or after a hand-over by whom it was handed over to."""

    fact: str
    state: str
    by: str
    hand_over: NotRequired[HandOverIn]


ClearanceIn = TypedDict(
    "ClearanceIn",
    {
        "rulebook": str | Mapping[str, Any],
        "now": str | datetime,
        "machine": IdentityIn,
        "for": ForIn,
        "evidence": NotRequired[list[EvidenceIn]],
        "open_work": NotRequired[list[OpenWorkIn]],
        "by": NotRequired[str],
        "put_on": NotRequired[list[PutOnIn]],
    },
)
ClearanceIn.__doc__ = "May this task, step or action start now."


class DoneStepIn(TypedDict):
    """A step of a procedure that was done. at: when; of a wait, when it began."""

    step: int
    at: str | datetime
    by: NotRequired[str]


class ProcedureIn(TypedDict):
    """Which steps of a task are done, and what is reported. begun: when the step after them was begun; absent: it was not."""

    rulebook: str | Mapping[str, Any]
    now: str | datetime
    machine: IdentityIn
    task: str
    done: NotRequired[list[DoneStepIn]]
    begun: NotRequired[str | datetime]
    by: NotRequired[str]
    evidence: NotRequired[list[EvidenceIn]]
    open_work: NotRequired[list[OpenWorkIn]]
    put_on: NotRequired[list[PutOnIn]]


class TaskCountIn(TypedDict):
    """A task, and how many times it will be done."""

    task: str
    times: NotRequired[int]


class StockIn(TypedDict):
    """What is in stock of a part."""

    part: str
    amount: float | str | AmountIn


class PartsIn(TypedDict):
    """The parts list for these tasks on this machine."""

    rulebook: str | Mapping[str, Any]
    on: str | date
    machine: IdentityIn
    tasks: list[TaskCountIn]
    stock: NotRequired[list[StockIn]]


class VocabularyIn(TypedDict):
    """Names that an expression may use, written as a rulebook writes them."""

    meters: NotRequired[Mapping[str, Any]]
    seasons: NotRequired[Mapping[str, Any]]
    occurrences: NotRequired[Mapping[str, Any]]
    working_conditions: NotRequired[Mapping[str, Any]]
    facts: NotRequired[Mapping[str, Any]]


class ExpressionIn(TypedDict):
    """One interval or one condition to check. rulebook or vocabulary: whose names it may use; neither: only its form is checked."""

    interval: NotRequired[str]
    condition: NotRequired[str]
    over: NotRequired[Literal["facts", "working conditions"]]
    rulebook: NotRequired[str | Mapping[str, Any]]
    vocabulary: NotRequired[VocabularyIn]


class DueLine(TypedDict):
    """One line of a batch: a due question; `rulebook` and `now` may come from the defaults. ref: the caller's own, given back."""

    ref: NotRequired[str | int]
    rulebook: NotRequired[str | Mapping[str, Any]]
    now: NotRequired[str | datetime]
    machine: MachineIn
    tasks: NotRequired[list[str]]
    notice: NotRequired[NoticeIn]
    forecast: NotRequired[bool]
