"""How much is listened to at all. A receiver may send interim answers (1xx) or chunks of one byte as fast as the line goes, and each costs
more to read than to send: so what is read of one connection has an end, however it is wrapped, and comes in small pieces, between which
all else has its turn.
"""

# ruff: noqa: ASYNC109  # the library says what its methods take

import ssl
from collections.abc import Iterable
from typing import Any

import httpcore
import httpx

MOST_READ = 262_144
"""Bytes of one connection, heads and interim answers among them: more than the largest head and the largest body that are read need."""

TOO_MUCH = "it sent too much before its answer was whole"
"""What is told where a receiver goes on beyond that."""

MOST_INTERIM = 100
"""Interim answers before one; more than a few is nobody's use of them."""

_PIECE = 16_384
_INTERIM = b"HTTP/1.1 1"


class _Stream(httpcore.AsyncNetworkStream):
    """Another stream, up to MOST_READ."""

    def __init__(self, stream: httpcore.AsyncNetworkStream) -> None:
        self._stream = stream
        self._left = MOST_READ
        self._interim = 0

    async def read(self, max_bytes: int, timeout: float | None = None) -> bytes:
        if self._left <= 0:
            raise httpcore.ReadError(TOO_MUCH)
        part = await self._stream.read(min(max_bytes, _PIECE), timeout)
        self._left -= len(part)
        self._interim += part.count(_INTERIM)  # counted before they are taken apart, for that is what is dear
        if self._interim > MOST_INTERIM:
            raise httpcore.ReadError(TOO_MUCH)
        return part

    async def write(self, buffer: bytes, timeout: float | None = None) -> None:
        await self._stream.write(buffer, timeout)

    async def aclose(self) -> None:
        await self._stream.aclose()

    async def start_tls(
        self, ssl_context: ssl.SSLContext, server_hostname: str | None = None, timeout: float | None = None
    ) -> httpcore.AsyncNetworkStream:
        return _Stream(await self._stream.start_tls(ssl_context, server_hostname, timeout))

    def get_extra_info(self, info: str) -> Any:  # Any: as the library has it
        return self._stream.get_extra_info(info)


class _Backend(httpcore.AsyncNetworkBackend):
    """Another backend, whose connections are bounded."""

    def __init__(self, backend: httpcore.AsyncNetworkBackend) -> None:
        self._backend = backend

    async def connect_tcp(
        self,
        host: str,
        port: int,
        timeout: float | None = None,
        local_address: str | None = None,
        socket_options: Iterable[httpcore.SOCKET_OPTION] | None = None,
    ) -> httpcore.AsyncNetworkStream:
        return _Stream(await self._backend.connect_tcp(host, port, timeout, local_address, socket_options))

    async def sleep(self, seconds: float) -> None:
        await self._backend.sleep(seconds)


def bound(client: httpx.AsyncClient) -> None:
    """Bounds what is read of each connection of a client. (httpx has no way to name a backend; `httpx-secure` puts its own there too.)"""
    transport = client._transport
    assert isinstance(transport, httpx.AsyncHTTPTransport)
    pool = transport._pool
    assert isinstance(pool, httpcore.AsyncConnectionPool)
    pool._network_backend = _Backend(pool._network_backend)
