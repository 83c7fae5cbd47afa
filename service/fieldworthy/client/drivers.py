"""The two that do the steps of a flow: one waits for each, the other awaits it."""

import asyncio
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from itertools import islice
from typing import Never, TypeVar

import httpx

from fieldworthy.client.steps import End, Flow, Give, Read, Reply, Send, Step, Take, Wait, advance

T = TypeVar("T")
Y = TypeVar("Y")

Enough = Callable[[object], bool] | None


class Sync:
    """Does the steps one after another. http: sends; sleep: waits so many s."""

    def __init__(self, http: httpx.Client, sleep: Callable[[float], None] = time.sleep) -> None:
        self.http = http
        self._sleep = sleep

    def run(self, flow: Flow[Never, T]) -> T:
        """What comes of it."""
        work = _SyncWork(self.http, self._sleep)
        try:
            step = advance(flow, None)
            while not isinstance(step, End | Give):
                step = advance(flow, work.do(step))
            assert isinstance(step, End)
            return step.result
        finally:
            work.close()

    def each(self, flow: Flow[Y, None]) -> Iterator[Y]:
        """What it gives, one by one."""
        work = _SyncWork(self.http, self._sleep)
        try:
            step = advance(flow, None)
            while not isinstance(step, End):
                if isinstance(step, Give):
                    yield step.item
                    step = advance(flow, None)
                else:
                    step = advance(flow, work.do(step))
        finally:
            work.close()


class _SyncWork:
    """The steps of one flow, and the answer that it is reading."""

    def __init__(self, http: httpx.Client, sleep: Callable[[float], None]) -> None:
        self._http = http
        self._sleep = sleep
        self._open: httpx.Response | None = None
        self._parts: Iterator[bytes] = iter(())

    def do(self, step: Step) -> Reply:
        match step:
            case Send(request, stream):
                return self._send(request, stream)
            case Wait(seconds):
                self._sleep(seconds)
                return None
            case Take(source, most, enough):
                if isinstance(source, AsyncIterator):
                    raise TypeError("an async iterable is for the AsyncClient")
                return _taken(source, most, enough)
            case Read():
                try:
                    return next(self._parts, b"")
                except httpx.RequestError as trouble:
                    return trouble

    def _send(self, request: httpx.Request, stream: bool) -> httpx.Response | httpx.RequestError:
        self.close()
        try:
            response = self._http.send(request, stream=stream)
            if stream and not response.is_success:
                self._open = response
                response.read()
            elif stream:
                self._open, self._parts = response, response.iter_bytes()
        except httpx.RequestError as trouble:
            return trouble
        return response

    def close(self) -> None:
        if self._open is not None:
            self._open.close()
            self._open, self._parts = None, iter(())


class Async:
    """The same, awaiting each."""

    def __init__(self, http: httpx.AsyncClient, sleep: Callable[[float], Awaitable[None]] = asyncio.sleep) -> None:
        self.http = http
        self._sleep = sleep

    async def run(self, flow: Flow[Never, T]) -> T:
        """What comes of it."""
        work = _AsyncWork(self.http, self._sleep)
        try:
            step = advance(flow, None)
            while not isinstance(step, End | Give):
                step = advance(flow, await work.do(step))
            assert isinstance(step, End)
            return step.result
        finally:
            await work.close()

    async def each(self, flow: Flow[Y, None]) -> AsyncIterator[Y]:
        """What it gives, one by one."""
        work = _AsyncWork(self.http, self._sleep)
        try:
            step = advance(flow, None)
            while not isinstance(step, End):
                if isinstance(step, Give):
                    yield step.item
                    step = advance(flow, None)
                else:
                    step = advance(flow, await work.do(step))
        finally:
            await work.close()


class _AsyncWork:
    """The steps of one flow, and the answer that it is reading."""

    def __init__(self, http: httpx.AsyncClient, sleep: Callable[[float], Awaitable[None]]) -> None:
        self._http = http
        self._sleep = sleep
        self._open: httpx.Response | None = None
        self._parts: AsyncIterator[bytes] | None = None

    async def do(self, step: Step) -> Reply:
        match step:
            case Send(request, stream):
                return await self._send(request, stream)
            case Wait(seconds):
                await self._sleep(seconds)
                return None
            case Take(source, most, enough):
                return await _awaited(source, most, enough) if isinstance(source, AsyncIterator) else _taken(source, most, enough)
            case Read():
                try:
                    return b"" if self._parts is None else await anext(self._parts, b"")
                except httpx.RequestError as trouble:
                    return trouble

    async def _send(self, request: httpx.Request, stream: bool) -> httpx.Response | httpx.RequestError:
        await self.close()
        try:
            response = await self._http.send(request, stream=stream)
            if stream and not response.is_success:
                self._open = response
                await response.aread()
            elif stream:
                self._open, self._parts = response, response.aiter_bytes()
        except httpx.RequestError as trouble:
            return trouble
        return response

    async def close(self) -> None:
        if self._open is not None:
            await self._open.aclose()
            self._open, self._parts = None, None


def _taken(source: Iterator[object], most: int, enough: Enough) -> list[object]:
    found: list[object] = []
    for item in islice(source, most):
        found.append(item)
        if enough is not None and enough(item):
            break
    return found


async def _awaited(source: AsyncIterator[object], most: int, enough: Enough) -> list[object]:
    found: list[object] = []
    while len(found) < most:
        try:
            found.append(await anext(source))
        except StopAsyncIteration:
            break
        if enough is not None and enough(found[-1]):
            break
    return found
