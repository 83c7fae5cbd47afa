"""The bytes of a file or of standard input: unpacked, in lines, each with its number, never all at once."""

import codecs
import gzip
import io
import sys
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import IO

from fieldworthy.cli.unanswerable import Unanswerable

MOST_OF_A_LINE = 1_000_000
"""Bytes."""
BLANKS = b" \t\r\n"

_HEAD = 65_536
_GZIP = b"\x1f\x8b"


class Opened:
    """A file to be read once. name: for people; size: its bytes as they lie there, None where that can't be known; head: its beginning."""

    def __init__(self, name: str, raw: IO[bytes], size: int | None) -> None:
        self.name = name
        self.size = size
        self._raw = _Counted(raw)
        first = _filled(self._raw, 2)
        packed = first == _GZIP
        source: io.RawIOBase = _Joined(first, self._raw)
        if packed:
            source = _Unpacked(gzip.GzipFile(fileobj=io.BufferedReader(source), mode="rb"))
        self.head = _filled(source, _HEAD).removeprefix(codecs.BOM_UTF8)
        self.bytes = io.BufferedReader(_Joined(self.head, source), _HEAD)

    @property
    def read(self) -> int:
        """So many bytes of it were read, packed as they are."""
        return self._raw.read_so_far


@contextmanager
def opened_file(name: str) -> Iterator[Opened]:
    """`-`: standard input. Raises OSError."""
    if name == "-":
        yield Opened("standard input", sys.stdin.buffer, None)
        return
    with open(name, "rb") as file:
        yield Opened(name, file, _size(file))


def _size(file: IO[bytes]) -> int | None:
    if not file.seekable():
        return None
    size = file.seek(0, io.SEEK_END)
    file.seek(0)
    return size


def lines_of(source: IO[bytes]) -> Iterator[str]:
    """The lines with their ends. Raises Unanswerable with the number of a line that is no UTF-8 or is too long."""
    number = 0
    while line := source.readline(MOST_OF_A_LINE + 1):
        number += 1
        if len(line) > MOST_OF_A_LINE:
            raise Unanswerable(f"line {number:,} is longer than {MOST_OF_A_LINE:,} bytes; break it into lines, one reading each")
        try:
            yield line.decode("utf-8")
        except UnicodeDecodeError:
            raise Unanswerable(f"line {number:,} is not UTF-8; save the file as UTF-8") from None


def _filled(source: io.RawIOBase, most: int) -> bytes:
    """So many bytes, or fewer at the end."""
    found = b""
    while len(found) < most and (more := source.read(most - len(found))):
        found += more
    return found


class _Counted(io.RawIOBase):
    """Counts what is read."""

    def __init__(self, source: IO[bytes]) -> None:
        # what is there already: to wait for more than that would take an interrupt along, and go on waiting
        self._read: Callable[[int], bytes] = getattr(source, "read1", source.read)
        self.read_so_far = 0

    def readable(self) -> bool:
        return True

    def readinto(self, room: "memoryview | bytearray") -> int:  # type: ignore[override]  # the base class takes any buffer
        found = self._read(len(room))
        room[: len(found)] = found
        self.read_so_far += len(found)
        return len(found)


class _Joined(io.RawIOBase):
    """What was read already, and then the rest."""

    def __init__(self, head: bytes, rest: io.RawIOBase) -> None:
        self._head = head
        self._rest = rest

    def readable(self) -> bool:
        return True

    def readinto(self, room: "memoryview | bytearray") -> int:  # type: ignore[override]
        if self._head:
            found, self._head = self._head[: len(room)], self._head[len(room) :]
            room[: len(found)] = found
            return len(found)
        return self._rest.readinto(room) or 0


class _Unpacked(io.RawIOBase):
    """What is packed, unpacked. What is broken off or broken is told."""

    def __init__(self, packed: gzip.GzipFile) -> None:
        self._packed = packed

    def readable(self) -> bool:
        return True

    def readinto(self, room: "memoryview | bytearray") -> int:  # type: ignore[override]
        try:
            found = self._packed.read(len(room))
        except (EOFError, gzip.BadGzipFile, zlib.error):
            raise Unanswerable("the packed file is cut off or broken; pack it anew (`gzip -t` checks it)") from None
        room[: len(found)] = found
        return len(found)
