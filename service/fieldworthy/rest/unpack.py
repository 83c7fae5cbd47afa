"""A body that comes packed (RFC 9110, 8.4.1: gzip; RFC 8878 and 9659: zstd), unpacked as it arrives and never beyond a limit."""

import sys
import zlib
from collections.abc import Callable, Iterator
from typing import Any

from starlette.requests import Request

from fieldworthy.rest.body import Declined
from fieldworthy.rest.limits import too_large
from fieldworthy.wire.problems import problem

if sys.version_info >= (3, 14):
    from compression import zstd
else:
    from backports import zstd

CODINGS = ("gzip", "zstd")

_PIECE = 1_000_000  # bytes that are unpacked at once
_WINDOW = 23  # of zstd: 8 MB, as RFC 9659 has it; more is refused


class _Broken(Exception):
    """What arrived is not of this coding."""


async def unpacked(request: Request, most: int) -> bytes:
    """The body without its Content-Encoding. Raises Declined: 415 for an unknown coding, 400 for a broken body, 413 for one over `most`."""
    coding = _coding(request)
    parts: list[bytes] = []
    size = 0
    open_ = _opener(coding)
    over = False
    async for chunk in request.stream():
        if over:
            continue  # it is read to its end and not kept, so that a caller which sends before it listens hears the answer
        try:
            for part in open_(chunk) if chunk else ():
                size += len(part)
                if size > most:
                    over = True
                    parts.clear()
                    break
                parts.append(part)
        except _Broken:
            raise _broken(coding, "is broken") from None
    if over:
        raise Declined(too_large(most))
    try:
        for _ in open_(b""):
            pass
    except _Broken:
        raise _broken(coding, "ends in its middle") from None
    return b"".join(parts)


def _coding(request: Request) -> str:
    given = ",".join(request.headers.getlist("content-encoding")).strip().lower()
    coding = {"": "identity", "x-gzip": "gzip"}.get(given, given)
    if coding in ("identity", *CODINGS):
        return coding
    shown = "".join(c if c.isprintable() else " " for c in given[:60]).replace("`", "'")
    detail = f"the body is sent with Content-Encoding `{shown}`"
    raise Declined(
        problem("body.media_type", detail, "pack it with gzip or zstd, once, or send it as it is"),
        {"accept-encoding": "gzip, zstd, identity"},
    )


def _broken(coding: str, how: str) -> Declined:
    detail = f"the body is said to be packed with {coding}, and {how}"
    return Declined(problem("body.unreadable", detail, "pack the whole body once, and name its coding in Content-Encoding"))


def _opener(coding: str) -> Callable[[bytes], Iterator[bytes]]:
    """Takes what arrives, gives it unpacked piece by piece; of b"" at the end it raises _Broken where something is missing."""
    if coding == "identity":
        return lambda chunk: iter((chunk,))
    return _Gzip().take if coding == "gzip" else _Zstd().take


class _Gzip:
    """Members one after the other (RFC 1952, 2.2). What it holds back comes with the next bytes: a member's end is never the last of it."""

    def __init__(self) -> None:
        self._one: Any = None

    def take(self, chunk: bytes) -> Iterator[bytes]:
        if not chunk and self._one is not None:
            raise _Broken
        while chunk:
            if self._one is None:
                self._one = zlib.decompressobj(16 + zlib.MAX_WBITS)
            try:
                part = self._one.decompress(chunk, _PIECE)
            except zlib.error:
                raise _Broken from None
            yield part
            chunk = self._one.unconsumed_tail
            if self._one.eof:
                chunk, self._one = self._one.unused_data, None


class _Zstd:
    """Frames one after the other (RFC 8878, 3.1)."""

    def __init__(self) -> None:
        self._one: Any = None

    def take(self, chunk: bytes) -> Iterator[bytes]:
        if not chunk and self._one is not None:
            raise _Broken
        while chunk or (self._one is not None and not self._one.needs_input):
            if self._one is None:
                self._one = zstd.ZstdDecompressor(options={zstd.DecompressionParameter.window_log_max: _WINDOW})
            try:
                part = self._one.decompress(chunk, _PIECE)
            except zstd.ZstdError:
                raise _Broken from None
            yield part
            chunk = b""
            if self._one.eof:
                chunk, self._one = self._one.unused_data, None
