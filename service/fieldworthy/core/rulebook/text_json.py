"""Reads JSON (RFC 8259) with the place of every value; stricter than the standard library: no duplicate names, no `NaN`, no surprises."""

import re
from json.decoder import JSONDecodeError, scanstring  # type: ignore[attr-defined]
from typing import Any

from fieldworthy.core.base.finding import pointer
from fieldworthy.core.rulebook.document import Spot
from fieldworthy.core.rulebook.reading import GiveUp, Reading
from fieldworthy.core.rulebook.scalars import NotANumber, read_number

_BLANK = re.compile(r"[ \t\r\n]*")
_NUMBER = re.compile(r"-?(?:0|[1-9][0-9]*)(?:\.[0-9]+)?(?:[eE][-+]?[0-9]+)?")
_WORD = re.compile(r"[-+.\w]+")
_LITERALS = {"true": True, "false": False, "null": None}


def read_json(reading: Reading) -> None:
    """Fills `reading` from its text. Gives up (GiveUp) at the first place that is no JSON."""
    end = _value(reading, _blanks(reading, 0), "", 1)
    end = _blanks(reading, end)
    if end < len(reading.text):
        raise reading.stop(
            "text_after_end", end, "", "there is more text after the end of the document", "one file holds one document: delete the rest"
        )


def _blanks(reading: Reading, index: int) -> int:
    found = _BLANK.match(reading.text, index)
    return found.end() if found else index


def _value(reading: Reading, index: int, path: str, depth: int) -> int:
    reading.count(index, path)
    text = reading.text
    char = text[index : index + 1]
    if char in ("{", "["):
        reading.deeper(depth, index, path)
        reading.spots[path] = Spot(index, index + 1)
        return _object(reading, index + 1, path, depth) if char == "{" else _array(reading, index + 1, path, depth)
    if char == '"':
        value, end = _string(reading, index, path)
        reading.spots[path] = Spot(index, end, "json")
        reading.data = value
        return end
    found = _WORD.match(text, index)
    word = found[0] if found else char
    reading.spots[path] = Spot(index, index + len(word))
    if word in _LITERALS:
        reading.data = _LITERALS[word]
    elif _NUMBER.fullmatch(word):
        try:
            reading.data = read_number(word)
        except NotANumber as trouble:
            reading.data = 0
            reading.find("number", index, path, f"`{word[:40]}` {trouble}", "write a shorter number, or a text in quotes")
    elif word.strip("+-") in ("NaN", "Infinity"):
        reading.data = 0
        reading.find("number", index, path, f"`{word}` is not a finite number", "write a number, or leave the member out")
    else:
        raise _unexpected(reading, index, path, "a value")
    return index + len(word)


def _object(reading: Reading, index: int, path: str, depth: int) -> int:
    members: dict[str, Any] = {}
    text = reading.text
    index = _blanks(reading, index)
    if text[index : index + 1] == "}":
        reading.data = members
        return index + 1
    while True:
        if text[index : index + 1] != '"':
            raise _unexpected(reading, index, path, "the name of a member in double quotes")
        name, end = _string(reading, index, path)
        at = path + pointer(name)
        if name in members:
            reading.find("duplicate_key", index, at, f"`{name[:80]}` is given twice", "keep one of the two")
        reading.key_spots[at] = Spot(index, end, "json")
        index = _blanks(reading, end)
        if text[index : index + 1] != ":":
            raise _unexpected(reading, index, at, "`:` and the value")
        index = _value(reading, _blanks(reading, index + 1), at, depth + 1)
        members[name] = reading.data
        index = _blanks(reading, index)
        char = text[index : index + 1]
        if char == "}":
            reading.data = members
            return index + 1
        if char != ",":
            raise _unexpected(reading, index, path, "`,` or `}`")
        index = _blanks(reading, index + 1)


def _array(reading: Reading, index: int, path: str, depth: int) -> int:
    items: list[Any] = []
    text = reading.text
    index = _blanks(reading, index)
    if text[index : index + 1] == "]":
        reading.data = items
        return index + 1
    while True:
        index = _blanks(reading, _value(reading, index, f"{path}/{len(items)}", depth + 1))
        items.append(reading.data)
        char = text[index : index + 1]
        if char == "]":
            reading.data = items
            return index + 1
        if char != ",":
            raise _unexpected(reading, index, path, "`,` or `]`")
        index = _blanks(reading, index + 1)


def _string(reading: Reading, index: int, path: str) -> tuple[str, int]:
    try:
        value, end = scanstring(reading.text, index + 1, True)
    except JSONDecodeError as trouble:
        unclosed = trouble.msg.startswith("Unterminated")
        message = (
            "the text that begins here has no closing quote" if unclosed else "a text holds a line break, a tab or a broken `\\` escape"
        )
        at = index if unclosed else min(trouble.pos, len(reading.text))
        raise reading.stop(
            "unreadable", at, path, message, 'close it with `"`' if unclosed else "write line breaks as `\\n` and a backslash as `\\\\`"
        ) from None
    reading.check_text(value, index, path)
    return value, end


def _unexpected(reading: Reading, index: int, path: str, wanted: str) -> GiveUp:
    if index >= len(reading.text):
        return reading.stop(
            "unreadable", index, path, f"the document ends too early: {wanted} must follow", "was it cut off? send the whole document"
        )
    shown = reading.text[index : index + 1]
    mend = (
        "a comma stands only between two members"
        if shown in "}]"
        else f"write {wanted} here; the text begins with `{{` and is read as JSON"
    )
    return reading.stop("unreadable", index, path, f"`{shown}` can't stand here: {wanted} must follow", mend)
