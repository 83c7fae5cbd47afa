"""OWASP API Security Top 10 (2023), one test for each: what each risk is for this service, tried on all of it.

    pytest -k owasp -v

Source: OWASP API Security Project, API Security Top 10, edition 2023. The second five: test_owasp_api_top_10_from_6.py.
Each test is the short of it; longer ones stand beside: test_scopes.py, test_security_headers.py, test_cross_origin.py, test_connections.py,
test_body_limits.py, test_no_secrets_told.py, tests/keep/test_two_organisations.py, tests/keep/test_keys.py.
"""

import json
import re
from collections.abc import AsyncIterator
from pathlib import Path
from time import process_time
from typing import Any

import pytest
import pytest_asyncio

from fieldworthy.rest.admission import ANY_SCOPE, ANYBODY, scopes_of_routes
from fieldworthy.rest.examples import EXAMPLES
from fieldworthy.usecases.keep_keys import create_key, revoke_key
from fieldworthy.usecases.key_refusals import KeyImpossible
from fieldworthy.usecases.keys import KeyScope
from tests.contract.test_openapi import operations, schema
from tests.doors.owasp import ALL, JSON, MACHINE, MINE, NOW, THEIRS, XML, YAML, caller, machine, with_body
from tests.keep.every_endpoint import a_world, send
from tests.keep.service import Service, running
from tests.postgres import lent


@pytest_asyncio.fixture
async def service(request: pytest.FixtureRequest, tmp_path: Path) -> AsyncIterator[Service]:
    with lent("sqlite", request, tmp_path) as address:
        async with running(address, is_open=False) as opened:
            yield opened


async def test_api1_2023_broken_object_level_authorization(service: Service) -> None:
    """Another's machine, rulebook, record, work or reading is not found by any operation, and not changed by one that was refused."""
    mine, theirs = await caller(service), await caller(service, THEIRS)
    assert mine.key is not None
    assert theirs.key is not None
    await a_world(service, mine.key)
    service.http.headers.clear()
    reads = [e for e in EXAMPLES.values() if e.method == "GET" and "{" in e.path]
    before = [(await send(service, e, mine.key)).content for e in reads]
    tried = 0
    for example in (e for e in EXAMPLES.values() if "{" in e.path):
        answer = await send(service, example, theirs.key)
        if example.operation == "getSiteCalendar":  # a site is a word that machines have: to who has none there the calendar is empty
            assert answer.status_code == 200
            assert "BEGIN:VEVENT" not in answer.text
        else:
            assert answer.status_code == 404 if example.method == "GET" else answer.status_code in (404, 412, 422), (example, answer.text)
        assert "R5-0417" not in answer.text  # what only its owner knows
        assert "r5-17" not in answer.text or "r5-17" in str(example.parameters)
        tried += 1
    assert tried > 60
    assert [(await send(service, e, mine.key)).content for e in reads] == before


async def test_api2_2023_broken_authentication(service: Service) -> None:
    """Nothing but a whole key that works opens anything, and only from where keys are sent."""
    good = (await create_key(service.store, MINE, "good", ALL)).text
    short = (await create_key(service.store, MINE, "short", ALL, days=1)).text
    gone = (await create_key(service.store, MINE, "gone", ALL)).text
    await revoke_key(service.store, gone[3:15])
    service.later(days=2)
    wrong = [good[:i] + ("b" if good[i] != "b" else "c") + good[i + 1 :] for i in (4, 16, 30, 58, 66)]
    for text in ("", short, gone, *wrong, good[:-1], good + "0", good.upper(), good[3:], "fw_" + "a" * 64, "null", "' or 1=1 --"):
        answer = await service.http.get("/v1/machines", headers={"authorization": f"Bearer {text}"})
        assert (answer.status_code, answer.headers["www-authenticate"][:27]) == (401, 'Bearer realm="fieldworthy", '[:27]), text
        assert answer.json()["code"] in ("key.refused", "key.ended")
    elsewhere: list[dict[str, Any]] = [
        {"params": {"key": good}},
        {"params": {"access_token": good}},  # RFC 6750, 2.3: a key in an address ends in logs
        {"headers": {"x-api-key": good}},
        {"headers": {"cookie": f"authorization={good}"}},
        {"headers": {"proxy-authorization": f"Bearer {good}"}},
        {"headers": [("authorization", f"Bearer {good}"), ("authorization", f"Bearer {good}")]},
        {"auth": ("key", good)},
        {"headers": {"authorization": f"Token {good}"}},
    ]
    for more in elsewhere:
        assert (await service.http.get("/v1/machines", **more)).status_code == 401, more
    for (method, path), needs in scopes_of_routes(service.app.routes).items():
        if method == "WEBSOCKET":
            continue  # its key comes when the connection stands: tests/graph/test_socket.py
        page = {"accept": "text/html"} if (method, path) == ("GET", "/graphql") else {}  # a query by GET needs a key; the page does not
        answer = await service.http.request(method, re.sub(r"[{}]", "", path), headers=page)
        assert (answer.status_code == 401) == (needs is not ANYBODY), path
    assert (await service.http.get("/v1/machines", headers={"authorization": f"Bearer {good}"})).status_code == 200
    with pytest.raises(KeyImpossible, match="3651 days"):
        await create_key(service.store, MINE, "for ever", ALL, days=3651)


async def test_api3_2023_broken_object_property_level_authorization(service: Service) -> None:
    """What is the service's own to say can't be sent along, and an answer has no member but those that the contract describes."""
    mine = await caller(service)
    assert mine.key is not None
    answers = await a_world(service, mine.key)
    service.http.headers.clear()
    answered = {o["operationId"]: o for _, _, o in operations()}
    for (operation, example), answer in zip(EXAMPLES.items(), answers, strict=True):
        content = answered[operation]["responses"][str(example.status)].get("content", {})
        if answer.headers.get("content-type") == "application/json" and answer.content:
            schema(content["application/json"]["schema"]).validate(answer.json())  # each object is closed
    tried = 0
    own = {"organisation": 2, "known": 0, "revision": 9, "approved": True, "computed_at": NOW}
    for example in EXAMPLES.values():
        if example.method not in ("POST", "PUT") or not isinstance(example.body, dict) or example.path.startswith("/v1/readings/iso"):
            continue
        within = [place for place in ("machine", "items", "readings") if place in example.body]
        for member, value in own.items():
            changed = json.loads(json.dumps(example.body))
            for place in (changed, *(changed[p][0] if isinstance(changed[p], list) else changed[p] for p in within)):
                if not isinstance(place, dict) or member in place:
                    continue
                place[member] = value
                answer = await send(service, with_body(example, changed), mine.key)
                assert answer.status_code == 422, (example.operation, member, answer.text)
                assert member in answer.text
                del place[member]
                tried += 1
    assert tried > 100


BOMB = (
    "<!DOCTYPE x ["
    + "".join(f'<!ENTITY a{n} "{f"&a{n - 1};" * 10}">' for n in range(1, 10))
    + '<!ENTITY a0 "ha">]><Equipment>&a9;</Equipment>'
)
ALIASES = "a: &a [x]\n" + "".join(f"{chr(98 + n)}: &{chr(98 + n)} [{', '.join([f'*{chr(97 + n)}'] * 9)}]\n" for n in range(9))
DUE = {"rulebook": {"rulebook": "b", "title": "B", "tasks": {"t": {"title": "T", "kind": "inspect", "interval": "weekly"}}}, "now": NOW}
READING = b'{"machine":"r5-1","meter":"work","value":1,"at":"2026-07-14T05:00:00Z"}'
DONE_OFTEN = {"done": [{"task": "t", "on": "2026-07-01"}] * 1001}
MANY_READINGS = b"[" + b",".join([READING] * 50_001) + b"]"
MANY_RECORDS = [{"id": f"d-{n}", "task": "grease", "on": "2026-07-01"} for n in range(10_001)]
LONG = "a is b and " * 200 + "a is b"
TOO_MUCH: list[tuple[str, str, str, dict[str, Any], int, str]] = [
    # what, method, address, what is sent, status, a word of the answer
    ("a large body", "POST", "/v1/due", {"content": b" " * 2_000_001, "headers": JSON}, 413, "body.too_large"),
    ("a large post of readings", "POST", "/v1/readings", {"content": b" " * 20_000_001, "headers": JSON}, 413, "body.too_large"),
    ("many readings", "POST", "/v1/readings", {"content": MANY_READINGS, "headers": JSON}, 413, "request.too_large"),
    ("many machines", "POST", "/v1/machines", {"json": {"items": [{"id": f"m-{n}", **MACHINE} for n in range(1001)]}}, 422, "1000"),
    ("many records", "POST", "/v1/machines/r5-1/done", {"json": {"items": MANY_RECORDS}}, 422, "10000"),
    ("a long page", "GET", "/v1/machines?limit=201", {}, 422, "from 1 to 200"),
    ("many parameters", "GET", "/v1/machines?" + "&".join(f"x{n}=1" for n in range(51)), {}, 400, "request.unreadable"),
    ("a long address", "GET", "/v1/machines?after=" + "x" * 8001, {}, 414, "address.too_long"),
    ("deep JSON", "POST", "/v1/due", {"content": b"[" * 100_000, "headers": JSON}, 400, "body.unreadable"),
    ("deep YAML", "POST", "/v1/rulebooks/check", {"content": b"[" * 100_000, "headers": YAML}, 200, "nested"),
    ("aliases of aliases", "POST", "/v1/rulebooks/check", {"content": ALIASES, "headers": YAML}, 200, "alias"),
    ("entities of entities", "POST", "/v1/readings/iso15143-3?machine=r5-1", {"content": BOMB, "headers": XML}, 400, "body.unreadable"),
    ("a long expression", "POST", "/v1/expressions/check", {"json": {"condition": LONG}}, 200, "this one has 2206"),
    ("deep brackets", "POST", "/v1/expressions/check", {"json": {"condition": "(" * 21 + "a is b" + ")" * 21}}, 200, "20"),
    ("huge numbers", "POST", "/v1/expressions/check", {"json": {"interval": f"every {'9' * 400} h"}}, 200, "interval.odd_number"),
    ("the end of the calendar", "POST", "/v1/due", {"json": {**DUE, "now": "9999-12-31T00:00:00Z", "machine": {}}}, 422, "calendar"),
    ("many records of a task", "POST", "/v1/due", {"json": {**DUE, "machine": DONE_OFTEN}}, 422, "too_many_records"),
    ("a large space of states", "POST", "/v1/rulebooks/check", {"json": {"document": {
        "rulebook": "b", "title": "B",
        "facts": {f"f{n}": {"states": [f"s{i}" for i in range(20)], "known_by": ["seen"], "good_for": "5 min"} for n in range(12)},
        "happenings": {f"h{n}": {"makes": f"f{n} is s1"} for n in range(12)},
        "hazards": {"h": {"never": " and ".join(f"f{n} is s1" for n in range(12)), "outcome": "death", "certainty": "could", "avoid": "x"}},
        "actions": {"go": {"makes": "f0 is s1"}},
        "tasks": {"t": {"title": "T", "kind": "inspect", "steps": [{"action": "go"}]}},
    }}}, 200, "procedure.not_shown_safe"),
]  # fmt: skip


async def test_api4_2023_unrestricted_resource_consumption(service: Service) -> None:
    """Whatever is too much is refused, named, and costs little."""
    mine = await caller(service)
    await machine(mine)
    for what, method, address, more, status, word in TOO_MUCH:
        began = process_time()
        answer = await mine(method, address, **more)
        spent = process_time() - began
        assert answer.status_code == status, (what, answer.text[:300])
        assert word in answer.text, (what, answer.text[:300])
        assert len(answer.content) < 300_000, what
        assert spent < 5, (what, spent)


async def test_api5_2023_broken_function_level_authorization(service: Service) -> None:
    """Every operation is refused with every scope but its own, before anything is looked at; nothing makes keys from afar."""
    narrow = {scope: await caller(service, MINE, scope) for scope in KeyScope}
    refused = 0
    for (method, path), needs in scopes_of_routes(service.app.routes).items():
        assert not re.search(r"key|organisations|admin|migrat|backup", path.replace("{organisation}", "")), path
        for scope, asks in narrow.items():
            if needs in (ANYBODY, ANY_SCOPE, scope):  # each field of GraphQL asks for its own: tests/keep/test_graph_two_organisations.py
                continue
            answer = await asks(method, re.sub(r"[{}]", "", path))
            assert (answer.status_code, answer.json()["code"]) == (403, "key.scope_missing"), (method, path, scope)
            refused += 1
    assert refused > 300
    reader = narrow[KeyScope.READ]
    for header in (
        "x-http-method-override",
        "x-method-override",
        "x-http-method",
        "x-original-url",
        "x-rewrite-url",
    ):  # a read stays a read
        assert (await reader("GET", "/v1/machines", headers={header: "DELETE"})).status_code == 200
        assert (await reader("POST", "/v1/machines", json={"items": []}, headers={header: "GET"})).status_code == 403
    assert (await reader("GET", "/v1/machines?_method=DELETE")).status_code == 422
