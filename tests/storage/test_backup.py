"""Backup while others write, restore whole or not at all. SQLite's online copy: https://www.sqlite.org/backup.html"""

import asyncio
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from fieldworthy.storage.backup import BackupRefused, back_up, restore
from fieldworthy.storage.engine import SqlStore, open_engine
from fieldworthy.storage.migrating import migrate
from fieldworthy.storage.readiness import hindrance
from fieldworthy.storage.tables import REVISION
from fieldworthy.usecases.keep_keys import list_keys, revoke_key
from fieldworthy.usecases.kept import HOME
from fieldworthy.usecases.ports import StoreUnavailable


def address_of(file: Path) -> str:
    return f"sqlite:///{file}"


def filled(file: Path, *ids: str) -> Path:
    """A database with these machines."""
    migrate(address_of(file))
    with sqlite3.connect(file) as kept:
        kept.executemany("insert into machines values (1, ?, ?, 1, 0, 'baler', null, null)", list(enumerate(ids, 1)))
    kept.close()
    return file


def ids_in(file: Path) -> list[str]:
    kept = sqlite3.connect(f"{file.as_uri()}?mode=ro", uri=True)
    try:
        return [id for (id,) in kept.execute("select id from machines order by id")]
    finally:
        kept.close()


def names_in(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()}


def test_there_and_back(tmp_path: Path) -> None:
    database, copy = filled(tmp_path / "store.db", "a", "b"), tmp_path / "copy.db"
    told = back_up(address_of(database), copy)
    assert (told.revision, told.size) == (REVISION, copy.stat().st_size)
    kept = sqlite3.connect(database)
    kept.execute("insert into machines values (1, 3, 'later', 1, 0, 'baler', null, null)")
    kept.commit()
    kept.close()
    assert restore(address_of(database), copy).revision == REVISION
    assert names_in(tmp_path) == {"store.db", "copy.db"}
    assert ids_in(database) == ids_in(copy) == ["a", "b"]
    assert restore(address_of(tmp_path / "new folder" / "other.db"), copy).size == told.size
    assert ids_in(tmp_path / "new folder" / "other.db") == ["a", "b"]


_WRITER = """
import sqlite3, sys
kept = sqlite3.connect(sys.argv[1], isolation_level=None, timeout=20)
kept.execute("pragma journal_mode=wal")
for n in range(1, 100_000):
    kept.execute("begin immediate")
    kept.execute("insert into machines values (1, ?, ?, 1, 0, 'baler', null, null)", (2 * n, f"m{2 * n:06}"))
    kept.execute("insert into machines values (1, ?, ?, 1, 0, 'baler', null, null)", (2 * n + 1, f"m{2 * n + 1:06}"))
    kept.execute("commit")
    print(n, flush=True)
"""


def test_while_another_process_writes(tmp_path: Path) -> None:
    """Each copy is one state: all that was acknowledged before it began, no half of a transaction, no gap."""
    database = filled(tmp_path / "store.db")
    writer = subprocess.Popen([sys.executable, "-c", _WRITER, str(database)], stdout=subprocess.PIPE, text=True)
    try:
        assert writer.stdout is not None
        before = 0
        for n in range(4):
            acknowledged = int(writer.stdout.readline())
            copy = tmp_path / f"copy{n}.db"
            back_up(address_of(database), copy)
            keys = [int(id[1:]) for id in ids_in(copy)]
            assert keys == list(range(2, len(keys) + 2))
            assert len(keys) % 2 == 0
            assert len(keys) >= 2 * acknowledged > before
            before = 2 * acknowledged
    finally:
        writer.kill()
        writer.wait()
        writer.stdout.close()  # type: ignore[union-attr]


def spoil(file: Path) -> None:
    """Damage in the middle: the header is whole."""
    data = bytearray(file.read_bytes())
    for place in range(8192, len(data), 4096):
        data[place : place + 512] = b"\xff" * 512
    file.write_bytes(data)


def letter(file: Path) -> None:
    file.write_text("a letter to the dealer " * 50)


def of_something_else(file: Path) -> None:
    kept = sqlite3.connect(file)
    kept.execute("create table recipes (soup text)")
    kept.close()


def of_a_newer_release(file: Path) -> None:
    filled(file)
    kept = sqlite3.connect(file)
    kept.execute("update alembic_version set version_num = '9999'")
    kept.commit()
    kept.close()


def damaged(file: Path) -> None:
    filled(file, *(f"machine {n} with a long name" for n in range(500)))
    spoil(file)


def cut_off(file: Path) -> None:
    filled(file, *(f"machine {n} with a long name" for n in range(500)))
    file.write_bytes(file.read_bytes()[:-9000])


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (letter, "no SQLite database"),
        (of_something_else, "database of something else"),
        (of_a_newer_release, "revision 9999"),
        (damaged, "damaged"),
        (cut_off, "damaged"),
        (Path.touch, "no SQLite database"),
        (lambda file: None, "no file"),
    ],
)
def test_what_is_no_sound_backup_is_refused_and_nothing_changes(tmp_path: Path, make: Callable[[Path], object], said: str) -> None:
    (tmp_path / "in").mkdir()
    database, copy = filled(tmp_path / "in" / "store.db", "a"), tmp_path / "copy.db"
    make(copy)
    with pytest.raises(BackupRefused, match=said):
        restore(address_of(database), copy)
    assert names_in(tmp_path / "in") == {"store.db"}
    assert ids_in(database) == ["a"]


async def test_a_database_in_use_is_not_replaced(tmp_path: Path) -> None:
    database, copy = tmp_path / "store.db", tmp_path / "copy.db"
    await asyncio.to_thread(filled, database, "a")
    await asyncio.to_thread(back_up, address_of(database), copy)
    store = SqlStore(open_engine(address_of(database)))
    assert await hindrance(store) is None  # it keeps its connection, as `serve` does
    with pytest.raises(BackupRefused, match="in use; stop every `fieldworthy serve`"):
        await asyncio.to_thread(restore, address_of(database), copy)
    async with store.keep(HOME) as kept:
        await kept.machines.add("b", 5, "baler", None)
    await store.close()
    assert ids_in(database) == ["a", "b"]
    await asyncio.to_thread(restore, address_of(database), copy)
    assert ids_in(database) == ["a"]


def test_a_damaged_database_can_be_moved_away_and_restored(tmp_path: Path) -> None:
    database, copy = filled(tmp_path / "store.db", "a"), tmp_path / "copy.db"
    back_up(address_of(database), copy)
    letter(database)
    with pytest.raises(BackupRefused, match="move it away"):
        restore(address_of(database), copy)
    database.rename(tmp_path / "damaged.db")
    (tmp_path / "store.db-wal").write_bytes(b"of the old one")  # it must not be read into the new one
    restore(address_of(database), copy)
    assert ids_in(database) == ["a"]


def test_what_a_backup_refuses(tmp_path: Path) -> None:
    database = filled(tmp_path / "store.db", "a")
    (tmp_path / "there.db").write_text("mine")
    for address, file, said in (
        ("postgresql://h/n", "copy.db", "pg_dump"),
        ("sqlite://", "copy.db", "in memory"),
        (address_of(tmp_path / "none.db"), "copy.db", "no database"),
        (address_of(database), "there.db", "already"),
    ):
        with pytest.raises(BackupRefused, match=said):
            back_up(address, tmp_path / file)
    assert (tmp_path / "there.db").read_text() == "mine"
    damaged(tmp_path / "damaged.db")
    with pytest.raises((BackupRefused, StoreUnavailable), match="damaged"):
        back_up(address_of(tmp_path / "damaged.db"), tmp_path / "copy.db")
    assert names_in(tmp_path) == {"store.db", "there.db", "damaged.db"}
    with pytest.raises(BackupRefused, match="the database itself"):
        restore(address_of(database), database)


def test_an_older_backup_is_restored_and_then_migrated(tmp_path: Path) -> None:
    from alembic import command

    from fieldworthy.storage.migrating import migration_config

    database, copy = filled(tmp_path / "store.db", "a"), tmp_path / "old.db"
    command.upgrade(migration_config(address_of(copy)), "0001")
    assert restore(address_of(database), copy).revision == "0001"
    migrate(address_of(database))
    assert ids_in(database) == []


@pytest.mark.slow
def test_from_the_command_line(tmp_path: Path) -> None:
    database, copy = filled(tmp_path / "store.db", "a"), tmp_path / "copy.db"

    def ask(*words: str) -> "subprocess.CompletedProcess[str]":
        program = [sys.executable, "-c", "from fieldworthy.cli import main; main()", *words]
        told = {"FIELDWORTHY_DATABASE_URL": address_of(database), "PATH": ""}
        return subprocess.run(program, env=told, capture_output=True, text=True, timeout=60, check=False)

    async def keys(end: bool = False) -> list[bool]:
        """Whether each works."""
        store = SqlStore(open_engine(address_of(database)))
        held = await list_keys(store)
        for each in held if end else ():
            await revoke_key(store, each.key.id)
        await store.close()
        return [each.works for each in held]

    assert ask("key", "create", "of the bridge", "--organisation", "Nine Oxen", "--scope", "read").returncode == 0
    assert f"bytes at revision {REVISION}, checked" in ask("backup", str(copy)).stdout
    asyncio.run(keys(end=True))
    assert asyncio.run(keys()) == [False]
    refused = ask("backup", str(copy))
    assert (refused.returncode, refused.stderr) == (2, f"fieldworthy: `{copy}` is there already; name a new file\n")
    restored = ask("restore", str(copy))
    assert restored.stdout.startswith(f"restored {copy}")
    assert asyncio.run(keys()) == [True]
    assert "revoked since that backup work again" in restored.stderr
