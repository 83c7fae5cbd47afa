"""Bodies are read strictly. JSON: RFC 8259; numbers, members and texts as the rules of the wire have them."""

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fieldworthy.core.base.finding import Finding, Refused
from fieldworthy.wire import requests
from fieldworthy.wire.reading import Unreadable, read_json

PARTS: dict[str, Any] = {"rulebook": "b", "on": "2026-07-14", "machine": {"model": "R5"}, "tasks": [{"task": "t", "times": 2}]}
CLEARANCE: dict[str, Any] = {"rulebook": "b", "now": "2026-07-14T06:00:00+01:00", "machine": {}, "for": {"task": "t"}}


def refusal(shape: Any, body: bytes | Any) -> tuple[Finding, ...]:
    with pytest.raises(Refused) as caught:
        shape.read(body if isinstance(body, bytes) else json.dumps(body).encode())
    return caught.value.findings


def test_a_good_body_passes() -> None:
    assert requests.PARTS.read(json.dumps(PARTS).encode())["tasks"] == [{"task": "t", "times": 2}]


@pytest.mark.parametrize(
    ("body", "line", "column"),
    [
        (b"", 1, 1),
        (b'{"a": 1', 1, 7),
        (b'{"a":\n tru}', 2, None),
        (b'{"a": 1} x', 1, 10),
        (b"[1,]", 1, 4),
        (b'{"a": "\x01"}', 1, None),
        (b'{"\xc3\xa9\xc3\xa9": x}', 1, 8),  # columns count characters, not bytes
        (b'{"a": "\xff"}', 1, 8),
        (b"\xef\xbb\xbf{}", 1, 1),
        (b'{"a": "\\ud800"}', 1, None),
        (b"\xfe\xff\x00{\x00}", 1, 1),
    ],
)
def test_what_is_no_json_names_its_place(body: bytes, line: int, column: int | None) -> None:
    with pytest.raises(Unreadable) as caught:
        requests.PARTS.read(body)
    assert caught.value.finding.line == line
    assert caught.value.finding.column is not None
    if column is not None:
        assert caught.value.finding.column == column


@pytest.mark.parametrize("token", ["NaN", "Infinity", "-Infinity"])
def test_nan_is_no_json(token: str) -> None:
    body = json.dumps({**CLEARANCE, "rulebook": {"rulebook": "b", "x": "?"}}).replace('"?"', token).encode()
    with pytest.raises(Unreadable) as caught:
        requests.CLEARANCE.read(body)
    assert caught.value.finding.line == 1


@pytest.mark.parametrize(
    "token",
    ["1e400", "-1e400", "1e-400", "0.1234567890123456789", "12345678901234567890", "9007199254740993", "1" + "0" * 400],
)
def test_a_number_is_never_rounded(token: str) -> None:
    body = json.dumps({**CLEARANCE, "evidence": [{"fact": "f", "value": "?", "at": CLEARANCE["now"], "via": "seen"}]}).replace('"?"', token)
    found = refusal(requests.CLEARANCE, body.encode())
    assert found[0].path == "/evidence/0/value"


@pytest.mark.parametrize("token", ["0.1", "1e2", "100000000000000", "0.123456789012345", "-7", "1E-3", "712.4000000000000000000"])
def test_a_number_that_is_kept_exactly_passes(token: str) -> None:
    body = json.dumps({**CLEARANCE, "evidence": [{"fact": "f", "value": "?", "at": CLEARANCE["now"], "via": "seen"}]}).replace('"?"', token)
    assert requests.CLEARANCE.read(body.encode())["evidence"][0]["value"] == float(token)


@pytest.mark.parametrize("value", [True, False, "1_0", "1", None, [1], {"times": 1}, 1.5])
def test_only_whole_numbers_count_times(value: Any) -> None:
    found = refusal(requests.PARTS, {**PARTS, "tasks": [{"task": "t", "times": value}]})
    assert [f.path for f in found] == ["/tasks/0/times"]


@pytest.mark.parametrize(
    "now", ["2026-07-14T06:00:00", "2026-07-14", "14.07.2026", 0, 1784001600, "1784001600", None, "2026-07-14T06:00:00+0100", ""]
)
def test_a_time_needs_its_offset(now: Any) -> None:
    found = refusal(requests.CLEARANCE, {**CLEARANCE, "now": now})
    assert [f.path for f in found] == ["/now"]


def test_now_is_required() -> None:
    body = {k: v for k, v in CLEARANCE.items() if k != "now"}
    found = refusal(requests.CLEARANCE, body)
    assert [(f.code, f.path) for f in found] == [("request.missing", "")]
    assert "`now`" in found[0].message


def test_an_unknown_member_is_refused_with_the_nearest() -> None:
    found = refusal(requests.CLEARANCE, {**CLEARANCE, "evidense": []})
    assert [(f.code, f.path, f.mend) for f in found] == [("request.unknown_member", "/evidense", "did you mean `evidence`?")]
    found = refusal(requests.CLEARANCE, {**CLEARANCE, "for": {"tsk": "t"}})
    assert [(f.path, f.mend) for f in found] == [("/for/tsk", "did you mean `task`?")]
    found = refusal(
        requests.CLEARANCE, {**CLEARANCE, "evidence": [{"fact": "f", "value": "x", "at": CLEARANCE["now"], "via": "seen", "valu": 1}]}
    )
    assert [(f.path, f.mend) for f in found] == [("/evidence/0/valu", "did you mean `value`?")]
    found = refusal(requests.CLEARANCE, {**CLEARANCE, "machine": {"zzz": 1}})
    assert [f.mend for f in found] == ["leave it out; known are `id`, `model`, `serial` or `options`"]


def test_a_member_given_twice_is_refused() -> None:
    for body in (
        b'{"rulebook":"b","rulebook":"c","on":"2026-07-14","machine":{},"tasks":[{"task":"t"}]}',
        b'{"rulebook" :"b", "rulebook"\n:"c","on":"2026-07-14","machine":{},"tasks":[{"task":"t"}]}',
        b'{"rulebook":"b","rule\\u0062ook":"c","on":"2026-07-14","machine":{},"tasks":[{"task":"t"}]}',
        b'{"rulebook":"b","rulebook":"c","on":"2026-07-14","machine":{},"tasks":[{"task":"t","times":2}]}',
    ):
        found = refusal(requests.PARTS, body)
        assert [(f.code, f.path) for f in found] == [("body.member_twice", "/rulebook")]


def test_text_that_looks_like_a_member_is_no_second_one() -> None:
    body = {**CLEARANCE, "machine": {"id": 'a":b', "serial": 'x" : y'}}
    assert requests.CLEARANCE.read(json.dumps(body).encode())["machine"]["id"] == 'a":b'


@pytest.mark.parametrize("text", ["a\u0000b", "a\nb", "\u007f", "\u0085", ""])
def test_control_characters_are_refused(text: str) -> None:
    found = refusal(requests.CLEARANCE, {**CLEARANCE, "machine": {"id": text}})
    assert [f.path for f in found] == ["/machine/id"]
    assert "\u0000" not in found[0].message


def test_lengths_are_capped() -> None:
    found = refusal(requests.CLEARANCE, {**CLEARANCE, "machine": {"id": "x" * 121}})
    assert [(f.code, f.path) for f in found] == [("request.too_long", "/machine/id")]


def test_a_choice_is_one_mistake() -> None:
    found = refusal(requests.PARTS, {**PARTS, "stock": [{"part": "p", "amount": True}, {"part": "p", "amount": {"value": 1}}]})
    assert [(f.code, f.path) for f in found] == [("request.unreadable_value", "/stock/0/amount"), ("request.missing", "/stock/1/amount")]


def test_all_mistakes_are_told_at_once() -> None:
    found = refusal(requests.PARTS, {"rulebook": 1, "on": "soon", "machine": [], "tasks": [{}], "more": 1})
    assert {f.path for f in found} == {"/rulebook", "/on", "/machine", "/tasks/0", "/more"}
    assert all(f.mend for f in found)


def test_deep_nesting_is_refused() -> None:
    for body in (b"[" * 100_000, b'{"rulebook":' + b'{"a":' * 150 + b"1" + b"}" * 151):
        with pytest.raises((Unreadable, Refused)):
            requests.PARTS.read(body)


JSON_VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(st.sampled_from(["rulebook", "on", "machine", "tasks", "task", "times", "x"]), inner, max_size=4)
    ),
    max_leaves=12,
)


@given(JSON_VALUES)
def test_no_json_makes_the_reader_fail(value: Any) -> None:
    body = json.dumps(value).encode()
    try:
        requests.PARTS.read(body)
    except Refused as refused:
        assert refused.findings  # noqa: PT017
        assert all(f.mend and f.message for f in refused.findings)  # noqa: PT017
    except Unreadable as unreadable:
        assert unreadable.finding.mend  # noqa: PT017


@given(st.binary(max_size=60))
def test_no_bytes_make_the_reader_fail(body: bytes) -> None:
    with pytest.raises((Refused, Unreadable)):
        requests.PARTS.read(body)


@given(st.text(alphabet='0123456789.eE+-"a:{},[] ', max_size=30))
def test_the_quick_scan_misses_no_rounded_number(text: str) -> None:
    """Whatever the strict parser would refuse for a number, the quick way notices too."""
    from fieldworthy.wire.reading import suspicious

    body = json.dumps({"k": 0}).replace("0", text).encode()
    try:
        read_json(body)
    except Refused as refused:
        numbers = [f for f in refused.findings if f.code == "body.number_too_long"]
        assert not numbers or suspicious(body)
    except Unreadable:
        pass
