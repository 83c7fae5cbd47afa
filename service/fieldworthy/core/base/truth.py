"""Kleene's strong three-valued logic: NO < UNKNOWN < YES; and = min, or = max, not = 2 - t.

Source: Kleene 1952, section 64; the truth table is a test (tests/core/test_truth.py).
"""

from collections.abc import Iterable
from enum import IntEnum
from typing import NoReturn


class Truth(IntEnum):
    """A truth value; it refuses `bool`, because `if safe:` would read UNKNOWN as yes."""

    NO = 0
    UNKNOWN = 1
    YES = 2

    def __bool__(self) -> NoReturn:
        raise TypeError("a Truth has three values: compare it with `is`")


def truth(known: bool | None) -> Truth:
    """The truth of a plain yes, no or not known (None)."""
    if known is None:
        return Truth.UNKNOWN
    return Truth.YES if known else Truth.NO


def any_of(parts: Iterable[Truth]) -> Truth:
    """`or` over all parts; of nothing it is NO."""
    return max(parts, default=Truth.NO)


def all_of(parts: Iterable[Truth]) -> Truth:
    """`and` over all parts; of nothing it is YES."""
    return min(parts, default=Truth.YES)


def negate(value: Truth) -> Truth:
    """`not`: what is not known stays not known."""
    return Truth(2 - value)


def implies(given: Truth, then: Truth) -> Truth:
    """`if given then then`, which is `not given or then`."""
    return any_of((negate(given), then))
