"""Counters of the machine's bus against published tables; each row of cases/readings/telematics_counters.toml says where it is from."""

import tomllib
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fieldworthy.core.base.quantity import UNITS, Quantity, read_amount
from fieldworthy.core.meter.counters import DDIS, SPNS, WIDTHS, Counter, code_of, most_of, raw_of, read_counter

TABLE: dict[str, list[dict[str, Any]]] = tomllib.loads(
    (Path(__file__).parents[1] / "cases" / "readings" / "telematics_counters.toml").read_text("utf-8")
)
COUNTERS = (*SPNS.values(), *DDIS.values())


def counter_of(case: dict[str, Any]) -> Counter:
    return SPNS[case["spn"]] if "spn" in case else DDIS[case["ddi"]]


def called(case: dict[str, Any]) -> str:
    about = f"SPN {case['spn']}" if "spn" in case else f"DDI {case['ddi']}"
    return f"{about}: {case['raw']} is {case['want']}"


@pytest.mark.parametrize("case", TABLE["counter"], ids=called)
def test_a_raw_number_is_this_value_or_none(case: dict[str, Any]) -> None:
    assert case["status"] in ("seen", "memory", "computed")
    counter = counter_of(case)
    if "bytes" in case:
        assert raw_of(bytes.fromhex(case["bytes"]), counter) == case["raw"]
    got = read_counter(counter, case["raw"])
    wanted = read_amount(case["want"])
    if wanted is None:
        assert got == case["want"]
    else:
        assert isinstance(got, Quantity)
        assert got.to(wanted.unit) == wanted


@pytest.mark.parametrize("case", TABLE["entry"], ids=lambda case: str(case["ddi"]))
def test_the_dictionary(case: dict[str, Any]) -> None:
    found = DDIS[case["ddi"]]
    assert (found.number, found.name.casefold()) == (case["ddi"], case["name"].casefold())
    assert (found.unit, found.step) == (UNITS[case["unit"]], Fraction(case["step"]))


def test_every_entry_of_the_dictionary_is_in_the_table() -> None:
    assert set(DDIS) == {case["ddi"] for case in TABLE["entry"]}
    assert set(SPNS) == {case["spn"] for case in TABLE["counter"] if "spn" in case}


@pytest.mark.parametrize("case", TABLE["width"], ids=lambda case: f"{case['bits']} bits")
def test_the_codes_of_each_width(case: dict[str, Any]) -> None:
    for code in ("value", "reserved", "error", "not-available"):
        for raw in case.get(code, ()):
            assert code_of(raw, case["bits"]) == (None if code == "value" else code), hex(raw)
    assert most_of(case["bits"]) == case["value"][1]


def test_every_width_is_in_the_table() -> None:
    assert tuple(case["bits"] for case in TABLE["width"]) == WIDTHS


@pytest.mark.parametrize("bits", [0, 1, 3, 4, 7, 12, 24, 64])
def test_no_other_widths(bits: int) -> None:
    with pytest.raises(ValueError, match=f"no counter has {bits} bits"):
        most_of(bits)


@pytest.mark.parametrize("raw", [-1, -(2**31), 2**32, 2**64])
def test_what_does_not_fit_is_refused(raw: int) -> None:
    with pytest.raises(ValueError, match="does not fit into 32 bits"):
        read_counter(SPNS[247], raw)


@pytest.mark.parametrize("data", [b"", b"\x00", b"\x00\x00", b"\x00\x00\x00", b"\x00" * 5, b"\x00" * 8])
def test_bytes_of_another_length_are_refused(data: bytes) -> None:
    with pytest.raises(ValueError, match=f"it has 4 bytes, not {len(data)}"):
        raw_of(data, SPNS[247])


@given(st.sampled_from(COUNTERS), st.integers(0, 2**32 - 1))
def test_a_value_is_its_steps_and_grows_with_them(counter: Counter, raw: int) -> None:
    got = read_counter(counter, raw)
    assert isinstance(got, Quantity) == (raw <= counter.most)
    if isinstance(got, Quantity):
        assert got.value == raw * counter.step
        assert got.unit is counter.unit
    assert raw_of(raw.to_bytes(4, "little"), counter) == raw


@given(st.sampled_from(WIDTHS), st.data())
def test_every_number_of_a_width_is_a_value_or_one_code(bits: int, data: st.DataObject) -> None:
    raw = data.draw(st.integers(0, 2**bits - 1))
    assert (code_of(raw, bits) is None) == (raw <= most_of(bits))
