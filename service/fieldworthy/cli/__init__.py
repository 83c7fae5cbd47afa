"""The command line. Only Typer is imported at the start: each command imports what it needs, so that `--help` is quick."""

from fieldworthy.cli.commands import main

__all__ = ["main"]
