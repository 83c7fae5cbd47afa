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
from collections.abc import Iterator
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
def small_disk(room: Path) -> Iterator[Path | None]:
    """A disk of 16 megabytes; None where it may not be mounted."""
    place = room / "small"
    place.mkdir()
    mounted = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=16m", "tmpfs", str(place)], capture_output=True, check=False)
    if mounted.returncode:
        yield None
        return
    try:
        yield place
    finally:
        subprocess.run(["umount", "-l", str(place)], check=True)


async def fill(room: Path, seed: int) -> bool:
    """Until the disk is full, then with room again."""
    begun = time.monotonic()
    with small_disk(room) as place:
        if place is None:
            print("SQLite, disk full: no disk may be mounted here; see tests/keep/test_faults.py for the same by a limit of SQLite's")  # noqa: T201
            return True
        served = Served(f"sqlite:///{place / 'store.db'}", room, "full")
        await served.start()
        try:
            await settle_in(served.url, machines_of(3))
            filler = place / "filler"
            async with under_load([served.url], 3, seed) as account:
                await until(account, 10)
                with filler.open("wb", buffering=0) as file, suppress(OSError):
                    while file.write(b"x" * 512):
                        pass
                async with asyncio.timeout(60):
                    while not account.refused:  # noqa: ASYNC110  # callers tell no other way
                        await asyncio.sleep(0.05)
                async with httpx.AsyncClient(base_url=served.url, timeout=30) as http:
                    listed = await http.get("/v1/machines")
                    print(f"SQLite, disk full: reads answer {listed.status_code}")  # noqa: T201
                filler.unlink()
                await until(account, account.acknowledged + 20)
            return say("SQLite, disk full and room again", 1, account, await tally(served.url, account, machines_of(3)), begun)
        finally:
            served.stop()


async def main(times: int, seed: int, only: str | None) -> bool:
    well = True
    with tempfile.TemporaryDirectory(prefix="fieldworthy-faults-") as folder:
        room = Path(folder)
        if only != "postgresql":
            well &= await kill_often("SQLite", f"sqlite:///{room / 'store.db'}", room, times, seed)
            well &= await fill(room, seed)
        if only != "sqlite":
            with own_postgres() as server:
                well &= await kill_often("PostgreSQL", server.address, room, times, seed)
            with own_postgres() as server:
                well &= await stop_often(server, room, max(2, times // 10), seed)
    return well


if __name__ == "__main__":
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--times", type=int, default=50)
    words.add_argument("--seed", type=int, default=1)
    words.add_argument("--only", choices=["sqlite", "postgresql"])
    given = words.parse_args()
    sys.exit(0 if asyncio.run(main(given.times, given.seed, given.only)) else 1)
