"""Tables as Apache Parquet, for analysis, where pyarrow is installed (extra `batch`). It is loaded when the first table is asked for.

Counts are decimals with six places, exact; days are dates; moments are microseconds, UTC. No row is ever taken back, so a table of any
length is written as it goes, one group of rows after another.
"""

import importlib.util
import io
from collections.abc import Iterable, Sequence
from datetime import date
from typing import Any

from fieldworthy.wire.tables import Column, Row

PARQUET = "application/vnd.apache.parquet"
GROUP = 50_000
"""Rows of a group: what is in memory at a time."""


def is_installed() -> bool:
    """Whether Parquet can be written here."""
    return importlib.util.find_spec("pyarrow") is not None


class ParquetWriter:
    """Rows as Parquet."""

    media_type = PARQUET

    def __init__(self, columns: Sequence[Column]) -> None:
        import pyarrow  # type: ignore[import-untyped]
        from pyarrow import parquet

        self._arrow = pyarrow
        self._kinds = [column.kind for column in columns]
        types = {
            "text": pyarrow.string(),
            "ticks": pyarrow.decimal128(19, 6),
            "whole": pyarrow.int64(),
            "day": pyarrow.date32(),
            "moment": pyarrow.timestamp("us", tz="UTC"),
        }
        self._schema = pyarrow.schema([(column.name, types[column.kind]) for column in columns])
        self._out = _Out()
        self._file = parquet.ParquetWriter(self._out, self._schema, compression="zstd")
        self._waiting: list[Row] = []

    def head(self) -> bytes:
        return self._out.take()

    def rows(self, rows: Iterable[Row]) -> bytes:
        """Some more of it; b"" while a group is not full."""
        self._waiting += rows
        if len(self._waiting) >= GROUP:
            self._group()
        return self._out.take()

    def end(self) -> bytes:
        """The last group, and the table of contents."""
        if self._waiting:
            self._group()
        self._file.close()
        return self._out.take()

    def _group(self) -> None:
        columns = zip(*self._waiting, strict=True)
        arrays = [self._array(kind, list(cells), field.type) for kind, cells, field in zip(self._kinds, columns, self._schema, strict=True)]
        self._file.write_table(self._arrow.Table.from_arrays(arrays, schema=self._schema), row_group_size=GROUP)
        self._waiting = []

    def _array(self, kind: str, cells: list[Any], type: Any) -> Any:  # Any: pyarrow has no types
        arrow = self._arrow
        if kind == "ticks":  # a decimal of six places is the same whole number, read otherwise
            whole = arrow.array(cells, arrow.int64()).cast(arrow.decimal128(19, 0))
            return arrow.Array.from_buffers(type, len(whole), whole.buffers(), whole.null_count)
        if kind == "day":
            return arrow.array([None if cell is None else date.fromisoformat(cell) for cell in cells], type)
        if kind == "moment":
            return arrow.array(cells, arrow.int64()).cast(type)
        return arrow.array(cells, type)


class _Out(io.RawIOBase):
    """A file that is only written to, and from which what was written is taken away."""

    def __init__(self) -> None:
        self._parts: list[bytes] = []
        self._at = 0

    def writable(self) -> bool:
        return True

    def write(self, data: Any) -> int:
        part = bytes(data)
        self._parts.append(part)
        self._at += len(part)
        return len(part)

    def tell(self) -> int:
        return self._at

    def take(self) -> bytes:
        parts, self._parts = self._parts, []
        return b"".join(parts)
