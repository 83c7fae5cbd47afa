"""The two clients under one name: what is written once is tried on both."""

import asyncio
import inspect
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from operator import attrgetter
from typing import Any

import httpx

from fieldworthy.client import AsyncClient, Client, Clock

_CERTIFICATES = httpx.create_ssl_context()  # to read them takes longer than most tests


@dataclass
class Time:
    """A clock that only waiting turns. waits: how long each was, in s; chance: always the same."""

    at: float = 0.0
    chance: float = 1.0
    waits: list[float] = field(default_factory=list)

    def wait(self, seconds: float) -> None:
        self.waits.append(seconds)
        self.at += seconds

    async def awaited(self, seconds: float) -> None:
        self.wait(seconds)

    def clock(self) -> Clock:
        return Clock(lambda: datetime(2026, 7, 14, 6, 0, tzinfo=UTC), lambda: self.at, lambda: self.chance)


@dataclass(frozen=True)
class Both:
    """One of the clients. Each call is made by a client of its own; what lists is listed to its end."""

    kind: str

    def __call__(
        self, url: str, method: str, *args: Any, client: dict[str, Any] | None = None, time: Time | None = None, **named: Any
    ) -> Any:
        """client: of its making. time: it waits by it and not by the real one."""
        made = dict(client or {})
        if self.kind == "plain":
            if time is not None:
                made |= {"clock": time.clock(), "sleep": time.wait}
            with httpx.Client(verify=_CERTIFICATES) as http, Client(url, http=http, **made) as service:
                given = attrgetter(method)(service)(*args, **named)
                return list(given) if inspect.isgenerator(given) else given
        if time is not None:
            made |= {"clock": time.clock(), "sleep": time.awaited}
        return asyncio.run(_awaited(lambda http: AsyncClient(url, http=http, **made), method, args, named))


async def _awaited(make: Callable[[httpx.AsyncClient], AsyncClient], method: str, args: Any, named: Any) -> Any:
    async with httpx.AsyncClient(verify=_CERTIFICATES) as http, make(http) as service:
        given = attrgetter(method)(service)(*args, **named)
        return [item async for item in given] if inspect.isasyncgen(given) else await given


BOTH = (Both("plain"), Both("async"))
