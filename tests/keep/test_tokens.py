"""Tokens of an issuer outside, made by another library, over a real database and a real server of keys.

Sources: RFC 7515, 4.1.11 (`crit`), appendix A.5 (`none`); RFC 7519, 4.1; RFC 7517, 5; RFC 8725, 2.1, 3.1, 3.2 (algorithms) and 3.8 to 3.10
(issuer, audience, time); RFC 8693, 4.2 (`scope`); RFC 9068, 2.1 (`at+jwt`); RFC 9864 (`Ed25519`); RFC 6750, 3 and 3.1 (the challenge).
OWASP API Security Top 10 (2023), API2: expired and tampered tokens open nothing.
"""

import asyncio
import base64
import hashlib
import hmac
import json
from collections.abc import AsyncIterator, Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import jwt
import pytest
import structlog
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

from fieldworthy.rest.admission import WithKeys
from fieldworthy.tokens.issuer import AGAIN_SECONDS, FRESH_SECONDS, IDLE_SECONDS, KEEP_SECONDS, Issuer, keys_of
from fieldworthy.tokens.reader import SignedTokens
from fieldworthy.tokens.sources import MOST_BYTES, NotHad, from_address, from_file
from fieldworthy.usecases.keep_keys import create_key
from fieldworthy.usecases.key_refusals import TokenRefused
from fieldworthy.usecases.key_ring import LIFE_SECONDS, KeyRing
from fieldworthy.usecases.keys import KeyScope
from fieldworthy.usecases.ports import IssuerUnavailable
from fieldworthy.usecases.quota import Quota
from fieldworthy.usecases.quotas import Quotas
from fieldworthy.usecases.tokens import TokenRing, TokenRules
from fieldworthy.usecases.wrong_keys import WrongKeys
from tests.doors_app import NOW
from tests.keep.issuing import AUDIENCE, ISSUER, KeyServer, claims, key_server, private, public, token
from tests.keep.service import Service, running, statements
from tests.postgres import lent

RULES = TokenRules(ISSUER, AUDIENCE)
EPOCH = int(NOW.timestamp())


@pytest.fixture
def keys() -> Iterator[KeyServer]:
    with key_server() as server:
        yield server


@dataclass
class Trusting:
    """A service that takes tokens. seconds: of the clock that nothing sets back."""

    service: Service
    keys: KeyServer
    seconds: float = 0.0

    async def get(self, text: str, path: str = "/v1/machines") -> httpx.Response:
        return await self.service.http.get(path, headers={"authorization": f"Bearer {text}"})


@pytest.fixture
async def trusting(keys: KeyServer, request: pytest.FixtureRequest, tmp_path: Path) -> AsyncIterator[Trusting]:
    with lent("sqlite", request, tmp_path) as address:
        async with running(address, is_open=False) as service:
            made = Trusting(service, keys)
            tick = lambda: made.seconds  # noqa: E731
            reader = SignedTokens(Issuer(from_address(keys.address), tick), RULES)
            ring = KeyRing(service.store, lambda: service.now, tick)
            tokens = TokenRing(reader, service.store, lambda: service.now, tick)
            service.app.state.admission = WithKeys(ring, None, None, tokens)
            await create_key(service.store, "Nine Oxen", "so that there is one", [KeyScope.READ])
            yield made


def b64(value: Any) -> str:
    data = value if isinstance(value, bytes) else json.dumps(value).encode()
    return base64.urlsafe_b64encode(data).rstrip(b"=").decode()


def signed_with_the_public_key() -> str:
    """HS256 with the RSA public key's PEM as its secret: the oldest trick (RFC 8725, 2.1)."""
    pem = private("rsa").public_key().public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo)
    head = f"{b64({'alg': 'HS256', 'typ': 'JWT', 'kid': 'rsa'})}.{b64(claims())}"
    return f"{head}.{b64(hmac.new(pem, head.encode(), hashlib.sha256).digest())}"


def tampered() -> str:
    head, _, signature = token().split(".")
    return f"{head}.{b64(claims(scope='administer'))}.{signature}"


GOOD: dict[str, Callable[[], str]] = {
    "RS256": token,
    "PS256": lambda: token(algorithm="PS256"),
    "RS512": lambda: token(algorithm="RS512"),
    "ES256": lambda: token("ec", "ES256"),
    "EdDSA": lambda: token("ed", "EdDSA"),
    "an access token, by its type": lambda: token(headers={"typ": "at+jwt"}),
    "no type": lambda: token(headers={"typ": None}),
    "a header that is not known": lambda: token(headers={"nonce": "x", "x5t": "y" * 600}),
    "several audiences": lambda: token(aud=["another", AUDIENCE]),
    "no iat": lambda: token(iat=None),
    "valid since now": lambda: token(nbf=EPOCH),
    "within the leeway": lambda: token(exp=EPOCH - 29, nbf=EPOCH + 29, iat=EPOCH + 29),
    "a fraction of a second": lambda: token(exp=EPOCH + 0.5),
    "words of a later release": lambda: token(scope="fly read"),
}
BAD: dict[str, Callable[[], str]] = {
    "alg none": lambda: jwt.encode(claims(), None, "none", {"kid": "rsa"}),
    "alg none, with a signature": lambda: f"{b64({'alg': 'none', 'kid': 'rsa'})}.{token().split('.', 1)[1]}",
    "HS256 with the public key": signed_with_the_public_key,
    "HS256": lambda: jwt.encode(claims(), "x" * 40, "HS256", {"kid": "rsa"}),
    "not yet valid": lambda: token(nbf=EPOCH + 31),
    "issued in the future": lambda: token(iat=EPOCH + 31),
    "wrong audience": lambda: token(aud="another"),
    "audiences without ours": lambda: token(aud=["another", "fieldworthy2"]),
    "no audience": lambda: token(aud=None),
    "an audience that holds ours": lambda: token(aud=f"{AUDIENCE} another"),
    "wrong issuer": lambda: token(iss=ISSUER.rstrip("/")),
    "no issuer": lambda: token(iss=None),
    "no exp": lambda: token(exp=None),
    "a subject that can't be written": lambda: token(sub="a\x00b"),
    "half a sign": lambda: token(sub="a\ud83d"),
    "exp is true": lambda: _raw(exp=True),
    "exp is a text": lambda: _raw(exp=str(EPOCH + 600)),
    "exp is NaN": lambda: _raw(exp=float("nan")),
    "exp is endless": lambda: _raw(exp=float("inf")),
    "exp is vast": lambda: _raw(exp=10**400),
    "works for too long": lambda: token(exp=EPOCH + RULES.longest + 31),
    "no subject": lambda: token(sub=None),
    "unknown kid": lambda: token("rsa-2"),
    "signed by another key": lambda: token("rsa-2", headers={"kid": "rsa"}),
    "the key is of another kind": lambda: token("ec", "ES256", {"kid": "rsa"}),
    "the curve is another": lambda: token("ec-384", "ES384", {"kid": "ec"}),
    "no kid, and the set has several that fit": lambda: token(headers={"kid": None}),
    "kid is no text": lambda: f"{b64({'alg': 'RS256', 'kid': 1})}.{token().split('.', 1)[1]}",
    "tampered": tampered,
    "another signature": lambda: token()[:-8] + "AAAAAAAA",
    "no signature": lambda: token().rsplit(".", 1)[0] + ".",
    "critical header": lambda: token(headers={"crit": ["exp"]}),
    "critical header that the library knows": lambda: token(headers={"crit": ["b64"], "b64": True}),
    "of another kind": lambda: token(headers={"typ": "logout+jwt"}),
    "its own key": lambda: token("rsa-2", headers={"kid": None, "jwk": public("rsa-2")}),
    "oversized": lambda: token(scope="read " * 2500),
    "a header of brackets": lambda: f"{b64(b'[' * 9000)}.e30.e30",
    "no JSON": lambda: f"{b64(b'nonsense')}.e30.e30",
    "three dots": lambda: "..",
}


def _raw(**other: Any) -> str:
    """Signed by the right key, whatever PyJWT thinks of the claims."""
    return jwt.api_jws.encode(json.dumps(claims(**other)).encode(), private("rsa"), "RS256", {"kid": "rsa", "typ": "JWT"})


async def test_the_table_of_good_and_bad_tokens(trusting: Trusting) -> None:
    trusting.keys.keys.append(public("rsa-3"))  # a second one that fits RS256
    for name, make in GOOD.items():
        answer = await trusting.get(make())
        assert answer.status_code == 200, (name, answer.text)
    told = set()
    with structlog.testing.capture_logs() as logs:
        for name, make in BAD.items():
            text = make()
            answer = await trusting.get(text)
            assert answer.status_code == 401, (name, answer.text)
            assert answer.headers["www-authenticate"] == 'Bearer realm="fieldworthy", error="invalid_token"', name
            assert (answer.json()["code"] == "token.refused") == (text.count(".") == 2), name
            told.add(answer.text)
            assert not [part for part in text.split(".") if len(part) > 10 and part in answer.text + repr(logs)], name
    assert len(told) == 1  # which of it was wrong is for the log
    assert len({log["why"] for log in logs if "why" in log}) >= 12
    ended = await trusting.get(token(exp=EPOCH - 30))
    assert (ended.status_code, ended.json()["code"]) == (401, "token.ended")
    assert ended.headers["www-authenticate"] == 'Bearer realm="fieldworthy", error="invalid_token"'
    forged = await trusting.get(token("rsa-2", headers={"kid": "rsa"}, exp=EPOCH - 30))
    assert forged.json()["code"] == "token.refused"  # to whom no issuer vouches for not even that is told


async def test_what_a_token_may_do(trusting: Trusting) -> None:
    for scope, status in (("read", 200), ("post-readings", 403), ("", 403), (None, 403), (["read"], 403), ("READ", 403)):
        answer = await trusting.get(token(scope=scope))
        assert answer.status_code == status, scope
        if status == 403:
            assert answer.json()["code"] == "key.scope_missing"
            assert answer.headers["www-authenticate"] == 'Bearer realm="fieldworthy", error="insufficient_scope", scope="read"'
    for organisation in ("South Farm", "nine oxen", "", None, 1, ["Nine Oxen"]):
        answer = await trusting.get(token(organisation=organisation))
        assert (answer.status_code, answer.json()["code"]) == (403, "token.organisation_unknown"), organisation
    await create_key(trusting.service.store, "South Farm", "so that there is one", [KeyScope.READ])
    seen = [(await trusting.get(token(organisation=name, scope="read"), "/v1/rulebooks")).json() for name in ("Nine Oxen", "South Farm")]
    assert seen == [{"items": [], "next": None}] * 2


async def test_a_token_ends_though_it_was_seen_a_moment_ago(trusting: Trusting) -> None:
    text = token(exp=EPOCH + 2)
    assert (await trusting.get(text)).status_code == 200
    trusting.service.later(seconds=31)
    assert (await trusting.get(text)).status_code == 200  # the leeway
    trusting.service.later(seconds=1)
    for trusting.seconds in (1, LIFE_SECONDS + 1):
        assert (await trusting.get(text)).json()["code"] == "token.ended"


async def test_keys_that_are_rotated_are_had_when_they_are_needed_and_no_more_often(trusting: Trusting) -> None:
    keys = trusting.keys
    together = await asyncio.gather(*(trusting.get(token(sub=f"s-{n}")) for n in range(20)))
    assert {answer.status_code for answer in together} == {200}
    assert keys.asked == 1  # one question at a time
    keys.keys = [public("rsa-2")]
    assert (await trusting.get(token("rsa-2"))).status_code == 401
    assert keys.asked == 1  # it was asked a moment ago
    trusting.seconds = AGAIN_SECONDS
    assert (await trusting.get(token("rsa-2"))).status_code == 200
    assert keys.asked == 2
    for n in range(20):
        assert (await trusting.get(token("rsa-2", headers={"kid": f"guess-{n}"}))).status_code == 401
    assert keys.asked == 2
    assert (await trusting.get(token())).status_code == 401  # the old key is gone with its set
    keys.keys = [public("rsa")]
    trusting.seconds += FRESH_SECONDS
    assert (await trusting.get(token("rsa-2"))).status_code == 200  # with what is there, while it is asked anew
    for _ in range(100):
        await asyncio.sleep(0.02)
        if keys.asked == 3:
            break
    await asyncio.sleep(0.1)
    trusting.seconds += LIFE_SECONDS
    assert [(await trusting.get(token(key))).status_code for key in ("rsa-2", "rsa")] == [401, 200]


async def test_after_a_while_in_which_nobody_came_a_key_that_was_taken_back_opens_nothing(trusting: Trusting) -> None:
    """And the token that it signed is a guess from then on, though it worked before (`WrongKeys`)."""
    keys, text = trusting.keys, token("ec", "ES256")
    assert (await trusting.get(text)).status_code == 200
    keys.keys = [public("rsa-2")]
    ring = trusting.service.app.state.admission._tokens
    assert ring.knows(text.encode())
    trusting.seconds = IDLE_SECONDS
    assert [(await trusting.get(each)).status_code for each in (text, token("rsa-2"))] == [401, 200]
    assert (keys.asked, ring.knows(text.encode())) == (2, False)
    keys.away, trusting.seconds = True, 2 * IDLE_SECONDS
    assert (await trusting.get(token("rsa-2"))).status_code == 200  # it was asked, and is away: the old ones are good


async def test_while_the_issuer_is_away_its_keys_are_good_for_a_while(trusting: Trusting) -> None:
    keys = trusting.keys
    keys.away = True
    answer = await trusting.get(token())
    assert (answer.status_code, answer.json()["code"]) == (503, "service.unavailable")  # nobody can tell whether it is good
    assert answer.headers["retry-after"] == "30"
    assert (await trusting.get(token())).status_code == 503
    asked = keys.asked
    assert asked == 1
    keys.away, trusting.seconds = False, AGAIN_SECONDS
    assert (await trusting.get(token())).status_code == 200
    for keys.away, keys.answer in (
        (True, None),
        (False, (500, {}, b"")),
        (False, (302, {"location": "/elsewhere"}, b"")),  # where it leads there is another key
        (False, (200, {}, b"nonsense")),
        (False, (200, {}, json.dumps({"keys": [public("rsa")], "more": "x" * MOST_BYTES}).encode())),
        (False, (200, {"content-encoding": "gzip"}, b"packed")),
    ):
        trusting.seconds += FRESH_SECONDS
        assert [(await trusting.get(token(key))).status_code for key in ("rsa", "rsa-2")] == [200, 401]
    assert keys.asked >= asked + 6
    trusting.seconds = AGAIN_SECONDS + KEEP_SECONDS - 0.5
    assert (await trusting.get(token())).status_code == 200
    trusting.seconds += LIFE_SECONDS
    assert (await trusting.get(token())).status_code == 503


async def test_a_set_without_keys_is_an_answer(trusting: Trusting) -> None:
    for keys in ([], [public("rsa", use="enc")]):
        trusting.keys.keys = keys
        answer = await trusting.get(token())
        assert (answer.status_code, answer.json()["code"]) == (401, "token.refused")
        trusting.seconds += AGAIN_SECONDS
    trusting.keys.keys = [public("rsa")]
    assert (await trusting.get(token())).status_code == 200
    trusting.keys.keys = []  # all are taken back: the old ones are good for no longer than if others stood in their place
    trusting.seconds += FRESH_SECONDS
    assert (await trusting.get(token("rsa-2"))).status_code == 401
    assert (await trusting.get(token())).status_code == 401


async def test_a_quota_is_of_a_subject_and_wrong_tokens_wait(trusting: Trusting) -> None:
    service, quota = trusting.service, Quota(2, 60)
    reader = SignedTokens(Issuer(from_address(trusting.keys.address)), RULES)
    ring, tokens = KeyRing(service.store, lambda: service.now), TokenRing(reader, service.store, lambda: service.now)
    service.app.state.admission = WithKeys(ring, Quotas(service.store, quota), WrongKeys(3, lambda: 0.0), tokens)
    got = [(await trusting.get(token(sub=subject, exp=EPOCH + 600 + n))).status_code for n, subject in enumerate("aaabbb")]
    assert got == [200, 200, 429, 200, 200, 429]  # a new token of one subject is no new quota
    used = token(sub="c")
    assert (await trusting.get(used)).status_code == 200
    wrong = [(await trusting.get(token("rsa-2", headers={"kid": "rsa"}, sub=str(n)))).status_code for n in range(5)]
    assert wrong == [401, 401, 401, 429, 429]
    assert (await trusting.get(used)).status_code == 200
    assert (await trusting.get(token(sub="d"))).json()["code"] == "key.too_many_wrong"


async def test_signed_tokens_that_are_refused_wait_by_their_subject(trusting: Trusting) -> None:
    service, store = trusting.service, trusting.service.store
    tick = lambda: trusting.seconds  # noqa: E731
    reader = SignedTokens(Issuer(from_address(trusting.keys.address), tick), RULES)
    tokens = TokenRing(reader, store, lambda: service.now, tick, most_wrong=3)
    service.app.state.admission = WithKeys(KeyRing(store, lambda: service.now), None, WrongKeys(3, tick), tokens)

    async def asked(**claim: Any) -> int:
        return (await trusting.get(token(**claim))).status_code

    ends = EPOCH - 30
    for name, refused, status in (
        ("ended", {"exp": ends}, 401),
        ("nowhere", {"organisation": "South Farm"}, 403),
        ("for another", {"aud": "another"}, 401),
    ):
        got = [await asked(sub=name, **{"nbf": ends - 100 - n, **refused}) for n in range(5)]
        assert got == [status] * 3 + [429] * 2, name
        assert await asked(sub=name) == 200  # and nobody's good one waits for them, not even of that subject
        assert await asked(sub=f"{name} 2", **refused) == status
    assert await asked(sub="nowhere", organisation="Nowhere") == 403  # by the organisation it names, too
    with statements(service) as looked:
        answer = await trusting.get(token(sub="nowhere", organisation="South Farm"))
    assert not looked  # what waits costs no question of the store
    told = answer.json()
    assert (told["code"], told["violated-policies"], answer.headers["retry-after"]) == ("key.too_many_wrong", ["wrong-keys"], "20")
    await create_key(store, "South Farm", "so that there is one", [KeyScope.READ])
    trusting.seconds += 20
    assert await asked(sub="nowhere", organisation="South Farm") == 200
    lasting = token(sub="seen", exp=EPOCH + 1)
    assert (await trusting.get(lasting)).status_code == 200
    service.later(seconds=31)  # it is remembered, and ends
    assert [(await trusting.get(lasting)).status_code for _ in range(4)] == [401, 401, 401, 429]


@pytest.mark.parametrize(
    ("keys", "fits"),
    [
        ([public("rsa", "")], True),
        ([public("rsa")], True),
        ([public("rsa"), public("ec"), public("ed")], True),  # only one of them could have signed it
        ([public("rsa", use="sig", alg="RS256")], True),
        ([public("rsa", ""), public("rsa-2", "")], False),
        ([public("rsa", use="enc")], False),
        ([public("rsa", alg="RS512")], False),
        ([public("rsa", key_ops=["encrypt"])], False),
        ([public("rsa", key_ops=["sign", "verify"])], True),
        ([public("rsa", key_ops=None, use=None, alg=None)], True),  # as some write what they leave out
        *(([public("rsa", key_ops=odd)], False) for odd in ("verify", 7, {"verify": 1}, [["verify"]])),
        *(
            ([public("rsa-2", "", **{name: odd}), public("rsa")], True)
            for name in ("key_ops", "use", "n", "e")
            for odd in (7, [[]], {"a": 1})
        ),
        ([{"kty": "oct", "k": b64(b"x" * 32), "kid": "rsa"}], False),
        ([{"kty": "RSA", "n": "AQAB", "e": "AQAB"}, {"kty": ["RSA"]}, 7, None, {"kty": "RSA"}, public("rsa")], True),
    ],
)
async def test_a_token_without_kid_in_a_set_from_a_file(keys: list[Any], fits: bool, tmp_path: Path) -> None:
    file = tmp_path / "jwks.json"
    file.write_text(json.dumps({"keys": keys}))
    reader = SignedTokens(Issuer(from_file(file)), RULES)
    text = token(headers={"kid": None}).encode()
    if fits:
        assert (await reader.claims(text))["sub"] == "bridge-1"
    else:
        with pytest.raises((TokenRefused, IssuerUnavailable)):
            await reader.claims(text)


async def test_a_small_rsa_key_and_a_file_that_is_not_there_are_told(tmp_path: Path) -> None:
    file = tmp_path / "jwks.json"
    for content in (None, b"", b"[]", b"[" * 9000, json.dumps({"keys": [public("rsa-small")]}).encode(), b"x" * (MOST_BYTES + 1)):
        if content is not None:
            file.write_bytes(content)
        with pytest.raises(NotHad):
            await Issuer(from_file(file)).ready()
    file.write_text(json.dumps({"keys": [public("ed")]}))
    await Issuer(from_file(file)).ready()


def test_one_key_of_a_set_that_is_odd_spoils_none_of_the_others() -> None:
    """RFC 7517, 5: keys that are not understood are ignored."""
    odd: list[Any] = [5, None, {}, {"kty": ["RSA"]}, {"kty": "RSA", "n": "", "e": ""}, {"kty": "EC", "crv": "P-256", "x": 1, "y": 2}]
    odd += [public("rsa", key_ops=given) for given in (5, True, {"verify": 1}, ["sign"], "verify")]
    odd += [public("rsa", use=given) for given in ("enc", 1, ["sig"])]
    for each in odd:
        found = keys_of(json.dumps({"keys": [each, public("ec")]}).encode())
        assert [key.kid for key in found] == ["ec"], each
