"""From the number that a task names to the parts that are in force on a day and fit a machine."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from fractions import Fraction

from fieldworthy.core.base.fit import Fit, Identity, judge_fit
from fieldworthy.core.base.names import key
from fieldworthy.core.base.quantity import Exact, convert, whole
from fieldworthy.core.base.truth import Truth
from fieldworthy.core.parts.model import Part, Replacement


@dataclass(frozen=True, slots=True)
class Link:
    """`old` is replaced by `new` from `from_day` on, included (None: always)."""

    old: str
    new: str
    from_day: date | None


@dataclass(frozen=True, slots=True)
class InForce:
    """
    One part that a named number has become.

    per_unit: so much of it (in its own unit) for one unit of the named part. fits: UNKNOWN with what to `supply`
    ("model", "serial", "options"); with NO it is the number, replaced or not, that does not fit. fit: the conditions
    that were not met or not decided. links: the replacements on the way, none where the named number is in force itself.
    """

    part: Part
    per_unit: Exact
    fits: Truth = Truth.YES
    supply: tuple[str, ...] = ()
    links: tuple[Link, ...] = ()
    fit: tuple[Fit, ...] = ()


@dataclass(slots=True)
class Shelf:
    """The parts of a rulebook as one machine meets them on one day. INVARIANT: no cycles (`check_parts` has passed)."""

    parts: Mapping[str, Part]
    day: date
    machine: Identity
    _by_key: dict[str, Part] = field(init=False)
    _known: dict[str, tuple[InForce, ...]] = field(init=False, default_factory=dict)

    def __post_init__(self) -> None:
        self._by_key = {key(number): part for number, part in self.parts.items()}

    def find(self, number: str) -> Part | None:
        """The declared part of this number, whatever its case; None where there is none."""
        return self._by_key.get(key(number))

    def is_replaced(self, part: Part) -> bool:
        """Whether another number stands for it on the day."""
        return bool(part.replaced_by) and (part.from_day is None or part.from_day <= self.day)

    def in_force(self, number: str) -> tuple[InForce, ...]:
        """
        What a declared number is on the day, in the order of declaration (KeyError: undeclared).

        A part stands in it once for each state of fitting: one that is reached in two ways is added up.
        """
        part = self._by_key[key(number)]
        known = self._known.get(part.number)
        if known is None:
            known = self._known[part.number] = self._follow(part)
        return known

    def _follow(self, part: Part) -> tuple[InForce, ...]:
        own = judge_fit(part.only_with, self.machine)
        fit = (part.only_with,) if part.only_with is not None and own.fits is not Truth.YES else ()
        if own.fits is Truth.NO or not self.is_replaced(part):
            return (InForce(part, 1, own.fits, own.supply, (), fit),)
        merged: dict[tuple[str, Truth, tuple[str, ...]], InForce] = {}
        for replacement in part.replaced_by:
            successor = self._by_key[key(replacement.part)]
            share = per_unit(part, replacement, successor)
            for leaf in self.in_force(successor.number):
                supply = tuple(dict.fromkeys((*own.supply, *leaf.supply))) if leaf.fits is not Truth.NO else ()
                fits = min(own.fits, leaf.fits)
                links = (Link(part.number, successor.number, part.from_day), *leaf.links)
                at = (leaf.part.number, fits, supply)
                before = merged.get(at)
                merged[at] = InForce(
                    part=leaf.part,
                    per_unit=whole(Fraction(share) * leaf.per_unit + (before.per_unit if before else 0)),
                    fits=fits,
                    supply=supply,
                    links=tuple(dict.fromkeys((*(before.links if before else ()), *links))),
                    fit=tuple(dict.fromkeys((*(before.fit if before else ()), *fit, *leaf.fit))),
                )
        return tuple(merged.values())


def per_unit(old: Part, replacement: Replacement, new: Part) -> Exact:
    """So much of `new`, in its unit, for one unit of `old`. Raises ValueError across dimensions."""
    if replacement.amount is not None:
        return replacement.amount.to(new.unit).value
    return convert(1, old.unit, new.unit)
