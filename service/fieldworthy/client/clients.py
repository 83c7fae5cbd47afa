"""The two clients."""

import asyncio
import os
import time
from collections.abc import Awaitable, Callable
from ipaddress import ip_address
from types import TracebackType
from typing import Literal, Self

import httpx

from fieldworthy.client.calls import Caller, Key, Waiting
from fieldworthy.client.drivers import Async, Sync
from fieldworthy.client.retries import Clock, Retries
from fieldworthy.client.surface import Surface

HERE = "http://127.0.0.1:8000"
KEY_VARIABLE = "FIELDWORTHY_KEY"
URL_VARIABLE = "FIELDWORTHY_URL"


class Client(Surface[Sync]):
    """
    A client of a running service; close it, or use it with `with`.

    url: where it is; absent: FIELDWORTHY_URL, else the port of this machine that `fieldworthy serve` listens at. key: absent:
    FIELDWORTHY_KEY; False: none, whatever that holds; it is sent as `Authorization: Bearer` and never shown, but over plain http whoever
    is on the way can read it. timeout: of sending, and of each wait for more of an answer, in s. http: one of your own, for proxies and
    certificates of your own; it is then yours to close. waiting: is called before each wait for another try with what is wrong and how
    many s it is, for a log. clock, sleep: for tests.
    """

    def __init__(
        self,
        url: str | None = None,
        key: str | Literal[False] | None = None,
        *,
        retries: Retries = Retries(),  # noqa: B008  # it can't be changed
        timeout: float = 60.0,
        http: httpx.Client | None = None,
        waiting: Waiting | None = None,
        clock: Clock = Clock(),  # noqa: B008
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self._own = http is None
        caller = _caller(url, key, retries, clock, timeout, waiting)
        super().__init__(Sync(http or httpx.Client(mounts=_past_proxies(caller.address)), sleep), caller)

    def close(self) -> None:
        """Lets go of its connections."""
        if self._own:
            self._driver.http.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, trouble: BaseException | None, trace: TracebackType | None) -> None:
        self.close()


class AsyncClient(Surface[Async]):
    """The same to be awaited; what lists is an async iterator. Close it, or use it with `async with`."""

    def __init__(
        self,
        url: str | None = None,
        key: str | Literal[False] | None = None,
        *,
        retries: Retries = Retries(),  # noqa: B008
        timeout: float = 60.0,
        http: httpx.AsyncClient | None = None,
        waiting: Waiting | None = None,
        clock: Clock = Clock(),  # noqa: B008
        sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
    ) -> None:
        self._own = http is None
        caller = _caller(url, key, retries, clock, timeout, waiting)
        super().__init__(Async(http or httpx.AsyncClient(mounts=_past_proxies(caller.address)), sleep), caller)

    async def close(self) -> None:
        """Lets go of its connections."""
        if self._own:
            await self._driver.http.aclose()

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(self, kind: type[BaseException] | None, trouble: BaseException | None, trace: TracebackType | None) -> None:
        await self.close()


def _caller(
    url: str | None, key: str | Literal[False] | None, retries: Retries, clock: Clock, timeout: float, waiting: Waiting | None
) -> Caller:
    where = url if url is not None else os.environ.get(URL_VARIABLE) or HERE
    text = None if key is False else key if key is not None else os.environ.get(KEY_VARIABLE) or None
    return Caller(where, None if text is None else Key(text), retries, clock, timeout, waiting)


def _past_proxies(address: str) -> dict[str, None] | None:
    """Requests to this machine go by no proxy that the environment names: it would read the key."""
    host = httpx.URL(address).host
    try:
        here = host == "localhost" or ip_address(host).is_loopback
    except ValueError:
        here = False
    return {f"all://[{host}]" if ":" in host else f"all://{host}": None} if here else None
