"""A document that was read: its values, its text, and the place of each value in the text."""

import re
from bisect import bisect_right
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal, NamedTuple

Style = Literal["plain", "single", "double", "literal", "folded", "json", "none"]
"""How a scalar was written; "json": a JSON string; "none": no string (a mapping, a list, a JSON number)."""


class Spot(NamedTuple):
    """Characters start to end of the text. flow: it stands inside `{…}` or `[…]` of YAML."""

    start: int
    end: int
    style: Style = "none"
    flow: bool = False


_ESCAPE = re.compile(r"\\(?:x[0-9a-fA-F]{2}|u[0-9a-fA-F]{4}|U[0-9a-fA-F]{8}|\r\n|.)", re.DOTALL)
_BLANK_ESCAPES = frozenset("tnrvfNLP_ \t\n\r")
_COMMENT = re.compile(r"[ \t]+#(.*)")


def line_starts(text: str) -> list[int]:
    """Where each line begins; a line ends with LF, CR LF or CR."""
    return [0, *(found.end() for found in re.finditer(r"\r\n|\n|\r", text))]


@dataclass(frozen=True, slots=True)
class Document:
    """
    data:  plain JSON values (dict, list, str, int, float, bool, None), in the author's order.
    text:  the author's text, without a byte order mark.
    spots: JSON Pointer -> the place of the value; key_spots: JSON Pointer -> the place of the member's name.
    """

    data: Any
    text: str
    spots: Mapping[str, Spot] = field(default_factory=dict)
    key_spots: Mapping[str, Spot] = field(default_factory=dict)
    starts: tuple[int, ...] = (0,)

    @property
    def places(self) -> Mapping[str, tuple[int, int]]:
        """JSON Pointer -> line and column of the value, counted from 1."""
        return {path: self.line_and_column(spot.start) for path, spot in self.spots.items()}

    def line_and_column(self, index: int) -> tuple[int, int]:
        """Line and column, both from 1, of the character at `index` of the text."""
        line = bisect_right(self.starts, index)
        return line, index - self.starts[line - 1] + 1

    def place(self, path: str, offset: int | None = None) -> tuple[int, int]:
        """
        Line and column of the value at `path`; offset: a character inside a text's value (its length: just after it).

        A path that is not in the document takes the place of the nearest value around it.
        """
        while path and path not in self.spots:
            path = path.rpartition("/")[0]
        spot = self.spots.get(path)
        if spot is None:
            return 1, 1
        if offset is None or spot.style == "none":
            return self.line_and_column(spot.start)
        return self.line_and_column(self._inside(path, spot, offset))

    def key_place(self, path: str) -> tuple[int, int]:
        """Line and column of the name of the member at `path`; where it has none, of its value."""
        spot = self.key_spots.get(path)
        return self.place(path) if spot is None else self.line_and_column(spot.start)

    def comment_after(self, path: str) -> str | None:
        """The comment that ends the line of a text without quotes, from its `#` on; None where there is none."""
        spot = self.spots.get(path)
        if spot is None or spot.style != "plain":
            return None
        found = _COMMENT.match(self.text, spot.end)
        return None if found is None else "#" + found[1].rstrip("\r")

    def is_flow_plain(self, path: str) -> bool:
        """Whether the value is a text without quotes inside `{…}` or `[…]`, where a comma ends it."""
        spot = self.spots.get(path)
        return spot is not None and spot.flow and spot.style == "plain"

    def is_left_empty(self, path: str) -> bool:
        """Whether nothing at all was written for the value, as in `{a, b: 1}`."""
        spot = self.spots.get(path)
        return spot is not None and spot.style == "plain" and spot.start == spot.end

    def _inside(self, path: str, spot: Spot, offset: int) -> int:
        """Index in the text of the character at `offset` of a text's value.

        Folding only ever changes blanks and line breaks, so the other characters correspond one by one.
        """
        value = value_at(self.data, path)
        if not isinstance(value, str):
            return spot.start
        offset = max(0, min(offset, len(value)))
        solid_before = sum(1 for char in value[:offset] if not char.isspace())
        wanted_solid = offset < len(value) and not value[offset].isspace()
        last_end = spot.start + (spot.style in ("single", "double", "json"))
        for number, (start, end) in enumerate(_solid(self.text, spot)):
            if number == solid_before and wanted_solid:
                return start
            if number >= solid_before:
                break
            last_end = end
        blanks = len(value[:offset]) - len(value[:offset].rstrip())
        line_end = next((s for s in self.starts if s > last_end), len(self.text) + 1) - 1
        return min(last_end + blanks, max(line_end, last_end))


def _solid(text: str, spot: Spot) -> Iterator[tuple[int, int]]:
    """Start and end in the text of each character of a scalar's value that is no blank, in order."""
    index, end = spot.start, spot.end
    if spot.style in ("literal", "folded"):
        while index < end and text[index] not in "\r\n":
            index += 1
    elif spot.style in ("single", "double", "json"):
        index, end = index + 1, end - 1
    while index < end:
        char = text[index]
        if char == "\\" and spot.style in ("double", "json"):
            after, blank = _escape(text, index, spot.style)
            if not blank:
                yield index, after
            index = after
            continue
        step = 2 if char == "'" and spot.style == "single" else 1
        if not char.isspace():
            yield index, index + step
        index += step


def _escape(text: str, index: int, style: Style) -> tuple[int, bool]:
    """Where an escape ends (in JSON, the two of a surrogate pair together), and whether it stands for a blank."""
    found = _ESCAPE.match(text, index)
    if found is None:
        return index + 1, True
    body = found[0][1:]
    if len(body) < 3:
        return found.end(), body in _BLANK_ESCAPES or body == "\r\n"
    code = int(body[1:], 16)
    if style == "json" and 0xD800 <= code < 0xDC00 and text.startswith("\\u", found.end()):
        return found.end() + 6, False
    return found.end(), code < 0x110000 and chr(code).isspace()


def value_at(data: Any, path: str) -> Any:
    """The value that a JSON Pointer names; None where it names none."""
    for part in path.split("/")[1:]:
        name = part.replace("~1", "/").replace("~0", "~")
        if isinstance(data, dict):
            data = data.get(name)
        elif isinstance(data, list) and name.isdecimal() and int(name) < len(data):
            data = data[int(name)]
        else:
            return None
    return data
