"""What every answer carries for browsers and caches, whatever was asked and however it was refused.

Sources: the Fetch standard (`X-Content-Type-Options`, `Cross-Origin-Resource-Policy`), Content Security Policy Level 3, RFC 9111 5.2
(`no-store`, `no-cache`, `private`), RFC 6797 7.2 (no HSTS over plain HTTP), OWASP REST Security Cheat Sheet ("Security Headers").
"""

import re
from pathlib import Path
from typing import Any

import httpx
import pytest

from fieldworthy.usecases.ports import StoreUnavailable
from tests.doors_app import MemoryStore, client, make_test_app, publish
from tests.keep.service import running
from tests.postgres import lent

NAME = "plover-r5-baler"
JSON = {"content-type": "application/json"}
STRICT = "default-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
NOT_KEPT = "no-store"
RULEBOOK = "rulebook: tests\ntitle: T\ntasks: {look: {title: Look, kind: inspect, interval: weekly}}\n"


class Failing(MemoryStore):
    """It has a fault of ours behind one name, and is away behind another."""

    async def newest(self, name: str) -> Any:
        if name == "broken":
            raise RuntimeError("a fault")
        if name == "away":
            raise StoreUnavailable("the database is away", "try again")
        return await super().newest(name)


ASKED: list[tuple[int, str, str, dict[str, Any], str]] = [
    # status, method, address, what goes with it, Cache-Control of the answer
    (200, "GET", "/healthz", {}, NOT_KEPT),
    (200, "HEAD", "/healthz", {}, NOT_KEPT),
    (200, "GET", "/v1/rulebooks", {}, NOT_KEPT),
    (200, "GET", f"/v1/rulebooks/{NAME}/versions/1", {}, "private, max-age=31536000, immutable"),
    (
        200,
        "POST",
        "/v1/due",
        {"json": {"rulebook": NAME, "now": "2026-07-14T06:00:00Z", "machine": {"model": "R5", "serial": "R5-0417"}}},
        NOT_KEPT,
    ),
    (200, "POST", "/v1/due/batch", {"content": b"", "headers": {"content-type": "application/jsonl"}}, NOT_KEPT),
    (400, "POST", "/v1/due", {"content": b"{", "headers": JSON}, NOT_KEPT),
    (404, "GET", "/nothing", {}, NOT_KEPT),
    (405, "GET", "/v1/clearance", {}, NOT_KEPT),
    (405, "OPTIONS", "/v1/due", {"headers": {"origin": "https://other.example", "access-control-request-method": "POST"}}, NOT_KEPT),
    (413, "POST", "/v1/due", {"content": b" " * 10_001, "headers": JSON}, NOT_KEPT),
    (414, "GET", "/healthz?" + "x" * 9000, {}, NOT_KEPT),
    (415, "POST", "/v1/due", {"content": b"{}"}, NOT_KEPT),
    (422, "POST", "/v1/due", {"json": {}}, NOT_KEPT),
    (431, "GET", "/healthz", {"headers": {"x-long": "x" * 40_000}}, NOT_KEPT),
    (500, "GET", "/v1/rulebooks/broken/versions", {}, NOT_KEPT),
    (503, "GET", "/v1/rulebooks/away/versions", {}, NOT_KEPT),
    (200, "GET", "/openapi.json", {}, "no-cache"),
    (200, "GET", "/docs", {}, "no-cache"),
    (200, "GET", "/docs/docs.js", {}, "public, max-age=3600"),
    (200, "GET", "/problems/service.failed", {}, "no-cache"),
]


def holds(answer: httpx.Response, cache: str) -> None:
    told = answer.headers
    assert told["x-content-type-options"] == "nosniff"
    assert told["referrer-policy"] == "no-referrer"
    assert told["cross-origin-resource-policy"] == "same-origin"
    assert told["cache-control"] == cache
    assert ("etag" in told) <= ("authorization" in told["vary"].lower() if "vary" in told else False)  # two keys in one browser
    if answer.request.url.path != "/docs":
        assert told["content-security-policy"] == STRICT
    assert not {"server", "x-powered-by", "strict-transport-security", "set-cookie"} & set(told)
    assert not [name for name in told if name.startswith("access-control-")]
    names = [name for name, _ in told.multi_items()]
    assert len(names) == len(set(names))  # none twice: two policies would be read as one stricter than either


async def test_every_answer_carries_them_whatever_its_status(rulebook: str) -> None:
    async with client(make_test_app(Failing(), max_body=10_000)) as http:
        await publish(http, NAME, rulebook)
        for status, method, address, more, cache in ASKED:
            answer = await http.request(method, address, **more)
            assert answer.status_code == status, (method, address, answer.text)
            holds(answer, cache)


async def test_those_without_a_key_too() -> None:
    async with client(make_test_app(is_open=False)) as http:
        answer = await http.get("/v1/rulebooks")
    assert answer.status_code == 401
    holds(answer, NOT_KEPT)


async def test_what_is_kept_of_one_caller_is_asked_about_each_time(request: pytest.FixtureRequest, tmp_path: Path) -> None:
    with lent("sqlite", request, tmp_path) as address:
        async with running(address) as service:
            await service.publish(RULEBOOK, "tests")
            put = await service.http.put("/v1/machines/r5-1", json={"rulebook": "tests"})
            got = await service.http.get("/v1/machines/r5-1")
            same = await service.http.get("/v1/machines/r5-1", headers={"if-none-match": got.headers["etag"]})
    for answer, status in ((put, 201), (got, 200), (same, 304)):
        assert answer.status_code == status, answer.text
        assert "etag" in answer.headers
        holds(answer, "private, no-cache")


@pytest.mark.parametrize("page", ["/docs", "/problems", "/problems/service.failed"])
async def test_a_page_asks_for_nothing_that_its_policy_forbids(http: httpx.AsyncClient, page: str) -> None:
    answer = await http.get(page)
    policy = dict(part.strip().split(" ", 1) for part in answer.headers["content-security-policy"].split(";"))
    assert not re.search(r"unsafe|\*|https?:", str(policy))
    assert {policy[name] for name in ("default-src", "base-uri", "form-action", "frame-ancestors")} == {"'none'"}
    inline = re.findall(r"<style|style=|<script(?![^>]* src=)|\son\w+=|javascript:|<base|<form|<i?frame", answer.text)
    assert inline == []
    needed = {
        "script-src": re.findall(r"<script[^>]* src=", answer.text),
        "style-src": re.findall(r'<link rel="stylesheet"', answer.text),
        "img-src": re.findall(r'<link rel="icon"', answer.text),
    }
    assert {name for name, found in needed.items() if found} == set(policy) & set(needed)
