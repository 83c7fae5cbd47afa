"""Request ids, and the log's line of each request.

Sources: W3C Trace Context (Recommendation, 2021), 3.2.2: the form of `traceparent`, and what makes it invalid; its example is used here.
That an id comes in `X-Request-Id`, and goes back in it, is common practice, no standard.
"""

import re
from typing import Any

import pytest
import structlog
from starlette.types import Receive, Scope, Send

from fieldworthy.main import make_app
from fieldworthy.rest.watching import Watching
from fieldworthy.usecases.tally import Tally
from tests.doors_app import NOW, MemoryStore, client, make_test_app

TRACE = "0af7651916cd43dd8448eb211c80319c"
PARENT = f"00-{TRACE}-b7ad6b7169203331-01"  # the standard's own example
MADE = re.compile(r"[0-9a-f]{32}\Z")
WRONG = "fw_aaaaaaaaaaaa_" + "Wrong0Wrong1" * 3 + "Wrong2-" + "00000000"


@pytest.mark.parametrize(
    ("headers", "id"),
    [
        ({"x-request-id": "7f9c-A.b_1"}, "7f9c-A.b_1"),
        ({"x-request-id": "a"}, "a"),
        ({"x-request-id": "a" * 100}, "a" * 100),
        ({"x-request-id": "mine", "traceparent": PARENT}, "mine"),
        ({"traceparent": PARENT}, TRACE),
        ({"traceparent": PARENT + "-what-a-later-version-adds"}, TRACE),
        ({"traceparent": "cc" + PARENT[2:]}, TRACE),  # a later version: what is known of it is read
        ({"x-request-id": "with blank", "traceparent": PARENT}, TRACE),
        ({}, None),
        *(({"x-request-id": bad}, None) for bad in ("", "a" * 101, "a b", "-a", "a-", "a/b", 'a"b', "a\tb", "ä", "a,b")),
        ({"x-request-id": WRONG}, None),  # it looks like a key
        ({"x-request-id": "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"}, None),
        ({"x-request-id": "eyJhbGciOiJF.eyJzdWIiOiJq.c2lnbmF0dXJl"}, None),
        ({"x-request-id": "once-more", "idempotency-key": "once-more"}, None),  # it is a secret of this very request
        ({"x-request-id": "of-nobody", "authorization": "Bearer of-nobody"}, None),
        ({"traceparent": "ff" + PARENT[2:]}, None),  # ff is no version
        ({"traceparent": PARENT.upper()}, None),
        ({"traceparent": f"00-{'0' * 32}-b7ad6b7169203331-01"}, None),  # all zeros: no trace
        ({"traceparent": f"00-{TRACE}-{'0' * 16}-01"}, None),
        ({"traceparent": f"00-{TRACE}-b7ad6b7169203331"}, None),
        ({"traceparent": f"00-{TRACE[:-1]}-b7ad6b7169203331-01"}, None),
    ],
)
async def test_which_id_a_request_has(headers: dict[str, str], id: str | None) -> None:
    async with client(make_test_app()) as http:
        encoded = {name: value.encode("latin-1") for name, value in headers.items()}
        got = [(await http.get("/healthz", headers=encoded)).headers["x-request-id"] for _ in range(2)]
    if id is None:
        assert all(MADE.match(each) for each in got)
        assert got[0] != got[1]
    else:
        assert got == [id, id]


@pytest.mark.parametrize(
    ("method", "path", "options", "status"),
    [
        ("GET", "/nothing", {}, 404),
        ("PATCH", "/v1/due", {}, 405),
        ("POST", "/v1/due", {"content": b"{", "headers": {"content-type": "application/json"}}, 400),
        ("GET", "/healthz?" + "x" * 9000, {}, 414),
        ("GET", "/v1/machines", {}, 500),  # what is kept of machines is not in the memory of these tests
        ("OPTIONS", "/v1/due", {}, 405),
    ],
)
async def test_every_answer_says_its_id_whoever_writes_it(method: str, path: str, options: Any, status: int) -> None:
    async with client(make_test_app()) as http:
        answer = await http.request(method, path, **options)
    assert answer.status_code == status
    assert MADE.match(answer.headers["x-request-id"])


async def test_one_line_for_each_request(lines: list[dict[str, Any]]) -> None:
    async with client(make_test_app(lines=True)) as http:
        for method, path in (
            ("GET", "/healthz"),
            ("GET", "/readyz"),
            ("HEAD", "/v1/rulebooks"),
            ("GET", "/v1/rulebooks/none/versions/1?secret=fw_x"),
            ("POST", "/v1/due"),
            ("GET", "/whatever/fw_x"),
            ("BREW", "/whatever"),
        ):
            await http.request(method, path, headers={"x-request-id": f"of-{method}"})
    told = [line for line in lines if line["event"] == "request"]
    assert [(t["level"], t["method"], t["route"], t["status"], t["request_id"]) for t in told] == [
        ("debug", "GET", "/healthz", 200, "of-GET"),
        ("debug", "GET", "/readyz", 200, "of-GET"),
        ("info", "HEAD", "/v1/rulebooks", 200, "of-HEAD"),
        ("info", "GET", "/v1/rulebooks/{name}/versions/{version}", 404, "of-GET"),
        ("info", "POST", "/v1/due", 415, "of-POST"),
        ("info", "GET", None, 404, "of-GET"),
        ("info", "other", None, 404, "of-BREW"),
    ]
    assert all(0 <= t["ms"] < 60_000 for t in told)
    assert "fw_x" not in str(lines)
    assert structlog.contextvars.get_contextvars() == {}


async def test_what_is_told_while_a_request_is_answered_has_its_id(lines: list[dict[str, Any]]) -> None:
    async with client(make_test_app(lines=True)) as http:
        await http.get("/v1/machines", headers={"x-request-id": "fails"})
    assert [(line["event"], line["request_id"]) for line in lines] == [("request failed", "fails"), ("request", "fails")]


async def test_an_app_without_lines_tells_of_none(lines: list[dict[str, Any]]) -> None:
    async with client(make_app(MemoryStore(), lambda: NOW, is_open=True)) as http:
        await http.get("/healthz")
    assert lines == []


async def test_who_leaves_before_the_answer_is_seen_too(lines: list[dict[str, Any]]) -> None:
    async def app(scope: Scope, receive: Receive, send: Send) -> None:
        """Answers nothing: nobody is there any more."""

    async def nothing() -> Any:
        raise AssertionError

    tally = Tally()
    scope = {"type": "http", "method": "GET", "path": "/v1/due", "headers": []}
    await Watching(app, tally)(scope, nothing, nothing)
    assert (lines[-1]["status"], tally.requests, tally.open) == (None, {("none", "GET", 0): 1}, 0)
