"""Readings in bulk, from bytes to what the use case takes.

The quick way is one loop over what the parser gives. Whatever does not pass it (a member too many, a text for a number, a day that there
is not) sends the whole body the slow way, through the shapes, which know each mistake and its place. Both take exactly the same.
"""

import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import orjson

from fieldworthy.core.base.finding import Finding, Refused
from fieldworthy.core.base.micros import micros_of
from fieldworthy.core.base.quantity import TICKS, to_ticks
from fieldworthy.usecases.keep_readings import SentReading
from fieldworthy.usecases.limits import MAX_READINGS
from fieldworthy.usecases.refusals import TooLarge
from fieldworthy.wire import requests
from fieldworthy.wire.mistakes import MOST
from fieldworthy.wire.reading import Unreadable, decode, suspicious
from fieldworthy.wire.scalars import PRINTABLE, instant, refuse

_ONE_TIME = r"\d{4}-\d\d-\d\d[Tt]\d\d:\d\d:\d\d(?:\.\d{1,9})?(?:[Zz]|[+-]\d\d:\d\d)"
_TIME = re.compile(_ONE_TIME + r"\Z", re.ASCII)
_TIMES = re.compile(rf"(?:{_ONE_TIME}(?:\n|\Z))+", re.ASCII)
_NAME = re.compile(PRINTABLE.removesuffix("$") + r"\Z")
_LONG_NUMBER = re.compile(rb":\s*-?[0-9.]*(?:[0-9.]{16}|[0-9.][eE])")
_EPOCH, _MICROSECOND = datetime(1970, 1, 1, tzinfo=UTC), timedelta(microseconds=1)
_FIRST, _LAST = micros_of(datetime.min.replace(tzinfo=UTC)), micros_of(datetime.max.replace(tzinfo=UTC))
_LIMIT = 1e15
_DOUBLE = 2**53  # up to here a double keeps every whole number
_MEMBERS = 4  # and `unit`
_QUOTES = 2 * _MEMBERS + 6  # of the names of the four, and of the three texts among them


class _Unfit(Exception):
    """The quick way does not take it."""


def read_readings(body: bytes, lines: bool) -> Sequence[SentReading]:
    """The readings of a body: an array, or {"readings": […]}; lines: one a line.

    Raises Unreadable (400), Refused (422), with the mistakes of all, at most 100; TooLarge (413).
    """
    try:
        return _lines_quickly(body) if lines else _array_quickly(body)
    except (_Unfit, ValueError, TypeError, KeyError):
        return _lines_slowly(body) if lines else _array_slowly(body)


def _array_quickly(body: bytes) -> Sequence[SentReading]:
    data = orjson.loads(body)
    extra = 0
    if type(data) is dict:
        data, extra = data["readings"] if len(data) == 1 else None, 2
    if type(data) is not list:
        raise _Unfit
    if len(data) > MAX_READINGS:
        raise _too_many()
    found = _taken(data)
    _sure(body, found, extra)
    return found


def _lines_quickly(body: bytes) -> Sequence[SentReading]:
    rows = [line for line in body.split(b"\n") if line and not line.isspace()]
    if len(rows) > MAX_READINGS:
        raise _too_many()
    found = _taken([orjson.loads(line) for line in rows])
    _sure(body, found, 0)
    return found


def _taken(items: Sequence[Any]) -> Sequence[SentReading]:
    """Each as the use case takes it. Raises _Unfit, or whatever comes of taking a thing for another.

    Column by column, for each step is then one loop of the interpreter's own, and what is said often is looked at once.
    """
    if not items:
        return ()
    if set(map(type, items)) != {dict}:
        raise _Unfit
    machines, meters, values, ats = ([item[name] for item in items] for name in ("machine", "meter", "value", "at"))
    units = [item.get("unit") for item in items]
    with_unit = len(units) - units.count(None)
    if sum(map(len, items)) != _MEMBERS * len(items) + with_unit or not set(map(type, values)) <= {int, float}:
        raise _Unfit
    for said, most in ((set(machines), 120), (set(meters), 120), (set(units) - {None}, 30)):
        for name in said:
            _name(name, most)
    moments = _moments(set(ats))
    return list(zip(machines, meters, map(moments.__getitem__, ats), _ticks(values), units, strict=True))


def _ticks(values: Sequence[float]) -> Sequence[Any]:
    near = [round(value * TICKS) for value in values]
    if max(near) < _DOUBLE and min(near) > -_DOUBLE and [n / TICKS for n in near] == values:
        return near  # the double nearest to each is the value: so it is what was written (base/quantity.py, to_ticks)
    if not -_LIMIT <= min(values) <= max(values) <= _LIMIT:
        raise _Unfit
    return list(map(to_ticks, values))


def _name(text: Any, most: int) -> None:
    if type(text) is not str or not 0 < len(text) <= most or _NAME.match(text) is None:
        raise _Unfit


def _moments(texts: Collection[Any]) -> Mapping[Any, int]:
    """Their microseconds: all are held to the form at once, which is three times as fast as one by one."""
    if _TIMES.fullmatch("\n".join(texts)) is None:
        raise _Unfit
    found = [(at - _EPOCH) // _MICROSECOND for at in map(datetime.fromisoformat, texts)]
    if not _FIRST <= min(found) <= max(found) <= _LAST:
        raise _Unfit
    return dict(zip(texts, found, strict=True))


def _moment(text: Any) -> int:
    if type(text) is not str or len(text) > 40 or _TIME.match(text) is None:
        raise _Unfit
    at = (datetime.fromisoformat(text if text[-1] != "z" else text[:-1] + "Z") - _EPOCH) // _MICROSECOND
    if not _FIRST <= at <= _LAST:
        raise _Unfit
    return at


def moment(text: str, path: str) -> int:
    """The microseconds of a text of the form of a time. Raises Refused where there is no such time, or none in UTC."""
    at = micros_of(instant(text, path))
    if not _FIRST <= at <= _LAST:
        raise refuse("time.unreadable", f"`{text}` is out of the calendar", "write a time of the years 1 to 9999, UTC", path)
    return at


def query_moment(text: str) -> int | None:
    """The microseconds of a time in an address; None where it is none."""
    try:
        return _moment(text)
    except (_Unfit, ValueError):
        return None


def _sure(body: bytes, found: Sequence[SentReading], extra: int) -> None:
    """Raises _Unfit where a number may have been rounded, or a member given twice.

    Where none is written as an escape, every quotation mark in the body stands at an end of a text that was read, or of one that another
    of the same name replaced.
    """
    if suspicious(body) and _LONG_NUMBER.search(body) is not None:
        raise _Unfit
    with_unit = sum(r[4] is not None for r in found)
    if b'\\"' in body or b"\\u0022" in body or body.count(b'"') != _QUOTES * len(found) + 4 * with_unit + extra:
        raise _Unfit


def _array_slowly(body: bytes) -> Sequence[SentReading]:
    begins = body.lstrip()[:1]
    path = "/readings" if begins == b"{" else ""
    given = requests.READINGS.read(body)["readings"] if path else requests.SENT_READINGS.read(body)
    return _placed([(item, f"{path}/{i}", None) for i, item in enumerate(given)])


def _lines_slowly(body: bytes) -> Sequence[SentReading]:
    decode(body)
    given: list[tuple[Mapping[str, Any], str, int | None]] = []
    findings: list[Finding] = []
    for number, line in enumerate(body.split(b"\n"), 1):
        if not line or line.isspace():
            continue
        try:
            given.append((requests.SENT_READING.read(line), "", number))
        except Unreadable as trouble:
            raise Unreadable(replace(trouble.finding, line=number)) from None
        except Refused as trouble:
            findings += [replace(f, line=number) for f in trouble.findings]
        if len(given) > MAX_READINGS:
            raise _too_many()
    if findings:
        raise Refused(findings[:MOST])
    return _placed(given)


def _placed(given: Sequence[tuple[Mapping[str, Any], str, int | None]]) -> Sequence[SentReading]:
    """What passed its shape; of times there may still be none such."""
    found: list[SentReading] = []
    findings: list[Finding] = []
    for item, path, line in given:
        try:
            at = moment(item["at"], path + "/at")
        except Refused as trouble:
            findings += [replace(f, line=line) for f in trouble.findings]
            if len(findings) >= MOST:
                break
            continue
        found.append((item["machine"], item["meter"], at, to_ticks(item["value"]), item.get("unit")))
    if findings:
        raise Refused(findings)
    return found


def _too_many() -> TooLarge:
    return TooLarge("a post", MAX_READINGS, "readings")
