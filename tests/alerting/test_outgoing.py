"""What is sent to a stranger's address: over real sockets, with a real receiver, and resolvers that lie."""

import asyncio
import contextlib
import socket
import ssl
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from datetime import UTC, datetime
from pathlib import Path

import pytest

from fieldworthy.alerting.bounded import MOST_INTERIM, MOST_READ, TOO_MUCH
from fieldworthy.alerting.outgoing import MOST_ANSWER, Outgoing
from fieldworthy.alerting.outgoing import Resolver as SystemResolver
from fieldworthy.alerting.sender import Outward
from fieldworthy.usecases.reachable import Reach, read_networks
from fieldworthy.usecases.sending import Came, Parcel
from fieldworthy.usecases.signing import secret_text
from tests.alerting.certificates import certificate
from tests.faults.receiver import AWAY, CUT, CUT_AFTER, HUGE, HUGE_BYTES, SLOW, Receiver, receiving

HERE = Reach(read_networks("127.0.0.1/32"))
SECRET = secret_text(b"a secret of these tests!")


class Resolver:
    """Answers with the next list at each question, the last one for ever; counts."""

    def __init__(self, *answers: Sequence[str]) -> None:
        self._answers = list(answers)
        self.asked: list[str] = []

    async def __call__(self, host: str, port: int) -> Sequence[str]:
        self.asked.append(host)
        return self._answers.pop(0) if len(self._answers) > 1 else self._answers[0]


@asynccontextmanager
async def outgoing(reach: Reach = HERE, seconds: float = 5.0, **said: object) -> AsyncIterator[Outgoing]:
    made = Outgoing(reach, seconds, **said)  # type: ignore[arg-type]
    try:
        yield made
    finally:
        await made.close()


@asynccontextmanager
async def sending(seconds: float = 5.0) -> AsyncIterator[tuple[Outward, Receiver]]:

    async with receiving(secrets=[SECRET]) as receiver, outgoing(seconds=seconds) as client:
        yield Outward(client, None, lambda: datetime.now(UTC)), receiver


def parcel(receiver: Receiver, id: str = "evt_1") -> Parcel:
    return Parcel(receiver.url, id, "application/cloudevents+json", b'{"id": "%s"}' % id.encode(), (SECRET,))


async def test_a_signed_event_arrives() -> None:
    async with sending() as (sender, receiver):
        came = await sender.send(parcel(receiver))
        assert (came.came, came.status, came.trouble) == (Came.DELIVERED, 200, None)
        (taken,) = receiver.taken
        assert taken.headers["content-type"] == "application/cloudevents+json"
        assert taken.headers["host"] == f"127.0.0.1:{receiver.port}"
        assert taken.headers["user-agent"].startswith("fieldworthy/")
        assert "cookie" not in taken.headers
        await sender.send(parcel(receiver, "evt_2"))
        assert "cookie" not in receiver.taken[1].headers, "what one receiver sets is shown to none"


ANSWERS = [
    # how, what it comes to, status, words
    ("500", Came.FAILED, 500, "answered 500"),
    ("302", Came.FAILED, 302, "answered 302"),
    ("410", Came.GONE, 410, "answered 410"),
    ("429", Came.FAILED, 429, "answered 429"),
    (CUT, Came.FAILED, None, "broke"),
    (CUT_AFTER, Came.FAILED, None, "broke"),
    (AWAY, Came.FAILED, None, "no connection"),
]


async def test_what_receivers_do() -> None:
    async with sending() as (sender, receiver):
        receiver.retry_after = "120"
        for how, came, status, words in ANSWERS:
            await receiver.does(how)
            found = await sender.send(parcel(receiver))
            assert (found.came, found.status) == (came, status), how
            assert words in (found.trouble or ""), how
            assert found.retry_after == (None if status is None else 120.0), how
            assert "127.0.0.1" not in (found.trouble or "")


async def test_a_slow_one_is_left() -> None:
    async with sending(seconds=0.3) as (sender, receiver):
        await receiver.does(SLOW)
        found = await asyncio.wait_for(sender.send(parcel(receiver)), 3)
        assert (found.came, found.status) == (Came.FAILED, None)
        assert "0.3 s" in (found.trouble or "")
        assert 300 <= found.took < 2000


async def test_one_that_drips_is_left() -> None:
    left = asyncio.Event()

    async def drip(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(b"HTTP/1.1 200 OK\r\nContent-Length: 1000\r\n\r\n")
        while not writer.is_closing():
            writer.write(b"x")
            await asyncio.sleep(0.05)
        left.set()

    server = await asyncio.start_server(drip, "127.0.0.1", 0)
    async with outgoing(seconds=0.4) as client:
        port = server.sockets[0].getsockname()[1]
        found = await asyncio.wait_for(client.post(f"http://127.0.0.1:{port}/", {}, b"{}"), 3)
        await asyncio.wait_for(left.wait(), 3)
    server.close()
    assert found.status is None
    assert "whole answer" in (found.trouble or "")


async def test_an_endless_answer_is_not_listened_to() -> None:
    async with sending() as (sender, receiver):
        await receiver.does(HUGE)
        found = await sender.send(parcel(receiver))
        assert found.came is Came.DELIVERED  # it said so before it went on
        assert receiver.sent < HUGE_BYTES - MOST_ANSWER


CHUNKED = b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n"


@pytest.mark.parametrize(
    ("first", "again", "status"),
    [
        (b"", b"HTTP/1.1 103 Early Hints\r\n\r\n", None),  # interim answers without an end (RFC 9110, 15.2)
        (b"", b"HTTP/1.1 103 Early Hints\r\nlink: " + b"y" * 5000 + b"\r\n\r\n", None),
        (CHUNKED, b"1;x=" + b"y" * 5000 + b"\r\nz\r\n", None),  # chunks that are all wrapping
        (CHUNKED, b"1\r\nz\r\n", 200),  # of one byte each: that it was taken had been told
    ],
    ids=["interim", "long interim", "wrapped", "small"],
)
async def test_what_is_all_wrapping_is_not_listened_to(first: bytes, again: bytes, status: int | None) -> None:
    sent = 0

    async def flood(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        nonlocal sent
        writer.write(first)
        with contextlib.suppress(OSError):
            while True:
                writer.write(again * (60_000 // len(again)))
                await writer.drain()
                sent += 60_000

    server = await asyncio.start_server(flood, "127.0.0.1", 0)
    async with outgoing(seconds=20.0) as client:
        port = server.sockets[0].getsockname()[1]
        found = await client.post(f"http://127.0.0.1:{port}/", {}, b"{}")
    server.close()
    assert (found.status, found.trouble) == (status, None if status else TOO_MUCH)
    assert found.took < 15_000
    assert sent < MOST_READ + 20_000_000  # what the system's buffers take


async def test_a_few_interim_answers_are_passed_over() -> None:
    async def hint(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.readuntil(b"{}")
        writer.write(b"HTTP/1.1 103 Early Hints\r\n\r\n" * MOST_INTERIM + b"HTTP/1.1 204 No Content\r\n\r\n")
        writer.close()

    server = await asyncio.start_server(hint, "127.0.0.1", 0)
    async with outgoing() as client:
        found = await client.post(f"http://127.0.0.1:{server.sockets[0].getsockname()[1]}/", {}, b"{}")
    server.close()
    assert (found.status, found.trouble) == (204, None)


async def test_a_redirect_to_a_private_address_is_not_followed() -> None:
    async with receiving(secrets=[SECRET]) as inside, sending() as (sender, receiver):
        receiver.location = inside.url
        await receiver.does("302")
        assert (await sender.send(parcel(receiver))).came is Came.FAILED
        assert inside.requests == 0


# --- where it must not go ---------------------------------------------------------------------------------------------------------

RESOLVED = [
    *(["127.0.0.1"], ["::1"], ["10.1.2.3"], ["192.168.0.7"], ["169.254.169.254"], ["fe80::1"], ["fd00:ec2::254"], ["0.0.0.0"]),
    *(["::ffff:127.0.0.1"], ["64:ff9b::7f00:1"], ["168.63.129.16"], ["fe80::1%1"], ["224.0.0.1"]),
    ["93.184.215.14", "127.0.0.1"],  # one good number does not excuse the other
    ["127.0.0.1", "93.184.215.14"],
]


@pytest.mark.parametrize("numbers", RESOLVED, ids=str)
async def test_names_that_mean_the_inside(numbers: list[str]) -> None:
    async with receiving() as inside, outgoing(Reach(), resolve=Resolver(numbers)) as client:
        found = await client.post(f"https://metadata.farm.example:{inside.port}/", {}, b"{}")
        assert found.status is None
        assert "was not called" in (found.trouble or "")
        assert inside.requests == 0


@pytest.mark.parametrize("host", ["127.0.0.1", "localhost", "2130706433", "0x7f.1", "017700000001", "[::ffff:127.0.0.1]", "name@127.0.0.1"])
async def test_spellings_of_the_inside_are_not_even_tried(host: str) -> None:
    met: list[object] = []

    async def meet(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        met.append(writer)
        writer.close()

    server = await asyncio.start_server(meet, "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    async with outgoing(Reach()) as client:
        for scheme in ("http", "https"):
            found = await client.post(f"{scheme}://{host}:{port}/", {}, b"{}")
            assert "was not called" in (found.trouble or "")
    server.close()
    await server.wait_closed()
    assert met == [], "no connection may tell a stranger which ports are open inside"


async def test_a_name_is_asked_once_and_that_number_is_called() -> None:
    """A name that changes what it means between the look and the call: the second meaning is never asked for."""
    lying = Resolver(["127.0.0.1"], ["127.0.0.2"])
    async with receiving(secrets=[SECRET]) as receiver, outgoing(resolve=lying) as client:
        found = await client.post(f"http://farm.example:{receiver.port}/events", {}, b"{}")
        assert found.status == 401  # it came, unsigned, to the number that was looked at
        assert lying.asked == ["farm.example"]
        again = await client.post(f"http://farm.example:{receiver.port}/events", {}, b"{}")
        assert "was not called" in (again.trouble or ""), "nothing of the first look is remembered"


async def test_the_systems_resolver_lied_to(monkeypatch: pytest.MonkeyPatch) -> None:
    """The real way through the system's resolver, which answers with the inside at the second question."""
    answers = ["93.184.215.14", "127.0.0.1"]
    asked = []
    real = socket.getaddrinfo

    def lie(host: str, port: int, *more: int, **other: int) -> list[object]:
        if host != "farm.example":
            return list(real(host, port, *more, **other))
        asked.append(host)
        return [(socket.AF_INET, socket.SOCK_STREAM, 6, "", (answers[min(len(asked), 2) - 1], port))]

    monkeypatch.setattr(socket, "getaddrinfo", lie)
    assert await SystemResolver()("farm.example", 443) == ["93.184.215.14"]
    async with receiving() as inside, outgoing(Reach(), seconds=2) as client:
        found = await client.post(f"https://farm.example:{inside.port}/", {}, b"{}")
        assert "was not called" in (found.trouble or "")
        assert inside.requests == 0
    assert asked == ["farm.example"] * 2


@pytest.mark.parametrize("error", [socket.gaierror(-2, "no such name"), OSError("away")])
async def test_a_name_that_nobody_knows(error: OSError) -> None:
    async def nobody(host: str, port: int) -> Sequence[str]:
        raise error

    async with outgoing(Reach(), resolve=nobody) as client:
        found = await client.post("https://farm.example/", {}, b"{}")
        assert found.status is None
        assert found.trouble


async def test_proxies_of_the_environment_are_passed_by(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("HTTP_PROXY", "http_proxy", "ALL_PROXY"):
        monkeypatch.setenv(name, "http://127.0.0.1:9")
    async with sending() as (sender, receiver):
        assert (await sender.send(parcel(receiver))).came is Came.DELIVERED


# --- certificates -----------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("named", "believed"), [("farm.example", True), ("other.example", False)])
async def test_the_certificate_must_be_of_the_name(named: str, believed: bool, tmp_path: Path) -> None:
    """The number is called, and the certificate held to the name all the same."""
    server, trust = certificate(tmp_path, named)
    numbers = Resolver(["127.0.0.1"])
    async with receiving(tls=server) as receiver, outgoing(resolve=numbers, context=trust) as client:
        found = await client.post(f"https://farm.example:{receiver.port}/", {}, b"{}")
        assert (found.status == 401) is believed
        assert believed or "certificate" in (found.trouble or "")


async def test_a_stranger_is_not_believed(tmp_path: Path) -> None:
    server, _ = certificate(tmp_path, "farm.example")
    async with receiving(tls=server) as receiver, outgoing(resolve=Resolver(["127.0.0.1"]), context=ssl.create_default_context()) as client:
        found = await client.post(f"https://farm.example:{receiver.port}/", {}, b"{}")
        assert "certificate" in (found.trouble or "")
