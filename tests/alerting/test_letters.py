"""What people read: an event, a digest, and whatever text stands in them."""

import asyncio
import json
from datetime import UTC, datetime
from email import message_from_bytes
from email.policy import default

from fieldworthy.alerting.mail import Mailer
from fieldworthy.alerting.outgoing import Outgoing
from fieldworthy.alerting.sender import Outward
from fieldworthy.alerting.worker import delivering
from fieldworthy.storage.engine import SqlStore
from fieldworthy.usecases.deliver import Deliver
from fieldworthy.usecases.deliveries import Claim
from fieldworthy.usecases.events import Event
from fieldworthy.usecases.listeners import Choice, Lane, Listener
from fieldworthy.usecases.tell import letter_of
from tests.alerting.test_mail import Box, mailer, serving
from tests.faults.alerts_at_work import HERE, QUICK, AtWork

DATA = {
    "machine": "r5-17",
    "title": "Grease the starter roller's bearings",
    "because": [{"code": "since-last-done", "text": "Done at 640 h; every 80 h makes it due at 720 h.", "values": {}}],
    "rulebook": {"name": "plover-r5-baler", "version": 2, "digest": "sha256:0"},
    "disclaimer": "The machine's own handbook comes first.",
}


def event(n: int, data: object, standing: str | None = "due", type: str = "fieldworthy.task.due") -> Event:
    where = (1, "r5-17", "north", "roller-bearing-grease", "lubricate", standing)
    return Event(n, f"evt_{n:032x}", "/organisations/1", 1_784_030_400_000_000, type, "machines/r5-17", *where, json.dumps(data))


def claim(*events: Event) -> Claim:
    choice = Choice(email="foreman@farm.example")
    listener = Listener(1, "foreman", 1, "The foreman", choice, "on", "whsec_secret", None, None, None, None, 0, 0)
    return Claim("dig_1" if len(events) > 1 else events[0].id, listener, events, Lane.ORDER, 0, 0, 0, "one")


def test_one_event() -> None:
    letter = letter_of(claim(event(1, DATA)))
    assert (letter.to, letter.id) == ("foreman@farm.example", f"evt_{1:032x}")
    assert letter.subject == "r5-17: Grease the starter roller's bearings: due"
    for said in ("Done at 640 h; every 80 h", "plover-r5-baler, version 2", "handbook comes first", "2026-07-14 12:00 UTC", "site: north"):
        assert said in letter.text
    assert "secret" not in letter.text


def test_a_digest() -> None:
    letter = letter_of(claim(*(event(n, DATA) for n in range(1, 71))))
    assert letter.subject.startswith("70 events, the first: r5-17: Grease")
    assert letter.text.count("Done at 640 h") == 60
    assert "And 10 more" in letter.text


def test_whatever_stands_in_it() -> None:
    for data in (
        {},
        [],
        None,
        {"because": "x", "rulebook": 3, "title": None},
        {"because": [3, {"text": None}], "title": "a\r\nBcc: x@y.example"},
    ):
        letter = letter_of(claim(event(1, data)))
        assert "\n" not in letter.subject
        assert "\nBcc" not in letter.text
        assert letter.text.endswith("come first.\n")


async def test_a_person_is_told_end_to_end(store: SqlStore) -> None:
    """An event in the store, a worker, a real mail server; a mail that failed comes again with the same id."""
    work = AtWork(store)
    box = Box("451 Later")
    with serving(box) as port:
        outgoing = Outgoing(HERE, 1.0)
        made: Mailer = mailer(port)
        sender = Outward(outgoing, made, lambda: datetime.now(UTC))
        async with delivering(Deliver(store, sender, "one", QUICK), every=0.02):
            await work.listener(None, email="foreman@farm.example")
            await work.cause(1)
            await _until(box, 2)
            box.says = "250 Taken"
            await _until(box, len(box.taken) + 1)
            for _ in range(200):
                (one,) = await work.deliveries()
                if one.state == "delivered":
                    break
                await _nap()
        await outgoing.close()
    assert (one.state, one.last_status) == ("delivered", 250)
    assert one.digest is not None
    assert {mail["Message-ID"] for _, _, mail in box.taken} == {f"<{one.digest}@farm.example>"}
    assert message_from_bytes(box.taken[0][2].as_bytes(), policy=default)["Subject"].endswith("due")


async def _until(box: Box, n: int) -> None:
    for _ in range(500):
        if len(box.taken) >= n:
            return
        await _nap()
    raise AssertionError("no mail came")


async def _nap() -> None:
    await asyncio.sleep(0.02)
