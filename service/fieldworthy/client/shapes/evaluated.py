"""Shapes of answers to questions, and problems; written by tests/client/write_shapes.py from the contract."""

from typing import Any, Literal, TypedDict


class Provenance(TypedDict):
    """The rulebook that an answer was drawn from. version: null for a document that was sent along."""

    name: str
    version: int | None
    digest: str


class Reason(TypedDict):
    """One step of the explanation: `code` and `values` for programs, `text` for people."""

    code: str
    text: str
    values: dict[str, Any]


class Fit(TypedDict):
    """Whether the machine may work, by what was found and told. `fit` says no more than that nothing which was told makes it unfit: its
    handbook and the daily check come first.
    """

    fit: Literal["fit", "unfit", "unknown"]
    because: list[Reason]


class Assumed(TypedDict):
    """A working condition that nobody told, and the state that was assumed."""

    condition: str
    value: str


class MeterPoint(TypedDict):
    """A meter's value in its own unit, in the count that goes on over a replaced meter."""

    value: float
    unit: str


class ShownPoint(TypedDict):
    """The same where the meter was replaced. shown: what the new dial will show."""

    value: float
    unit: str
    shown: float


class DuePoint(TypedDict):
    """Where it falls due: one entry per meter that counts, and the date where the calendar counts."""

    meters: dict[str, MeterPoint | ShownPoint]
    date: str | None


class DueAtPoint(TypedDict):
    """Where one point of a task stands, by what was done there."""

    point: str
    standing: Literal["clear", "upcoming", "due", "overdue", "unknown"]
    used: float | None
    due_at: DuePoint


class Remaining(TypedDict):
    """What is left: below zero where it is past."""

    meters: dict[str, MeterPoint]
    days: int | None


Expected = TypedDict("Expected", {"date": str, "from": str | None, "to": str | None, "share": float | None})
Expected.__doc__ = (
    "The day when the due point will be reached, and the days between which `share` of the outcomes lie (null: no range is known)."
)


class DueTask(TypedDict):
    """One task's standing."""

    task: str
    title: str
    kind: Literal["inspect", "clean", "lubricate", "adjust", "replace", "couple"]
    standing: Literal["clear", "upcoming", "due", "overdue", "unknown"]
    used: float | None
    incomplete: bool
    at_least: Literal["clear", "upcoming", "due", "overdue"] | None
    assumed: list[Assumed]
    resting: bool
    points: list[DueAtPoint]
    due_at: DuePoint
    remaining: Remaining
    decided_by: str | None
    rule: str | None
    expected: Expected | None
    because: list[Reason]
    needs: str | None


class DueAnswer(TypedDict):
    """Where every task of one machine stands, the most urgent first."""

    rulebook: Provenance
    now: str
    machine: str | None
    fit: Fit
    tasks: list[DueTask]


class ProblemError(TypedDict):
    """One thing to mend."""

    detail: str
    severity: Literal["error", "warning"]
    pointer: str
    code: str
    mend: str
    line: int | None
    column: int | None
    trace: dict[str, Any] | None


class Problem(TypedDict):
    """A refusal (RFC 9457, `application/problem+json`)."""

    type: str
    title: str
    status: int
    detail: str
    code: str
    mend: str
    errors: list[ProblemError]


QuotaProblem = TypedDict(
    "QuotaProblem",
    {
        "type": str,
        "title": str,
        "status": int,
        "detail": str,
        "code": str,
        "mend": str,
        "errors": list[ProblemError],
        "violated-policies": list[str],
    },
)
QuotaProblem.__doc__ = "A refusal of one request too many (draft-ietf-httpapi-ratelimit-headers, section 5)."


ClearanceUnmet = TypedDict("ClearanceUnmet", {"fact": str, "is": str, "must_be": str})
ClearanceUnmet.__doc__ = "A fact that would have to change."


class ClearanceMissing(TypedDict):
    """A fact that is not known, why, and how to find out."""

    fact: str
    why: str
    text: str
    how: str


class BlockedBy(TypedDict):
    """What another has in hand: open work whose holds would be broken or can't be together with these, or a lock or cover (`fact`)."""

    work: str | None
    by: str | None
    holds: str
    fact: str | None


class Caution(TypedDict):
    """A hazard, its signal word (ANSI Z535.4, ISO 3864-2), and how to keep clear of it."""

    signal: Literal["danger", "warning", "caution", "notice"]
    hazard: str
    avoid: str


class DoFirst(TypedDict):
    """An action on the shortest way to where it may start. It is a plan and no evidence: after it the facts are reported anew."""

    action: str
    needs: str | None
    makes: str
    confirm: str | None
    cautions: list[Caution]


class ClearanceAnswer(TypedDict):
    """May it start now. It advises people; it controls no machine."""

    clearance: Literal["granted", "withheld"]
    unmet: list[ClearanceUnmet]
    missing: list[ClearanceMissing]
    blocked_by: list[BlockedBy]
    do_first: list[DoFirst]
    cautions: list[Caution]
    holds: str | None
    because: list[Reason]
    valid_until: str | None
    rulebook: Provenance
    now: str
    disclaimer: str


class Quantity(TypedDict):
    """A value and its unit."""

    value: float
    unit: str


class ProcedureStep(TypedDict):
    """A step. Exactly one of action, do and wait is not null. needs, holds: everything that it needs and holds, with the task's own."""

    step: int
    action: str | None
    do: str | None
    wait: Quantity | None
    until: str | None
    needs: str | None
    holds: str | None
    makes: str | None
    confirm: str | None
    cautions: list[Caution]
    state: Literal["done", "next", "later"]


class NextStep(TypedDict):
    """The step that comes next, and whether it may start now."""

    clearance: Literal["granted", "withheld"]
    unmet: list[ClearanceUnmet]
    missing: list[ClearanceMissing]
    blocked_by: list[BlockedBy]
    do_first: list[DoFirst]
    cautions: list[Caution]
    holds: str | None
    because: list[Reason]
    valid_until: str | None
    step: int


Contradicts = TypedDict("Contradicts", {"fact": str, "is": str, "must_be": str, "held_by": str})
Contradicts.__doc__ = "A fact that stands against what is open. held_by: what asks for it, in words."


class InterruptedBy(TypedDict):
    """Why the work must stop. make_safe: the actions that make it safe, in order; empty where none is known, or a fact is missing."""

    text: str
    contradicts: list[Contradicts]
    missing: list[ClearanceMissing]
    make_safe: list[DoFirst]


LeftChanged = TypedDict("LeftChanged", {"fact": str, "is": str, "began": str | None, "must_be": str})
LeftChanged.__doc__ = "A fact that the procedure has changed and that must still be put back. began: null where it is not known."


class ProcedureAnswer(TypedDict):
    """Where a run of a task's steps stands. next: null where all are done. It advises people; it controls no machine."""

    rulebook: Provenance
    now: str
    task: str
    steps: list[ProcedureStep]
    next: NextStep | None
    ready_at: str | None
    interrupted: InterruptedBy | None
    left: list[LeftChanged]
    because: list[Reason]
    valid_until: str | None
    disclaimer: str


class Pack(TypedDict):
    """So many packs of this size."""

    pack: Quantity
    count: int


PartsLine = TypedDict(
    "PartsLine",
    {
        "part": str,
        "title": str,
        "amount": Quantity,
        "from_stock": Quantity,
        "to_get": Quantity,
        "packs": list[Pack],
        "loose": bool,
        "or_else": list[str],
        "for": list[str],
        "because": list[Reason],
    },
)
PartsLine.__doc__ = "One part, how much of it, what comes from stock, and in which packs the rest is sold."


Undecided = TypedDict(
    "Undecided", {"task": str | None, "part": str | None, "amount": Quantity | None, "for": list[str], "why": str, "supply": list[str]}
)
Undecided.__doc__ = "A task or a part (the other is null) that may be for this machine. supply: what to say in the request to decide it."


class LeftOut(TypedDict):
    """A task that was asked for, or a part of one, that is not for this machine."""

    task: str
    part: str | None
    why: str


class PartsAnswer(TypedDict):
    """What to take along. minutes: null where a task does not say; minutes_at_least: those that are known."""

    rulebook: Provenance
    lines: list[PartsLine]
    undecided: list[Undecided]
    left_out: list[LeftOut]
    tools: list[str]
    minutes: int | None
    minutes_at_least: int


class Finding(TypedDict):
    """What a check reports."""

    severity: Literal["error", "warning"]
    code: str
    path: str
    line: int | None
    column: int | None
    message: str
    mend: str
    trace: dict[str, Any] | None


class ExpressionAnswer(TypedDict):
    """An expression, read back. canonical, tree, aloud: null where it can't be read."""

    kind: Literal["interval", "condition"]
    text: str
    canonical: str | None
    tree: dict[str, Any] | None
    aloud: str | None
    names_checked: bool
    rulebook: Provenance | None
    findings: list[Finding]
