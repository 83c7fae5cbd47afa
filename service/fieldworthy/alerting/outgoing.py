"""One request to a stranger's address, so that it harms nobody here.

The host is resolved once; every number that comes out must be allowed; one of them is called by its number, with the name kept for the
certificate and the `Host` header. So nobody can answer the check with one number and the call with another, and no name is asked twice.
No proxy or credentials of the environment are used, no redirect is followed, nothing is unpacked, and neither too much nor too long is
listened. `httpx-secure` looks at the number of the connection once more, by its own lists where no network is allowed beside them.
"""

import asyncio
import socket
import ssl
import time
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from http.cookiejar import CookieJar, DefaultCookiePolicy
from ipaddress import ip_address

import httpx
from httpx_secure import SSRFProtectionError, httpx_ssrf_protection

from fieldworthy.alerting.bounded import TOO_MUCH, bound
from fieldworthy.alerting.threads import Threads
from fieldworthy.usecases.reachable import Address, NotReachable, Reach, Receiver

MOST_ANSWER = 65_536
"""Bytes of an answer that are read; what it says is not looked at."""

TOTAL_SECONDS = 20.0
"""Of one attempt, from the first byte to the end of the answer (Standard Webhooks says 15 to 30)."""

LOOK_UP_SECONDS = 10.0
"""Of the question to the resolver before it."""

_CONNECT_SECONDS = 10.0
_MOST_PARTS = 1_000  # chunks of an answer: each costs as much as a long one
_LOOK_UPS = 32  # at one time; a name that never answers keeps one of them for as long as the system's resolver asks

Resolve = Callable[[str, int], Awaitable[Sequence[str]]]
"""The numbers of a host. Raises OSError, and `threads.NoThread` where it was not asked for."""

Numbers = Callable[[str, int], Sequence[str]]


@dataclass(frozen=True, slots=True)
class Answered:
    """status: None where no whole answer came; trouble: None where one did; retry_after: the header as it stands; took: ms."""

    status: int | None
    trouble: str | None
    retry_after: str | None
    took: int


def ask_system(host: str, port: int) -> Sequence[str]:
    """By the system's resolver; it blocks."""
    return [str(each[4][0]) for each in socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)]


class NameUnanswered(OSError):
    """Nothing came of the question for a name in time."""


class Resolver:
    """Looks names up beside the loop. Whoever wants a name that is being asked for waits for that answer: a dead one keeps one thread."""

    def __init__(self, ask: Numbers = ask_system, threads: Threads | None = None, seconds: float = LOOK_UP_SECONDS) -> None:
        self._ask = ask
        self._threads = threads or Threads(_LOOK_UPS, "resolving")
        self._seconds = seconds
        self._asked: dict[tuple[str, int], asyncio.Task[asyncio.Future[Sequence[str]]]] = {}

    async def __call__(self, host: str, port: int) -> Sequence[str]:
        name = (host, port)
        if name not in self._asked:
            self._asked[name] = asyncio.create_task(self._begin(name))
        answer = await asyncio.shield(self._asked[name])  # whoever goes leaves it to the others
        async with asyncio.timeout(self._seconds):
            return await asyncio.shield(answer)

    async def _begin(self, name: tuple[str, int]) -> "asyncio.Future[Sequence[str]]":
        def ended(answer: "asyncio.Future[Sequence[str]]") -> None:
            del self._asked[name]
            if not answer.cancelled():
                answer.exception()  # whoever still waits is told

        try:
            answer = await self._threads.begin(partial(self._ask, *name))
        except BaseException:
            del self._asked[name]
            raise
        answer.add_done_callback(ended)
        return answer


class Outgoing:
    """The client; one for the whole process, closed at its end."""

    def __init__(
        self,
        reach: Reach,
        seconds: float = TOTAL_SECONDS,
        resolve: Resolve | None = None,
        context: ssl.SSLContext | None = None,
    ) -> None:
        """context: whom certificates are believed of; None: the machine's own store."""
        self._reach = reach
        self._seconds = seconds
        self._resolve = resolve or Resolver()
        self._http = httpx.AsyncClient(
            verify=context or ssl.create_default_context(),
            trust_env=False,
            cookies=CookieJar(DefaultCookiePolicy(allowed_domains=[])),  # what one receiver sets, the next must not be shown
            follow_redirects=False,
            timeout=httpx.Timeout(seconds, connect=min(_CONNECT_SECONDS, seconds)),
            # a connection is made for one name's certificate, and called by its number: no other name may find it there
            limits=httpx.Limits(max_keepalive_connections=0),
        )
        if reach.networks:
            httpx_ssrf_protection(self._http, check_globally_reachable=False, custom_validator=self._may)
        else:
            httpx_ssrf_protection(self._http)
        bound(self._http)

    async def close(self) -> None:
        await self._http.aclose()

    async def post(self, url: str, headers: Mapping[str, str], body: bytes) -> Answered:
        """Sends it once. Whatever goes wrong is told as trouble, but for NoThread, which is raised: then nothing was begun."""
        began = time.monotonic()
        status, trouble, retry_after = None, None, None
        try:
            receiver = self._reach.receiver(url)
            address = await self._address(receiver.host, receiver.scheme, receiver.port)
            async with asyncio.timeout(self._seconds):
                status, retry_after = await self._post(receiver, address, headers, body)
        except NotReachable as refused:
            trouble = f"it was not called: {refused.why}"
        except TimeoutError:
            trouble = f"no whole answer came within {self._seconds:g} s"
        except SSRFProtectionError:
            trouble = "it was not called: that address is not on the public internet"
        except httpx.TimeoutException:
            trouble = "no connection came about in time"
        except (httpx.HTTPError, httpx.InvalidURL, OSError) as failed:
            trouble = _said(failed)
        return Answered(status, trouble, retry_after, round((time.monotonic() - began) * 1000))

    async def _post(self, receiver: Receiver, address: Address, headers: Mapping[str, str], body: bytes) -> tuple[int, str | None]:
        shown = f"[{address}]" if address.version == 6 else str(address)
        request = self._http.build_request(
            "POST",
            f"{receiver.scheme}://{shown}:{receiver.port}{receiver.target}",
            headers={**headers, "host": receiver.authority, "accept": "*/*", "accept-encoding": "identity", "connection": "close"},
            content=body,
            extensions={"sni_hostname": receiver.host},
        )
        answer = await self._http.send(request, stream=True)
        try:
            read = parts = 0
            async for part in answer.aiter_raw():
                read, parts = read + len(part), parts + 1
                if read > MOST_ANSWER or parts > _MOST_PARTS:  # the status was told: what else it says is its own affair
                    break
        finally:
            await answer.aclose()
        return answer.status_code, answer.headers.get("retry-after")

    async def _address(self, host: str, scheme: str, port: int) -> Address:
        try:
            numbers = [ip_address(host)]
        except ValueError:
            try:
                found = await self._resolve(host, port)
            except TimeoutError:
                raise NameUnanswered from None
            numbers = [ip_address(each) for each in dict.fromkeys(found)]
        if not numbers:
            raise OSError("its name has no address")
        for number in numbers:  # a name that means both inside and outside is not played with
            self._reach.check(number, scheme, port)
        return numbers[0]

    def _may(self, _host: str, address: Address, port: int) -> bool:
        try:
            self._reach.check(address, "https", max(port, 1024))  # scheme and port were looked at with the name
        except NotReachable:
            return False
        return True


def _said(failed: Exception) -> str:
    """In words that hold nothing of the address."""
    match failed:
        case NameUnanswered():
            return "nobody says in time what number its name has"
        case socket.gaierror():
            return "its name can't be resolved"
        case httpx.ConnectError() if "CERTIFICATE" in str(failed).upper():
            return "its certificate is not believed"
        case httpx.ConnectError():
            return "no connection came about"
        case httpx.ReadError() if str(failed) == TOO_MUCH:
            return TOO_MUCH
        case httpx.RemoteProtocolError() | httpx.ReadError() | httpx.WriteError():
            return "the connection broke before the answer was whole"
        case _:
            return "it could not be sent"
