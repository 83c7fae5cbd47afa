"""The condition language's nodes. Places ride along and are no part of equality, so that parse(render(x)) == x."""

from dataclasses import dataclass, field
from fractions import Fraction
from typing import Literal

from fieldworthy.core.base.span import Span

NOWHERE = Span(0, 0)


@dataclass(frozen=True, slots=True)
class StateTest:
    """`tailgate is closed`, `tailgate is not closed`. Names are tidied (names.tidy) and otherwise as written; compare them by names.key."""

    fact: str
    state: str
    negated: bool = False
    span: Span = field(default=NOWHERE, compare=False)


@dataclass(frozen=True, slots=True)
class NumberTest:
    """`gearbox temperature < 50 degC`; unit: a unit's name (quantity.UNITS), None: the fact's own."""

    fact: str
    op: Literal["<", "<=", ">", ">=", "="]
    number: Fraction
    unit: str | None = None
    span: Span = field(default=NOWHERE, compare=False)


@dataclass(frozen=True, slots=True)
class Not:
    part: "Condition"
    span: Span = field(default=NOWHERE, compare=False)


@dataclass(frozen=True, slots=True)
class Joined:
    """Two or more parts, joined by `and` or by `or`."""

    op: Literal["and", "or"]
    parts: "tuple[Condition, ...]"
    span: Span = field(default=NOWHERE, compare=False)


@dataclass(frozen=True, slots=True)
class IfThen:
    given: "Condition"
    then: "Condition"
    span: Span = field(default=NOWHERE, compare=False)


Condition = StateTest | NumberTest | Not | Joined | IfThen
