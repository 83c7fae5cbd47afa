"""A worker as a process of its own, on the quick schedule, to be killed:  python -m tests.faults.alert_worker ADDRESS OWNER"""

import asyncio
import sys

from fieldworthy.storage.engine import SqlStore, open_engine
from tests.faults.alerts_at_work import AtWork


async def work(address: str, owner: str) -> None:
    store = SqlStore(open_engine(address))
    async with AtWork(store).worker(owner, seconds=1.5):
        print("delivers", flush=True)  # noqa: T201
        await asyncio.Event().wait()


if __name__ == "__main__":
    asyncio.run(work(*sys.argv[1:]))
