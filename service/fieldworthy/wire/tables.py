"""Tables for spreadsheets and scripts: their columns, and how each is written as CSV (RFC 4180). Parquet is written in `wire.parquet`.

A row is a tuple of plain values in the order of the columns, None for what there is not. Counts are exact: millionths, as the store has
them. A cell of CSV that people named may begin as a formula does, which a spreadsheet would compute; so such a cell gets a `'` before it.
So does what stands behind a `;`, a tab or a line end in it: a spreadsheet that divides there, and not at commas, heeds our quotes nowhere.
"""

import csv
import io
import json
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any, Literal

from fieldworthy.core.base.micros import micros_text
from fieldworthy.core.base.quantity import TICKS, ticks_text
from fieldworthy.usecases.standings import Standing

CSV = "text/csv"
CSV_TYPE = f"{CSV}; charset=utf-8; header=present"
"""RFC 4180, 3; RFC 7111 keeps both parameters."""

Kind = Literal["text", "ticks", "whole", "day", "moment"]
Row = Sequence[Any]

_COMPUTED = r"=+\-@＝＋－＠"
_FORMULA = re.compile(rf"^(?=[{_COMPUTED}\t\r\n])|(?:^|(?<=[;\t\r\n]))(?=\"*[{_COMPUTED}])")
"""
Where a cell begins that a spreadsheet may compute (OWASP, CSV Injection; the wide forms are from memory). Quotation marks before it may be
read as those of a cell.
"""


@dataclass(frozen=True, slots=True)
class Column:
    """kind: `text`; `ticks` (a count in millionths); `whole` (a number); `day` (RFC 3339); `moment` (microseconds since 1970, UTC)."""

    name: str
    kind: Kind = "text"


READINGS = (
    *(Column("machine"), Column("meter"), Column("value", "ticks"), Column("unit")),
    *(Column("at", "moment"), Column("kept_at", "moment")),
)
DUE = (
    *(Column("machine"), Column("site"), Column("task"), Column("title"), Column("kind"), Column("standing")),
    *(Column("used", "ticks"), Column("due_date", "day"), Column("days_left", "whole")),
    *(Column("meter"), Column("due_at", "ticks"), Column("remaining", "ticks"), Column("unit"), Column("further_meters")),
    *(Column("expected_date", "day"), Column("expected_from", "day"), Column("expected_to", "day")),
    *(Column("rule"), Column("decided_by"), Column("reason"), Column("needs"), Column("fit")),
    *(Column("rulebook"), Column("version", "whole"), Column("computed_at", "moment"), Column("as_of", "moment")),
)


def due_row(item: Standing) -> Row:
    """
    One task of the fleet's list, as DUE has it. Of a task that counts by several meters the first has columns of its own, and the others
    stand in `further_meters`, as text.
    """
    told: Mapping[str, Any] = json.loads(item.row.body, parse_float=Decimal)
    made, machine = item.computed, item.machine
    due, left, expected = told["due_at"], told["remaining"], told["expected"] or {"date": None, "from": None, "to": None}
    meter, *further = [*due["meters"]] or [None]
    at, rest = due["meters"].get(meter), left["meters"].get(meter)
    return (
        *(machine.id, machine.site, told["task"], told["title"], told["kind"], told["standing"]),
        *(_ticks(told["used"]), due["date"], left["days"]),
        *(meter, _ticks(at and at["value"]), _ticks(rest and rest["value"]), at and at["unit"]),
        "; ".join(_meter_text(name, due["meters"][name], left["meters"].get(name)) for name in further) or None,
        *(expected["date"], expected["from"], expected["to"]),
        *(told["rule"], told["decided_by"], " ".join(reason["text"] for reason in told["because"]) or None, told["needs"], made.fit),
        *(made.rulebook, made.version, made.at, made.as_of),
    )


def _ticks(value: int | Decimal | None) -> int | None:
    return None if value is None else int(value * TICKS)


def _meter_text(name: str, at: Mapping[str, Any], rest: Mapping[str, Any] | None) -> str:
    left = "" if rest is None else f", {ticks_text(_ticks(rest['value']) or 0)} {rest['unit']} to go"
    return f"{name} {ticks_text(_ticks(at['value']) or 0)} {at['unit']}{left}"


class CsvWriter:
    """Rows as CSV: lines end with CRLF, cells with commas, quotes or line ends stand in quotes, and the first line has the names."""

    media_type = CSV_TYPE

    def __init__(self, columns: Sequence[Column]) -> None:
        self._write = [_CELLS[column.kind] for column in columns]
        self._columns = columns

    def head(self) -> bytes:
        return _lines([[column.name for column in self._columns]])

    def rows(self, rows: Iterable[Row]) -> bytes:
        """Some more of it."""
        return _lines([None if cell is None else write(cell) for write, cell in zip(self._write, row, strict=True)] for row in rows)

    def end(self) -> bytes:
        """What is left; it is nothing."""
        return b""


def _lines(rows: Iterable[Sequence[str | None]]) -> bytes:
    text = io.StringIO(newline="")
    csv.writer(text, lineterminator="\r\n").writerows(rows)
    return text.getvalue().encode()


def _safe(text: str) -> str:
    """A text as a cell that no spreadsheet computes."""
    return _FORMULA.sub("'", text)


_CELLS: Mapping[Kind, Callable[[Any], str]] = {"text": _safe, "ticks": ticks_text, "whole": str, "day": str, "moment": micros_text}
