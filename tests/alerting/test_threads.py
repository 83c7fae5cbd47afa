"""Names that never answer, and a mail server that hangs, keep no threads from the others; who finds none free was not tried."""

import asyncio
import threading
import time
from collections.abc import AsyncIterator, Callable, Iterator, Sequence
from datetime import UTC, datetime
from typing import Any

import pytest

from fieldworthy.alerting.mail import Mailer
from fieldworthy.alerting.outgoing import Outgoing, Resolver
from fieldworthy.alerting.sender import Outward
from fieldworthy.alerting.threads import Threads
from fieldworthy.usecases.mail_server import MailServer
from fieldworthy.usecases.reachable import Reach
from fieldworthy.usecases.sending import Came, Letter, Parcel
from fieldworthy.usecases.signing import secret_text

SECRET = secret_text(b"a secret of these tests!")


class Names:
    """Numbers of names; one that begins with `dead` answers when it is let go."""

    def __init__(self) -> None:
        self.asked: list[str] = []
        self.let_go = threading.Event()

    def __call__(self, host: str, port: int) -> Sequence[str]:
        self.asked.append(host)
        if host.startswith("dead"):
            self.let_go.wait(20)
        return ["10.0.0.1"]  # which is not called


@pytest.fixture
def names() -> Iterator[Names]:
    made = Names()
    yield made
    made.let_go.set()


@pytest.fixture
async def send(names: Names) -> AsyncIterator[Callable[[str], Any]]:
    """Sends to a name, by two threads for which somebody waits 0.05 s, and 0.1 s for an answer; what came of it, and why."""
    outgoing = Outgoing(Reach(), 5.0, Resolver(names, Threads(2, "resolving", 0.05), 0.1))
    outward = Outward(outgoing, None, lambda: datetime.now(UTC))

    async def send(host: str) -> tuple[Came, str | None]:
        came = await outward.send(Parcel(f"https://{host}.example/", "evt_1", "application/json", b"{}", (SECRET,)))
        return came.came, came.trouble

    yield send
    names.let_go.set()
    await outgoing.close()


NOBODY_SAYS = (Came.FAILED, "nobody says in time what number its name has")


async def test_a_name_that_never_answers_keeps_one_thread(send: Callable[[str], Any], names: Names) -> None:
    assert await asyncio.gather(*(send("dead") for _ in range(4))) == [NOBODY_SAYS] * 4
    assert await send("dead") == NOBODY_SAYS, "and another try waits for the same answer"
    came, trouble = await send("farm")
    assert came is Came.FAILED
    assert "was not called" in trouble, "it had a thread, and its number was looked at"
    assert names.asked == ["dead.example", "farm.example"]


async def test_where_all_threads_hang_nothing_is_counted_as_a_try(send: Callable[[str], Any], names: Names) -> None:
    assert await asyncio.gather(send("dead1"), send("dead2")) == [NOBODY_SAYS] * 2
    assert (await send("farm"))[0] is Came.NOT_TRIED
    names.let_go.set()
    for _ in range(100):
        came, trouble = await send("farm")
        if came is not Came.NOT_TRIED:
            break
    assert "was not called" in trouble, "they are free again when the answers came"


async def test_a_mail_that_waits_for_a_thread_is_not_tried() -> None:
    threads, hangs = Threads(1, "mailing", 0.05), threading.Event()
    mailer = Mailer(MailServer("127.0.0.1", 9, "plain", "a@farm.example"), lambda: datetime.now(UTC), 0.5, threads=threads)
    letter = Letter("b@farm.example", "evt_1", "x", "x\n")
    outward = Outward(Outgoing(Reach()), mailer, lambda: datetime.now(UTC))
    busy = await threads.begin(lambda: hangs.wait(20))
    assert (await outward.mail(letter)).came is Came.NOT_TRIED
    busy.cancel()  # whoever waited goes, and the thread is as busy as before
    assert (await outward.mail(letter)).came is Came.NOT_TRIED
    hangs.set()
    for _ in range(100):
        came = await outward.mail(letter)
        if came.came is not Came.NOT_TRIED:
            break
    assert came.trouble == "the mail server can't be reached"
    await outward.close()


async def test_the_time_of_a_mail_begins_with_its_thread() -> None:
    threads = Threads(1, "mailing")
    mailer = Mailer(MailServer("127.0.0.1", 9, "plain", "a@farm.example"), lambda: datetime.now(UTC), 0.5, threads=threads)
    await threads.begin(lambda: time.sleep(1.1))
    came = await mailer.send(Letter("b@farm.example", "evt_1", "x", "x\n"))
    assert came.trouble == "the mail server can't be reached", "it was tried, and not late"
