"""A worker as a process of its own, on the quick schedule, to be killed:  python -m tests.faults.alert_worker ADDRESS"""

import asyncio
import os
import sys

from fieldworthy.storage.engine import SqlStore, open_engine
from tests.faults.alerts_at_work import AtWork


async def work(address: str) -> None:
    store = SqlStore(open_engine(address))
    async with AtWork(store).worker(f"test-{os.getpid()}-0", seconds=1.5):
        print("delivers", flush=True)  # noqa: T201
        await asyncio.Event().wait()


if __name__ == "__main__":
    asyncio.run(work(*sys.argv[1:]))
