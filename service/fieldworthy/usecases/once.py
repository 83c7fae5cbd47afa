"""What the doors over the store ask; and work that is done once, however often it is asked for."""

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from typing import Generic, TypeVar

from fieldworthy.usecases.audit import Actor
from fieldworthy.usecases.find_rulebook import FindRulebooks
from fieldworthy.usecases.kept import KeepStore, Kept
from fieldworthy.usecases.kept_answers import KeptAnswer
from fieldworthy.usecases.once_refusals import ShownOnce
from fieldworthy.usecases.refusals import KeyReused, RequestInFlight
from fieldworthy.usecases.tally import Tally

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Keeping:
    """
    What the doors over the store ask. kept: set when something was, so that standings are computed soon. tally: what counts what they do;
    in_flight: keys of this process that are worked on.
    """

    store: KeepStore
    find: FindRulebooks
    kept: asyncio.Event = field(default_factory=asyncio.Event)
    tally: Tally = field(default_factory=Tally)
    in_flight: set[tuple[int, str]] = field(default_factory=set)


@dataclass(frozen=True, slots=True)
class Once:
    """
    A request that may come again. key: the sender's, the same for every try; fingerprint: of the request, for telling another one with
    the same key (64 hex digits).
    """

    key: str
    fingerprint: str


@dataclass(frozen=True, slots=True)
class Shown(Generic[T]):
    """An answer that shows a secret. again: what is kept, and said to whoever repeats the request, in its place: so no secret is kept."""

    answer: T
    again: ShownOnce


async def done_once(
    keeping: Keeping,
    organisation: int,
    actor: Actor,
    once: Once | None,
    work: Callable[[Kept], Awaitable[T | Shown[T]]],
    write: Callable[[T | ShownOnce], KeptAnswer],
    read: Callable[[KeptAnswer], T],
) -> T:
    """
    Does the work in one transaction; with a key only the first time, and gives the same answer again.

    work: gives the answer, Shown where that shows a secret; a refusal undoes everything, and is not kept: nothing was done, so the same
    request may be tried again with the same key once its cause is gone. write, read: the answer as it is kept, and back.
    Raises RequestInFlight (409), KeyReused (422).
    Source: draft-ietf-httpapi-idempotency-key-header-07, 2.6 and 2.7.
    """
    if once is None:
        async with keeping.store.keep(organisation, actor) as kept:
            done = await work(kept)
        keeping.kept.set()
        return done.answer if isinstance(done, Shown) else done
    mine = (organisation, once.key)
    if mine in keeping.in_flight:
        raise RequestInFlight
    keeping.in_flight.add(mine)
    try:
        async with keeping.store.keep(organisation, actor) as kept:
            if not await kept.answers.claim(once.key):
                raise RequestInFlight
            given = await kept.answers.find(once.key)
            if given is not None:
                if given.fingerprint != once.fingerprint:
                    raise KeyReused
                return read(given)
            done = await work(kept)
            answer, again = (done.answer, done.again) if isinstance(done, Shown) else (done, done)
            await kept.answers.put(once.key, write(again), await kept.moment())
        keeping.kept.set()
        return answer
    finally:
        keeping.in_flight.discard(mine)
