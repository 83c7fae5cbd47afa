"""Readings in bulk, from bytes to what the use case takes.

The quick way is a parser that makes readings of the bytes at once (msgspec), and a look at their columns. Whatever does not pass it (a
member too many, a text for a number, a day that there is not) sends the whole body the slow way, through the shapes, which know each
mistake and its place. Both take exactly the same.
"""

import gc
import re
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import repeat
from operator import sub
from typing import Any

import msgspec

from fieldworthy.core.base.finding import Finding, Refused
from fieldworthy.core.base.micros import SECOND, micros_of
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
_DIGITS = bytes.maketrans(b"0123456789E", bytes(10) + b"e")
_PLAIN = b"2026-07-14T06:00:00Z".translate(_DIGITS)
"""A time of whole seconds, UTC, with a zero byte, which no JSON holds, for each digit: the form in which nearly all of them come."""
_PLAIN_TEXT = b'"%b"' % _PLAIN
_TIMES = re.compile(rf"(?:{_ONE_TIME}(?:\n|\Z))+", re.ASCII)
_NAMES = re.compile(PRINTABLE.removesuffix("$") + r"\Z")
_LONG_NUMBER = re.compile(rb":\s*-?[0-9.]*(?:[0-9.]{16}|[0-9.][eE])")
_EPOCH, _MICROSECOND = datetime(1970, 1, 1, tzinfo=UTC), timedelta(microseconds=1)
_DAY = 86_400  # seconds
_FIRST, _LAST = micros_of(datetime.min.replace(tzinfo=UTC)), micros_of(datetime.max.replace(tzinfo=UTC))
_LIMIT = 1e15
_DOUBLE = 2**53  # up to here a double keeps every whole number
_MEMBERS = 4  # and `unit`
_TEXTS = 3  # among them
_LEAST = len('{"machine":"","meter":"","value":0,"at":""}')
_OPENING = re.compile(rb'[ \t\n\r]*(\{[ \t\n\r]*"readings"[ \t\n\r]*:[ \t\n\r]*)?\[')
_BYTES = 30_000
"""Where a body is read, what is read at once: so much that with its readings it stays in the processor's nearer caches."""


class _Unfit(Exception):
    """The quick way does not take it."""


class _Timed(msgspec.Struct, forbid_unknown_fields=True, gc=False):
    """A reading whose time the parser reads."""

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


_Rows = Sequence[_Timed | _Texted]

_timed, _texted = msgspec.json.Decoder(list[_Timed]).decode, msgspec.json.Decoder(list[_Texted]).decode
_timed_line, _texted_line = msgspec.json.Decoder(_Timed).decode, msgspec.json.Decoder(_Texted).decode


def read_readings(body: bytes, lines: bool) -> SentReadings:
    """The readings of a body: an array, or {"readings": […]}; lines: one a line.

    Raises Unreadable (400), Refused (422), with the mistakes of all, at most 100; TooLarge (413).
    """
    try:
        with _uncollected():
            return _quickly(body, lines)
    except (_Unfit, msgspec.MsgspecError, ValueError, TypeError, OverflowError):  # the last: millionths past the greatest double
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
    """Piece by piece, and each column by column: a step is one loop of the interpreter's own, over what its caches still hold.

    Raises _Unfit, or whatever the parser or a look at its readings comes upon.
    """
    shape = body.translate(_DIGITS)
    extra, begin, end = (0, 0, len(body)) if lines else _inside(body)
    pieces: Iterable[_Rows] = _pieces(body, shape, begin, end, lines)
    if len(body) > _LEAST * MAX_READINGS and body.count(b"{") > MAX_READINGS:  # so many are refused before any mistake in them
        pieces = list(pieces)
        if sum(map(len, pieces)) > MAX_READINGS:
            raise _too_many()
    columns = _Columns()
    for rows in pieces:
        columns.take(rows)
    sent = columns.sent()
    if not sent:
        raise _Unfit
    with_unit = len(sent) - sent.units.count(None)
    _sure(body, shape, _MEMBERS * len(sent) + with_unit, _TEXTS * len(sent) + with_unit, extra, columns.near_zero)
    called = {*columns.names, *distinct(sent.meters)}
    _names(called, 120)
    in_units = distinct(sent.units) - {None}
    if with_unit:
        _names(in_units, 30)
    if any(map(_looks_like_a_time, called | in_units)):  # and may have been counted as one
        raise _Unfit
    return sent


class _Columns:
    """
    What was read so far. names: the ids of the machines; one text is kept of those that say the same, and not one a reading. near_zero:
    whether a value is less than half a millionth.
    """

    def __init__(self) -> None:
        self.names: dict[str, str] = {}
        self.near_zero = False
        self._read: tuple[list[str], list[str], list[int], list[Any], list[str | None]] = ([], [], [], [], [])

    def take(self, rows: _Rows) -> None:
        """Raises _Unfit, ValueError or TypeError for what the quick way does not take."""
        machines, meters, ats, values, units = self._read
        ids = [r.machine for r in rows]
        machines += map(self.names.setdefault, ids, ids)
        meters += _alike([r.meter for r in rows])
        ats += _moments([r.at for r in rows])
        numbers = [r.value for r in rows]
        near = [round(number * TICKS) for number in numbers]
        values += _ticks(numbers, near)
        self.near_zero |= 0 in near
        units += _alike([r.unit for r in rows])

    def sent(self) -> SentReadings:
        return SentReadings(*self._read)


def _alike(column: list[Any]) -> list[Any]:
    """The same column, with one object in all places where it says the same everywhere."""
    return column[:1] * len(column) if column.count(column[0]) == len(column) else column


def _inside(body: bytes) -> tuple[int, int, int]:
    """The quotation marks around an array, and where what is in it begins and ends."""
    opening = _OPENING.match(body)
    closing = body.rstrip(b" \t\n\r")
    end = len(closing)
    if opening is None:
        raise _Unfit
    extra = 0
    if opening[1]:
        end = closing.endswith(b"}") and len(closing[:-1].rstrip(b" \t\n\r"))
        extra = 2
    if not end or body[end - 1 : end] != b"]":
        raise _Unfit
    return extra, opening.end(), end - 1


def _pieces(body: bytes, shape: bytes, begin: int, end: int, lines: bool) -> Iterator[_Rows]:
    """
    The readings of a body. Where in a piece all times are plain, the parser reads them; it also takes what is none of ours.

    An array is cut where an object ends and a comma follows, and each piece read as an array of its own. Where all of them are arrays of
    readings, so is the whole; where one is none, for a text was cut through, that is a mistake for the slow way to look at.
    """
    mark = b"\n" if lines else b"},"
    while begin <= end:
        cut = body.find(mark, begin + _BYTES, end)
        last = end if cut < 0 else cut + len(mark) - 1
        piece, plain = body[begin:last], shape.count(_PLAIN_TEXT, begin, last)
        rows: _Rows = ()
        if plain:
            with suppress(msgspec.MsgspecError):
                rows = _lines_of(piece, _timed_line) if lines else _timed(b"[%b]" % piece)
        if not plain or len(rows) != plain:
            rows = _lines_of(piece, _texted_line) if lines else _texted(b"[%b]" % piece)
        if rows:
            yield rows
        elif not lines:  # which is a mistake, but in a whole that is empty
            raise _Unfit
        begin = last + 1


def _lines_of(piece: bytes, read: Callable[[bytes], _Timed | _Texted]) -> _Rows:
    return [read(line) for line in piece.split(b"\n") if line and not line.isspace()]


def _looks_like_a_time(name: Any) -> bool:
    return len(name) == len(_PLAIN) and name.encode().translate(_DIGITS) == _PLAIN


def _ticks(values: Sequence[float], near: Sequence[int]) -> Sequence[Any]:
    """near: the millionths that are nearest to each."""
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
    since = map(sub, times, repeat(_EPOCH))
    found = [(d.days * _DAY + d.seconds) * SECOND + d.microseconds for d in since]  # twice as fast as dividing by a microsecond
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


def _sure(body: bytes, shape: bytes, members: int, texts: int, extra: int, near_zero: bool) -> None:
    """Raises _Unfit where a number may have been rounded, a member given twice, or `null` for a unit.

    shape: the body with zero bytes for digits and `e` for `E`; texts: members whose value is a text; extra: quotation marks of the body
    around them. Where none is written as an escape, every quotation mark in the body stands at an end of a text that was read, or of one
    that another of the same name replaced. near_zero: whether a value is so near zero that it may have been written smaller than a double
    can be: any other of 15 digits or fewer is the one that was written, with an exponent or without.
    """
    # a long number has eight digits in a row at least, for it has one point at most
    rare = bytes(8) in shape or (near_zero and b"\0e" in shape)
    if rare and suspicious(body) and _LONG_NUMBER.search(body) is not None:
        raise _Unfit
    if (b"\\" in body and (b'\\"' in body or b"\\u0022" in body)) or body.count(b'"') != 2 * (members + texts) + extra:
        raise _Unfit


def _array_slowly(body: bytes) -> SentReadings:
    begins = body.lstrip()[:1]
    path = "/readings" if begins == b"{" else ""
    given = requests.READINGS.read(body)["readings"] if path else requests.SENT_READINGS.read(body)
    return _placed([(item, f"{path}/{i}", None) for i, item in enumerate(given)])


def _lines_slowly(body: bytes) -> SentReadings:
    written = [(number, line) for number, line in enumerate(body.split(b"\n"), 1) if line and not line.isspace()]
    if len(written) > MAX_READINGS:
        raise _too_many()
    decode(body)
    given: list[tuple[Mapping[str, Any], str, int | None]] = []
    findings: list[Finding] = []
    for number, line in written:
        try:
            given.append((requests.SENT_READING.read(line), "", number))
        except Unreadable as trouble:
            raise Unreadable(replace(trouble.finding, line=number)) from None
        except Refused as trouble:
            findings += [replace(f, line=number) for f in trouble.findings]
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
