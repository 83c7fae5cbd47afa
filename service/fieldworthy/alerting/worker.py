"""A worker: goes its rounds until it is told to stop, and then finishes what it began."""

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager, suppress

import structlog

from fieldworthy.usecases.deliver import Deliver
from fieldworthy.usecases.deliveries import Claim
from fieldworthy.usecases.ports import StoreUnavailable
from fieldworthy.usecases.sending import Outcome

LOOKS_EVERY = 1.0
"""Seconds between two looks, where nothing is known to come up sooner: so late an event is at most."""

AFTER_TROUBLE = 5.0
"""Seconds of rest where a round failed: the database may be away."""

TIDIES_EVERY = 3600.0
"""Seconds between two looks for events that are old enough to be forgotten."""

FINISHES_WITHIN = 35.0
"""Seconds for an attempt that was begun, where an attempt takes no longer than is usual."""

NOTES_WITHIN = 3.0
"""Seconds for the note of what came of it."""

_LEAST = 0.01

Tidy = Callable[[], Awaitable[None]]


async def rounds(deliver: Deliver, stop: asyncio.Event, every: float = LOOKS_EVERY, rest: float = AFTER_TROUBLE) -> None:
    """Goes round until `stop` is set."""
    while not stop.is_set():
        try:
            begun = await deliver.round()
            wait = _LEAST if begun else every
        except StoreUnavailable as trouble:
            structlog.get_logger().warning("nothing can be delivered at the moment", why=trouble.detail)
            wait = rest
        except Exception:  # whatever it was, the next round may do better
            structlog.get_logger().exception("a round of deliveries failed")
            wait = rest
        await _either(deliver, stop, wait)


async def tidying(tidy: Tidy, every: float = TIDIES_EVERY) -> None:
    """Forgets what is old, now and then."""
    while True:
        try:
            await tidy()
        except StoreUnavailable as trouble:
            structlog.get_logger().warning("old events can't be forgotten at the moment", why=trouble.detail)
        except Exception:
            structlog.get_logger().exception("old events could not be forgotten")
        await asyncio.sleep(every)


@asynccontextmanager
async def delivering(
    deliver: Deliver, tidy: Tidy | None = None, within: float = FINISHES_WITHIN, every: float = LOOKS_EVERY, rest: float = AFTER_TROUBLE
) -> AsyncIterator[None]:
    """Delivers beside whatever the block does; at its end what was begun is finished, or let go of."""
    stop = asyncio.Event()
    going = [asyncio.create_task(rounds(deliver, stop, every, rest))]
    cut_off = [] if tidy is None else [asyncio.create_task(tidying(tidy))]
    try:
        yield
    finally:
        stop.set()
        for task in cut_off:
            task.cancel()
        await asyncio.gather(*going, *cut_off, return_exceptions=True)
        await deliver.finish(within)


def note(claim: Claim, outcome: Outcome, state: str) -> None:
    """One attempt in the log: by ids, without the address or a secret."""
    log = structlog.get_logger()
    told = {"delivery": claim.id, "listener": claim.listener.id, "state": state, "status": outcome.status, "ms": outcome.took}
    if outcome.trouble is None:
        log.debug("delivered", **told)
    else:
        log.info("not delivered", why=outcome.trouble, tries=claim.tries + 1, **told)


async def _either(deliver: Deliver, stop: asyncio.Event, wait: float) -> None:
    """Until it is told to stop, an attempt ends, or so many seconds have passed."""
    if deliver.under_way and wait > _LEAST:
        ended = asyncio.create_task(deliver.any_ends(wait))
        stopped = asyncio.create_task(stop.wait())
        await asyncio.wait((ended, stopped), return_when=asyncio.FIRST_COMPLETED)
        for task in (ended, stopped):
            task.cancel()
        await asyncio.gather(ended, stopped, return_exceptions=True)
        return
    with suppress(TimeoutError):
        await asyncio.wait_for(stop.wait(), wait)
