"""A receiver as a stranger would run it: a real HTTP server that verifies signatures by the standard's own library and dedupes by id.

It can be away, slow, answer anything, send without end, or cut the connection, before or after it has taken what was sent.
"""

import asyncio
import json
import ssl
import time
from collections import Counter
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from typing import Any

from standardwebhooks import Webhook, WebhookVerificationError

WELL = "well"
AWAY = "away"
SLOW = "slow"
CUT = "cut"
CUT_AFTER = "cut after it was taken"
HUGE = "10 MB"
HOW = (WELL, AWAY, SLOW, CUT, CUT_AFTER, HUGE, "500", "302", "410", "429", "503")
"""What it can do; a number is answered as such."""

HUGE_BYTES = 10_000_000


@dataclass
class Taken:
    """One request that was believed. id: of the header; events: CloudEvents, one or of a batch."""

    id: str
    at: float
    headers: dict[str, str]
    events: list[dict[str, Any]]
    answered: str


@dataclass
class Receiver:
    """
    how: what it does now, one of HOW. secrets: of the sender, any of which is believed. taken: what it took, doubles included, in order;
    refused: what was not signed well. slow: seconds it takes when slow. sent: bytes of answers that it was rid of.
    """

    port: int = 0
    how: str = WELL
    secrets: list[str] = field(default_factory=list)
    slow: float = 30.0
    retry_after: str | None = None
    location: str = "http://127.0.0.1:9/"
    tls: ssl.SSLContext | None = None
    taken: list[Taken] = field(default_factory=list)
    refused: list[dict[str, str]] = field(default_factory=list)
    requests: int = 0
    sent: int = 0
    changed: asyncio.Event = field(default_factory=asyncio.Event)
    came: asyncio.Event = field(default_factory=asyncio.Event)
    _server: asyncio.Server | None = None
    _open: dict[asyncio.Task[None], asyncio.StreamWriter] = field(default_factory=dict)

    @property
    def url(self) -> str:
        return f"{'https' if self.tls else 'http'}://127.0.0.1:{self.port}/events"

    @property
    def ids(self) -> list[str]:
        """The ids of the events it took, each once, in the order in which they came first: what is left after it deduped."""
        return list(dict.fromkeys(event["id"] for each in self.taken for event in each.events))

    @property
    def doubles(self) -> int:
        """How many it was sent again."""
        return sum(n - 1 for n in Counter(event["id"] for each in self.taken for event in each.events).values())

    async def start(self) -> None:
        """Listens, at the same port as before."""
        if self._server is None:
            self._server = await asyncio.start_server(self._met, "127.0.0.1", self.port, ssl=self.tls, limit=2**20)
            self.port = self._server.sockets[0].getsockname()[1]

    async def stop(self) -> None:
        """Is away: the port is closed, and so is every connection."""
        if self._server is not None:
            self._server.close()
            ended = dict(self._open)
            for task, writer in ended.items():
                writer.transport.abort()
                task.cancel()
            await asyncio.gather(*ended, return_exceptions=True)
            await self._server.wait_closed()
            self._server = None

    async def does(self, how: str) -> None:
        """What it does from now on."""
        assert how in HOW
        self.how = how
        await (self.stop() if how == AWAY else self.start())

    async def asked(self, n: int) -> None:
        """Waits until so many requests have come."""
        while self.requests < n:
            self.came.clear()
            await self.came.wait()

    async def rested(self, within: float) -> None:
        """Waits until it is done with all that came: one that is slow takes what its sender gave up long ago."""
        if self._open:
            await asyncio.wait(list(self._open), timeout=within)

    async def took(self, most: int, within: float) -> bool:
        """Waits until it has so many events, each counted once. Whether it did."""
        end = time.monotonic() + within
        while len(self.ids) < most:
            self.changed.clear()
            left = end - time.monotonic()
            if left <= 0:
                return False
            try:
                await asyncio.wait_for(self.changed.wait(), left)
            except TimeoutError:
                return len(self.ids) >= most
        return True

    def _met(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.ensure_future(self._serve(reader, writer))
        self._open[task] = writer
        task.add_done_callback(self._open.pop)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            await self._answer(reader, writer)
        except (OSError, asyncio.IncompleteReadError):
            pass
        finally:
            if self.how in (CUT, CUT_AFTER):
                writer.transport.abort()
            writer.close()

    async def _answer(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        head = (await reader.readuntil(b"\r\n\r\n")).decode("latin-1").split("\r\n")
        headers = {name.lower(): value.strip() for name, _, value in (line.partition(":") for line in head[1:] if line)}
        body = await reader.readexactly(int(headers.get("content-length", "0")))
        how = self.how
        self.requests += 1
        self.came.set()
        if how == CUT:
            return
        if how == SLOW:
            await asyncio.sleep(self.slow)
        status = how if how.isdigit() else "200"
        if status == "200":
            if not self._believed(headers, body):
                self.refused.append(headers)
                status = "401"
            else:
                told = json.loads(body)
                self.taken.append(Taken(headers["webhook-id"], time.time(), headers, told if isinstance(told, list) else [told], how))
        self.changed.set()
        if how == CUT_AFTER:
            return
        await self._say(writer, status, how)

    async def _say(self, writer: asyncio.StreamWriter, status: str, how: str) -> None:
        more = f"Retry-After: {self.retry_after}\r\n" if self.retry_after is not None else ""
        more += f"Location: {self.location}\r\n" if status == "302" else ""
        size = HUGE_BYTES if how == HUGE else 2
        writer.write(f"HTTP/1.1 {status} Said\r\nContent-Length: {size}\r\nSet-Cookie: known=1; Path=/\r\n{more}\r\n".encode())
        if how != HUGE:
            writer.write(b"ok")
            await writer.drain()
            return
        for _ in range(size // 10_000):
            writer.write(b"x" * 10_000)
            await writer.drain()
            self.sent += 10_000

    def _believed(self, headers: dict[str, str], body: bytes) -> bool:
        for secret in self.secrets:
            try:
                Webhook(secret).verify(body, headers)
            except WebhookVerificationError:
                continue
            return True
        return False


@asynccontextmanager
async def receiving(**said: Any) -> AsyncIterator[Receiver]:
    """A receiver that listens; closed at the end."""
    receiver = Receiver(**said)
    await receiver.start()
    try:
        yield receiver
    finally:
        await receiver.stop()
