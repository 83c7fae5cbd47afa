"""Readings in bulk, from bytes to what the use case takes.

The quick way is a parser that makes readings of the bytes at once (msgspec), and a look at their columns. Whatever does not pass it (a
member too many, a text for a number, a day that there is not) sends the whole body the slow way, through the shapes, which know each
mistake and its place. Both take exactly the same.
"""

import gc
import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import msgspec

from fieldworthy.core.base.finding import Finding, Refused
from fieldworthy.core.base.micros import micros_of
from fieldworthy.core.base.quantity import TICKS, to_ticks
from fieldworthy.usecases.limits import MAX_READINGS
from fieldworthy.usecases.refusals import TooLarge
from fieldworthy.usecases.sent_readings import SentReading, SentReadings, distinct
from fieldworthy.wire import requests
from fieldworthy.wire.mistakes import MOST
from fieldworthy.wire.reading import Unreadable, decode, suspicious
from fieldworthy.wire.scalars import PRINTABLE, instant, refuse

_ONE_TIME = r"\d{4}-\d\d-\d\d[Tt]\d\d:\d\d:\d\d(?:\.\d{1,9})?(?:[Zz]|[+-]\d\d:\d\d)"
_TIME = re.compile(_ONE_TIME + r"\Z", re.ASCII)
_DIGITS = bytes(ord("d") if c in b"0123456789" else c for c in range(256))
_PLAIN = b"dddd-dd-ddTdd:dd:ddZ"
"""A time of whole seconds, UTC, with `d` for each digit: the form in which nearly all of them come."""
_TIMES = re.compile(rf"(?:{_ONE_TIME}(?:\n|\Z))+", re.ASCII)
_NAMES = re.compile(PRINTABLE.removesuffix("$") + r"\Z")
_LONG_NUMBER = re.compile(rb":\s*-?[0-9.]*(?:[0-9.]{16}|[0-9.][eE])")
_EPOCH, _MICROSECOND = datetime(1970, 1, 1, tzinfo=UTC), timedelta(microseconds=1)
_FIRST, _LAST = micros_of(datetime.min.replace(tzinfo=UTC)), micros_of(datetime.max.replace(tzinfo=UTC))
_LIMIT = 1e15
_DOUBLE = 2**53  # up to here a double keeps every whole number
_MEMBERS = 4  # and `unit`
_TEXTS = 3  # among them


class _Unfit(Exception):
    """The quick way does not take it."""


class _Timed(msgspec.Struct, forbid_unknown_fields=True, gc=False):
    """A reading whose time the parser reads: only where all of them are plain, for it also takes what is none of ours."""

    machine: str
    meter: str
    value: int | float
    at: datetime
    unit: str | None = None


class _Texted(msgspec.Struct, forbid_unknown_fields=True, gc=False):
    """A reading whose time is still a text."""

    machine: str
    meter: str
    value: int | float
    at: str
    unit: str | None = None


class _TimedPost(msgspec.Struct, forbid_unknown_fields=True, gc=False):
    readings: list[_Timed]


class _TextedPost(msgspec.Struct, forbid_unknown_fields=True, gc=False):
    readings: list[_Texted]


_timed, _texted = msgspec.json.Decoder(list[_Timed]), msgspec.json.Decoder(list[_Texted])
_timed_post, _texted_post = msgspec.json.Decoder(_TimedPost), msgspec.json.Decoder(_TextedPost)
_timed_line, _texted_line = msgspec.json.Decoder(_Timed), msgspec.json.Decoder(_Texted)


def read_readings(body: bytes, lines: bool) -> SentReadings:
    """The readings of a body: an array, or {"readings": […]}; lines: one a line.

    Raises Unreadable (400), Refused (422), with the mistakes of all, at most 100; TooLarge (413).
    """
    try:
        with _uncollected():
            return _quickly(body, lines)
    except (_Unfit, msgspec.MsgspecError, ValueError, TypeError):
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


def _quickly(body: bytes, lines: bool) -> SentReadings:
    """Column by column, for each step is then one loop of the interpreter's own, and what is said often is looked at once.

    Raises _Unfit, or whatever the parser or a look at its readings comes upon.
    """
    plain = body.translate(_DIGITS).count(b'"' + _PLAIN + b'"')
    timed = plain > 0 and plain == body.count(b'"at"')
    extra = 0
    rows: Sequence[_Timed | _Texted]
    if lines:
        written = [line for line in body.split(b"\n") if line and not line.isspace()]
        if len(written) > MAX_READINGS:
            raise _too_many()
        rows = list(map((_timed_line if timed else _texted_line).decode, written))
    elif body.lstrip()[:1] == b"{":
        rows, extra = (_timed_post if timed else _texted_post).decode(body).readings, 2
    else:
        rows = (_timed if timed else _texted).decode(body)
    if len(rows) > MAX_READINGS:
        raise _too_many()
    if not rows:
        raise _Unfit
    machines, meters, units = [r.machine for r in rows], [r.meter for r in rows], [r.unit for r in rows]
    with_unit = len(units) - units.count(None)
    _sure(body, _MEMBERS * len(rows) + with_unit, _TEXTS * len(rows) + with_unit, extra)
    sent = SentReadings(machines, meters, _moments([r.at for r in rows]), _ticks([r.value for r in rows]), units)
    called = {name for names in sent.by_name for name in names}
    _names(called, 120)
    in_units = distinct(units) - {None}
    if with_unit:
        _names(in_units, 30)
    if timed and (plain != len(rows) or any(map(_looks_like_a_time, called | in_units))):
        raise _Unfit
    return sent


def _looks_like_a_time(name: Any) -> bool:
    return len(name) == len(_PLAIN) and name.encode().translate(_DIGITS) == _PLAIN


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


def _moments(times: Sequence[Any]) -> Sequence[int]:
    """Their microseconds. Texts are held to the form all at once, which is three times as fast as one by one."""
    if type(times[0]) is str:
        if _TIMES.fullmatch("\n".join(times)) is None:
            raise _Unfit
        times = list(map(datetime.fromisoformat, times))
    found = [(at - _EPOCH) // _MICROSECOND for at in times]
    if not _FIRST <= min(found) <= max(found) <= _LAST:
        raise _Unfit
    return found


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


def _sure(body: bytes, members: int, texts: int, extra: int) -> None:
    """Raises _Unfit where a number may have been rounded, a member given twice, or `null` for a unit.

    texts: members whose value is a text. extra: quotation marks of the body around them. Where none is written as an escape, every
    quotation mark in the body stands at an end of a text that was read, or of one that another of the same name replaced.
    """
    if suspicious(body) and _LONG_NUMBER.search(body) is not None:
        raise _Unfit
    if (b"\\" in body and (b'\\"' in body or b"\\u0022" in body)) or body.count(b'"') != 2 * (members + texts) + extra:
        raise _Unfit


def _array_slowly(body: bytes) -> SentReadings:
    begins = body.lstrip()[:1]
    path = "/readings" if begins == b"{" else ""
    given = requests.READINGS.read(body)["readings"] if path else requests.SENT_READINGS.read(body)
    return _placed([(item, f"{path}/{i}", None) for i, item in enumerate(given)])


def _lines_slowly(body: bytes) -> SentReadings:
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


def _placed(given: Sequence[tuple[Mapping[str, Any], str, int | None]]) -> SentReadings:
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
    return SentReadings.of(found)


def _too_many() -> TooLarge:
    return TooLarge("a post", MAX_READINGS, "readings")
