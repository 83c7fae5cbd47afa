"""The long form of the fault tests: python tests/faults/run.py [--times 50] [--seed 1] [--only sqlite|postgresql]

Kills the service so many times at random moments under load, on SQLite and on a PostgreSQL of its own; stops and starts that PostgreSQL;
fills a small disk where it may mount one. Says what was acknowledged, lost (0) and there twice (0); exit code 1 where that is not so.
"""

import argparse
import asyncio
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import httpx

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.faults.harness import Account, Served, Tally, killed, machines_of, settle_in, tally, under_load, until
from tests.faults.own_postgres import OwnPostgres, own_postgres


def say(what: str, runs: int, account: Account, told: Tally, begun: float) -> bool:
    """Prints one line; whether all is well."""
    refused = sum(status == 503 for status, _ in account.refused)
    print(  # noqa: T201
        f"{what}: {runs} runs, {told.acknowledged} acknowledged of {account.tries} tries, {told.lost} lost, {told.double} double, "
        f"{refused} times told to come again, slowest answer {account.slowest:.1f} s, {time.monotonic() - begun:.0f} s",
        flush=True,
    )
    for wrong in account.wrong[:5]:
        print(f"  wrong: {wrong}")  # noqa: T201
    return not account.wrong and not told.lost and not told.double


async def kill_often(what: str, address: str, room: Path, times: int, seed: int) -> bool:
    begun = time.monotonic()
    account, told = await killed(address, room, times, seed)
    return say(f"{what}, killed", times, account, told, begun)


async def stop_often(server: OwnPostgres, room: Path, times: int, seed: int) -> bool:
    """The database is stopped and started; the service is not."""
    begun = time.monotonic()
    served = Served(server.address, room, "stopped")
    await served.start()
    try:
        await settle_in(served.url, machines_of(4))
        async with under_load([served.url], 4, seed) as account:
            for n in range(times):
                await until(account, account.acknowledged + 10)
                await asyncio.to_thread(server.stop, "immediate" if n % 2 else "fast")
                await asyncio.sleep(0.3)
                await asyncio.to_thread(server.start)
            await until(account, account.acknowledged + 10)
        return say("PostgreSQL, stopped and started", times, account, await tally(served.url, account, machines_of(4)), begun)
    finally:
        served.stop()


@contextmanager
def small_disk(room: Path, megabytes: int) -> Iterator[Path | None]:
    """A disk of so many megabytes; None where it may not be mounted."""
    place = room / f"small-{megabytes}"
    place.mkdir()
    mounted = subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={megabytes}m", "tmpfs", str(place)], capture_output=True, check=False)
    if mounted.returncode:
        yield None
        return
    try:
        yield place
    finally:
        subprocess.run(["umount", "-l", str(place)], check=True)


async def fill_sqlite(room: Path, seed: int) -> bool:
    with small_disk(room, 16) as place:
        if place is None:
            return _no_disk("SQLite")
        return await fill("SQLite", f"sqlite:///{place / 'store.db'}", place, room, seed)


async def fill_postgresql(room: Path, seed: int) -> bool:
    """PostgreSQL ends by itself where it can't write what it must: once there is room a person starts it again."""
    with small_disk(room, 400) as place:
        if place is None:
            return _no_disk("PostgreSQL")
        place.chmod(0o755)
        with own_postgres(place) as server:
            return await fill("PostgreSQL", server.address, place, room, seed, server.ensure)


def _no_disk(what: str) -> bool:
    print(f"{what}, disk full: no disk may be mounted here; see tests/keep/test_faults.py for the same by a limit of SQLite's")  # noqa: T201
    return True


async def fill(what: str, address: str, place: Path, room: Path, seed: int, mend: Callable[[], object] = lambda: None) -> bool:
    """Until the disk is full, then with room again."""
    begun = time.monotonic()
    served = Served(address, room, f"full-{what}")
    await served.start()
    try:
        await settle_in(served.url, machines_of(3))
        filler = place / "filler"
        async with under_load([served.url], 3, seed) as account:
            await until(account, 10)
            size = 1 << 20
            with filler.open("wb", buffering=0) as file:
                async with asyncio.timeout(120):
                    while not account.refused:
                        with suppress(OSError):  # what the database frees meanwhile is filled as well
                            while file.write(b"x" * size):
                                pass
                        size = max(512, size // 2)
                        await asyncio.sleep(0.05)
            async with httpx.AsyncClient(base_url=served.url, timeout=30) as http:
                listed, ready = await http.get("/v1/machines"), await http.get("/readyz")
                print(f"{what}, disk full: reads answer {listed.status_code}, readiness {ready.status_code}")  # noqa: T201
            filler.unlink()
            await asyncio.to_thread(mend)
            await until(account, account.acknowledged + 20)
        return say(f"{what}, disk full and room again", 1, account, await tally(served.url, account, machines_of(3)), begun)
    finally:
        served.stop()


async def main(times: int, seed: int, only: str | None) -> bool:
    well = True
    with tempfile.TemporaryDirectory(prefix="fieldworthy-faults-") as folder:
        room = Path(folder)
        if only != "postgresql":
            well &= await kill_often("SQLite", f"sqlite:///{room / 'store.db'}", room, times, seed)
            well &= await fill_sqlite(room, seed)
        if only != "sqlite":
            with own_postgres() as server:
                well &= await kill_often("PostgreSQL", server.address, room, times, seed)
            with own_postgres() as server:
                well &= await stop_often(server, room, max(2, times // 10), seed)
            well &= await fill_postgresql(room, seed)
    return well


if __name__ == "__main__":
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--times", type=int, default=50)
    words.add_argument("--seed", type=int, default=1)
    words.add_argument("--only", choices=["sqlite", "postgresql"])
    given = words.parse_args()
    sys.exit(0 if asyncio.run(main(given.times, given.seed, given.only)) else 1)
