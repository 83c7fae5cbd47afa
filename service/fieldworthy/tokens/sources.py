"""Where an issuer's keys come from: its address, or a file. A JSON Web Key Set (RFC 7517, section 5), as bytes."""

import asyncio
import ssl
from collections.abc import Awaitable, Callable
from pathlib import Path

MOST_BYTES = 256_000
TOTAL_SECONDS = 10.0
_WAIT_SECONDS = 5.0

Source = Callable[[], Awaitable[bytes]]
"""Gives the key set. Raises NotHad."""


class NotHad(Exception):
    """It could not be had. why: for the log."""

    def __init__(self, why: str) -> None:
        self.why = why
        super().__init__(why)


def from_file(path: Path) -> Source:
    """Reads it anew each time, for whoever rotates keys by putting another file there."""

    def read() -> bytes:
        with path.open("rb") as file:
            return file.read(MOST_BYTES + 1)

    async def source() -> bytes:
        try:
            return _whole(await asyncio.to_thread(read))
        except OSError as trouble:
            raise NotHad(trouble.strerror or "it can't be read") from None

    return source


def from_address(address: str) -> Source:
    """
    Asks for it by HTTP: no redirect is followed, no proxy of the environment used, and neither too much nor too long is listened.

    Certificates are judged by the machine's own store.
    """

    async def source() -> bytes:
        import httpx  # slow to load, and seldom needed

        timeout = httpx.Timeout(_WAIT_SECONDS)
        headers = {"accept": "application/jwk-set+json, application/json", "accept-encoding": "identity"}
        context = await asyncio.to_thread(ssl.create_default_context)
        try:
            async with (
                asyncio.timeout(TOTAL_SECONDS),
                httpx.AsyncClient(verify=context, trust_env=False, follow_redirects=False, timeout=timeout) as http,
                http.stream("GET", address, headers=headers) as answer,
            ):
                if answer.status_code != 200:
                    raise NotHad(f"it answers {answer.status_code}")
                if answer.headers.get("content-encoding", "identity") != "identity":
                    raise NotHad("it answers packed")
                got = bytearray()
                async for part in answer.aiter_raw():
                    got += part
                    if len(got) > MOST_BYTES:
                        break
                return _whole(bytes(got))
        except TimeoutError:
            raise NotHad("it takes too long") from None
        except httpx.HTTPError as trouble:
            raise NotHad(type(trouble).__name__) from None

    return source


def _whole(got: bytes) -> bytes:
    if len(got) > MOST_BYTES:
        raise NotHad("it is too large")
    return got
