"""In which form an answer is written: as JSON, or as a table. `Accept` chooses (RFC 9110, 12.5.1), or the address does."""

import asyncio
import tempfile
from collections.abc import AsyncIterator, Collection, Iterable, Mapping, Sequence
from typing import Any, Protocol

from starlette.requests import Request
from starlette.responses import StreamingResponse

from fieldworthy.rest.answers import JSON
from fieldworthy.rest.body import Declined, preferred
from fieldworthy.rest.described import header_parameter
from fieldworthy.wire.parquet import PARQUET, ParquetWriter, is_installed
from fieldworthy.wire.problems import problem
from fieldworthy.wire.tables import CSV, Column, CsvWriter, Row

ACCEPT = header_parameter("Accept", f"`{JSON}` (usual), `{CSV}` or `{PARQUET}`", most=1000)
ACCEPT_TABLE = header_parameter("Accept", f"`{CSV}` (usual) or `{PARQUET}`", most=1000)
CSV_CONTENT: Mapping[str, Any] = {CSV: {"schema": {"type": "string", "description": "RFC 4180, the first line has the columns' names"}}}
PARQUET_CONTENT: Mapping[str, Any] = {PARQUET: {}}
"""Bytes, which have no schema in OpenAPI 3.1."""
VARY = {"Vary": {"description": "Accept, Authorization", "schema": {"type": "string", "maxLength": 80, "pattern": "^[A-Za-z, -]*$"}}}
VARIES = {"vary": "Accept, Authorization"}

_IN_MEMORY = 4_000_000
_PIECE = 256_000


class TableWriter(Protocol):
    """Writes rows as they come."""

    media_type: str

    def head(self) -> bytes: ...

    def rows(self, rows: Iterable[Row]) -> bytes: ...

    def end(self) -> bytes: ...


def form_of(request: Request, offered: Sequence[str]) -> str:
    """The media type that is liked best. offered: the usual one first. Raises Declined (406)."""
    there = [form for form in offered if form != PARQUET or is_installed()]
    accept = ", ".join(request.headers.getlist("accept"))
    found = preferred(accept, there)
    if found is not None:
        return found
    mend = f"accept {_either(there)}"
    if PARQUET not in there and preferred(accept, [PARQUET]) is not None:
        mend += "; for Parquet whoever runs the service installs the extra: pip install 'fieldworthy[batch]'"
    raise Declined(problem("address.not_acceptable", f"this is written as {_either(there)}", mend), VARIES)


def _either(forms: Collection[str]) -> str:
    return " or ".join(f"`{form}`" for form in forms)


def writer_of(form: str, columns: Sequence[Column]) -> TableWriter:
    """What writes a table in that form."""
    return ParquetWriter(columns) if form == PARQUET else CsvWriter(columns)


async def streamed(writer: TableWriter, pieces: AsyncIterator[Iterable[Row]]) -> StreamingResponse:
    """A table of any length, written as it is read. What is refused is refused before anything is sent; later trouble breaks it off."""
    first = await anext(pieces, None)

    async def written() -> AsyncIterator[bytes]:
        yield writer.head()
        piece = first
        while piece is not None:
            if part := writer.rows(piece):
                yield part
            await asyncio.sleep(0)  # others have their turn
            piece = await anext(pieces, None)
        yield writer.end()

    return StreamingResponse(written(), headers=VARIES, media_type=writer.media_type)


async def spooled(writer: TableWriter, pieces: AsyncIterator[Iterable[Row]]) -> StreamingResponse:
    """
    A table that is read in one transaction: it is written aside first, in memory or, where it is long, in a file that has no name, so
    that the transaction does not wait for whoever listens.
    """
    aside = tempfile.SpooledTemporaryFile(max_size=_IN_MEMORY)  # noqa: SIM115  # it is closed when all is sent
    try:
        aside.write(writer.head())
        async for piece in pieces:
            aside.write(writer.rows(piece))
            await asyncio.sleep(0)
        aside.write(writer.end())
        size = aside.tell()
        aside.seek(0)
    except BaseException:
        aside.close()
        raise

    async def sent() -> AsyncIterator[bytes]:
        with aside:
            while part := aside.read(_PIECE):
                yield part

    return StreamingResponse(sent(), headers={**VARIES, "content-length": str(size)}, media_type=writer.media_type)
