"""Readings in the shapes of ISO/TS 15143-3 and of a machine's bus: what is read, what is left out and why, and that nothing breaks it."""

import json
import tomllib
from datetime import datetime
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fieldworthy.core.base.finding import Refused
from fieldworthy.core.base.micros import micros_of
from fieldworthy.core.base.quantity import TICKS, UNITS, convert, read_amount
from fieldworthy.usecases.keep_telematics import Told
from fieldworthy.usecases.limits import MAX_READINGS
from fieldworthy.usecases.refusals import TooLarge
from fieldworthy.wire.reading import Unreadable
from fieldworthy.wire.telematics import ELEMENTS, Page, read_json_page, read_xml_page
from fieldworthy.wire.telematics_xml import MAX_DEPTH, MAX_ELEMENTS, parse_xml
from tests.effort import examples

TABLE: dict[str, list[dict[str, Any]]] = tomllib.loads(
    (Path(__file__).parents[1] / "cases" / "readings" / "telematics.toml").read_text("utf-8")
)


def name_of(case: dict[str, Any]) -> str:
    return str(case["name"])


def read(case: dict[str, Any]) -> Page:
    return read_json_page(case["json"].encode()) if "json" in case else read_xml_page(parse_xml(case["xml"].encode()))


def is_told(told: Told, element: str, amount: str, at: str) -> bool:
    """Whether an element is this reading, in whatever unit of its dimension."""
    assert told.value is not None
    assert told.at is not None
    value = Fraction(told.value, TICKS)
    wanted = read_amount(amount)
    if wanted is None:
        same = told.unit is None and value == Fraction(amount)
    else:
        assert told.unit is not None
        same = convert(value, UNITS[told.unit], wanted.unit) == wanted.value
    return same and told.element.name == element and told.at == micros_of(datetime.fromisoformat(at))


@pytest.mark.parametrize("case", TABLE["case"], ids=name_of)
def test_what_is_read_and_what_is_left_out(case: dict[str, Any]) -> None:
    page = read(case)
    told = [one for one in page.told if one.why is None]
    assert len(told) == len(case.get("told", ())), told
    for one, wanted in zip(told, case.get("told", ()), strict=True):
        assert is_told(one, *wanted), one
    assert [[one.element.name, one.why] for one in page.told if one.why is not None] == case.get("left_out", [])


def test_every_element_that_is_read_is_in_the_table() -> None:
    assert {e.name for e in ELEMENTS.values()} == {row[0] for case in TABLE["case"] for row in case.get("told", ())}


@pytest.mark.parametrize("case", TABLE["refused"], ids=name_of)
def test_what_has_the_wrong_form_is_refused_at_its_place(case: dict[str, Any]) -> None:
    with pytest.raises(Refused) as caught:
        read(case)
    first = caught.value.findings[0]
    assert [first.code, first.path] == case["refused"]
    assert first.mend


@pytest.mark.parametrize("case", TABLE["unreadable"], ids=name_of)
def test_what_cant_be_read(case: dict[str, Any]) -> None:
    with pytest.raises(Unreadable) as caught:
        read(case)
    assert case["says"] in caught.value.finding.message
    assert caught.value.finding.mend


@pytest.mark.parametrize(
    ("body", "says"),
    [
        (b"<Equipment>" * 1_000_000, f"nested more than {MAX_DEPTH} deep"),
        (b"<Equipment>" * 1_000_000 + b"</Equipment>" * 1_000_000, f"nested more than {MAX_DEPTH} deep"),
        (b'<Fleet xmlns:x="urn:x">' + b"<x:a>" * 1_000_000, f"nested more than {MAX_DEPTH} deep"),
        (b"<Fleet>" + b"<a/>" * 1_000_000 + b"</Fleet>", f"more than {MAX_ELEMENTS:,} elements"),
        ("<Fleet/>".encode("utf-16"), "not UTF-8"),
        (b"<Fleet>\xff</Fleet>", "not UTF-8"),
        (b"", "no element found"),
    ],
    ids=["nested", "nested and closed", "nested elsewhere", "many", "UTF-16", "bytes that are no UTF-8", "empty"],
)
def test_xml_that_is_too_much_or_in_other_bytes(body: bytes, says: str) -> None:
    with pytest.raises(Unreadable, match=says):
        parse_xml(body)


def test_a_byte_order_mark_is_no_part_of_xml() -> None:
    assert parse_xml(b"\xef\xbb\xbf<Fleet/>") == {"Fleet": ""}


def test_json_nested_without_end() -> None:
    for body in (b"[" * 1_000_000, b'{"Equipment":' * 300_000):
        with pytest.raises(Unreadable):
            read_json_page(body)


def test_the_place_in_xml_is_told() -> None:
    with pytest.raises(Unreadable) as caught:
        parse_xml(b"<Fleet>\n  <!DOCTYPE a>\n</Fleet>")
    assert caught.value.finding.line == 2


def test_more_readings_than_a_post_may_hold() -> None:
    assert len(read_json_page(json.dumps({"CumulativeOperatingHours": [None] * MAX_READINGS}).encode()).told) == MAX_READINGS
    with pytest.raises(TooLarge):
        read_json_page(json.dumps({"CumulativeOperatingHours": [None] * (MAX_READINGS + 1)}).encode())


NAMES = st.sampled_from(
    [
        "Fleet",
        "Equipment",
        "EquipmentHeader",
        "PIN",
        "SerialNumber",
        "EquipmentID",
        "datetime",
        "dateTime",
        "machines",
        "meters",
        *(name for e in ELEMENTS.values() for name in (e.name, e.value, e.units) if name is not None),
    ]
)
TEXTS = st.sampled_from(
    ["2026-07-01T06:00:00Z", "2026-07-01T06:00:00", "0001-01-01T00:00:00+23:59", "1250.5", "-1", "1e9999", "litre", "", " ", "\ud800", "\0"]
)
LEAVES = st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | TEXTS | st.text(max_size=20)
TREES = st.recursive(
    LEAVES, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(NAMES | st.text(max_size=9), inner, max_size=5), max_leaves=25
)


def json_is_read_or_refused(body: bytes) -> None:
    try:
        page = read_json_page(body)
    except (Unreadable, Refused):
        return
    for told in page.told:
        assert (told.why is None) == (told.value is not None) == (told.at is not None)


def xml_is_read_or_refused(body: bytes) -> None:
    try:
        page = read_xml_page(parse_xml(body))
    except (Unreadable, Refused):
        return
    for told in page.told:
        assert (told.why is None) == (told.value is not None) == (told.at is not None)


@given(st.binary(max_size=300))
def test_any_bytes_are_read_or_refused(body: bytes) -> None:
    json_is_read_or_refused(body)
    xml_is_read_or_refused(body)


@settings(max_examples=examples(300))
@given(st.dictionaries(NAMES, TREES, max_size=5))
def test_any_json_is_read_or_refused(data: Any) -> None:
    json_is_read_or_refused(json.dumps(data).encode())


def _xml(name: str, node: Any) -> str:
    """Plain data as XML; text goes in as it is, so that some of it is broken."""
    match node:
        case dict():
            return f"<{name}>" + "".join(_xml(k, v) for k, v in node.items()) + f"</{name}>"
        case list():
            return "".join(_xml(name, item) for item in node)
        case _:
            return f'<{name} datetime="2026-07-01T06:00:00Z">{node}</{name}>'


@settings(max_examples=examples(300))
@given(NAMES, st.dictionaries(NAMES, TREES, max_size=5))
def test_any_xml_is_read_or_refused(root: str, data: Any) -> None:
    xml_is_read_or_refused(_xml(root, data).encode("utf-8", "replace"))


CUT = b'<?xml version="1.0"?><Fleet xmlns="http://standards.iso.org/iso/15143/-3"><Equipment><EquipmentHeader><PIN>P</PIN></EquipmentHeader></Equipment></Fleet>'


@given(st.integers(0, len(CUT) - 1), st.integers(0, 255))
def test_cut_off_anywhere_or_one_byte_changed(at: int, byte: int) -> None:
    with pytest.raises(Unreadable):
        parse_xml(CUT[:at])
    xml_is_read_or_refused(CUT[:at] + bytes([byte]) + CUT[at + 1 :])
