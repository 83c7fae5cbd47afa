"""What whoever looks on sees of a long post, on standard error: a bar on a terminal, else a line for each part."""

import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Protocol

import typer

from fieldworthy.cli.text_lines import Opened

if TYPE_CHECKING:
    from rich.progress import Progress, TaskID

    from fieldworthy.client import FieldworthyError, Posted

_QUIET = 5.0
"""s between two lines that say that the service is away."""


class LooksOn(Protocol):
    """Is told how a post goes on."""

    def posted(self, posted: "Posted") -> None: ...

    def waiting(self, error: "FieldworthyError", seconds: float) -> None: ...


@contextmanager
def looking_on(file: Opened) -> "Iterator[LooksOn]":
    """As standard error takes it."""
    if not sys.stderr.isatty():
        yield _Lines(file)
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeElapsedColumn

    columns = (BarColumn(20), TaskProgressColumn(), TimeElapsedColumn(), TextColumn("{task.description}", markup=False))
    with Progress(*columns, console=Console(stderr=True, highlight=False, markup=False), transient=True) as bar:
        yield _Bar(file, bar, bar.add_task("reading", total=file.size))


def many(readings: int) -> str:
    return "1 reading" if readings == 1 else f"{readings:,} readings"


def counted(posted: "Posted") -> str:
    return f"{posted.kept:,} kept, {posted.same:,} the same, {posted.set_aside:,} set aside"


class _Lines:
    def __init__(self, file: Opened) -> None:
        self._file = file
        self._told = float("-inf")

    def posted(self, posted: "Posted") -> None:
        share = f"{100 * self._file.read // self._file.size:3} %  " if self._file.size else ""
        typer.echo(f"{share}{many(posted.sent)}: {counted(posted)}", err=True)

    def waiting(self, error: "FieldworthyError", seconds: float) -> None:
        if time.monotonic() - self._told >= _QUIET:
            self._told = time.monotonic()
            typer.echo(f"trying again: {error.detail}", err=True)


class _Bar:
    def __init__(self, file: Opened, bar: "Progress", task: "TaskID") -> None:
        self._file = file
        self._bar = bar
        self._task = task

    def posted(self, posted: "Posted") -> None:
        self._bar.update(self._task, completed=self._file.read, description=counted(posted))

    def waiting(self, error: "FieldworthyError", seconds: float) -> None:
        why = "no answer" if error.status is None else f"not now (status {error.status})"
        self._bar.update(self._task, description=f"{why}; trying again")
