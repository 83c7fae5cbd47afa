"""The bytes of a post of readings: the quick way and the slow way take the same, refuse the same, and say the same."""

import json
import random
from collections.abc import Callable, Sequence
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from fieldworthy.core.base.finding import Refused
from fieldworthy.usecases.refusals import TooLarge
from fieldworthy.wire import readings
from fieldworthy.wire import readings_answers as answers
from fieldworthy.wire.reading import Unreadable
from fieldworthy.wire.readings import read_readings
from tests.keep.readings_at_work import URL, lines, machines, reading
from tests.keep.service import Service

names = st.sampled_from(
    [
        "r5-17",
        "work",
        "",
        "Mähdrescher 1",
        'a"b',
        "back\\slash",
        "cut},through",
        "tab\t",
        "x" * 120,
        "x" * 121,
        5,
        None,
        ["work"],
        "2026-07-01T06:00:00Z",
        "at",
    ]
)
values = st.one_of(
    st.floats(allow_nan=False),
    st.integers(),
    st.decimals(0, 10**6, places=3).map(float),
    st.sampled_from([True, None, "1", 0.1, 1e15, -1e15, 1e15 + 1, 712.4, 123456789.123456, 1e-7, {}]),
)
times = st.one_of(
    st.datetimes().map(lambda t: t.isoformat() + "Z"),
    st.sampled_from(
        [
            "2026-07-01T06:00:00Z",
            "2026-07-01t06:00:00.123456789z",
            "2026-07-01T06:00:00+14:00",
            "2026-07-01T06:00:00",
            "2026-02-30T06:00:00Z",
            "2026-W27-3T06:00:00Z",
            "20260701T060000Z",
            "2026-07-01 06:00:00Z",
            "2026-07-01T06:00:00,5Z",
            "0001-01-01T00:00:00+01:00",
            "9999-12-31T23:59:59-01:00",
            "٢026-07-01T06:00:00Z",
            5,
            None,
        ]
    ),
)
good = st.fixed_dictionaries(
    {
        "machine": st.just("r5-17"),
        "meter": st.just("work"),
        "value": st.decimals(0, 10**6, places=2).map(float),
        "at": st.just("2026-07-01T06:00:00Z"),
    },
    optional={"unit": st.just("h")},
)
any_ = st.fixed_dictionaries(
    {"machine": names, "meter": names, "value": values, "at": times}, optional={"unit": names, "colour": st.just("red")}
)


def outcome(read: Callable[[bytes], Sequence[Any]], body: bytes) -> Any:
    try:
        return list(read(body))
    except Unreadable:
        return "unreadable"
    except Refused as refused:
        return [(f.code, f.path, f.line) for f in refused.findings]


def quickly(body: bytes, lines_: bool, piece: int) -> Any:
    """Cut into pieces of at least so many bytes, as it is where it is long."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(readings, "_BYTES", piece)
        return outcome(lambda b: read_readings(b, lines_), body)


pieces = st.sampled_from([0, 150, 30_000])


@given(st.lists(st.one_of(good, good, any_), max_size=5), st.booleans(), st.booleans(), pieces)
@example([{"machine": "cut},through", "meter": "work", "value": 1, "at": "2026-07-01T06:00:00Z"}] * 2, False, True, 0)
def test_both_ways_say_the_same(items: list[Any], ascii_only: bool, wrapped: bool, piece: int) -> None:
    body = json.dumps({"readings": items} if wrapped else items, ensure_ascii=ascii_only).encode()
    assert quickly(body, False, piece) == outcome(readings._array_slowly, body)
    rows = b"\n".join(json.dumps(item, ensure_ascii=ascii_only).encode() for item in items)
    assert quickly(rows, True, piece) == outcome(readings._lines_slowly, rows)


TEXT = json.dumps([reading(0, 712.4, "h"), reading(1, 713)])


@given(st.integers(0, len(TEXT)), st.integers(0, 12), st.text('{}[]",:0123456789.eE-+\\u naN', max_size=8), pieces)
@example(TEXT.index("712"), 0, '1, "value": ', 0)  # a member twice
@example(TEXT.index("712.4") + 5, 0, "00000000000001", 0)  # more digits than a double keeps
@example(TEXT.index("712.4") + 5, 0, "e400", 0)
@example(TEXT.index("712.4") + 5, 0, "e-400", 0)  # smaller than a double can be
@example(TEXT.index("712.4") + 5, 0, "e-310", 0)  # less exact than others
@example(TEXT.index("712.4") + 5, 0, "e-9", 0)
@example(TEXT.index("712.4") + 5, 0, "e+2", 0)
@example(TEXT.index("712.4") + 5, 0, "000000000001e-3", 0)
@example(TEXT.index("712.4"), 5, "NaN", 0)
@example(len(TEXT) - 1, 1, "", 0)  # cut off
@example(TEXT.index('"h"'), 3, "null", 0)
@example(TEXT.index('"h"'), 3, '""', 0)
@example(TEXT.index('Z"'), 1, "\\u005a", 0)  # a time that is plain once it is read
@example(TEXT.index("T06"), 1, " ", 0)
@example(TEXT.index('"r5-17"'), 7, '"2026-07-01T06:00:00Z"', 0)
@example(TEXT.index("}, ") + 1, 0, " \n", 0)
@example(TEXT.index("}, ") + 2, 0, ",", 0)
@example(len(TEXT) - 1, 0, ",", 0)
def test_a_damaged_body_is_read_alike(at: int, cut: int, put: str, piece: int) -> None:
    body = (TEXT[:at] + put + TEXT[at + cut :]).encode()
    assert quickly(body, False, piece) == outcome(readings._array_slowly, body)


def test_what_is_read_is_exact() -> None:
    """A tenth is a tenth: ticks are millionths of what was written, by integers (0.1 + 0.2 of floats is not 0.3)."""
    written = ["0.1", "0.3", "712.4", "123456789.123456", "210554060.75", "1e2", "0.0000001", "1E-6", "999999999999"]
    sent = [json.dumps(reading(n, 0)).replace('"value": 0', f'"value": {w}') for n, w in enumerate(written)]
    read = read_readings(b"[" + ",".join(sent).encode() + b"]", False)
    from fractions import Fraction

    assert [r[3] for r in read] == [Fraction(w) * 10**6 for w in written]
    assert [type(r[3]) for r in read] == [int] * 6 + [Fraction] + [int] * 2
    assert read == read_readings("\n".join(sent).encode(), True)


@pytest.mark.parametrize("number", ["1e302", "1e303", "-1e303", "1.7e308"])
def test_what_has_more_millionths_than_a_double_can_hold_is_refused_as_any_number_that_is_too_large(number: str) -> None:
    one = json.dumps(reading(0, 0)).replace('"value": 0', f'"value": {number}')
    for body, lines_ in ((f"[{one}]", False), (one, True)):
        with pytest.raises(Refused, match=r"must be at (most|least)"):
            read_readings(body.encode(), lines_)


@pytest.mark.parametrize("lines_", [False, True])
@pytest.mark.parametrize("plain", [0, 1, 2, 300, 599, 600])
def test_times_of_several_forms_are_read_alike(plain: int, lines_: bool) -> None:
    """Where the two ways of reading times change over within a piece, and between pieces."""
    told = [reading(n, n, "h") for n in range(600)]
    told = [each if n < plain else {**each, "at": each["at"].replace("Z", "+00:00")} for n, each in enumerate(told)]
    random.Random(plain).shuffle(told)
    body = b"\n".join(json.dumps(each).encode() for each in told) if lines_ else json.dumps(told).encode()
    slowly = readings._lines_slowly if lines_ else readings._array_slowly
    for piece in (0, 150, 30_000):
        assert quickly(body, lines_, piece) == list(slowly(body))


def test_too_many_lines_are_told_before_what_is_wrong_in_them() -> None:
    with pytest.raises(TooLarge):
        read_readings(b"{}\n" * 50_001, True)


def test_a_line_is_one_reading() -> None:
    """Lines that are only together JSON are not lines of JSON."""
    one, two = (json.dumps(reading(n, n)) for n in (0, 1))
    for body in (f"{one},{two}", f"[{one}]", one[:20] + "\n" + one[20:], f"{one}\n{two},"):
        with pytest.raises((Unreadable, Refused)) as told:
            read_readings(body.encode(), True)
        findings = [told.value.finding] if isinstance(told.value, Unreadable) else told.value.findings
        assert findings[0].line == (2 if body.endswith(",") else 1)


def test_nothing_at_all_is_nothing_kept() -> None:
    assert list(read_readings(b"[]", False)) == list(read_readings(b"\n\n", True)) == []


async def test_answers_are_of_the_published_shapes(service: Service) -> None:
    await machines(service, "r5-17")
    sent = [reading(0, 100), reading(1, 99), reading(1.5, 6060), reading(0, 1, "km"), reading(900, 5), reading(0, 1, machine="x")]
    sent += [reading(2, 100.5, "h"), reading(2, 100.6, "h"), reading(3, -1), reading(4, 1, meter="wrok"), reading(9, 900)]
    told = await service.http.post(URL, content=lines(sent), headers={"content-type": "application/jsonl"})
    answers.ReadingsAnswer.model_validate_json(told.content, strict=True)
    assert told.json()["set_aside"] == 10
    page = await service.http.get("/v1/set-aside", params={"limit": 3})
    assert len(answers.AsidePage.model_validate_json(page.content, strict=True).items) == 3
    who = {"by": "p-3", "why": "looked"}
    ids = {a["why"]: a["id"] for a in told.json()["aside"]}
    for why, deed, more in (
        ("looks-like-minutes", "accept", {"as": {"value": 6060, "unit": "min"}}),
        ("other-unit", "accept", {"as": {"value": 100}}),
        ("runs-backward", "dismiss", {}),
    ):
        settled = await service.http.post(f"/v1/set-aside/{ids[why]}/{deed}", json={**who, **more})
        assert settled.status_code == 200, settled.text
        assert answers.AsideItem.model_validate_json(settled.content, strict=True).settled is not None
    kept = await service.http.get("/v1/machines/r5-17/readings")
    assert answers.KeptReadingsPage.model_validate_json(kept.content, strict=True).items
