"""Shapes that several requests share. TypedDicts: what is absent is not there, and unknown members are refused."""

from typing import Annotated, Any, Literal, NotRequired, TypeAlias

from pydantic import Field, with_config
from typing_extensions import TypedDict

from fieldworthy.wire.scalars import PRINTABLE, STRICT, Amount, AmountIn, Day, Expression, Flag, Name, Number, TimeOfDay, When, Words

RulebookRef: TypeAlias = Annotated[
    Annotated[str, Field(strict=True, min_length=1, max_length=200, pattern=PRINTABLE)] | dict[str, Any],
    Field(
        union_mode="left_to_right",
        description="`name` (its newest published version), `name@3`, `sha256:…` or a whole document",
    ),
]

Options: TypeAlias = Annotated[list[Name], Field(max_length=100, description="options fitted; absent: not said; []: none")]
MeterValues: TypeAlias = Annotated[
    dict[Name, Amount],
    Field(max_length=50, description="meter -> what its dial showed, in the meter's own unit unless one is given"),
]


@with_config(STRICT)
class IdentityIn(TypedDict):
    """What is said of a machine. A member that is absent is not known."""

    id: NotRequired[Name]
    model: NotRequired[Name]
    serial: NotRequired[Name]
    options: NotRequired[Options]


InService = TypedDict("InService", {"on": Day, "as": NotRequired[Literal["new", "used"]], "meters": NotRequired[MeterValues]})
InService.__doc__ = "When the machine came into service here, and what its meters showed."
with_config(STRICT)(InService)


@with_config(STRICT)
class ReadingIn(TypedDict):
    """What a meter's dial showed at a time."""

    meter: Name
    value: Number
    unit: NotRequired[Name]
    at: When


@with_config(STRICT)
class ReplacedMeterIn(TypedDict):
    """A meter was replaced; the count goes on."""

    meter: Name
    at: When
    old_value: Number
    new_value: Number
    unit: NotRequired[Name]


_FOUND = (
    "what was found, left out where nothing was; a word of the task's `if_found` opens what follows, and any other word at such a task, "
    "`nothing` too, makes `fit` not known"
)

WorkingConditionIn = TypedDict("WorkingConditionIn", {"condition": Name, "value": Name, "from": When, "to": NotRequired[When | None]})
WorkingConditionIn.__doc__ = "How the machine works, from a time on (included) to another (excluded); without `to` it goes on."
with_config(STRICT)(WorkingConditionIn)


@with_config(STRICT)
class OccurrenceIn(TypedDict):
    """Something that happened to the machine."""

    occurrence: Name
    at: NotRequired[When]
    on: NotRequired[Day]
    meters: NotRequired[MeterValues]


SeasonIn = TypedDict("SeasonIn", {"from": Day, "to": Day})
SeasonIn.__doc__ = "A season's first and last day, both included."
with_config(STRICT)(SeasonIn)


@with_config(STRICT)
class DeferralIn(TypedDict):
    """One due point was moved, once."""

    task: Name
    at: When
    by: Name
    why: Words
    amount: NotRequired[Amount]


@with_config(STRICT)
class DoneIn(TypedDict):
    """A done record. Exactly one of `at` and `on` is given."""

    task: Name
    at: NotRequired[When]
    on: NotRequired[Day]
    meters: NotRequired[MeterValues]
    id: NotRequired[Name]
    by: NotRequired[Name]
    result: NotRequired[Literal["done", "partly", "skipped", "not possible"]]
    why: NotRequired[Words]
    points: NotRequired[
        Annotated[list[Name], Field(max_length=200, description="of `partly`: the points of the task that it counts for; none of `done`")]
    ]
    found: NotRequired[Annotated[Words, Field(description=_FOUND)]]
    measured: NotRequired[Annotated[dict[Name, Amount], Field(max_length=50)]]
    used: NotRequired[Annotated[list["UsedIn"], Field(max_length=200)]]


@with_config(STRICT)
class UsedIn(TypedDict):
    """A part that was used."""

    part: Name
    amount: Amount


@with_config(STRICT)
class FoundIn(TypedDict):
    """
    Something that somebody found on the machine. Exactly one of `at` and `on` is given.

    With `task` and neither `then` nor `unfit`, a word of that task's `if_found` says what follows; any other word at such a task makes
    `fit` not known. With `then`, a word by which the machine is unfit makes it so until that is done, unless `unfit` is false.
    """

    what: Annotated[Words, Field(description="what was found, in words")]
    at: NotRequired[When]
    on: NotRequired[Day]
    by: NotRequired[Name]
    task: NotRequired[Annotated[Name, Field(description="the task that it was found at")]]
    unfit: NotRequired[
        Annotated[
            Flag,
            Field(
                description="true: the machine must not work until `then` is done; without it, until `task` is done again with nothing "
                "found; without both, until this is taken back"
            ),
        ]
    ]
    then: NotRequired[Annotated[Name, Field(description="the task that is to follow")]]
    within: NotRequired[Annotated[Amount, Field(description="how soon it is to follow, as in `10 h` or `3 days`; absent: at once")]]


@with_config(STRICT)
class UsageIn(TypedDict):
    """How much a meter runs in a day."""

    per_day: Annotated[Number, Field(ge=0)]
    unit: NotRequired[Name]


@with_config(STRICT)
class MachineIn(TypedDict):
    """One machine, and what is known of it."""

    id: NotRequired[Name]
    model: NotRequired[Name]
    serial: NotRequired[Name]
    options: NotRequired[Options]
    timezone: NotRequired[Name]
    day_starts: NotRequired[TimeOfDay]
    in_service: NotRequired[InService]
    meters: NotRequired[Annotated[list[ReadingIn], Field(max_length=100, description="the newest readings")]]
    replaced_meters: NotRequired[Annotated[list[ReplacedMeterIn], Field(max_length=1000)]]
    readings: NotRequired[Annotated[list[ReadingIn], Field(max_length=100_000, description="earlier readings, in any order")]]
    working_conditions: NotRequired[Annotated[list[WorkingConditionIn], Field(max_length=10_000)]]
    occurrences: NotRequired[Annotated[list[OccurrenceIn], Field(max_length=10_000)]]
    seasons: NotRequired[Annotated[dict[Name, Annotated[list[SeasonIn], Field(max_length=200)]], Field(max_length=50)]]
    deferrals: NotRequired[Annotated[list[DeferralIn], Field(max_length=10_000)]]
    working_days: NotRequired[Annotated[list[Day], Field(max_length=10_000)]]
    done: NotRequired[Annotated[list[DoneIn], Field(max_length=100_000)]]
    found: NotRequired[Annotated[list[FoundIn], Field(max_length=10_000, description="what was found, beside what done records say")]]
    usage: NotRequired[Annotated[dict[Name, UsageIn], Field(max_length=50)]]


@with_config(STRICT)
class NoticeIn(TypedDict):
    """How long before its due point a task moves `upcoming`."""

    share: NotRequired[Annotated[Number, Field(ge=0, le=1, description="of the interval, 0 to 1")]]
    days: NotRequired[Annotated[int, Field(strict=True, ge=0, le=3660, description="at most so many whole days on calendar bases")]]


Forecast = Annotated[
    bool,
    Field(
        strict=True,
        description="absent: true. false: `expected` is told by the stated `usage` alone, not from what the readings tell of past use; "
        "a third less work, for whoever only asks what is due",
    ),
]


@with_config(STRICT)
class DueIn(TypedDict):
    """Which tasks of one machine are due."""

    rulebook: RulebookRef
    now: When
    machine: MachineIn
    tasks: NotRequired[Annotated[list[Name], Field(max_length=1000, description="absent: all that fit the machine and have an interval")]]
    notice: NotRequired[NoticeIn]
    forecast: NotRequired[Forecast]


@with_config(STRICT)
class Defaults(TypedDict):
    """What holds for every line that does not say otherwise."""

    rulebook: NotRequired[RulebookRef]
    now: NotRequired[When]


@with_config(STRICT)
class DefaultsLine(TypedDict):
    """The first line of a batch, where there is one."""

    defaults: Defaults


@with_config(STRICT)
class DueLine(TypedDict):
    """One line of a batch: a due question; `rulebook` and `now` may come from the defaults. ref: the caller's own, given back."""

    ref: NotRequired[Name | Annotated[int, Field(strict=True, ge=-(2**63), le=2**63 - 1)]]
    rulebook: NotRequired[RulebookRef]
    now: NotRequired[When]
    machine: MachineIn
    tasks: NotRequired[Annotated[list[Name], Field(max_length=1000)]]
    notice: NotRequired[NoticeIn]
    forecast: NotRequired[Forecast]


@with_config(STRICT)
class ForIn(TypedDict):
    """What is asked for: {"task"} and perhaps {"step"}, or {"action"}, or {"needs"}."""

    task: NotRequired[Name]
    step: NotRequired[Annotated[int, Field(strict=True, ge=1, le=10_000, description="counted from 1")]]
    action: NotRequired[Name]
    needs: NotRequired[Expression]


@with_config(STRICT)
class EvidenceIn(TypedDict):
    """What was reported of a fact. value: a state, or an amount."""

    fact: Name
    value: Annotated[
        Number | Name | AmountIn,
        Field(union_mode="left_to_right", description='a state, or {"value", "unit"}, or a bare number in the fact\'s own unit'),
    ]
    at: When
    via: Literal["sensor", "seen"]
    by: NotRequired[Name]


@with_config(STRICT)
class HandOverIn(TypedDict):
    """Work, a lock or a cover went from whoever had it in hand to another. by: who decided it; why: the reason."""

    to: Name
    by: Name
    why: Words


@with_config(STRICT)
class OpenWorkIn(TypedDict):
    """Work that somebody has started on this machine and not closed; after a hand-over it is the work of whom it was handed over to."""

    work: Name
    task: Name
    step: NotRequired[Annotated[int, Field(strict=True, ge=1, le=10_000)]]
    by: NotRequired[Name]
    hand_over: NotRequired[HandOverIn]


@with_config(STRICT)
class PutOnIn(TypedDict):
    """A lock or cover, as the state of a fact: it is taken off by whoever put it on, or after a hand-over by whom it was handed over to."""

    fact: Name
    state: Name
    by: Name
    hand_over: NotRequired[HandOverIn]


ClearanceIn = TypedDict(
    "ClearanceIn",
    {
        "rulebook": RulebookRef,
        "now": When,
        "machine": IdentityIn,
        "for": ForIn,
        "evidence": NotRequired[Annotated[list[EvidenceIn], Field(max_length=10_000)]],
        "open_work": NotRequired[Annotated[list[OpenWorkIn], Field(max_length=1000)]],
        "by": NotRequired[Annotated[Name, Field(description="who asks; absent: nobody, who takes no lock off")]],
        "put_on": NotRequired[Annotated[list[PutOnIn], Field(max_length=1000, description="locks and covers, and who put them on")]],
    },
)
ClearanceIn.__doc__ = "May this task, step or action start now."
with_config(STRICT)(ClearanceIn)


@with_config(STRICT)
class TaskCountIn(TypedDict):
    """A task, and how many times it will be done."""

    task: Name
    times: NotRequired[Annotated[int, Field(strict=True, le=10_000, description="1 if absent", json_schema_extra={"minimum": 1})]]


@with_config(STRICT)
class StockIn(TypedDict):
    """What is in stock of a part."""

    part: Name
    amount: Amount


@with_config(STRICT)
class PartsIn(TypedDict):
    """The parts list for these tasks on this machine."""

    rulebook: RulebookRef
    on: Day
    machine: IdentityIn
    tasks: Annotated[list[TaskCountIn], Field(max_length=1000)]
    stock: NotRequired[Annotated[list[StockIn], Field(max_length=10_000)]]


@with_config(STRICT)
class VocabularyIn(TypedDict):
    """Names that an expression may use, written as a rulebook writes them."""

    meters: NotRequired[dict[str, Any]]
    seasons: NotRequired[dict[str, Any]]
    occurrences: NotRequired[dict[str, Any]]
    working_conditions: NotRequired[dict[str, Any]]
    facts: NotRequired[dict[str, Any]]


@with_config(STRICT)
class ExpressionIn(TypedDict):
    """One interval or one condition to check. rulebook or vocabulary: whose names it may use; neither: only its form is checked."""

    interval: NotRequired[Expression]
    condition: NotRequired[Expression]
    over: NotRequired[
        Annotated[Literal["facts", "working conditions"], Field(description="what the condition speaks of; `facts` if absent")]
    ]
    rulebook: NotRequired[RulebookRef]
    vocabulary: NotRequired[VocabularyIn]


@with_config(STRICT)
class DoneStepIn(TypedDict):
    """A step of a procedure that was done. at: when; of a wait, when it began."""

    step: Annotated[int, Field(strict=True, ge=1, le=10_000, description="counted from 1, in order")]
    at: When
    by: NotRequired[Name]


@with_config(STRICT)
class ProcedureIn(TypedDict):
    """Which steps of a task are done, and what is reported. begun: when the step after them was begun; absent: it was not."""

    rulebook: RulebookRef
    now: When
    machine: IdentityIn
    task: Name
    done: NotRequired[Annotated[list[DoneStepIn], Field(max_length=500)]]
    begun: NotRequired[When]
    by: NotRequired[Annotated[Name, Field(description="who is at work and asks; absent: nobody, who takes no lock off")]]
    evidence: NotRequired[Annotated[list[EvidenceIn], Field(max_length=10_000)]]
    open_work: NotRequired[Annotated[list[OpenWorkIn], Field(max_length=1000)]]
    put_on: NotRequired[Annotated[list[PutOnIn], Field(max_length=1000, description="locks and covers, and who put them on")]]
