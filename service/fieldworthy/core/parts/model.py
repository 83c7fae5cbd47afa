"""Parts, and the lines of a task that use them."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date

from fieldworthy.core.base.fit import Fit
from fieldworthy.core.base.quantity import Quantity, Unit


@dataclass(frozen=True, slots=True)
class Replacement:
    """One of the parts that a number became. amount: of it for one unit of the old part; None: the same amount."""

    part: str
    amount: Quantity | None = None


@dataclass(frozen=True, slots=True)
class Part:
    """number: as declared. packs: how it is sold; (): loose. from_day: the day from which `replaced_by` holds, included (None: always)."""

    number: str
    title: str
    unit: Unit
    packs: tuple[Quantity, ...] = ()
    replaced_by: tuple[Replacement, ...] = ()
    from_day: date | None = None
    or_else: tuple[str, ...] = ()
    only_with: Fit | None = None
    meets: Mapping[str, object] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Line:
    """One part that a task uses, and how much of it each time."""

    part: str
    amount: Quantity
    only_with: Fit | None = None
