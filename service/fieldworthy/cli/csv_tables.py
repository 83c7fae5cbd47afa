"""Tables as CSV (RFC 4180): a line that names the columns, then rows, each with its line. Commas, semicolons or tabs part the cells."""

import csv
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import IO

from fieldworthy.cli.text_lines import lines_of
from fieldworthy.cli.unanswerable import Unanswerable

Check = Callable[[Sequence[str]], str | None]
"""Says what is wrong with the columns, and the way out."""

_PARTED = (",", ";", "\t")


def csv_rows(source: IO[bytes], check: Check) -> Iterator[tuple[int, Mapping[str, str]]]:
    """The rows, cells stripped of blanks at their ends. Raises Unanswerable with the line of what is wrong."""
    lines = lines_of(source)
    first = next((line for line in lines), "")
    if not first.strip():
        raise Unanswerable("line 1 is empty; it must name the columns")
    parted = max(_PARTED, key=first.count)
    try:
        names = [name.strip() for name in next(csv.reader([first], delimiter=parted), [])]
    except csv.Error as trouble:
        raise Unanswerable(f"line 1 can't be read: {trouble}; it must name the columns, and lines must end as lines do") from None
    twice = [name for name in names if names.count(name) > 1]
    if (wrong := f"the column `{twice[0][:60]}` is there twice; leave one of them out" if twice else check(names)) is not None:
        raise Unanswerable(f"line 1: {wrong}")
    rows = csv.reader(lines, delimiter=parted, strict=True)
    while True:
        line = rows.line_num + 2  # the first was read before
        try:
            cells = next(rows, None)
        except csv.Error as trouble:
            raise Unanswerable(f'line {line:,} can\'t be read: {trouble}; write a cell that holds `"` as `"two ""words"""`') from None
        if cells is None:
            return
        if not any(cell.strip() for cell in cells):  # blank, or what a spreadsheet leaves below a table
            continue
        if len(cells) != len(names):
            raise Unanswerable(
                f"line {line:,} has {len(cells)} cells and the first line {len(names)}; give each column one, if an empty one"
            )
        yield line, {name: cell.strip() for name, cell in zip(names, cells, strict=True)}
