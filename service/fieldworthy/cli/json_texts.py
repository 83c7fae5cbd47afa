"""JSON read strictly: what the service would refuse, or what would be changed by being read and written anew, is told with its line."""

import codecs
import json
import re
from collections.abc import Iterator
from decimal import Decimal, InvalidOperation
from typing import IO, Any, Never

from fieldworthy.cli.text_lines import BLANKS, MOST_OF_A_LINE
from fieldworthy.cli.unanswerable import Unanswerable

_CHUNK = 65_536
_EXACT = 15
"""Digits that a double always keeps."""
_BEGINNING = re.compile(r'\s*(?:\{\s*"readings"\s*:\s*)?\[')


class Mistake(ValueError):
    """Something that can't be taken. The message says what, `; ` and the way out."""


def number_of(text: str) -> int | float:
    """A number of JSON, exact. Raises Mistake where a double can't keep it."""
    if len(text) <= _EXACT and text.lstrip("-").isdigit():
        return int(text)
    value = float(text)
    if not _is_exact(text, value):
        raise Mistake(f"`{text[:60]}` has more digits than can be kept; round it to {_EXACT}")
    return value


def _is_exact(text: str, value: float) -> bool:
    if value in (float("inf"), float("-inf")):
        return False
    if len(text) <= _EXACT and "e" not in text.lower():
        return True
    try:
        return Decimal(repr(value)) == Decimal(text)
    except InvalidOperation:  # an exponent beyond all bounds
        return False


def _members(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) < len(pairs):
        names = [name for name, _ in pairs]
        twice = next(name for name in names if names.count(name) > 1)
        raise Mistake(f"`{twice[:60]}` is given twice; leave one of them out")
    return found


def _no_number(text: str) -> Never:
    raise Mistake(f"`{text}` is no JSON number; leave the reading out, or give its number")


def _whole(text: str, value: Any) -> Any:
    """The value that this text says. Raises Mistake where an escape in it is half a sign: it can't be written anew."""
    if "\\u" in text:
        try:
            json.dumps(value, ensure_ascii=False).encode()
        except UnicodeEncodeError as trouble:
            half = f"\\u{ord(trouble.object[trouble.start]):04x}"
            raise Mistake(f"`{half}` is half a sign; write the sign itself, or both halves") from None
    return value


_DECODER = json.JSONDecoder(object_pairs_hook=_members, parse_constant=_no_number, parse_float=number_of, parse_int=number_of)


def json_line(text: str) -> Any:
    """What a line holds. Raises Mistake."""
    try:
        return _whole(text, _DECODER.decode(text))
    except json.JSONDecodeError as trouble:
        raise Mistake(f"this is no JSON: {trouble.msg}, column {trouble.colno}; one reading a line, as {EXAMPLE}") from None
    except RecursionError:
        raise Mistake(f"this is nested too deeply; one reading a line, as {EXAMPLE}") from None


EXAMPLE = '{"machine": "r5-17", "meter": "work", "value": 712.4, "at": "2026-07-14T05:50:00Z"}'


def array_items(source: IO[bytes]) -> Iterator[tuple[int, Any]]:
    """The objects of an array, or of {"readings": […]}, each with the line on which it begins; never all at once. Raises Unanswerable."""
    text = _Text(source)
    found = _BEGINNING.match(text.more())
    if found is None:
        raise Unanswerable("this is no array of readings; write [{…}, {…}]")
    text.pass_over(found.end())
    wrapped = "{" in found[0]
    if text.first() == "]":
        text.pass_over(1)
    else:
        while True:
            yield text.item()
            mark = text.first()
            if mark not in (",", "]"):
                raise Unanswerable(f"line {text.line:,}: `,` or `]` must stand here; the file may be cut off")
            text.pass_over(1)
            if mark == "]":
                break
    if wrapped and text.first() == "}":
        text.pass_over(1)
    elif wrapped:
        raise Unanswerable(f"line {text.line:,}: `}}` must stand here; beside `readings` there is nothing else")
    if text.first():
        raise Unanswerable(f"line {text.line:,}: after the array nothing may follow; write one array, or JSON Lines")


class _Text:
    """A text of which a part is there. line: where what comes next stands, from 1."""

    def __init__(self, source: IO[bytes]) -> None:
        self._source = source
        self._decoder = codecs.getincrementaldecoder("utf-8")()
        self._there = ""
        self._at = 0
        self._over = False
        self.line = 1

    def more(self) -> str:
        """Reads on; gives all that is there and not passed over."""
        read = self._source.read(_CHUNK)
        self._over = len(read) < _CHUNK
        try:
            new = self._decoder.decode(read, final=self._over)
        except UnicodeDecodeError:
            raise Unanswerable(f"line {self.line:,} or one soon after it is not UTF-8; save the file as UTF-8") from None
        self._there, self._at = self._there[self._at :] + new, 0
        return self._there

    def pass_over(self, length: int) -> None:
        self.line += self._there.count("\n", self._at, self._at + length)
        self._at += length

    def first(self) -> str:
        """The next character that is no blank; "" at the end."""
        while True:
            rest = self._there[self._at : self._at + _CHUNK]
            if bare := rest.lstrip(BLANKS.decode()):
                self.pass_over(len(rest) - len(bare))
                return bare[0]
            self.pass_over(len(rest))
            if not rest:
                if self._over:
                    return ""
                self.more()

    def item(self) -> tuple[int, Any]:
        """The object that comes next."""
        if self.first() != "{":
            raise Unanswerable(f"line {self.line:,}: an object must stand here, a reading as {EXAMPLE}")
        while True:
            try:
                value, end = _DECODER.raw_decode(self._there, self._at)
                _whole(self._there[self._at : end], value)
            except json.JSONDecodeError as trouble:
                if self._over or len(self._there) - self._at > MOST_OF_A_LINE:
                    line = self.line + self._there.count("\n", self._at, trouble.pos)
                    raise Unanswerable(f"line {line:,}: this is no JSON: {trouble.msg}; a reading is written as {EXAMPLE}") from None
                self.more()
                continue
            except Mistake as trouble:
                raise Unanswerable(f"line {self.line:,}: {trouble}") from None
            except RecursionError:
                raise Unanswerable(f"line {self.line:,}: this is nested too deeply; a reading is written as {EXAMPLE}") from None
            line = self.line
            self.pass_over(end - self._at)
            return line, value
