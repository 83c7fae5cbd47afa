"""Text to document: YAML 1.2 and JSON, what is refused, and where each character stands."""

import json
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from fieldworthy.core.base.finding import pointer
from fieldworthy.core.rulebook.document import Document, value_at
from fieldworthy.core.rulebook.scalars import NotANumber, resolve_plain
from fieldworthy.core.rulebook.text import read_document, read_text
from tests.effort import examples

CASES = Path(__file__).parents[1] / "cases" / "rulebook"
UNREADABLE = tomllib.loads((CASES / "unreadable.toml").read_text("utf-8"))["case"]


def source(case: dict[str, Any]) -> bytes | str:
    if "hex" in case:
        return bytes.fromhex(case["hex"])
    if "repeat" in case:
        text, times = case["repeat"]
        return str(text) * int(times) + str(case.get("append", ""))
    return str(case["text"])


@pytest.mark.parametrize("case", UNREADABLE, ids=lambda case: case["name"])
def test_refused_texts(case: dict[str, Any]) -> None:
    read = read_document(source(case))
    found = [] if isinstance(read, Document) else read
    assert [f"{f.code.removeprefix('document.')} {f.line} {f.column}" for f in found] == case["want"]
    assert all(f.mend and f.message and not f.message.endswith(".") for f in found)
    if "mend" in case:
        assert case["mend"] in found[0].mend


# YAML 1.2.2, section 10.3.2: the table of the core schema's tag resolution, and its example 10.9
CORE = [
    ("null", None), ("Null", None), ("NULL", None), ("~", None), ("", None), ("nULL", "nULL"),
    ("true", True), ("True", True), ("TRUE", True), ("false", False), ("False", False), ("FALSE", False), ("tRUE", "tRUE"),
    ("0", 0), ("0o7", 7), ("0x3A", 58), ("-19", -19), ("+12", 12), ("007", 7), ("0o8", "0o8"), ("0X1", "0X1"), ("-0x1", "-0x1"),
    ("0.", 0), ("-0.0", 0), (".5", 0.5), ("+12e03", 12000),
    ("-2E+05", -200000), ("1.5e-3", 0.0015), (".", "."), ("1e", "1e"), ("1_000", "1_000"),
    ("on", "on"), ("off", "off"), ("yes", "yes"), ("no", "no"), ("y", "y"), ("N", "N"), ("On", "On"),
    ("2025-01-01", "2025-01-01"), ("05-10", "05-10"), ("12:30:45", "12:30:45"),
    ("190:20:30", "190:20:30"), ("0b1", "0b1"), ("=", "="), ("-", "-"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "value"), CORE, ids=[repr(text) for text, _ in CORE])
def test_core_schema(text: str, value: Any) -> None:
    found = resolve_plain(text)
    assert found == value
    assert type(found) is type(value)


@pytest.mark.parametrize("text", [".nan", ".NaN", ".inf", "-.Inf", "+.INF", "1e400", "1" * 16, "0.1234567890123456"])
def test_core_schema_refuses_what_is_not_exact(text: str) -> None:
    with pytest.raises(NotANumber):
        resolve_plain(text)


def test_byte_order_mark() -> None:
    read = read_document(b"\xef\xbb\xbftitle: x\n")
    assert isinstance(read, Document)
    assert read.data == {"title": "x"}
    assert read.place("/title") == (1, 8)


def test_text_is_kept_and_numbers_as_names_stay_texts() -> None:
    text = "# mine\n1180: belt\ntrue: x\n"
    read = read_document(text)
    assert isinstance(read, Document)
    assert read.text == text
    assert read.data == {"1180": "belt", "true": "x"}


WRITTEN = """\
plain: every 80 h or
  every 12 months

single: 'it''s  every
  80 h'
double: "a\\u00e9\\tb \\
   c \\"d\\""
literal: |
  first line
   second line
folded: >-
  every 80 h,
  within

  10 % late
list: [a, {b: c d}]
"""
PLACES = [
    ("/plain", 0, (1, 8)), ("/plain", 9, (1, 17)), ("/plain", 14, (2, 3)), ("/plain", 20, (2, 9)), ("/plain", 29, (2, 18)),
    ("/single", 3, (4, 14)), ("/single", 12, (5, 3)), ("/single", 16, (5, 7)),
    ("/double", 1, (6, 11)), ("/double", 3, (6, 19)), ("/double", 5, (7, 4)), ("/double", 7, (7, 6)), ("/double", 8, (7, 8)),
    ("/literal", 0, (9, 3)), ("/literal", 6, (9, 9)), ("/literal", 12, (10, 4)), ("/literal", 19, (10, 11)),
    ("/folded", 0, (12, 3)), ("/folded", 12, (13, 3)), ("/folded", 19, (15, 3)), ("/folded", 24, (15, 8)),
    ("/list/1/b", 2, (16, 17)), ("/list/1/b/x/y", None, (16, 15)), ("/list/0", None, (16, 8)),
]  # fmt: skip


@pytest.mark.parametrize(("path", "offset", "place"), PLACES)
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_places_inside_texts(path: str, offset: int | None, place: tuple[int, int], end: str) -> None:
    read = read_document(WRITTEN.replace("\n", end))
    assert isinstance(read, Document)
    assert read.place(path, offset) == place


@given(st.text(st.sampled_from('aé"\\/ \t\n😀\u2003x'), max_size=20), st.booleans(), st.integers(0, 20))
def test_places_in_json_texts(value: str, ascii_only: bool, offset: int) -> None:
    """The character at the place told is the one that was asked for, or its escape."""
    text = '{\n "k": ' + json.dumps(value, ensure_ascii=ascii_only) + "}"
    read = read_document(text)
    assert isinstance(read, Document)
    if offset >= len(value) or value[offset].isspace():
        return
    line, column = read.place("/k", offset)
    assert line == 2
    here = text.split("\n")[1][column - 1 :]
    assert here.startswith((value[offset], json.dumps(value[offset], ensure_ascii=ascii_only)[1:-1]))


def test_comments_and_what_was_left_empty() -> None:
    read = read_document("a: every 80 h # drum\nb: 'x' # y\nc: {d: every 80 h, within 10 % late}\ne: x#y\n")
    assert isinstance(read, Document)
    assert read.comment_after("/a") == "# drum"
    assert read.comment_after("/b") is None
    assert read.comment_after("/e") is None
    assert read.is_flow_plain("/c/d")
    assert read.is_left_empty("/c" + pointer("within 10 % late"))
    assert read.key_place("/c" + pointer("within 10 % late")) == (3, 20)


_NUMBERS = st.integers(-(10**14), 10**14) | st.decimals(-(10**6), 10**6, places=4).map(float)
_NAMES = st.text(st.characters(codec="utf-8", exclude_categories=("Cc", "Cf", "Cs", "Zl", "Zp", "Cn")), max_size=12)
PLAIN = st.recursive(
    st.none() | st.booleans() | _NUMBERS | _NAMES,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(_NAMES, inner, max_size=4),
    max_leaves=12,
)


@given(st.dictionaries(_NAMES, PLAIN, max_size=4), st.sampled_from([None, 1]), st.booleans())
def test_json_reads_as_the_standard_library_does(data: dict[str, Any], indent: int | None, ascii_only: bool) -> None:
    text = json.dumps(data, indent=indent, ensure_ascii=ascii_only)
    read = read_document(text.encode())
    assert isinstance(read, Document), read
    assert read.data == json.loads(text)
    assert all(value_at(read.data, path) is not None or path in read.spots for path in read.places)
    for path, (line, column) in read.places.items():
        value = value_at(read.data, path)
        opening = text.split("\n")[line - 1][column - 1]
        assert opening == {dict: "{", list: "[", str: '"', type(None): "n", bool: str(value).lower()[:1]}.get(type(value), opening)


@given(st.dictionaries(_NAMES, PLAIN, max_size=4).filter(bool))
def test_one_document_in_both_notations(data: dict[str, Any]) -> None:
    """A JSON text after `---` is read as YAML: the values are the same (YAML 1.2 holds JSON)."""
    text = json.dumps(data, ensure_ascii=False)
    read = read_document("---\n" + text)
    assert isinstance(read, Document), read
    assert read.data == json.loads(text)


@settings(max_examples=examples(300))
@given(st.binary(max_size=300))
@example(b"\x00")
@example(b"%")
@example(b"\xef\xbb\xbf")
@example(b"!<tag:yaml.org,2002:\xc3\xa9> x")
@example(b'{"a": "\\')
def test_no_bytes_raise(data: bytes) -> None:
    document, findings = read_text(data)
    assert document is not None or findings


@settings(max_examples=examples(300))
@given(st.text(st.sampled_from("{}[]:,#&*!|>'\"%@`-?\n \t\r\\ab1.~<=\ud800\u2028\x00e+"), max_size=60))
def test_no_text_raises(text: str) -> None:
    document, findings = read_text(text)
    assert document is not None or findings
    for finding in findings:
        assert finding.mend
        assert finding.line is not None
