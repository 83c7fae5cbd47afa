"""Thousands of requests made from the contract, right ones, wrong ones and chains of them, sent to a running service:

    python -m tests.faults.fuzz_rest [--database sqlite|postgresql] [--examples 5] [--seed 1]

Schemathesis makes them in four phases (the examples, each limit of each schema, chance, chains of operations), with each of its checks
on: no answer is a fault of the service; each is one that the contract describes, with its media type, headers and shape; what the contract
forbids is refused; what it allows is taken, or refused for what no schema can say; nothing is answered without a key, or is there after
it was deleted. The service asks for keys, over a database of its own that holds the examples' rulebook and machine. Prints a table of
what was tried on each database, and what failed; exit code 1 where anything did. About ten minutes a database on two cores.
"""

import argparse
import asyncio
import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from fieldworthy.storage.engine import SqlStore, open_engine, prepare
from fieldworthy.usecases.keep_keys import create_key
from fieldworthy.usecases.keys import KeyScope
from tests.contract.write import CONTRACT, NAME, RULEBOOK, TOP
from tests.faults.harness import Served
from tests.faults.own_postgres import own_postgres

MACHINE = {"rulebook": NAME, "model": "R5", "serial": "R5-0417"}
FREELY = {"FIELDWORTHY_MAX_REQUESTS": "0", "FIELDWORTHY_MAX_WRONG_KEYS": "0", "FIELDWORTHY_MAX_STATES": "5000"}
"""No quota, for all requests come with one key; small procedures, for they are made by chance."""

CONFIG = """
[checks.positive_data_acceptance] # a schema knows nothing of what is kept, nor of what a rulebook declares
expected-statuses = ["2xx", "304", "403", "404", "406", "409", "412", "422"]

[checks.negative_data_rejection]
expected-statuses = ["400", "401", "403", "404", "405", "406", "409", "412", "413", "414", "415", "422", "431"]
"""


@dataclass(frozen=True, slots=True)
class Tried:
    """What came of one run. phases: name -> how it ended; failures, errors: in words."""

    operations: int
    cases: int
    phases: Mapping[str, str]
    failures: Sequence[str]
    errors: Sequence[str]
    seconds: float

    @property
    def good(self) -> bool:
        return not self.failures and not self.errors and set(self.phases.values()) <= {"success", "skip"}


async def _keyed(address: str) -> str:
    store = SqlStore(open_engine(address))
    await prepare(store, address)
    made = await create_key(store, "Nine Oxen", "made from the contract", tuple(KeyScope))
    await store.close()
    return made.text


async def _settle(url: str, key: str) -> None:
    async with httpx.AsyncClient(base_url=url, headers={"authorization": f"Bearer {key}"}, timeout=60, trust_env=False) as http:
        yaml = {"content-type": "application/yaml"}
        for answer in (
            await http.put(f"/v1/rulebooks/{NAME}/draft", content=RULEBOOK.encode(), headers=yaml),
            await http.post(f"/v1/rulebooks/{NAME}/publish"),
            await http.put("/v1/machines/r5-17", json=MACHINE),
        ):
            answer.raise_for_status()


def fuzz(address: str, room: Path, examples: int, seed: int, more: Sequence[str] = ()) -> Tried:
    """
    One run against a service over that database.

    examples: cases that chance makes of an operation at most, beside those of the other phases; more: of Schemathesis's own options.
    """
    key = asyncio.run(_keyed(address))
    served = Served(address, room, "fuzz", ("serve",), FREELY)
    asyncio.run(served.start())
    try:
        asyncio.run(_settle(served.url, key))
        return _run(served.url, key, room, examples, seed, more)
    finally:
        served.stop()


def _run(url: str, key: str, room: Path, examples: int, seed: int, more: Sequence[str]) -> Tried:
    (room / "schemathesis.toml").write_text(CONFIG, "utf-8")
    report = room / "report.json"
    command = [sys.executable, "-m", "schemathesis.cli", "--config-file", str(room / "schemathesis.toml"), "run", str(CONTRACT)]
    command += ["--url", url, "-H", f"Authorization: Bearer {key}", "--checks", "all", "-n", str(examples), "--seed", str(seed)]
    command += ["--report", "json", "--report-json-path", str(report), "--request-timeout", "30", "--no-color", "--warnings", "off"]
    env = os.environ | {"SCHEMATHESIS_HOOKS": "tests.faults.fuzz_hooks", "PYTHONPATH": str(TOP)}
    ended = subprocess.run([*command, *more], cwd=room, env=env, capture_output=True, text=True)
    if not report.exists():
        raise RuntimeError(f"nothing was tried: {ended.stdout[-3000:]}{ended.stderr[-3000:]}")
    (room / "told.txt").write_text(ended.stdout, "utf-8")
    return read_report(json.loads(report.read_text("utf-8")))


def read_report(told: Mapping[str, Any]) -> Tried:
    """The table's cells out of the report that Schemathesis writes."""
    failures = [f"{f['title']}: {', '.join(f['operations'])}" for f in told["failures"]]
    return Tried(
        told["operations"]["tested"],
        told["test_cases"]["generated"],
        {name: phase["status"] for name, phase in told["phases"].items()},
        failures,
        [f"{e['title']} ({e['count']})" for e in told["errors"]],
        told["running_time"],
    )


def main() -> int:
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--database", choices=["sqlite", "postgresql"], action="append")
    asked.add_argument("--examples", type=int, default=5)
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--keep", type=Path, help="a folder that keeps what Schemathesis says of each failure")
    given = asked.parse_args()
    print("| database | operations | cases | examples | limits | chance | chains | failures | s |\n|---|---|---|---|---|---|---|---|---|")  # noqa: T201
    good = True
    for kind in given.database or ["sqlite", "postgresql"]:
        with tempfile.TemporaryDirectory() as place, own_postgres() as server:
            tried = fuzz(server.address if kind == "postgresql" else f"sqlite:///{place}/store.db", Path(place), given.examples, given.seed)
            if given.keep:
                given.keep.mkdir(parents=True, exist_ok=True)
                (given.keep / f"{kind}.txt").write_text(Path(place, "told.txt").read_text("utf-8"), "utf-8")
        cells = [
            kind,
            tried.operations,
            f"{tried.cases:,}",
            *tried.phases.values(),
            len(tried.failures) + len(tried.errors),
            f"{tried.seconds:.0f}",
        ]
        print("| " + " | ".join(map(str, cells)) + " |", flush=True)  # noqa: T201
        for line in (*tried.failures, *tried.errors):
            print(f"  {line}", flush=True)  # noqa: T201
        good = good and tried.good
    return 0 if good else 1


if __name__ == "__main__":
    raise SystemExit(main())
