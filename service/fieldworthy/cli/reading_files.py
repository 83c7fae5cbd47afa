"""Files of readings, read one by one, each with the line on which it stands: CSV, JSON Lines, a JSON array."""

import re
from collections.abc import Iterator, Mapping, Sequence
from typing import IO, Any, Literal

from fieldworthy.cli.csv_tables import csv_rows
from fieldworthy.cli.json_texts import EXAMPLE, Mistake, array_items, json_line, number_of
from fieldworthy.cli.text_lines import BLANKS, Opened, lines_of
from fieldworthy.cli.unanswerable import Unanswerable

Form = Literal["csv", "jsonl", "json", "iso15143-3"]
Row = tuple[int, dict[str, Any]]
"""A line's number, from 1, and the reading on it as on the wire."""

COLUMNS = ("machine", "meter", "at", "value", "unit")
_NEEDED = ("machine", "meter", "at", "value")
NUMBER = re.compile(r"-?(?:0|[1-9][0-9]*)(?:\.[0-9]+)?(?:[eE][+-]?[0-9]+)?\Z")
_WRAPPED = re.compile(rb'\{\s*"readings"\s*:')
_READING = frozenset({"meter", "at", "value"})


def form_of(file: Opened) -> Form:
    """Told by the name's end, else by how it begins."""
    name = file.name.lower().removesuffix(".gz")
    for end, form in _ENDS.items():
        if name.endswith(end):
            return form
    head = file.head.lstrip(BLANKS)
    match head[:1]:
        case b"[":
            return "json"
        case b"<":
            return "iso15143-3"
        case b"{":
            if _WRAPPED.match(head):
                return "json"
            return "jsonl" if _is_reading(head.partition(b"\n")[0]) else "iso15143-3"
    return "csv"


_ENDS: Mapping[str, Form] = {".csv": "csv", ".jsonl": "jsonl", ".ndjson": "jsonl", ".xml": "iso15143-3"}


def _is_reading(line: bytes) -> bool:
    try:
        told = json_line(line.decode("utf-8"))
    except ValueError:
        return False
    return isinstance(told, dict) and not _READING.isdisjoint(told)


def readings_of(file: Opened, form: Form, usual: Mapping[str, str]) -> Iterator[Row]:
    """The readings. usual: `machine` and `meter` of those that do not say theirs. Raises Unanswerable with the line of what is wrong."""
    match form:
        case "csv":
            return _of_csv(file.bytes, usual)
        case "jsonl":
            return _of_lines(file.bytes, usual)
        case "json":
            return _completed(array_items(file.bytes), usual)
        case "iso15143-3":
            raise ValueError("a document of ISO/TS 15143-3 is posted as it is")


def _of_lines(source: IO[bytes], usual: Mapping[str, str]) -> Iterator[Row]:
    def items() -> Iterator[tuple[int, Any]]:
        for number, line in enumerate(lines_of(source), 1):
            if line.isspace():
                continue
            try:
                yield number, json_line(line)
            except Mistake as mistake:
                raise Unanswerable(f"line {number:,}: {mistake}") from None

    return _completed(items(), usual)


def _completed(items: Iterator[tuple[int, Any]], usual: Mapping[str, str]) -> Iterator[Row]:
    for line, item in items:
        if not isinstance(item, dict):
            raise Unanswerable(f"line {line:,}: a reading is an object, as {EXAMPLE}")
        yield line, {**usual, **item} if usual else item


def _of_csv(source: IO[bytes], usual: Mapping[str, str]) -> Iterator[Row]:
    needed = [name for name in _NEEDED if name not in usual]
    for line, cells in csv_rows(source, _check_columns(needed)):
        reading: dict[str, Any] = {**usual, **{name: cell for name, cell in cells.items() if cell}}
        for name in _NEEDED:
            if name not in reading:
                raise Unanswerable(f"line {line:,}: `{name}` is empty; give it, or leave the line out")
        reading["value"] = _number(line, reading["value"])
        yield line, reading


def _check_columns(needed: Sequence[str]) -> Any:
    def check(names: Sequence[str]) -> str | None:
        from fieldworthy.core.base.finding import nearest

        if not set(names) & set(COLUMNS):
            return f"the first line names no column; begin with one as `{','.join(COLUMNS)}`"
        for name in names:
            if name not in COLUMNS:
                near = nearest(name, COLUMNS, 1)
                way = f"did you mean `{near[0]}`?" if near else "leave the column out"
                return f"no column is called `{name[:60]}`; {way}"
        for name in needed:
            if name not in names:
                option = f", or give --{name}" if name in ("machine", "meter") else ""
                return f"the column `{name}` is missing; add it{option}"
        return None

    return check


def _number(line: int, text: str) -> int | float:
    if not NUMBER.match(text):
        plain = text.replace(",", ".")
        way = f"write `{plain}`, with a point" if NUMBER.match(plain) else "write it as `712.4`"
        raise Unanswerable(f"line {line:,}: `{text[:60]}` in the column `value` is no number; {way}")
    try:
        return number_of(text)
    except Mistake as mistake:
        raise Unanswerable(f"line {line:,}: {mistake}") from None
