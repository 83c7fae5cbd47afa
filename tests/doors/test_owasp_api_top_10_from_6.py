"""OWASP API Security Top 10 (2023), the second five of ten; see test_owasp_api_top_10.py."""

import json
import re
import socket
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
import pytest_asyncio

from fieldworthy import __version__
from fieldworthy.rest.admission import WithKeys, scopes_of_routes
from fieldworthy.rest.examples import EXAMPLES
from fieldworthy.usecases.key_ring import KeyRing
from fieldworthy.usecases.quota import Quota
from fieldworthy.usecases.quotas import Quotas
from fieldworthy.wire.hiding import hide
from tests.contract.test_openapi import CONTRACT, operations
from tests.doors.owasp import JSON, NOW, XML, YAML, caller, connections, everywhere, greasing, machine, with_body
from tests.keep.every_endpoint import send
from tests.keep.service import Service, running
from tests.postgres import lent


@pytest_asyncio.fixture
async def service(request: pytest.FixtureRequest, tmp_path: Path) -> AsyncIterator[Service]:
    with lent("sqlite", request, tmp_path) as address:
        async with running(address, is_open=False) as opened:
            yield opened


async def test_api6_2023_unrestricted_access_to_sensitive_business_flows(service: Service) -> None:
    """Overdue work is not hidden by a flood of "done", and two who ask at once are not both let at the machine.

    And whoever has used up their quota is answered with 429 until the window is over.
    """
    mine = await caller(service)
    await machine(mine)
    assert await greasing(mine) == ("overdue", 2.0)
    done = {"task": "grease", "meters": {"work": 100}}
    for moment in ("2027-07-14T05:00:00Z", "2026-07-14T06:02:01Z"):  # not yet
        answer = await mine("PUT", "/v1/machines/r5-1/done/early", json={**done, "at": moment})
        assert (answer.status_code, await greasing(mine)) == (422, ("overdue", 2.0)), answer.text
    too_many = [{"id": f"d-{n}", **done, "at": "2026-07-14T05:30:00Z"} for n in range(10_001)]
    assert (await mine("POST", "/v1/machines/r5-1/done", json={"items": too_many})).status_code == 422
    assert await greasing(mine) == ("overdue", 2.0)
    once = {"idempotency-key": "one-and-the-same"}
    for _ in range(20):
        await mine("PUT", "/v1/machines/r5-1/done/mine", json={**done, "at": "2026-07-14T05:30:00Z", "by": "p-1"}, headers=once)
    assert (await greasing(mine))[0] == "clear"
    assert (await mine("DELETE", "/v1/machines/r5-1/done/mine")).status_code == 204
    assert await greasing(mine) == ("overdue", 2.0)
    states = (await mine("GET", "/v1/machines/r5-1/done/mine/states")).json()["items"]
    assert len(states) == 2  # told, withdrawn: who said that it was done stays to be seen
    assert "p-1" in json.dumps(states)
    seen = {"fact": "engine", "at": NOW, "via": "seen"}
    first = {"work": "w-1", "task": "belt", "by": "p-1", "evidence": [{**seen, "value": "stopped", "by": "p-1"}]}
    second = {"work": "w-2", "task": "listen", "by": "p-2", "evidence": [{**seen, "value": "running", "by": "p-2"}]}
    opened = [(await mine("POST", "/v1/machines/r5-1/open-work", json=work)).json() for work in (first, second)]
    assert [o["opened"] for o in opened] == [True, False]
    assert [b["work"] for b in opened[1]["clearance"]["blocked_by"]] == ["w-1"]
    other = await mine("POST", "/v1/machines/r5-1/open-work/w-1/steps/1", json={"by": "p-2", "evidence": []})
    assert (other.status_code, other.json()["code"]) == (409, "work.of_another")
    service.later(minutes=2)  # the window of what came so far is over
    ring, quotas = KeyRing(service.store, lambda: service.now), Quotas(service.store, Quota(3, 60))
    service.app.state.admission = WithKeys(ring, quotas)
    flood = [await mine("PUT", "/v1/machines/r5-1/done/mine", json={**done, "at": "2026-07-14T05:30:00Z"}) for _ in range(5)]
    assert [answer.status_code == 429 for answer in flood] == [False] * 3 + [True] * 2
    assert 1 <= int(flood[-1].headers["retry-after"]) <= 60


async def test_api7_2023_server_side_request_forgery(service: Service) -> None:
    """No address that a caller gives is fetched, looked up or run: not in any member of any request, nor in XML, YAML or headers."""
    mine = await caller(service)
    await machine(mine)
    sent = 0
    with connections() as (port, came, begun):
        url = f"http://127.0.0.1:{port}/"
        for example in EXAMPLES.values():
            if isinstance(example.body, dict | list) and (example.method, example.path) != ("POST", "/v1/due/batch"):
                for body in everywhere(example.body, url):
                    await send(service, with_body(example, body), mine.key)
                    sent += 1
        service.http.headers.clear()
        for entity in (
            f'<!DOCTYPE x SYSTEM "{url}x.dtd">',
            f'<!DOCTYPE x [<!ENTITY e SYSTEM "{url}">]>',
            f'<!DOCTYPE x [<!ENTITY % e SYSTEM "{url}"> %e;]>',
        ):
            included = f'<xi:include xmlns:xi="http://www.w3.org/2001/XInclude" href="{url}"/>'
            xml = f'<?xml version="1.0"?>{entity}<Equipment>{included}&e;</Equipment>'
            answer = await mine("POST", "/v1/readings/iso15143-3?machine=r5-1", content=xml, headers=XML)
            assert answer.status_code == 400, answer.text  # a document type is refused, whatever it declares
        named = f'xmlns="{url}" xmlns:x="http://www.w3.org/2001/XMLSchema-instance" x:schemaLocation="{url} {url}x.xsd"'
        plain = f"<Fleet {named}><Links><rel>next</rel><href>{url}</href></Links></Fleet>"
        await mine("POST", "/v1/readings/iso15143-3?machine=r5-1", content=f'<?xml-stylesheet href="{url}"?>{plain}', headers=XML)
        for text in (
            f"a: !include {url}",
            f"!!python/object/apply:urllib.request.urlopen ['{url}']",
            f"$ref: {url}",
            f"%TAG ! {url}\n---\n!x a",
        ):
            await mine("POST", "/v1/rulebooks/check", content=text, headers=YAML)
        for name in ("host", "referer", "origin", "x-forwarded-host", "x-forwarded-for", "forwarded", "x-callback-url", "link", "from"):
            await mine("GET", "/v1/machines/r5-1/due", headers={name: url})
        assert begun == []
    assert came == []
    assert sent > 200
    with connections() as (port, came, begun):  # it would have been seen
        socket.create_connection(("127.0.0.1", port)).close()
    assert len(begun) >= 1
    assert len(came) == 1


async def test_api8_2023_security_misconfiguration(service: Service) -> None:
    """Nothing of the inside is shown, no method or page is open by an oversight, and every answer is locked for browsers."""
    mine = await caller(service)
    await machine(mine)
    assert service.app.debug is False
    odd = (
        "'",
        '"',
        "%27%20or%201=1--",
        "..%2f..%2fetc%2fpasswd",
        "%00",
        "%ff",
        "{{7*7}}",
        "<script>",
        "x" * 300,
        "%0d%0aset-cookie:%20a=b",
    )
    answers = [await mine("GET", f"/v1/{place}/{text}") for place in ("machines", "rulebooks", "set-aside") for text in odd]
    answers += [await mine("GET", f"/v1/machines?after={text}&limit={text}") for text in odd]
    answers += [await mine(method, "/v1/machines") for method in ("TRACE", "CONNECT", "DEBUG", "PROPFIND", "OPTIONS")]
    assert [a.status_code for a in answers[-5:]] == [405] * 5
    preflight = {"origin": "https://other.example", "access-control-request-method": "GET"}
    answers += [await mine("OPTIONS", "/v1/machines", headers=preflight), await mine("GET", "/v1/machines", headers={"origin": "null"})]
    answers += [await mine("GET", "/docs"), await mine("GET", "/openapi.json"), await mine("GET", "/healthz")]
    for answer in answers:
        assert answer.status_code < 500, (answer.request.url, answer.text)
        told = {name.lower() for name in answer.headers}
        assert {"x-content-type-options", "content-security-policy", "referrer-policy", "cache-control"} <= told
        assert not {"server", "x-powered-by", "set-cookie", "access-control-allow-origin"} & told
        if answer.request.url.path != "/openapi.json":
            assert not re.search(
                r"Traceback|site-packages|\.py\b|sqlalchemy|sqlite|asyncpg|select \w+ from|uvicorn|starlette", answer.text, re.IGNORECASE
            )
        assert "<script>" not in answer.text or answer.headers["content-type"] != "text/html; charset=utf-8"
    assert hide(f"Bearer {mine.key}") != f"Bearer {mine.key}"


async def test_api9_2023_improper_inventory_management(service: Service) -> None:
    """What is served is what the contract describes, in one version, and beside it only the contract and its pages."""
    pages = {"/openapi.json", "/docs", "/docs/{file}", "/problems", "/problems/{code}"}
    served = set(
        scopes_of_routes(service.app.routes)
    )  # whatever kind of route it is, mounted or included: one that it can't name ends the start
    described = {(method.upper(), path) for path, method, _ in operations()}
    graphql = {("GET", "/graphql"), ("POST", "/graphql"), ("WEBSOCKET", "/graphql"), ("GET", "/graphql/{file}")}
    assert served == described | graphql | {("GET", page) for page in pages}
    assert {path.split("/")[1] for _, path in described} == {"v1", "healthz", "readyz"}
    assert CONTRACT["info"]["version"] == __version__
    assert not [o["operationId"] for _, _, o in operations() if o.get("deprecated")]  # one version, and nothing of an older one
    mine = await caller(service)
    forgotten = (
        "",
        "/v0",
        "/v2",
        "/v1",
        "/v1/",
        "/api/v1",
        "/beta",
        "/internal",
        "/debug",
        "/admin",
        "/metrics",
        "/redoc",
        "/graphiql",
        "/swagger",
    )
    files = (
        "/.env",
        "/.git/config",
        "/openapi.yaml",
        "/v1/openapi.json",
        "/docs/oauth2-redirect",
        "/static/x",
        "/server-status",
        "/docs/../main.py",
    )
    for path in forgotten + files:
        for end in ("", "/machines"):
            if path + end != "/v1/machines":
                assert (await mine("GET", path + end)).status_code == 404, path + end
    for path, _, _ in operations():
        assert (await mine("GET", path.replace("/v1/", "/v2/"))).status_code == 404 or not path.startswith("/v1/")


IMPOSSIBLE: list[tuple[str, Any, str, str]] = [
    # what, the value, when, why it is set aside (or left out)
    ("seconds for hours", 360_000, "2026-07-14T05:30:00Z", "looks-like-seconds"),
    ("minutes for hours", 6_010, "2026-07-14T05:30:00Z", "looks-like-minutes"),
    ("more than has passed", 150, "2026-07-14T05:30:00Z", "impossible-pace"),
    ("backward", 3, "2026-07-14T05:30:00Z", "runs-backward"),
    ("a clock that is ahead", 100.4, "2026-07-15T06:00:00Z", "from-the-future"),
    ("less than nothing", -5, "2026-07-14T05:30:00Z", "out-of-range"),
]
NO_DOCUMENT: list[tuple[Any, dict[str, str]]] = [
    (b'{"EquipmentHeader": {"PIN": "r5-1"}, "CumulativeOperatingHours": {"datetime": "2026-07-14T05:30:00Z", "Hour": NaN}}', JSON),
    (b'{"EquipmentHeader": {"PIN": "r5-1"}, "CumulativeOperatingHours": {"datetime": "2026-07-14T05:30:00Z", "Hour": 1e999}}', JSON),
    (b'{"EquipmentHeader": {"PIN": "r5-1"}, "EquipmentHeader": {"PIN": "r5-2"}}', JSON),
    (b'{"EquipmentHeader": {"PIN": "r5-1"}, "CumulativeOperatingHours": {"datetime": "2026-07-14T05:30:00Z", "Hour": 1e300}}', JSON),
    (b"<Equipment><EquipmentHeader><PIN>r5-1</PIN>", XML),
    (b"<a>" * 31 + b"</a>" * 31, XML),
    (b"\xff\xfe<Equipment/>", XML),
]


async def test_api10_2023_unsafe_consumption_of_apis(service: Service) -> None:
    """What another system tells of a machine is judged before it counts: what can't be is set aside, and says why; nothing is due by it."""
    mine = await caller(service)
    await machine(mine)
    stood = await greasing(mine)
    for what, value, at, why in IMPOSSIBLE:
        said = {"CumulativeOperatingHours": {"datetime": at, "Hour": value}, "meters": {"CumulativeOperatingHours": "work"}}
        document = {"EquipmentHeader": {"PIN": "r5-1", "SerialNumber": "another"}, **said}
        reading = {"machine": "r5-1", "meter": "work", "value": value, "at": at}
        for address, body in (("/v1/readings/iso15143-3", document), ("/v1/readings", [reading])):
            answer = await mine("POST", address, json=body)
            told = answer.json()
            assert answer.status_code == 200, (what, answer.text)
            assert told["kept"] == 0, (what, told)
            assert [a["why"] for a in (*told["aside"], *told.get("left_out", ()))] == [why], (what, told)
    foreign = [
        {"machine": "r5-1", "meter": "work", "value": 100.2, "unit": "km", "at": "2026-07-14T05:30:00Z"},  # hours in kilometres
        {"machine": "r5-1", "meter": "wrok", "value": 100.2, "at": "2026-07-14T05:30:00Z"},
        {"machine": "not-ours", "meter": "work", "value": 100.2, "at": "2026-07-14T05:30:00Z"},
    ]
    told = (await mine("POST", "/v1/readings", json=foreign)).json()
    assert (told["kept"], [a["why"] for a in told["aside"]]) == (0, ["other-unit", "unknown-meter", "unknown-machine"])
    for content, headers in NO_DOCUMENT:
        answer = await mine("POST", "/v1/readings/iso15143-3", content=content, headers=headers)
        assert answer.status_code in (400, 422), (content, answer.text)
    fits = {"machine": "r5-1", "meter": "work", "value": 100.4, "at": "2026-07-14T05:59:00Z"}
    good = (await mine("POST", "/v1/readings", json=[fits])).json()
    assert (good["kept"], stood) == (1, ("overdue", 2.0))  # and what can be is kept beside all that
    assert await greasing(mine) == ("overdue", 2.008)
