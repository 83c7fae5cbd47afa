"""The commands that look after the store: backup, restore, retention."""

from pathlib import Path
from typing import Annotated

import typer

from fieldworthy.cli.unanswerable import Unanswerable

_SQLITE_ONLY = "For SQLite. PostgreSQL has pg_dump, pg_restore and continuous archiving."


def add_to(app: typer.Typer) -> None:
    """Gives the program these commands."""
    app.command(epilog=f"{_SQLITE_ONLY}\n\nExample:  fieldworthy backup fieldworthy-2026-07-14.db")(backup)
    app.command(epilog=f"{_SQLITE_ONLY}\n\nExample:  fieldworthy restore fieldworthy-2026-07-14.db")(restore)
    app.command(epilog="Example:  fieldworthy retain --older-than 24")(retain)


def backup(file: Annotated[Path, typer.Argument(metavar="FILE", help="a new file")]) -> None:
    """Copy the database to a new file, while the service runs, and check the copy."""
    from fieldworthy.settings import read_settings
    from fieldworthy.storage.backup import BackupRefused, back_up

    try:
        copied = back_up(read_settings().database_url, file)
    except BackupRefused as refused:
        raise Unanswerable(str(refused)) from None
    typer.echo(f"{file}: {copied.size:,} bytes at revision {copied.revision}, checked")


def restore(file: Annotated[Path, typer.Argument(metavar="FILE", help="a file that `backup` made")]) -> None:
    """Put a backup in place of the database, which nobody may be using."""
    from fieldworthy.settings import read_settings
    from fieldworthy.storage.backup import BackupRefused
    from fieldworthy.storage.backup import restore as put_back

    try:
        copied = put_back(read_settings().database_url, file)
    except BackupRefused as refused:
        raise Unanswerable(str(refused)) from None
    typer.echo(f"restored {file}: {copied.size:,} bytes at revision {copied.revision}, checked")
    typer.echo("keys that were revoked since that backup work again; `fieldworthy key list` shows them, revoke them once more", err=True)


def retain(
    older_than: Annotated[int, typer.Option("--older-than", min=1, max=1200, metavar="MONTHS", help="thin out readings older than that")],
) -> None:
    """Drop old readings that no due date hangs on, and answers to repeated requests that are older than a week."""
    import asyncio

    from fieldworthy.settings import read_settings
    from fieldworthy.storage.engine import SqlStore, open_engine, prepare
    from fieldworthy.usecases.retention import Retained, retain_all

    settings = read_settings()

    async def work() -> Retained:
        store = SqlStore(open_engine(settings.database_url, settings.database), wait=settings.database.lock)
        try:
            await prepare(store, settings.database_url)
            return await retain_all(store, older_than)
        finally:
            await store.close()

    done = asyncio.run(work())
    typer.echo(
        f"{done.machines:,} machines: {done.kept:,} old readings stay, {done.dropped:,} are gone; {done.answers:,} answers forgotten"
    )
