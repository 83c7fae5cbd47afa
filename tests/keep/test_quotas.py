"""Quotas at the door, over a real database: what each answer says, when it is 429, and how many wrong keys one address may send.

Sources: draft-ietf-httpapi-ratelimit-headers (September 2025), 3 and 4: the fields and their parameters; 5.1, 5.3: the problem types and
`violated-policies`; 6: `t` and `Retry-After` name one moment. RFC 9110, 10.2.3: `Retry-After`. RFC 9651, 3.3: a String of a
structured field.
"""

import asyncio
import json
import re
from collections.abc import AsyncIterator

import httpx
import pytest

from fieldworthy.rest.admission import WithKeys
from fieldworthy.usecases.keep_keys import create_key, revoke_key
from fieldworthy.usecases.key_ring import KeyRing
from fieldworthy.usecases.keys import KeyScope, new_key_text
from fieldworthy.usecases.ports import StoreUnavailable
from fieldworthy.usecases.quota import Quota
from fieldworthy.usecases.quotas import Quotas
from fieldworthy.usecases.wrong_keys import MOST_ADDRESSES, WrongKeys
from fieldworthy.wire.problems import QuotaProblem
from tests.keep.service import Service, running

pytestmark = pytest.mark.both_databases

QUOTA = Quota(8, 60)
FIELD = re.compile(r'"requests";r=(\d+);t=(\d+)\Z')
EXCEEDED = "https://iana.org/assignments/http-problem-types#quota-exceeded"
ABNORMAL = "https://iana.org/assignments/http-problem-types#abnormal-usage-detected"
ASK = ("POST", "/v1/expressions/check", {"interval": "every 80 h"})


@pytest.fixture
async def limited(address: str) -> AsyncIterator[Service]:
    async with running(address, is_open=False, quota=QUOTA, max_body=1000) as opened:
        yield opened


async def a_key(service: Service) -> dict[str, str]:
    return {"authorization": f"Bearer {(await create_key(service.store, 'Nine Oxen', 'a test', [KeyScope.READ])).text}"}


def left(answer: httpx.Response, quota: Quota = QUOTA) -> tuple[int, int]:
    """r and t."""
    assert answer.headers.get_list("ratelimit-policy") == [f'"requests";q={quota.requests};w={quota.seconds}']
    (field,) = answer.headers.get_list("ratelimit")
    found = FIELD.match(field)
    assert found, field
    return int(found[1]), int(found[2])


async def _streamed() -> AsyncIterator[bytes]:
    for _ in range(20):
        yield b" " * 100


async def test_every_answer_to_a_key_says_what_is_left_and_the_next_one_after_none_is_429(limited: Service) -> None:
    key = await a_key(limited)
    rows = [
        ("POST", "/v1/expressions/check", {"interval": "every 80 h"}, 200),
        ("POST", "/v1/expressions/check", _streamed(), 413),  # found out once the key is known, and written outside of all else
        ("GET", "/v1/machines", None, 200),
        ("HEAD", "/v1/machines", None, 200),
        ("GET", "/v1/machines/none", None, 404),
        ("PUT", "/v1/machines/none", {}, 403),  # what is refused for want of a scope counts too
        ("POST", "/v1/due", {}, 422),
        ("GET", "/v1/machines?limit=x", None, 422),
    ]
    seen = []
    for method, path, body, status in rows:
        sent = {"content": body} if isinstance(body, AsyncIterator) else {"json": body}
        answer = await limited.http.request(method, path, headers={**key, "content-type": "application/json"}, **sent)
        assert answer.status_code == status, (path, answer.text)
        seen.append(left(answer))
    assert [r for r, _ in seen] == [1] * 7 + [0]  # a share of so few is one
    assert all(40 < t <= 60 for _, t in seen)
    for method, path, body in (ASK, ("GET", "/v1/machines", None), ("PUT", "/v1/machines/none", {})):
        answer = await limited.http.request(method, path, json=body, headers=key)
        assert answer.status_code == 429
        r, t = left(answer)
        assert (r, answer.headers["retry-after"]) == (0, str(t))
        assert answer.headers["content-type"] == "application/problem+json"
        told = answer.json()
        assert QuotaProblem.model_validate(told)
        assert (told["type"], told["code"], told["violated-policies"]) == (EXCEEDED, "quota.exceeded", ["requests"])
        assert (await limited.http.get(f"/problems/{told['code']}")).status_code == 200


async def test_another_key_has_a_quota_of_its_own_and_what_needs_no_key_has_none(limited: Service) -> None:
    keys = [await a_key(limited) for _ in range(2)]
    for _ in range(8):
        await limited.http.request(*ASK[:2], json=ASK[2], headers=keys[0])
    assert (await limited.http.get("/v1/machines", headers=keys[0])).status_code == 429
    assert (await limited.http.get("/v1/machines", headers=keys[1])).status_code == 200
    for path in ("/healthz", "/openapi.json", "/v1/nothing", "/v1/machines"):
        answer = await limited.http.get(path, headers=keys[0] if path != "/v1/machines" else {})
        assert answer.status_code in (200, 401, 404)
        assert "ratelimit" not in answer.headers


async def test_the_next_window_grants_again(limited: Service) -> None:
    key, seconds = await a_key(limited), [0.0]
    quotas = Quotas(limited.store, QUOTA, lambda: seconds[0])
    limited.app.state.admission = WithKeys(KeyRing(limited.store, lambda: limited.now, lambda: 0.0), quotas)
    for later, want in ((0, [200] * 8 + [429]), (59, [429]), (1, [200] * 8 + [429]), (-3600, [429]), (60, [429]), (60, [200])):
        limited.later(seconds=later)
        seconds[0] += max(later, 0.5)
        got = [(await limited.http.request(*ASK[:2], json=ASK[2], headers=key)).status_code for _ in want]
        assert got == want, later


async def test_many_at_once_wait_for_few_draws_and_get_no_more_than_there_is(limited: Service) -> None:
    class Counted:
        draws = 0
        away = False

        def keep_quotas(self):  # type: ignore[no-untyped-def]
            Counted.draws += 1
            if Counted.away:
                raise StoreUnavailable("the database is away", "try again")
            return limited.store.keep_quotas()

    quotas = Quotas(Counted(), Quota(100, 60))
    told = await asyncio.gather(*(quotas.spend("a") for _ in range(150)), return_exceptions=True)
    granted = [each for each in told if not isinstance(each, Exception)]
    assert len(granted) == 100
    assert {type(each).__name__ for each in told if isinstance(each, Exception)} == {"QuotaExceeded"}
    assert Counted.draws < 20
    assert all(0 <= each.remaining <= 100 for each in granted)
    before, Counted.away = Counted.draws, True
    with pytest.raises(Exception, match="has made them"):  # what is known needs no store
        await quotas.spend("a")
    assert Counted.draws == before
    with pytest.raises(StoreUnavailable):  # nobody knows whether the key still works either
        await quotas.spend("b")
    Counted.away = False
    first = await quotas.spend("b")
    Counted.away = True
    for n in range(first.remaining):
        last = await quotas.spend("b")
        assert last.remaining == first.remaining - n - 1  # what is in hand is there while the store is away; at its end nothing certain is


async def test_where_the_store_can_not_count_the_policy_is_told_and_what_is_left_is_not(limited: Service) -> None:
    class Away:
        def keep_quotas(self):  # type: ignore[no-untyped-def]
            raise StoreUnavailable("the database is away", "try again", 5)

    key = await a_key(limited)
    limited.app.state.admission = WithKeys(KeyRing(limited.store, lambda: limited.now), Quotas(Away(), QUOTA))
    answer = await limited.http.get("/v1/machines", headers=key)
    assert (answer.status_code, answer.headers["ratelimit-policy"]) == (503, '"requests";q=8;w=60')
    assert "ratelimit" not in answer.headers


async def test_without_keys_or_with_none_set_nothing_is_said(address: str) -> None:
    for options in ({}, {"is_open": False, "quota": None}):
        async with running(address, **options) as service:
            for _ in range(3):
                answer = await service.http.get("/v1/machines", headers=await a_key(service))
                assert answer.status_code == 200
                assert "ratelimit" not in answer.headers
                assert "ratelimit-policy" not in answer.headers


def wrong(n: int) -> dict[str, str]:
    """A well-formed key that nobody has."""
    return {"authorization": f"Bearer {new_key_text(n.to_bytes(40, 'big'))[0]}"}


async def test_many_wrong_keys_from_one_address_wait_and_keys_that_work_do_not(limited: Service) -> None:
    seconds = [0.0]
    ring = KeyRing(limited.store, lambda: limited.now, lambda: seconds[0])
    limited.app.state.admission = WithKeys(ring, None, WrongKeys(6, lambda: seconds[0]))
    used, unused, ended = [await a_key(limited) for _ in range(3)]
    await revoke_key(limited.store, ended["authorization"][10:22])

    async def asked(key: dict[str, str]) -> int:
        return (await limited.http.get("/v1/machines", headers=key)).status_code

    assert await asked(used) == 200
    for harmless in ({}, {"authorization": "Bearer nonsense"}, ended, wrong(99), *[wrong(99)] * 9):  # one guess, asked for once
        assert await asked(harmless) == 401
    assert [await asked(wrong(n)) for n in range(6)] == [401] * 5 + [429]
    answer = await limited.http.get("/v1/machines", headers=wrong(7))
    told = answer.json()
    assert (told["type"], told["code"], told["violated-policies"]) == (ABNORMAL, "key.too_many_wrong", ["wrong-keys"])
    assert QuotaProblem.model_validate(told)
    assert answer.headers["retry-after"] == "10"
    assert (answer.headers["ratelimit-policy"], answer.headers["ratelimit"]) == ('"wrong-keys";q=6;w=60', '"wrong-keys";r=0;t=10')
    assert (await asked(used), await asked(unused)) == (200, 429)
    seconds[0] = 9.9
    assert (await asked(used), await asked(unused)) == (200, 429)  # also when the store has to be asked again
    seconds[0] = 10
    assert (await asked(unused), await asked(wrong(8)), await asked(wrong(9))) == (200, 401, 429)


@pytest.mark.parametrize(
    ("one", "other", "is_same"),
    [
        ("203.0.113.7", "203.0.113.7", True),
        ("203.0.113.7", "203.0.113.8", False),
        ("2001:db8:1:2::3", "2001:db8:1:2:ffff::9", True),  # RFC 4291, 2.5.1: the last 64 bits are the host's own to choose
        ("2001:db8:1:2::3", "2001:db8:1:3::3", False),
        ("::ffff:203.0.113.7", "203.0.113.7", True),
        ("fe80::1%eth0", "fe80::2%eth1", True),
        ("", "not an address", True),
    ],
)
def test_addresses_of_one_caller(one: str, other: str, is_same: bool) -> None:
    bucket = WrongKeys(1, lambda: 0.0)
    bucket.note(one)
    assert (bucket.wait(other) > 0) == is_same


def test_the_memory_of_wrong_keys_is_bounded() -> None:
    bucket = WrongKeys(1, lambda: 0.0)
    for n in range(MOST_ADDRESSES + 10):
        bucket.note(f"10.{n >> 16}.{n >> 8 & 255}.{n & 255}")
    assert len(bucket._seen) == MOST_ADDRESSES
    assert bucket.wait("10.0.0.1") == 0
    assert bucket.wait("10.0.0.99") == 60


async def test_a_batch_is_one_request_however_many_lines_it_has(limited: Service) -> None:
    key = await a_key(limited)
    document = {"rulebook": "b", "title": "B", "tasks": {"t": {"title": "T", "kind": "inspect", "interval": "weekly"}}}
    line = {"rulebook": document, "now": "2026-07-14T06:00:00Z", "machine": {}}
    lines = "\n".join([json.dumps(line)] * (2 * QUOTA.requests))
    answer = await limited.http.post("/v1/due/batch", content=lines, headers={**key, "content-type": "application/jsonl"})
    told = [json.loads(each) for each in answer.text.splitlines()]
    assert [each.get("problem") for each in told] == [None] * (2 * QUOTA.requests + 1), answer.text[:500]
    assert left(answer)[0] > 0
