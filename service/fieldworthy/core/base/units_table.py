"""The units as a table for clients: what each of our words is in UCUM, and which other spellings are read."""

import json
from collections.abc import Mapping
from typing import Any

from fieldworthy.core.base.quantity import CALENDAR_UNITS, METER_UNITS, PART_UNITS, UNITS, Unit

# Where our word and its UCUM code do not mean quite the same, or where a reader may think of another unit.
# Source: UCUM ucum-essence.xml, ucum-org/ucum commit d060c6d3.
_NOTES: Mapping[str, str] = {
    "day": "a day of the calendar at the machine's place, which has 23 or 25 hours when clocks change",
    "week": "seven days of the calendar",
    "month": "a month of the calendar, clamped to its last day; UCUM's mo is a mean month of 30.4375 days",
    "year": "twelve months of the calendar; UCUM's a is a mean year of 365.25 days",
    "acre": "the acre of the US survey foot, 4046.8726098743 m2",
    "oz": "avoirdupois",
    "lb": "avoirdupois",
    "qt": "the US liquid quart",
}


def units_table() -> dict[str, Any]:
    """`{"units": [...]}`, plain JSON values, in the order of dimensions and sizes that `quantity` declares."""
    return {"units": [_row(unit) for unit in UNITS.values()]}


def units_json() -> str:
    """The committed file `openapi/units.json`, whole, with its last line ended."""
    return json.dumps(units_table(), ensure_ascii=False, indent=2) + "\n"


def _row(unit: Unit) -> dict[str, Any]:
    lists = {"meters": METER_UNITS, "intervals": (*METER_UNITS, *CALENDAR_UNITS), "parts": PART_UNITS}
    return {
        "unit": unit.name,
        "ucum": unit.ucum,
        "dimension": unit.dimension,
        "spellings": sorted({unit.one, unit.many, *unit.also} - {unit.name}),
        "used_for": [what for what, names in lists.items() if unit.name in names],
        "note": _NOTES.get(unit.name),
    }
