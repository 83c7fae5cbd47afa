"""Thousands of requests over GraphQL, right ones and such as are spoiled a little, and what must hold of each answer:

    python -m tests.faults.fuzz_graphql [--database sqlite|postgresql] [--examples 4000] [--seed 1]

Right ones are the contract's examples, in rounds that each make a world of their own (`graph_rounds`), written in ever other ways
(`graph_written`); then one leaf of their arguments is another, or a member, or an id (`graph_spoiled`), or the document or the request is
spoiled (`graph_spoiled_whole`). Each answer is held to the specification, to the schema and to the catalogue of codes (`graph_held`,
`graph_data`); a query changes nothing, and neither does a refused mutation (`graph_kept`); a query is answered the same twice, and a list
the same in pages; a mutation with a key of the sender is done once; what was known at a moment stays so. Another organisation asks the same
with its own key, and is told nothing of the first. The service runs in this process over a database of its own, its clock turned on a day
after each round. Prints a table of what was asked on each database, and what failed; exit code 1 where anything did. The same seed asks the
same.
"""

import argparse
import asyncio
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from time import process_time

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import structlog

from fieldworthy.storage.engine import SqlStore, open_engine, prepare
from tests.faults.graph_asking import Asking
from tests.faults.own_postgres import own_postgres

FAMILIES = ("query", "request", "key")
"""Refusals by the first word of their code; all others are of what is kept, or of what was asked of it."""


@dataclass
class Tried:
    """What came of one run. kinds: by kind of request, how many were asked, and answered; codes: of refusals; failures: in words."""

    asked: Counter[str] = field(default_factory=Counter)
    answered: Counter[str] = field(default_factory=Counter)
    codes: Counter[str] = field(default_factory=Counter)
    fields: Counter[str] = field(default_factory=Counter)
    unanswered: Counter[str] = field(default_factory=Counter)
    failures: list[str] = field(default_factory=list)
    seconds: float = 0.0

    @property
    def share(self) -> float:
        """Of the unspoiled requests those that were answered with data, and without any refusal."""
        return self.answered["right"] / max(1, self.asked["right"])

    def rows(self) -> Iterator[Sequence[str]]:
        """The table's cells: requests of each kind."""
        for kind, count in self.asked.items():
            yield kind, f"{count:,}", f"{self.answered[kind]:,}"

    def refused(self) -> str:
        """How many answers were refused by each family of codes."""
        found: Counter[str] = Counter()
        for code, count in self.codes.items():
            first = code.split(".")[0]
            found[f"{first}.*" if first in FAMILIES else "other"] += count
        return ", ".join(f"{name} {count:,}" for name, count in found.most_common())


async def fuzz(address: str, count: int, seed: int, most: int = 30) -> Tried:
    """Asks a service over that database so many times. most: failures after which it ends."""
    begun = process_time()
    store = SqlStore(open_engine(address))
    await prepare(store, address)
    await store.close()
    tried = Tried()
    async with Asking.begun(address, Random(seed)) as asking:
        async for outcome in asking.outcomes():
            tried.asked[outcome.kind] += 1
            tried.answered[outcome.kind] += outcome.answered
            tried.codes.update(set(outcome.codes))
            if outcome.answered and outcome.kind == "right":
                tried.fields[outcome.operation] += 1
            if not outcome.answered and outcome.kind == "right":
                tried.unanswered[f"{outcome.operation}: {', '.join(sorted(set(outcome.codes)))}"] += 1
            tried.failures += outcome.complaints
            if tried.asked.total() >= count or len(tried.failures) >= most:
                break
    tried.seconds = process_time() - begun
    return tried


@contextmanager
def new_database(kind: str) -> Iterator[str]:
    """Its address; it is gone at the end."""
    if kind == "postgresql":
        with own_postgres() as server:
            yield server.address
    else:
        with tempfile.TemporaryDirectory() as place:
            yield f"sqlite:///{place}/store.db"


def main() -> int:
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--database", choices=["sqlite", "postgresql"], action="append")
    asked.add_argument("--examples", type=int, default=4_000)
    asked.add_argument("--seed", type=int, default=1)
    given = asked.parse_args()
    structlog.configure(processors=[structlog.dev.ConsoleRenderer(colors=False)], logger_factory=structlog.PrintLoggerFactory(sys.stderr))
    print("| database | requests | asked | answered | failures | s of CPU |\n|---|---|---|---|---|---|")  # noqa: T201
    good = True
    for kind in given.database or ["sqlite", "postgresql"]:
        with new_database(kind) as address:
            tried = asyncio.run(fuzz(address, given.examples, given.seed))
        for name, count, answered in tried.rows():
            print(f"| {kind} | {name} | {count} | {answered} | | |")  # noqa: T201
        totals = f"{tried.asked.total():,} | {tried.answered.total():,} | {len(tried.failures)} | {tried.seconds:.0f}"
        print(f"| {kind} | all | {totals} |", flush=True)  # noqa: T201
        print(f"  refused: {tried.refused()}; {len(tried.codes)} codes, {len(tried.fields)} operations answered")  # noqa: T201
        if tried.unanswered:
            print(f"  right, and refused: {'; '.join(f'{each} ({n})' for each, n in tried.unanswered.most_common(40))}")  # noqa: T201
        for line in tried.failures:
            print(f"  {line}", flush=True)  # noqa: T201
        good = good and not tried.failures and tried.share >= 0.5
    return 0 if good else 1


if __name__ == "__main__":
    raise SystemExit(main())
