"""Replaced meters, as readings are judged beside them."""

import json
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from fractions import Fraction
from typing import Any

from fieldworthy.core.base.micros import micros_of
from fieldworthy.core.base.names import key as key_of
from fieldworthy.core.base.quantity import Unit, convert, find_unit, to_ticks, whole
from fieldworthy.core.meter.intake import Swap
from fieldworthy.usecases.kept import Kept

Swaps = Mapping[tuple[int, str], Sequence[Swap]]
"""The declared replacements of meters, oldest first, by the machine's key and the meter's name."""


async def swaps_of(kept: Kept, machines: Iterable[int], meters: Mapping[tuple[int, str], Unit]) -> Swaps:
    """Those of these meters. meters: with their units."""
    return swaps_in(await kept.readings.replacements(list(machines)), meters)


def swaps_in(told: Mapping[int, Sequence[str]], meters: Mapping[tuple[int, str], Unit]) -> Swaps:
    """The same, of what is kept of these machines (`Readings.replacements`)."""
    found: dict[tuple[int, str], list[Swap]] = {}
    for machine, bodies in told.items():
        for text in bodies:
            body = json.loads(text)
            place = (machine, key_of(body["meter"]))
            own = meters.get(place)
            if own is None:
                continue
            swap = swap_of(body, own)
            if swap is not None:
                found.setdefault(place, []).append(swap)
    for swaps in found.values():
        swaps.sort()
    return found


def swap_of(body: Mapping[str, Any], own: Unit) -> Swap | None:
    """A declared replacement, in ticks of the meter's own unit; None where its unit no longer fits the meter."""
    given = own if body.get("unit") is None else find_unit(body["unit"])
    if given is None or given.dimension != own.dimension:
        return None
    old, new = (whole(Fraction(convert(to_ticks(body[m]), given, own))) for m in ("old_value", "new_value"))
    return Swap(moment_of(body["at"]), old, new)


def moment_of(text: str) -> int:
    """The microseconds of an RFC 3339 time that was checked before."""
    return micros_of(datetime.fromisoformat(text.upper()))
