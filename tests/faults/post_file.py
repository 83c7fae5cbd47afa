"""`fieldworthy readings post` of a large file while the service is killed and started again.

    python tests/faults/post_file.py [--rows 1000000] [--kills 2]

On an SQLite database of its own, which is counted at the end, row by row. Shows what the command shows, and exits with 1 where a reading is
lost or there twice, or the command's own account is another.
"""

import argparse
import asyncio
import csv
import os
import random
import re
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.faults.bulk import Load
from tests.faults.harness import Served, settle_in

COMMAND = [sys.executable, "-c", "from fieldworthy.cli import main; main()", "readings", "post"]

_COUNTED = re.compile(r"([0-9,]+) kept, ([0-9,]+) the same, ([0-9,]+) set aside")
_SENT = re.compile(r"([0-9,]+) readings:")
_ROWS = """
select machines.id, meters.name, readings.at, readings.value from readings
join meters on meters.key = readings.meter join machines on machines.key = meters.machine
"""


@dataclass
class Outcome:
    """
    told: what the command said was kept, the same, set aside; code: its exit code; peak: of its memory, in MB; cut: parts that were on
    their way when the service was killed; aside, lost, double: as the database has it.
    """

    told: tuple[int, ...]
    code: int
    peak: float
    kills: int
    cut: int
    aside: int = 0
    lost: int = 0
    double: int = 0

    def fits(self, load: Load) -> bool:
        """Whether all is as was known beforehand."""
        counts = self.told == (load.new, load.same, load.unusable) and self.aside == load.unusable
        return counts and self.code == (1 if load.unusable else 0) and not self.lost and not self.double


def write_file(file: Path, load: Load) -> None:
    """All readings of the load, out of order and some of them twice."""
    with file.open("w", encoding="utf-8", newline="") as out:
        table = csv.DictWriter(out, ("machine", "meter", "at", "value"))
        table.writeheader()
        table.writerows(load.source())


def broken(room: Path, load: Load, kills: int, say: Callable[[str], None] = lambda line: None) -> Outcome:
    """Posts the file while the service is killed so many times."""
    file, base = room / "readings.csv", room / "store.db"
    write_file(file, load)
    say(f"a file of {file.stat().st_size:,} bytes, {load.readings:,} readings of {len(load.machines):,} machines")
    served = Served(f"sqlite:///{base}", room)
    asyncio.run(served.start())
    try:
        asyncio.run(settle_in(served.url, load.machines))
        found = _posted(served, file, load, kills, say)
    finally:
        served.stop()
    _count(base, load, found)
    return found


def _posted(served: Served, file: Path, load: Load, kills: int, say: Callable[[str], None]) -> Outcome:
    """Kills the service until so many parts were cut off on their way."""
    step = load.readings // (2 * kills + 2)
    after, killed, cut = step, 0, 0
    out = file.with_suffix(".out")
    last = gap = 0.0
    with out.open("wb") as told:
        process = subprocess.Popen([*COMMAND, str(file), "--url", served.url], stdout=told, stderr=subprocess.PIPE, text=True)
        assert process.stderr is not None
        for line in process.stderr:
            say(line.rstrip())
            cut += "trying again" in line and "refused" not in line
            sent = _SENT.search(line)
            if sent is None:
                continue
            gap, last = time.monotonic() - last, time.monotonic()
            if _number(sent[1]) >= after and cut < kills:
                after = _number(sent[1]) + step
                time.sleep(gap * random.uniform(0.4, 0.9))  # so the next part is on its way: it takes about as long as this one
                served.kill()
                killed += 1
                say("the service is killed")
                time.sleep(1)
                asyncio.run(served.start())
                say("the service runs again")
                last = time.monotonic()
        _, status, usage = os.wait4(process.pid, 0)  # and not `wait`: that tells nothing of memory
        process.returncode = os.waitstatus_to_exitcode(status)
    said = out.read_text("utf-8")
    say(said)
    counts = _COUNTED.search(said)
    numbers = tuple(_number(n) for n in counts.groups()) if counts else ()
    return Outcome(numbers, process.returncode, usage.ru_maxrss / 1024, killed, cut)


def _number(text: str) -> int:
    return int(text.replace(",", ""))


def _count(base: Path, load: Load, found: Outcome) -> None:
    """Holds what the database has to what was in the file."""
    wanted: Counter[tuple[str, str, int, int]] = Counter()
    for n in range(load.new):
        reading = load.reading(n)
        at = datetime.fromisoformat(reading["at"])
        wanted[reading["machine"], reading["meter"], round(at.timestamp() * 1_000_000), round(reading["value"] * 1_000_000)] += 1
    store = sqlite3.connect(base)
    try:
        there = Counter(store.execute(_ROWS))
        (found.aside,) = store.execute("select count(*) from set_aside").fetchone()
    finally:
        store.close()
    found.lost = (wanted - there).total()
    found.double = (there - wanted).total()


def main() -> int:
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--rows", type=int, default=1_000_000)
    asked.add_argument("--kills", type=int, default=2, help="while a part is on its way")
    given = asked.parse_args()
    load = Load(given.rows, given.rows // 100, given.rows // 1000, 0)
    begun = time.monotonic()

    def say(text: str) -> None:
        for line in text.splitlines():
            print(f"{time.monotonic() - begun:6.1f} s  {line}", flush=True)  # noqa: T201

    with tempfile.TemporaryDirectory() as room:
        found = broken(Path(room), load, given.kills, say)
    say(f"in the database: {found.lost} lost, {found.double} double, {found.aside:,} set aside")
    say(f"killed {found.kills} times, {found.cut} of them while a part was on its way")
    say(f"the command ended with {found.code}, and took {found.peak:.0f} MB at most")
    return 0 if found.fits(load) and found.cut >= given.kills else 1


if __name__ == "__main__":
    raise SystemExit(main())
