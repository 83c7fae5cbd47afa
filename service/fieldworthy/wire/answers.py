"""The published shapes of the answers to questions: what is due, may it start, what to take along; and an expression read back."""

from typing import Annotated, Any, Literal

from pydantic import BaseModel, Field

from fieldworthy.wire.closed import Closed, Count, Date, Finding, Id, Provenance, Quantity, Real, Reason, Text, Time


class ClearanceUnmet(Closed):
    """A fact that would have to change."""

    fact: Id
    is_: Annotated[Text, Field(alias="is", description="a state, or an amount")]
    must_be: Annotated[Text, Field(description="a state, or what the number must be")]


class ClearanceMissing(Closed):
    """A fact that is not known, why, and how to find out."""

    fact: Id
    why: Id
    text: Text
    how: Text


class BlockedBy(Closed):
    """What another has in hand: open work whose holds would be broken or can't be together with these, or a lock or cover (`fact`)."""

    work: Annotated[Id | None, Field(description="null: it is no work, but the lock or cover `fact`")]
    by: Annotated[Id | None, Field(description="whose it is now")]
    holds: Annotated[Text, Field(description="what would not be so")]
    fact: Annotated[Id | None, Field(description="the lock or cover that would be taken off; null: it is open work")]


class Caution(Closed):
    """A hazard, its signal word (ANSI Z535.4, ISO 3864-2), and how to keep clear of it."""

    signal: Literal["danger", "warning", "caution", "notice"]
    hazard: Id
    avoid: Text


class DoFirst(Closed):
    """An action on the shortest way to where it may start. It is a plan and no evidence: after it the facts are reported anew."""

    action: Id
    needs: Text | None
    makes: Text
    confirm: Annotated[Text | None, Field(description="what must be reported after it: doing proves nothing")]
    cautions: Annotated[list[Caution], Field(max_length=100_000)]


class MayStart(Closed):
    """Whether it may start now, what stands against it, and the way to where it may."""

    clearance: Literal["granted", "withheld"]
    unmet: Annotated[list[ClearanceUnmet], Field(max_length=100_000)]
    missing: Annotated[list[ClearanceMissing], Field(max_length=100_000)]
    blocked_by: Annotated[list[BlockedBy], Field(max_length=100_000)]
    do_first: Annotated[list[DoFirst], Field(max_length=100_000)]
    cautions: Annotated[list[Caution], Field(max_length=100_000)]
    holds: Text | None
    because: Annotated[list[Reason], Field(max_length=100_000)]
    valid_until: Time | None


class ClearanceAnswer(MayStart):
    """May it start now. It advises people; it controls no machine."""

    rulebook: Provenance
    now: Time
    disclaimer: Text


class Pack(Closed):
    """So many packs of this size."""

    pack: Quantity
    count: Count


class PartsLine(Closed):
    """One part, how much of it, what comes from stock, and in which packs the rest is sold."""

    part: Id
    title: Text
    amount: Quantity
    from_stock: Quantity
    to_get: Quantity
    packs: Annotated[list[Pack], Field(max_length=100)]
    loose: Annotated[bool, Field(description="sold in no pack")]
    or_else: Annotated[list[Id], Field(max_length=100, description="parts that may be taken instead")]
    for_: Annotated[list[Id], Field(alias="for", max_length=1000, description="the tasks that need it")]
    because: Annotated[list[Reason], Field(max_length=10_000)]


class Undecided(Closed):
    """A task or a part (the other is null) that may be for this machine. supply: what to say in the request to decide it."""

    task: Id | None
    part: Id | None
    amount: Quantity | None
    for_: Annotated[list[Id], Field(alias="for", max_length=1000)]
    why: Text
    supply: Annotated[list[Id], Field(max_length=20)]


class LeftOut(Closed):
    """A task that was asked for, or a part of one, that is not for this machine."""

    task: Id
    part: Id | None
    why: Text


class PartsAnswer(Closed):
    """What to take along. minutes: null where a task does not say; minutes_at_least: those that are known."""

    rulebook: Provenance
    lines: Annotated[list[PartsLine], Field(max_length=10_000)]
    undecided: Annotated[list[Undecided], Field(max_length=10_000)]
    left_out: Annotated[list[LeftOut], Field(max_length=10_000)]
    tools: Annotated[list[Id], Field(max_length=10_000)]
    minutes: Count | None
    minutes_at_least: Count


class MeterPoint(Closed):
    """A meter's value in its own unit, in the count that goes on over a replaced meter."""

    value: Real
    unit: Id


class ShownPoint(MeterPoint):
    """The same where the meter was replaced. shown: what the new dial will show."""

    shown: Real


class DuePoint(Closed):
    """Where it falls due: one entry per meter that counts, and the date where the calendar counts."""

    meters: Annotated[dict[str, MeterPoint | ShownPoint], Field(description="by meter")]
    date: Date | None


class Remaining(Closed):
    """What is left: below zero where it is past."""

    meters: Annotated[dict[str, MeterPoint], Field(description="by meter")]
    days: Annotated[int, Field(ge=-4_000_000, le=4_000_000)] | None


class Assumed(Closed):
    """A working condition that nobody told, and the state that was assumed."""

    condition: Id
    value: Id


class Expected(Closed):
    """The day when the due point will be reached, and the days between which `share` of the outcomes lie (null: no range is known)."""

    date: Date
    from_: Annotated[Date | None, Field(alias="from")]
    to: Date | None
    share: Real | None


class DueAtPoint(Closed):
    """Where one point of a task stands, by what was done there."""

    point: Id
    standing: Literal["clear", "upcoming", "due", "overdue", "unknown"]
    used: Real | None
    due_at: DuePoint


class DueTask(Closed):
    """One task's standing."""

    task: Id
    title: Text
    kind: Literal["inspect", "clean", "lubricate", "adjust", "replace", "couple"]
    standing: Literal["clear", "upcoming", "due", "overdue", "unknown"]
    used: Annotated[Real | None, Field(description="share used, 1 at the due point, rounded to 6 places; null: not known")]
    incomplete: bool
    at_least: Literal["clear", "upcoming", "due", "overdue"] | None
    assumed: Annotated[list[Assumed], Field(max_length=100)]
    resting: Annotated[bool, Field(description="outside its season it uses nothing up")]
    points: Annotated[list[DueAtPoint], Field(max_length=50, description="of a task that has any: it stands as the worst of them")]
    due_at: DuePoint
    remaining: Remaining
    decided_by: Text | None
    rule: Text | None
    expected: Expected | None
    because: Annotated[list[Reason], Field(max_length=1000)]
    needs: Text | None


class Fit(Closed):
    """
    Whether the machine may work, by what was found and told.

    `fit` says no more than that nothing which was told makes it unfit: its handbook and the daily check come first.
    """

    fit: Literal["fit", "unfit", "unknown"]
    because: Annotated[list[Reason], Field(max_length=100)]


class DueAnswer(Closed):
    """Where every task of one machine stands, the most urgent first."""

    rulebook: Provenance
    now: Time
    machine: Id | None
    fit: Fit
    tasks: Annotated[list[DueTask], Field(max_length=10_000)]


class ExpressionAnswer(Closed):
    """An expression, read back. canonical, tree, aloud: null where it can't be read."""

    kind: Literal["interval", "condition"]
    text: Text
    canonical: Annotated[str | None, Field(max_length=20_000, description="the canonical text")]
    tree: Annotated[
        dict[str, Any] | None, Field(description="its parts, each with its kind under `node` and its place in the text under `span`")
    ]
    aloud: Annotated[str | None, Field(max_length=40_000, description="in plain words")]
    names_checked: Annotated[bool, Field(description="false where no vocabulary was given: then only the form was looked at")]
    rulebook: Provenance | None
    findings: Annotated[list[Finding], Field(max_length=1000)]


ALL: tuple[type[BaseModel], ...] = (DueAnswer, ClearanceAnswer, PartsAnswer, ExpressionAnswer)
