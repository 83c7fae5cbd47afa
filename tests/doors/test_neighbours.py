"""A service without keys answers this machine, and no web page of another site that a browser on it has open.

Sources: RFC 9110, 7.2 (Host); RFC 6454, section 7 (Origin, also as `null`); RFC 1122, 3.2.1.3 and RFC 4291, 2.5.3 (loopback addresses).
Common knowledge of attacks, with no source: DNS rebinding, and cross-site requests that need no preflight.
"""

import httpx
import pytest

from fieldworthy.rest.neighbours import is_here
from tests.doors_app import MemoryStore, client, make_test_app

HERE = "localhost:8000"


@pytest.mark.parametrize(
    ("host", "here"),
    [
        *((host, True) for host in ("localhost", HERE, "127.0.0.1", "127.0.0.1:8000", "127.8.0.1", "[::1]", "[::1]:8000")),
        *((host, False) for host in ("evil.example", "evil.example:8000", "localhost.evil.example", "127.0.0.1.evil.example", "10.0.0.7")),
        *((host, False) for host in ("", ":8000", "localhost:x", "user@localhost", "localhost/", "[::1", "::1", "0.0.0.0", "[::]")),
        *((host, False) for host in ("127.0.0.1 ", "localhost,evil.example", "\u0661\u0662\u0667.0.0.1")),
    ],
)
def test_which_names_mean_this_machine(host: str, here: bool) -> None:
    assert is_here(host) is here


@pytest.mark.parametrize(
    ("headers", "narrow", "wide"),
    [
        ([("host", HERE)], 200, 200),
        ([("host", "LOCALHOST:8000")], 200, 200),
        ([("host", HERE), ("origin", "http://localhost:8000")], 200, 200),  # the page at /docs
        ([("host", HERE), ("origin", "http://LocalHost:8000")], 200, 200),
        ([("host", "fields.example"), ("origin", "https://fields.example")], 403, 200),  # TLS ends before the service
        ([("host", "fields.example")], 403, 200),
        ([("host", HERE), ("origin", "https://evil.example")], 403, 403),
        ([("host", "fields.example"), ("origin", "https://evil.example")], 403, 403),
        ([("host", HERE), ("origin", "http://localhost:3000")], 403, 403),  # another program's page
        ([("host", HERE), ("origin", "null")], 403, 403),
        ([("host", HERE), ("origin", "")], 403, 403),
        ([("host", HERE), ("origin", "http://localhost:8000"), ("origin", "https://evil.example")], 403, 403),
        ([("host", HERE), ("host", "evil.example")], 403, 200),
        ([("host", HERE), ("host", HERE), ("origin", "http://localhost:8000")], 403, 403),
    ],
)
async def test_who_is_answered(headers: list[tuple[str, str]], narrow: int, wide: int) -> None:
    for any_host, status in ((False, narrow), (True, wide)):
        async with client(make_test_app(any_host=any_host)) as http:
            http.headers = httpx.Headers()
            asked = [
                await http.get("/v1/rulebooks", headers=headers),
                await http.post("/v1/expressions/check", json={"interval": "every 80 h"}, headers=headers),  # the quick way
                await http.post("/v1/due/batch", content=b"", headers=[*headers, ("content-type", "application/jsonl")]),
            ]
            assert [answer.status_code for answer in asked] == [status] * 3, any_host
            for answer in asked:
                assert status == 200 or answer.json()["code"] == "request.from_elsewhere"
            assert (await http.get("/healthz", headers=headers)).status_code == 200


async def test_a_page_of_another_site_publishes_nothing() -> None:
    """A POST without a body needs no preflight: the browser sends it, whatever may be read of the answer."""
    store = MemoryStore()
    async with client(make_test_app(store)) as http:
        text = b"rulebook: a\ntitle: A\nmeters: {work: {unit: h, default: true}}\n"
        text += b"tasks:\n  g: {title: Grease, kind: lubricate, interval: every 80 h}\n"
        assert (await http.put("/v1/rulebooks/a/draft", content=text, headers={"content-type": "application/yaml"})).status_code == 200
        answer = await http.post("/v1/rulebooks/a/publish", headers={"origin": "https://evil.example"})
        assert (answer.status_code, store.kept) == (403, {})
        assert (await http.post("/v1/rulebooks/a/publish", headers={"origin": "http://localhost"})).status_code == 200
