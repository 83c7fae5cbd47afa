"""The committed table of units is the one that the code gives, and what it says is so."""

import json
from pathlib import Path

from fieldworthy.core.base.quantity import CALENDAR_UNITS, METER_UNITS, PART_UNITS, UNITS, find_unit
from fieldworthy.core.base.units_table import units_json, units_table

COMMITTED = Path(__file__).parents[2] / "openapi" / "units.json"


def test_the_committed_file_is_up_to_date() -> None:
    assert COMMITTED.read_text(encoding="utf-8") == units_json()


def test_every_word_of_it_is_read_as_the_unit_that_it_stands_at() -> None:
    rows = json.loads(units_json())["units"]
    assert [row["unit"] for row in rows] == list(UNITS)
    for row in rows:
        for word in (row["unit"], row["ucum"], *row["spellings"]):
            assert find_unit(word) is UNITS[row["unit"]]
        assert row["dimension"] == UNITS[row["unit"]].dimension


def test_what_each_is_used_for() -> None:
    used = {row["unit"]: row["used_for"] for row in units_table()["units"]}
    assert {u for u, what in used.items() if "meters" in what} == set(METER_UNITS)
    assert {u for u, what in used.items() if "parts" in what} == set(PART_UNITS)
    assert {u for u, what in used.items() if "intervals" in what} == {*METER_UNITS, *CALENDAR_UNITS}
    assert used["degC"] == []  # a unit of facts only
