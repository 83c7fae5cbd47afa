"""Keys at the door, over a real database: who is let in, who is not and what they are told, and how soon a key that was ended is.

Sources: RFC 6750 (bearer tokens), 2.1 and 3 with 3.1: the challenge, its parameters and its codes; RFC 9110, 11.1: the scheme in any case.
"""

import asyncio
import json
import re
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from functools import partial
from typing import Any

import httpx
import pytest
import structlog
from starlette.requests import Request

from fieldworthy.rest.admission import Admission, WithKeys
from fieldworthy.rest.noting import noting
from fieldworthy.storage.engine import SqlStore
from fieldworthy.usecases.audit import Actor
from fieldworthy.usecases.keep_keys import create_key, list_keys, revoke_key
from fieldworthy.usecases.key_refusals import KeyEnded, KeyRefused
from fieldworthy.usecases.key_ring import LIFE_SECONDS, MOST_UNKNOWN, KeyRing
from fieldworthy.usecases.keys import Caller, Keys, KeyScope, new_key_text
from fieldworthy.usecases.ports import StoreUnavailable
from tests.keep.service import Service, running

REALM = 'Bearer realm="fieldworthy"'
ASK = {"interval": "every 80 h"}
CHECK = "/v1/expressions/check"


@pytest.fixture
async def locked(address: str) -> AsyncIterator[Service]:
    """The service with keys."""
    async with running(address, is_open=False) as opened:
        yield opened


async def a_key(service: Service, *scopes: KeyScope, organisation: str = "Nine Oxen", days: int = 30) -> str:
    return (await create_key(service.store, organisation, "a test", scopes or (KeyScope.READ,), days)).text


def with_key(text: str) -> dict[str, str]:
    return {"authorization": f"Bearer {text}"}


def refused(answer: httpx.Response, status: int, code: str) -> Any:
    assert answer.status_code == status, answer.text
    told = answer.json()
    assert (told["status"], told["code"]) == (status, code)
    assert told["mend"]
    assert answer.headers["content-type"] == "application/problem+json"
    return told


async def test_a_key_with_the_scope_is_let_in_and_no_other(locked: Service) -> None:
    text = await a_key(locked)
    assert (await locked.http.get("/v1/machines", headers=with_key(text))).json() == {"items": [], "next": None}
    told = refused(await locked.http.get("/v1/machines"), 401, "key.missing")
    assert "Authorization: Bearer" in told["mend"]
    other = await locked.http.post("/v1/readings", json=[], headers=with_key(text))
    told = refused(other, 403, "key.scope_missing")
    assert "`post-readings`" in told["detail"]
    assert other.headers["www-authenticate"] == f'{REALM}, error="insufficient_scope", scope="post-readings"'


async def test_the_bridge_posts_and_nothing_else(locked: Service) -> None:
    """It learns of no machine but those that it names itself."""
    text = await a_key(locked, KeyScope.POST_READINGS)
    posted = await locked.http.post("/v1/readings", json=[], headers=with_key(text))
    assert posted.status_code == 200, posted.text
    for path in ("/v1/machines", "/v1/due", "/v1/set-aside", "/v1/rulebooks", "/v1/machines/r5-17/readings"):
        refused(await locked.http.get(path, headers=with_key(text)), 403, "key.scope_missing")


@pytest.mark.parametrize("path", [CHECK, "/v1/rulebooks/check"])
async def test_the_quick_way_asks_too(locked: Service, path: str) -> None:
    """Questions take a shorter way to their handler than other requests."""
    body = ASK if path == CHECK else {}
    refused(await locked.http.post(path, json=body), 401, "key.missing")
    bridge = await a_key(locked, KeyScope.POST_READINGS)
    refused(await locked.http.post(path, json=body, headers=with_key(bridge)), 403, "key.scope_missing")
    assert (await locked.http.post(path, json=body, headers=with_key(await a_key(locked)))).status_code == 200


async def test_what_needs_no_key(locked: Service) -> None:
    for path in ("/healthz", "/readyz", "/openapi.json", "/docs", "/problems", "/problems/key.missing"):
        assert (await locked.http.get(path)).status_code == 200, path
        assert (await locked.http.get(path, headers={"authorization": "Bearer nonsense"})).status_code == 200, path
    refused(await locked.http.get("/v1/nothing"), 404, "address.unknown")


NONE = new_key_text(bytes(40))[0]


@pytest.mark.parametrize(
    ("given", "code", "challenge"),
    [
        ([], "key.missing", REALM),
        (["Bearer"], "key.refused", f'{REALM}, error="invalid_token"'),
        (["Bearer "], "key.refused", None),
        ([f"Bearer {NONE}"], "key.refused", None),
        ([f"Bearer {NONE[:-1]}"], "key.refused", None),
        ([f"Bearer {NONE}x"], "key.refused", None),
        ([f"Bearer {NONE} {NONE}"], "key.refused", None),
        ([NONE], "key.refused", None),
        ([f"Basic {NONE}"], "key.refused", None),
        (["Bearer eyJhbGciOiJub25lIn0.e30."], "key.refused", None),  # an unsigned JWT
        (["Bearer " + "x" * 20_000], "key.refused", None),
        (["Bearer \xff\xfe"], "key.refused", None),
        ([f"Bearer {NONE}", f"Bearer {NONE}"], "key.refused", None),
    ],
)
async def test_what_opens_nothing(locked: Service, given: list[str], code: str, challenge: str | None) -> None:
    sent = [("authorization", value.encode("latin-1")) for value in given]
    answer = await locked.http.get("/v1/machines", headers=sent)
    told = refused(answer, 401, code)
    assert answer.headers["www-authenticate"] == (challenge or f'{REALM}, error="invalid_token"')
    assert not [value for value in given if len(value) > 10 and value[7:] in json.dumps(told)]  # what was sent is not repeated


@pytest.mark.parametrize("scheme", ["Bearer ", "bearer ", "BEARER ", "Bearer   "])
async def test_the_scheme_in_any_case(locked: Service, scheme: str) -> None:
    text = await a_key(locked)
    assert (await locked.http.get("/v1/machines", headers={"authorization": scheme + text})).status_code == 200


async def test_the_id_of_a_key_with_another_secret_opens_nothing(locked: Service) -> None:
    text = await a_key(locked)
    forged = next(t for t, p in (new_key_text(bytes([n]) * 40) for n in range(250)) if p.id != text[3:15])
    mixed = text[:16] + forged[16:]
    told = refused(await locked.http.get("/v1/machines", headers=with_key(forged)), 401, "key.refused")
    cut = refused(await locked.http.get("/v1/machines", headers=with_key(mixed)), 401, "key.refused")
    assert told["detail"] != cut["detail"]  # the second is no key in its form, as its check says
    import binascii

    whole = mixed[:-8] + f"{binascii.crc32(mixed[:-8].encode()):08x}"
    assert refused(await locked.http.get("/v1/machines", headers=with_key(whole)), 401, "key.refused") == told  # as of one that never was


async def test_an_expired_key_says_so(locked: Service) -> None:
    text = await a_key(locked, days=1)
    locked.later(hours=23, minutes=59)
    assert (await locked.http.get("/v1/machines", headers=with_key(text))).status_code == 200
    locked.later(minutes=1)
    told = refused(await locked.http.get("/v1/machines", headers=with_key(text)), 401, "key.ended")
    assert "expired at 2026-07-15T06:00:00Z" in told["detail"]


async def test_nothing_that_is_answered_or_logged_holds_the_key(locked: Service) -> None:
    """OWASP API Security Top 10 (2023), API8: whatever goes wrong, the key that was sent stays with who sent it."""
    text = await a_key(locked)
    secret = text[16:40]

    async def broken(*_: Any) -> None:
        raise RuntimeError("a fault of our own")

    with structlog.testing.capture_logs() as logs:
        answers = [
            await locked.http.get("/v1/machines", headers=with_key(text)),
            await locked.http.get(f"/v1/machines/{'x' * 200}", headers=with_key(text)),
            await locked.http.post("/v1/due", content=b"{", headers=with_key(text)),
            await locked.http.put("/v1/machines/a", json={}, headers=with_key(text)),
        ]
        locked.app.state.admission = broken
        answers.append(await locked.http.get("/v1/machines", headers=with_key(text)))
    assert [a.status_code for a in answers] == [200, 404, 415, 403, 500]
    assert len(logs) == 1
    for shown in (repr(logs), *(a.text + repr(a.headers) for a in answers)):
        assert secret not in shown


# --- the ring: what is remembered, and for how long -----------------------------------------------------------------------------------


@dataclass
class Counted:
    """A store that counts who asks it for keys. away: it can't be reached; slow: how long it takes."""

    store: SqlStore
    asked: int = 0
    away: bool = False
    hold: asyncio.Event = field(default_factory=asyncio.Event)

    @asynccontextmanager
    async def look_keys(self) -> AsyncIterator[Keys]:
        self.asked += 1
        await self.hold.wait()
        if self.away:
            raise StoreUnavailable("the database is away", "try again")
        async with self.store.look_keys() as keys:
            yield keys

    @asynccontextmanager
    async def keep_keys(self, actor: Actor) -> AsyncIterator[Keys]:
        if self.away:
            raise StoreUnavailable("the database is away", "try again")
        async with self.store.keep_keys(actor) as keys:
            yield keys


@dataclass
class Held:
    """A ring whose time the test turns. seconds: of its own clock."""

    service: Service
    store: Counted
    ring: KeyRing
    seconds: float = 0.0


@pytest.fixture
async def held(locked: Service) -> Held:
    store = Counted(locked.store)
    store.hold.set()
    made = Held(locked, store, None)  # type: ignore[arg-type]
    made.ring = KeyRing(store, lambda: locked.now, lambda: made.seconds)
    locked.app.state.admission = WithKeys(made.ring)
    return made


async def test_a_busy_key_costs_one_question_in_its_time(held: Held) -> None:
    text = await a_key(held.service)
    for moment in (0.0, 0.1, LIFE_SECONDS - 0.1):
        held.seconds = moment
        assert (await held.service.http.post(CHECK, json=ASK, headers=with_key(text))).status_code == 200
        assert held.store.asked == 1
    held.seconds = LIFE_SECONDS
    assert (await held.service.http.post(CHECK, json=ASK, headers=with_key(text))).status_code == 200
    assert held.store.asked == 2


@pytest.mark.both_databases
async def test_a_revoked_key_opens_nothing_after_that_time_on_every_replica(held: Held, address: str) -> None:
    text = await a_key(held.service)
    async with running(address, is_open=False) as other:
        for each in (held.service, other):
            assert (await each.http.get("/v1/machines", headers=with_key(text))).status_code == 200
        other.app.state.admission = WithKeys(KeyRing(other.store, lambda: other.now, lambda: held.seconds))
        assert (await other.http.get("/v1/machines", headers=with_key(text))).status_code == 200
        await revoke_key(held.service.store, text[3:15])
        held.seconds = LIFE_SECONDS
        for each in (held.service, other):
            told = refused(await each.http.get("/v1/machines", headers=with_key(text)), 401, "key.ended")
            assert re.search(r"`[a-z2-7]{12}` was revoked at 2026-07-14T06:00:00Z", told["detail"])
            assert (await each.http.get("/v1/machines", headers=with_key(text))).headers["www-authenticate"].startswith(REALM)


@dataclass
class Admitted:
    """An admission that tells each time that it was asked, so that a test can send a line once the one before is judged."""

    inner: Admission
    asked: asyncio.Semaphore = field(default_factory=lambda: asyncio.Semaphore(0))

    async def __call__(self, request: Request, needs: KeyScope | None, again: bool = False) -> Caller:
        try:
            return await self.inner(request, needs)
        finally:
            self.asked.release()


async def batch(held: Held, text: str, before_each: list[Callable[[], Awaitable[None]]]) -> list[Any]:
    """The answers to a batch of as many lines, each sent once what is to be before it was done."""
    seen = held.service.app.state.admission = Admitted(held.service.app.state.admission)

    async def lines() -> AsyncIterator[bytes]:
        for done in before_each:
            await seen.asked.acquire()
            await done()
            yield json.dumps({"rulebook": "none", "now": "2026-07-14T06:00:00Z", "machine": {}}).encode() + b"\n"

    headers = {**with_key(text), "content-type": "application/jsonl"}
    answer = await held.service.http.post("/v1/due/batch", content=lines(), headers=headers)
    return [json.loads(line) for line in answer.text.splitlines()]


async def test_a_batch_ends_with_its_key(held: Held) -> None:
    """It may be sent line by line for hours: who ends its key need not wait for the sender to be done."""
    text = await a_key(held.service)

    async def later(seconds: float, revoked: bool = False) -> None:
        held.seconds += seconds
        if revoked:
            await revoke_key(held.service.store, text[3:15])

    waits = [(0.0, False), (LIFE_SECONDS, False), (LIFE_SECONDS - 0.1, True), (0.1, False)]
    told = await batch(held, text, [partial(later, *each) for each in waits])
    assert [each["problem"]["code"] for each in told] == ["rulebook.unknown"] * 3 + ["key.ended"]


async def test_while_the_store_is_away_a_batch_goes_on(held: Held) -> None:
    """Each line is answered as it can be at its time: one that can't be is refused by itself."""
    text = await a_key(held.service)

    async def away(is_away: bool) -> None:
        held.store.away = is_away
        held.seconds += LIFE_SECONDS

    told = await batch(held, text, [partial(away, each) for each in (False, True, False)])
    assert [each["problem"]["code"] for each in told[:3]] == ["rulebook.unknown", "service.unavailable", "rulebook.unknown"]
    assert told[3] == {"end": True, "lines": 3}


async def test_many_at_once_wait_for_one_question(held: Held) -> None:
    text = await a_key(held.service)
    held.store.hold.clear()
    waiting = [asyncio.create_task(held.ring.key(text.encode())) for _ in range(50)]
    await asyncio.sleep(0)
    await asyncio.sleep(0)
    waiting[0].cancel()  # the one that asked first has left: the others are answered all the same
    held.store.hold.set()
    found = await asyncio.gather(*waiting, return_exceptions=True)
    assert isinstance(found[0], asyncio.CancelledError)
    assert len({key.id for key in found[1:]}) == 1  # type: ignore[union-attr]
    assert held.store.asked == 1


async def test_while_the_store_is_away_a_key_is_believed_for_its_time_and_no_longer(held: Held) -> None:
    text = await a_key(held.service)
    assert (await held.service.http.post(CHECK, json=ASK, headers=with_key(text))).status_code == 200
    held.store.away = True
    held.seconds = LIFE_SECONDS - 0.1
    assert (await held.service.http.post(CHECK, json=ASK, headers=with_key(text))).status_code == 200
    held.seconds = LIFE_SECONDS
    answer = await held.service.http.post(CHECK, json=ASK, headers=with_key(text))
    refused(answer, 503, "service.unavailable")
    assert answer.headers["retry-after"]
    held.store.away = False
    assert (await held.service.http.post(CHECK, json=ASK, headers=with_key(text))).status_code == 200


async def test_who_guesses_drives_out_nobody_and_is_remembered_too(held: Held) -> None:
    text = await a_key(held.service)
    await held.ring.key(text.encode())
    guesses = [new_key_text(n.to_bytes(2, "big") * 20)[0].encode() for n in range(MOST_UNKNOWN + 10)]
    for guess in guesses:
        with pytest.raises(KeyRefused):
            await held.ring.key(guess)
    assert held.store.asked == 1 + len(guesses)
    with pytest.raises(KeyRefused):
        await held.ring.key(guesses[-1])
    await held.ring.key(text.encode())
    assert held.store.asked == 1 + len(guesses)
    assert len(held.ring._unknown) == MOST_UNKNOWN
    for nonsense in (b"", b"x" * 100, text[:-1].encode()):
        with pytest.raises(KeyRefused):
            await held.ring.key(nonsense)
    assert held.store.asked == 1 + len(guesses)  # what has not the form of a key is not asked for


async def test_the_last_use_is_noted_beside_the_requests(held: Held) -> None:
    text, unused = await a_key(held.service), await a_key(held.service)

    async def noted() -> dict[str, int | None]:
        return {each.key.id: each.key.last_used for each in await list_keys(held.service.store)}

    await held.service.http.get("/v1/machines", headers=with_key(text))
    assert set((await noted()).values()) == {None}  # not in the request's way
    held.service.later(minutes=3)
    await held.service.http.get("/v1/machines", headers=with_key(text))
    held.store.away = True
    with pytest.raises(StoreUnavailable):
        await held.ring.note_used()
    held.store.away = False
    async with noting(held.ring):
        pass  # at its end it tells what is left to tell
    found = await noted()
    created = {each.key.id: each.key.created for each in await list_keys(held.service.store)}
    assert found == {text[3:15]: created[text[3:15]] + 180_000_000, unused[3:15]: None}


async def test_a_key_that_is_refused_is_not_used(held: Held) -> None:
    text = await a_key(held.service, days=1)
    held.service.later(days=2)
    with pytest.raises(KeyEnded):
        await held.ring.key(text.encode())
    await held.ring.note_used()
    assert [each.key.last_used for each in await list_keys(held.service.store)] == [None]
