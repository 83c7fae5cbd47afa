"""Workers at work over a real store and a real receiver, on a schedule that takes milliseconds instead of days."""

from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from secrets import token_bytes
from typing import Any

from fieldworthy.alerting.outgoing import Outgoing
from fieldworthy.alerting.sender import Outward
from fieldworthy.alerting.worker import delivering
from fieldworthy.storage.engine import SqlStore
from fieldworthy.usecases.deliver import Deliver, Pace
from fieldworthy.usecases.deliveries import Attempt, Claim, Delivery, WantedDeliveries
from fieldworthy.usecases.events import NewEvent
from fieldworthy.usecases.kept import HOME
from fieldworthy.usecases.listeners import Choice, Listener
from fieldworthy.usecases.reachable import Reach, read_networks
from fieldworthy.usecases.retrying import Schedule
from fieldworthy.usecases.sending import Outcome
from fieldworthy.usecases.signing import secret_text
from tests.faults.receiver import Receiver

_SOON = Schedule((0.0, 0.02, 0.05, 0.1, 0.2, 0.3, 0.5, 0.5, 0.5, 0.5))
QUICK = Pace(  # an hour of the usual schedule takes a second
    schedule=_SOON,
    by_mail=_SOON,
    lease=2.0,
    least_peace=0.02,
    most_peace=0.1,
    settle_again=0.05,
)
HERE = Reach(read_networks("127.0.0.1/32"))
DUE = "fieldworthy.task.due"


@dataclass
class AtWork:
    """A store with listeners and what its workers did. log: each attempt as (id, came to, state), in order."""

    store: SqlStore
    pace: Pace = QUICK
    log: list[tuple[str, str, str]] = field(default_factory=list)

    async def machines(self, *ids: str) -> None:
        """With the keys 1, 2, ..."""
        async with self.store.keep(HOME) as kept:
            for id in ids:
                await kept.machines.add(id, await kept.moment(), "baler", None)

    async def listener(self, receiver: Receiver | None, **choice: Any) -> Listener:
        """Told of everything; its secret is known to the receiver."""
        secret = secret_text(token_bytes(32))
        if receiver is not None:
            receiver.secrets.append(secret)
            choice["url"] = receiver.url
        async with self.store.keep(HOME) as kept:
            return await kept.listeners.add("a listener", Choice(**choice), secret, await kept.moment())

    async def cause(self, n: int, machine: int | None = None, type: str = DUE, **more: Any) -> list[str]:
        """So many events, in one transaction; their ids in order."""
        async with self.store.keep(HOME) as kept:
            at = await kept.moment()
            id = None if machine is None else "abcdefgh"[machine - 1]
            new = [NewEvent(type, at, f"machines/{id}", {"n": i}, machine, id, **more) for i in range(n)]
            return list(kept.events.add(new))

    async def cause_of(self, machines: Sequence[int]) -> list[str]:
        """An event of each of these machines, in one transaction; their ids in order."""
        async with self.store.keep(HOME) as kept:
            at = await kept.moment()
            new = [NewEvent(DUE, at, f"machines/{key}", {}, key, "abcdefgh"[key - 1]) for key in machines]
            return list(kept.events.add(new))

    async def deliveries(self, **wanted: Any) -> Sequence[Delivery]:
        """The oldest first."""
        async with self.store.look(HOME) as kept:
            return list(reversed(await kept.deliveries.page(WantedDeliveries(**wanted), None, 1000)))

    async def attempts(self, delivery: Delivery) -> Sequence[Attempt]:
        async with self.store.look(HOME) as kept:
            return await kept.deliveries.attempts(delivery)

    async def read(self, listener: Listener) -> Listener:
        async with self.store.look(HOME) as kept:
            return (await kept.listeners.by_key([listener.key]))[listener.key]

    @asynccontextmanager
    async def worker(self, owner: str = "one", within: float = 2.0, seconds: float = 0.5, **pace: Any) -> AsyncIterator[Deliver]:
        """One that goes its rounds until the block ends."""
        outgoing = Outgoing(HERE, seconds)
        sender = Outward(outgoing, None, lambda: datetime.now(UTC))
        deliver = Deliver(self.store, sender, owner, replace(self.pace, **pace), noted=self._note)
        try:
            async with delivering(deliver, within=within, every=0.02, rest=0.1):
                yield deliver
        finally:
            await outgoing.close()

    def _note(self, claim: Claim, outcome: Outcome, state: str) -> None:
        self.log.append((claim.id, outcome.came.value, state))
