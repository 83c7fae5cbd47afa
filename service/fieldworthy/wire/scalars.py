"""The small things that requests are made of, and how they become values of the core.

Requests are validated as TypedDicts of strict scalars: a member that is absent is no member of the dict, so that `absent` and
`null` stay apart, and nothing is built twice. What a pattern can't decide (30 February) is decided here, and refused with its place.
"""

from collections.abc import Iterable
from datetime import date, datetime
from fractions import Fraction
from typing import Annotated, Any, TypeAlias

from pydantic import ConfigDict, Field, with_config
from typing_extensions import TypedDict

from fieldworthy.core.base.finding import Finding, Refused, did_you_mean
from fieldworthy.core.base.quantity import CALENDAR_UNITS, UNITS, Quantity, exact, find_unit, read_amount, whole

STRICT = ConfigDict(extra="forbid")
"""Unknown members are refused."""

_ODD = r"\x7f-\x9f\u2028-\u202e\u2066-\u2069"  # control characters, line ends of Unicode, and what turns the direction of a line
CONTROLS = rf"\x00-\x1f{_ODD}"
PRINTABLE = rf"^[^{CONTROLS}]*$"
_RFC3339 = r"^\d{4}-\d\d-\d\d[Tt]\d\d:\d\d:\d\d(?:\.\d{1,9})?(?:[Zz]|[+-]\d\d:\d\d)$"
_DAY = r"^\d{4}-\d\d-\d\d$"

Number: TypeAlias = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=-1e15, le=1e15)]
"""A JSON number of at most 15 significant digits; never a text, never true or false."""

Whole: TypeAlias = Annotated[int, Field(strict=True)]
Flag: TypeAlias = Annotated[bool, Field(strict=True)]

Name: TypeAlias = Annotated[str, Field(strict=True, min_length=1, max_length=120, pattern=PRINTABLE)]
"""A name or an id: 1 to 120 characters, no control characters."""

Words: TypeAlias = Annotated[str, Field(strict=True, min_length=1, max_length=2000, pattern=PRINTABLE)]
"""A remark or an expression: 1 to 2,000 characters, no control characters."""

Expression: TypeAlias = Annotated[
    str, Field(strict=True, min_length=1, max_length=4000, pattern=rf"^[^\x00-\x08\x0b\x0c\x0e-\x1f{_ODD}]*$")
]
"""An interval or a condition; lines and tabs are white space. The language's own limit is 2,000 characters, and says so itself."""

When: TypeAlias = Annotated[
    str,
    Field(strict=True, max_length=40, pattern=_RFC3339, description="RFC 3339 time with its offset"),
    Field(json_schema_extra={"format": "date-time"}),
]
"""An RFC 3339 time; the offset is required. Kept to the microsecond."""

Day: TypeAlias = Annotated[
    str, Field(strict=True, max_length=10, pattern=_DAY, description="a date"), Field(json_schema_extra={"format": "date"})
]


TimeOfDay: TypeAlias = Annotated[
    str, Field(strict=True, max_length=5, pattern=r"^([01]\d|2[0-3]):[0-5]\d$", description="site's clock, `05:00`")
]


@with_config(STRICT)
class AmountIn(TypedDict):
    """A value and its unit."""

    value: Number
    unit: Annotated[
        str, Field(strict=True, min_length=1, max_length=30, pattern=PRINTABLE, description="ours (`h`, `degC`) or its UCUM code")
    ]


AmountText: TypeAlias = Annotated[str, Field(strict=True, min_length=1, max_length=60, pattern=PRINTABLE, description="`6 h`, `150 g`")]
Amount: TypeAlias = Annotated[
    Number | AmountText | AmountIn,
    Field(union_mode="left_to_right", description='a bare number (in the own unit of what is meant), the text "6 h", or {"value", "unit"}'),
]


def refuse(code: str, message: str, mend: str, path: str) -> Refused:
    """One finding as a refusal, to be raised."""
    return Refused([Finding(code, message, mend, path=path)])


def instant(text: str, path: str) -> datetime:
    """An aware time of a validated text. Raises Refused where there is no such time (30 February, 25 o'clock, offset +25:00)."""
    try:
        return datetime.fromisoformat(text if text[-1] not in "z" else text[:-1] + "Z")
    except ValueError:
        raise refuse(
            "time.unreadable", f"there is no time `{text}`", "write a time that exists, as in `2026-07-14T06:00:00+01:00`", path
        ) from None


def day(text: str, path: str) -> date:
    """A date of a validated text. Raises Refused where there is no such day."""
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise refuse("time.unreadable", f"there is no day `{text}`", "write a day that exists, as in `2026-07-14`", path) from None


def amount(given: Any, path: str) -> Quantity | Fraction:
    """A validated Amount: a quantity, or a bare number. Raises Refused where its unit is not known."""
    if isinstance(given, int | float):
        return exact(given)
    if isinstance(given, str):
        read = read_amount(given)
        if read is None:
            bare = _bare(given)
            if bare is not None:
                return bare
            raise refuse(
                "amount.unreadable", f"`{given}` is not a number and a unit", 'write it as `6 h` or as {"value": 6, "unit": "h"}', path
            )
        return read
    unit = find_unit(given["unit"])
    if unit is None:
        mend = did_you_mean(given["unit"], (u for u in UNITS if u not in CALENDAR_UNITS), "write a unit of the list in openapi/units.json")
        raise refuse("amount.unknown_unit", f"no unit is called `{given['unit']}`", mend, path + "/unit")
    return Quantity(whole(exact(given["value"])), unit)


def _bare(text: str) -> Fraction | None:
    try:
        return exact(text) if text.strip().replace(".", "", 1).lstrip("-").isdecimal() else None
    except ValueError:
        return None


def quantity(given: Any, path: str) -> Quantity:
    """A validated Amount that must carry its unit. Raises Refused where it does not."""
    read = amount(given, path)
    if isinstance(read, Quantity):
        return read
    raise refuse("amount.no_unit", "the amount has no unit", 'write it as `150 g` or as {"value": 150, "unit": "g"}', path)


def each(items: Iterable[Any], path: str) -> Iterable[tuple[Any, str]]:
    """Items of a list with their pointers."""
    for i, item in enumerate(items):
        yield item, f"{path}/{i}"
