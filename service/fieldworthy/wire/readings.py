"""Readings in bulk, from bytes to what the use case takes.

The quick way is one loop over what the parser gives. Whatever does not pass it (a member too many, a text for a number, a day that there
is not) sends the whole body the slow way, through the shapes, which know each mistake and its place. Both take exactly the same.
"""

import gc
import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
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
_PLAIN = "    -  -  T  :  :  Z"
"""The marks of a time of whole seconds, UTC, each at its place: the form in which nearly all of them come."""
_TIMES = re.compile(rf"(?:{_ONE_TIME}(?:\n|\Z))+", re.ASCII)
_NAMES = re.compile(PRINTABLE.removesuffix("$") + r"\Z")
_LONG_NUMBER = re.compile(rb":\s*-?[0-9.]*(?:[0-9.]{16}|[0-9.][eE])")
_EPOCH, _MICROSECOND = datetime(1970, 1, 1, tzinfo=UTC), timedelta(microseconds=1)
_FIRST, _LAST = micros_of(datetime.min.replace(tzinfo=UTC)), micros_of(datetime.max.replace(tzinfo=UTC))
_LIMIT = 1e15
_DOUBLE = 2**53  # up to here a double keeps every whole number
_MEMBERS = 4  # and `unit`
_TEXTS = 3  # among them
_FEW = 500


class _Unfit(Exception):
    """The quick way does not take it."""


def read_readings(body: bytes, lines: bool) -> Sequence[SentReading]:
    """The readings of a body: an array, or {"readings": […]}; lines: one a line.

    Raises Unreadable (400), Refused (422), with the mistakes of all, at most 100; TooLarge (413).
    """
    try:
        with _uncollected():
            return _lines_quickly(body) if lines else _array_quickly(body)
    except (_Unfit, ValueError, TypeError, KeyError):
        return _lines_slowly(body) if lines else _array_slowly(body)


@contextmanager
def _uncollected() -> Iterator[None]:
    """Without a walk of the garbage collector: the tens of thousands of objects that are made here are gone at the end of it."""
    collecting = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if collecting:
            gc.enable()


def _array_quickly(body: bytes) -> Sequence[SentReading]:
    data = orjson.loads(body)
    extra = 0
    if type(data) is dict:
        data, extra = data["readings"] if len(data) == 1 else None, 2
    if type(data) is not list:
        raise _Unfit
    if len(data) > MAX_READINGS:
        raise _too_many()
    return _all_taken(data, body, extra)


def _lines_quickly(body: bytes) -> Sequence[SentReading]:
    rows = [line for line in body.split(b"\n") if line and not line.isspace()]
    if len(rows) > MAX_READINGS:
        raise _too_many()
    return _all_taken(list(map(orjson.loads, rows)), body, 0)


def _all_taken(items: list[Any], body: bytes, extra: int) -> Sequence[SentReading]:
    """Each as the use case takes it; `items` is emptied. extra: quotation marks of the body around them.

    A few at once, and let go of: so many as the processor keeps at hand while their members are looked at in turn.
    """
    found: list[SentReading] = []
    members = 0
    for begin in range(0, len(items), _FEW):
        few = items[begin : begin + _FEW]
        items[begin : begin + _FEW] = [None] * len(few)
        found += _taken(few)
        members += sum(map(len, few))
    _sure(body, len(found), members, extra)
    return found


def _taken(items: Sequence[Any]) -> Sequence[SentReading]:
    """Some, as the use case takes them. Raises _Unfit, or whatever comes of taking a thing for another.

    Column by column, for each step is then one loop of the interpreter's own, and what is said often is looked at once.
    """
    if set(map(type, items)) != {dict}:
        raise _Unfit
    machines, meters, values, ats = ([item[name] for item in items] for name in ("machine", "meter", "value", "at"))
    units = [item.get("unit") for item in items]
    with_unit = len(units) - units.count(None)
    if sum(map(len, items)) != _MEMBERS * len(items) + with_unit or not set(map(type, values)) <= {int, float}:
        raise _Unfit
    _names(set(machines), 120)
    _names(set(meters), 120)
    if with_unit:
        _names(set(units) - {None}, 30)
    return list(zip(machines, meters, _moments(ats), _ticks(values), units, strict=True))


def _ticks(values: Sequence[float]) -> Sequence[Any]:
    near = [round(value * TICKS) for value in values]
    if max(near) < _DOUBLE and min(near) > -_DOUBLE and [n / TICKS for n in near] == values:
        return near  # the double nearest to each is the value: so it is what was written (base/quantity.py, to_ticks)
    if not -_LIMIT <= min(values) <= max(values) <= _LIMIT:
        raise _Unfit
    return list(map(to_ticks, values))


def _names(texts: Collection[Any], most: int) -> None:
    """Holds names to their form, all at once. Raises _Unfit, and TypeError where one is no text."""
    sizes = set(map(len, texts))
    if not 0 < min(sizes) <= max(sizes) <= most or _NAMES.match("".join(texts)) is None:
        raise _Unfit


def _moments(texts: Sequence[Any]) -> Sequence[int]:
    """Their microseconds: all are held to the form at once, which is three times as fast as one by one."""
    if not _plain(texts) and _TIMES.fullmatch("\n".join(texts)) is None:
        raise _Unfit
    found = [(at - _EPOCH) // _MICROSECOND for at in map(datetime.fromisoformat, texts)]
    if not _FIRST <= min(found) <= max(found) <= _LAST:
        raise _Unfit
    return found


def _plain(texts: Sequence[Any]) -> bool:
    """Whether each is of the plain form, as far as its marks say: that the rest is digits, whoever reads it as a time sees anyway."""
    if set(map(len, texts)) != {len(_PLAIN)}:
        return False
    line = "".join(texts)
    return all(line[place :: len(_PLAIN)] == mark * len(texts) for place, mark in enumerate(_PLAIN) if mark != " ")


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


def _sure(body: bytes, readings: int, members: int, extra: int) -> None:
    """Raises _Unfit where a number may have been rounded, or a member given twice.

    Where none is written as an escape, every quotation mark in the body stands at an end of a text that was read, or of one that another
    of the same name replaced.
    """
    if suspicious(body) and _LONG_NUMBER.search(body) is not None:
        raise _Unfit
    texts = members - (_MEMBERS - _TEXTS) * readings  # all but the value
    if (b"\\" in body and (b'\\"' in body or b"\\u0022" in body)) or body.count(b'"') != 2 * (members + texts) + extra:
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
