"""Backup and restore of an SQLite database, each whole or not at all. PostgreSQL has its own tools, and they are named.

A backup is taken while the service writes: SQLite's own online copy is one state of the whole, and nobody waits for it. A restore needs
the database for itself; the new file is made and checked beside the old one, and takes its place in one step.
"""

import json
import os
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from fieldworthy.core.base.micros import micros_of
from fieldworthy.storage.engine import database_url
from fieldworthy.storage.tables import REVISION
from fieldworthy.storage.trouble import telling
from fieldworthy.usecases.audit import COMMAND
from fieldworthy.usecases.kept import HOME

_HEADER = b"SQLite format 3\0"
_BESIDE = ("-wal", "-shm", "-journal")
_WAIT = 20.0


class BackupRefused(RuntimeError):
    """It can't be done as it was asked; the message says why, `; ` and the way out."""


@dataclass(frozen=True, slots=True)
class Copied:
    """What was copied: its revision, and its size in bytes."""

    revision: str
    size: int


def back_up(address: str, file: Path) -> Copied:
    """
    Copies the database of this address to a new file, while others read and write, and checks the copy.

    Raises BackupRefused (no SQLite, no database of ours, the file is there already), StoreUnavailable (the disk is full, ...), OSError.
    """
    database = _file_of(address)
    if file.exists():
        raise BackupRefused(f"`{file}` is there already; name a new file")
    if not database.is_file():
        raise BackupRefused(f"there is no database at `{database}`; check FIELDWORTHY_DATABASE_URL")
    with telling():
        _revision_of(database, "rw")
        with _made(file) as fresh:
            _copy(database, fresh, "rw")
            return Copied(_checked(fresh), fresh.stat().st_size)


def restore(address: str, file: Path) -> Copied:
    """
    Puts a backup in place of the database of this address; nobody may have it open.

    One of an older release is taken too: `serve` and `migrate` bring it to this release's schema. Raises BackupRefused (no SQLite, no
    backup of ours or a damaged one, one of a newer release, the database is in use), StoreUnavailable, OSError; then all is as before.
    """
    database = _file_of(address)
    if not file.is_file():
        raise BackupRefused(f"there is no file `{file}`; check its name")
    if database.exists() and file.samefile(database):
        raise BackupRefused(f"`{file}` is the database itself; name a backup of it")
    with telling():
        revision = _revision_of(file)
        if revision > REVISION:
            raise BackupRefused(f"`{file}` is at revision {revision}, of a newer release than this; restore it with that release")
        database.parent.mkdir(parents=True, exist_ok=True)
        with _alone(database) as replaced, _made(database) as fresh:
            _copy(file, fresh)
            _checked(fresh)
            _note_restored(fresh, file.name, replaced)
            return Copied(_checked(fresh), fresh.stat().st_size)


def _last_lines(held: sqlite3.Connection) -> Mapping[int, int]:
    """By organisation the number of the last line of its audit trail; nothing where there is no trail."""
    if held.execute("select 1 from sqlite_master where type = 'table' and name = 'audit'").fetchone() is None:
        return {}
    return dict(held.execute("select organisation, max(n) from audit group by organisation"))


def _note_restored(fresh: Path, name: str, replaced: Mapping[int, int]) -> None:
    """
    Notes in every trail of a restored database that it was, and how far the trail went that it takes the place of. A backup of a release
    that had no trail gets no line.
    """
    with _open(fresh, "rw") as kept:
        if kept.execute("select 1 from sqlite_master where type = 'table' and name = 'audit'").fetchone() is None:
            return
        owners = {id for (id,) in kept.execute("select id from organisations")} or {HOME}
        now, after = micros_of(datetime.now(UTC)), json.dumps({"backup": name}, ensure_ascii=False)
        for organisation in sorted(owners):
            before = json.dumps({"last": replaced.get(organisation)})
            kept.execute(_RESTORED, (organisation, organisation, now, COMMAND, "restore", before, after))


_RESTORED = (
    'insert into audit (organisation, n, at, way, kind, "before", "after") '
    "values (?, (select coalesce(max(n), 0) + 1 from audit where organisation = ?), ?, ?, ?, ?, ?)"
)


def _file_of(address: str) -> Path:
    url = database_url(address)
    if url.get_backend_name() != "sqlite":
        raise BackupRefused(
            "this is for SQLite; back up PostgreSQL with `pg_dump --format=custom` and `pg_restore`, or with the continuous archiving of "
            "whoever runs it"
        )
    if url.database in (None, "", ":memory:"):
        raise BackupRefused("the database is in memory only; set FIELDWORTHY_DATABASE_URL to sqlite:///FILE")
    return Path(str(url.database))


def _open(file: Path, mode: str, wait: float = _WAIT) -> "closing[sqlite3.Connection]":
    """mode: `ro`, `rw` or `rwc`, as SQLite names them."""
    return closing(sqlite3.connect(f"{file.absolute().as_uri()}?mode={mode}", uri=True, timeout=wait, isolation_level=None))


def _revision_of(file: Path, mode: str = "ro") -> str:
    """
    The revision of a database of ours. Raises BackupRefused for any other file.

    mode: `rw` for the database itself: whoever only reads leaves the files of the log behind.
    """
    with file.open("rb") as opened:
        if opened.read(len(_HEADER)) != _HEADER:
            raise BackupRefused(f"`{file}` is no SQLite database; name a file that `fieldworthy backup` made")
    try:
        with _open(file, mode) as kept:
            tables = {name for (name,) in kept.execute("select name from sqlite_master where type = 'table'")}
            if {"alembic_version", "rulebook_versions"} <= tables:
                for (revision,) in kept.execute("select version_num from alembic_version"):
                    return str(revision)
    except sqlite3.DatabaseError as trouble:
        if _code(trouble) not in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
            raise
        raise BackupRefused(f"`{file}` is damaged ({trouble}); take another backup") from None
    raise BackupRefused(f"`{file}` is a database of something else; name a file that `fieldworthy backup` made")


def _code(trouble: sqlite3.DatabaseError) -> int:
    """SQLite's primary result code; 0 where the driver raised it by itself."""
    return int(getattr(trouble, "sqlite_errorcode", 0)) & 0xFF


def _copy(source: Path, target: Path, mode: str = "ro") -> None:
    """One state of the whole, even while others write to it; the copy is one file, without a log beside it."""
    try:
        with _open(source, mode) as old, _open(target, "rwc") as new:
            old.backup(new)
            new.execute("pragma journal_mode = delete")
    except sqlite3.DatabaseError as trouble:
        if _code(trouble) != sqlite3.SQLITE_CORRUPT:
            raise
        raise BackupRefused(f"`{source}` is damaged ({trouble}); take another backup") from None


def _checked(file: Path) -> str:
    """The revision of a copy that is sound in itself. Raises BackupRefused."""
    with _open(file, "ro") as kept:
        try:
            found = [line for (line,) in kept.execute("pragma integrity_check(5)")]
            broken = found != ["ok"] or kept.execute("pragma foreign_key_check").fetchone() is not None
        except sqlite3.DatabaseError as trouble:
            found, broken = [str(trouble)], True
    if broken:
        raise BackupRefused(f"what was copied is damaged ({found[0]}); take another backup, or restore one")
    return _revision_of(file)


@contextmanager
def _made(file: Path) -> Iterator[Path]:
    """A path beside `file` to write to; it takes the place of `file` in one step when the block ends, and is removed when it raises."""
    fresh = file.with_name(f".{file.name}.{os.getpid()}.new")
    try:
        yield fresh
        with fresh.open("rb+") as written:
            os.fsync(written.fileno())
        fresh.replace(file)
        _sync_folder(file.parent)
    finally:
        for end in ("", *_BESIDE):
            with suppress(FileNotFoundError):
                fresh.with_name(fresh.name + end).unlink()


def _sync_folder(folder: Path) -> None:
    if os.name == "nt":  # a folder can't be synced there
        return
    opened = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(opened)
    finally:
        os.close(opened)


@contextmanager
def _alone(database: Path) -> Iterator[Mapping[int, int]]:
    """
    The database for ourselves, its log written back and gone: one that stayed would be read into the new file. Gives how far its audit
    trails go.
    """
    if not database.exists():
        for end in _BESIDE:
            database.with_name(database.name + end).unlink(missing_ok=True)
        yield {}
        return
    with _open(database, "rw", wait=0.5) as held:
        try:
            # who leaves the write-ahead log must be the only one that has the database open: https://www.sqlite.org/wal.html
            (mode,) = held.execute("pragma journal_mode = delete").fetchone()
            held.execute("begin exclusive")
            last = _last_lines(held)
        except sqlite3.DatabaseError as trouble:
            if _code(trouble) in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
                raise BackupRefused(f"`{database}` is in use; stop every `fieldworthy serve` on it first") from None
            if _code(trouble) in (sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_CORRUPT):
                raise BackupRefused(f"`{database}` is damaged; see that nobody uses it, move it away, and restore again") from None
            raise
        if mode != "delete":
            raise BackupRefused(f"`{database}` is in use; stop every `fieldworthy serve` on it first")
        if os.name == "nt":  # there an open file can't be replaced
            held.close()
        yield last
