"""What a call does, said step by step and done by a driver: so that it is written once, for the plain client and for the async one.

A flow is a generator. It gives a step, is sent what came of it, and returns what the call returns; `Give` steps are what an iterator of
the client's gives. `drivers` does the steps.
"""

from collections.abc import AsyncIterable, AsyncIterator, Callable, Generator, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Generic, TypeAlias, TypeVar

import httpx

Y_co = TypeVar("Y_co", covariant=True)
Y = TypeVar("Y")
T = TypeVar("T")

Source: TypeAlias = Iterator[object] | AsyncIterator[object]
"""What a caller gives one by one."""


def source_of(items: Iterable[object] | AsyncIterable[object]) -> Source:
    return aiter(items) if isinstance(items, AsyncIterable) else iter(items)


@dataclass(frozen=True, slots=True)
class Send:
    """Send it; the reply is the answer, or what broke. stream: the body of a success is not read yet."""

    request: httpx.Request
    stream: bool = False


@dataclass(frozen=True, slots=True)
class Wait:
    """Wait so many s."""

    seconds: float


@dataclass(frozen=True, slots=True)
class Take:
    """
    Take up to so many more of the source; the reply is a list, empty at its end. enough: is told of each that is taken, and says whether
    it was the last for now.
    """

    source: Source
    most: int
    enough: Callable[[object], bool] | None = None


@dataclass(frozen=True, slots=True)
class Read:
    """Read on in the answer that was sent for last; the reply is some bytes, b"" at its end, or what broke."""


@dataclass(frozen=True, slots=True)
class Give(Generic[Y_co]):
    """Give this to the caller."""

    item: Y_co


Reply: TypeAlias = httpx.Response | httpx.RequestError | bytes | Sequence[object] | None
Step: TypeAlias = Send | Wait | Take | Read
Flow: TypeAlias = Generator[Step | Give[Y], Reply, T]


@dataclass(frozen=True, slots=True)
class End(Generic[T]):
    """The flow is over, and this came of it."""

    result: T


def advance(flow: Flow[Y, T], reply: Reply) -> Step | Give[Y] | End[T]:
    """The flow's next step, or its end."""
    try:
        return flow.send(reply)
    except StopIteration as end:
        return End(end.value)


def take(source: Source, most: int, enough: Callable[[object], bool] | None = None) -> Generator[Take, Reply, Sequence[object]]:
    """Up to so many more of the source."""
    reply = yield Take(source, most, enough)
    assert isinstance(reply, list)
    return reply


def read() -> Generator[Read, Reply, bytes | httpx.RequestError]:
    """Some more of the answer."""
    reply = yield Read()
    assert isinstance(reply, bytes | httpx.RequestError)
    return reply
