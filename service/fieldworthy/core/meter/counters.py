"""Counters as the machine's bus carries them: a whole number, what one step of it is worth, and the codes that are no value.

Scope: the number is decoded already (which message, which bytes) or given as its bytes, the least significant first. Reading a bus is for
others. What a counter measures, and in which steps, is said here and nowhere else.

Sources. SPN 247: PGN 65253, 0.05 h a step, 4 bytes, up to 210,554,060.75 h; its largest raw value 0xFAFFFFFF and that of 16 bits, 0xFAFF:
`isobus_speed_distance_messages.hpp` of AgIsoStack-plus-plus, commit 509a920c; SPN 917 (0.005 km) and 250 (0.5 L): tables in public source
text. SPN 235 and 248: their names likewise, their step of 0.05 h FROM MEMORY. DDIs: the data dictionary of ISO 11783-11 as
`isobus_data_dictionary.cpp` of the same project has it. The codes of error and not available, and those that are reserved: 2 and 6 bits and
"all ones is not available" seen in the same sources, the rest (SAE J1939-71) FROM MEMORY; that a DDI uses them too, FROM MEMORY.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from types import MappingProxyType
from typing import Literal

from fieldworthy.core.base.quantity import UNITS, Quantity, Unit, whole

NoValue = Literal["error", "not-available", "reserved"]
"""Why a raw number is no reading: the sender has a fault, does not have it, or the number stands for nothing."""

WIDTHS = (2, 6, 8, 16, 32)


@dataclass(frozen=True, slots=True)
class Counter:
    """A kind of counter. number: its SPN or DDI; step: what a raw 1 is worth in `unit`; most: its largest raw value; bits: its width."""

    number: int
    name: str
    unit: Unit
    step: Fraction
    most: int
    bits: int = 32


def most_of(bits: int) -> int:
    """The largest raw number of this width that is a value (SAE J1939): above it are codes. bits: one of WIDTHS, else ValueError."""
    if bits not in WIDTHS:
        raise ValueError(f"no counter has {bits} bits")
    return (1 << bits) - 3 if bits < 8 else (0xFA << (bits - 8)) | ((1 << (bits - 8)) - 1)


def code_of(raw: int, bits: int) -> NoValue | None:
    """
    What a raw number of this width says in place of a value; None where it is one.

    From 8 bits on the highest byte tells: up to 0xFA values, 0xFB to 0xFD reserved, 0xFE error, 0xFF not available. Of 2 and 6 bits the
    last number but one is error and the last not available. Raises ValueError for a number that does not have so many bits.
    """
    most = most_of(bits)
    if not 0 <= raw < 1 << bits:
        raise ValueError(f"{raw} does not fit into {bits} bits without a sign")
    if raw <= most:
        return None
    high = raw >> max(bits - 8, 0)
    last = (1 << min(bits, 8)) - 1
    return "not-available" if high == last else "error" if high == last - 1 else "reserved"


def raw_of(data: bytes, counter: Counter) -> int:
    """The number that these bytes are, the least significant first. Raises ValueError where the counter has more bytes, or fewer."""
    if len(data) * 8 != counter.bits:
        raise ValueError(f"it has {counter.bits // 8} bytes, not {len(data)}")
    return int.from_bytes(data, "little")


def read_counter(counter: Counter, raw: int) -> Quantity | NoValue:
    """The counter's value, exact, or why it has none. Raises ValueError for a number below 0 or too wide."""
    code = code_of(raw, counter.bits)
    if code is not None:
        return code
    return Quantity(whole(raw * counter.step), counter.unit) if raw <= counter.most else "reserved"


_SLOT = most_of(32)
_SIGNED = 2**31 - 1


def _table(rows: tuple[tuple[int, str, str, str, int], ...]) -> Mapping[int, Counter]:
    return MappingProxyType({n: Counter(n, name, UNITS[unit], Fraction(step), most) for n, name, unit, step, most in rows})


SPNS: Mapping[int, Counter] = _table(
    (
        (235, "idle hours", "h", "0.05", _SLOT),
        (247, "engine hours", "h", "0.05", _SLOT),
        (248, "PTO hours", "h", "0.05", _SLOT),
        (250, "fuel used", "L", "0.5", _SLOT),
        (917, "distance", "km", "0.005", _SLOT),
    )
)
"""SAE J1939: suspect parameter number -> counter."""

DDIS: Mapping[int, Counter] = _table(
    (
        (116, "total area", "m2", "1", _SIGNED),
        (117, "effective total distance", "mm", "1", _SIGNED),
        (118, "ineffective total distance", "mm", "1", _SIGNED),
        (119, "effective total time", "s", "1", _SIGNED),
        (120, "ineffective total time", "s", "1", _SIGNED),
        (148, "total fuel consumption", "mL", "1", _SIGNED),
        (214, "lifetime bale count", "bales", "1", _SIGNED),
        (215, "lifetime working hours", "h", "0.05", _SLOT),
        (271, "lifetime total area", "m2", "1", _SIGNED),
        (272, "lifetime effective total distance", "m", "1", _SIGNED),
        (273, "lifetime ineffective total distance", "m", "1", _SIGNED),
        (274, "lifetime effective total time", "s", "1", _SIGNED),
        (275, "lifetime ineffective total time", "s", "1", _SIGNED),
        (276, "lifetime fuel consumption", "L", "0.5", _SIGNED),
        (282, "lifetime threshing engagement total time", "s", "1", _SIGNED),
        (337, "lifetime front PTO hours", "h", "0.1", _SIGNED),
        (338, "lifetime rear PTO hours", "h", "0.1", _SIGNED),
        (492, "total engine hours", "h", "0.05", _SLOT),
        (493, "lifetime engine hours", "h", "0.1", _SIGNED),
        (546, "lifetime chopping engagement total time", "s", "1", _SIGNED),
        (598, "lifetime total distance", "m", "1", _SIGNED),
    )
)
"""ISO 11783-11: data dictionary identifier -> counter. 116 to 148 count one task and begin again with the next."""
