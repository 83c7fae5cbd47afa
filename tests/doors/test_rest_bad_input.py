"""Bad input of every kind is answered in short time by a clear refusal, or by findings: never by a failure of the service."""

import json
from collections.abc import AsyncIterator
from datetime import UTC, datetime, timedelta
from time import process_time
from typing import Any

import httpx
import pytest
import pytest_asyncio

from tests.doors_app import client, make_test_app

APP = make_test_app()
NOW = "2026-07-14T06:00:00Z"
BOOK: dict[str, Any] = {
    "rulebook": "b",
    "title": "B",
    "meters": {"engine": {"unit": "h", "default": True}},
    "occurrences": {"wheel fitted": {}},
    "working_conditions": {"dust": ["light", "heavy"]},
    "facts": {"engine": {"states": ["stopped", "running"], "known_by": ["seen"], "good_for": "2 min"}},
    "tasks": {
        "oil": {"title": "Oil", "kind": "replace", "interval": "every 100 h", "may_defer": "10 % at most 8 h"},
        "filter": {"title": "Filter", "kind": "clean", "interval": "every 50 h; when dust is heavy, every 10 h"},
        "stop": {"title": "Stop", "kind": "clean", "needs": "engine is stopped"},
    },
}


@pytest_asyncio.fixture
async def http() -> AsyncIterator[httpx.AsyncClient]:
    async with client(APP) as http:
        yield http


async def due(http: httpx.AsyncClient, now: str = NOW, **machine: Any) -> httpx.Response:
    return await http.post("/v1/due", json={"rulebook": BOOK, "now": now, "machine": machine})


def refused(response: httpx.Response, pointer: str, says: str) -> None:
    """It is a problem whose first error has this place and these words."""
    body = response.json()
    assert response.status_code == body["status"] == 422, body
    assert (body["errors"][0]["pointer"], says in body["errors"][0]["detail"]) == (pointer, True), body["errors"][0]
    assert body["errors"][0]["mend"]


@pytest.mark.parametrize(
    "number", ["9" * 20, "9" * 1900, "0." + "0" * 20 + "1", "1" * 16, "\u0661\u0662", "\N{FULLWIDTH DIGIT ONE}", "1e400"], ids=ascii
)
@pytest.mark.parametrize("text", ["every {} h", "every 10 h, within {} %", "every 10 h, within 10 % at most {} h", "every {} years"])
async def test_numbers_that_no_interval_can_have(http: httpx.AsyncClient, text: str, number: str) -> None:
    response = await http.post("/v1/expressions/check", json={"interval": text.format(number)})
    assert response.status_code == 200, response.text
    assert [f["code"] for f in response.json()["findings"]] == ["interval.odd_number"]


@pytest.mark.parametrize("amount", [5, 0, -5, 1e15, 1e-9, "5", "-5 h", "0 h", "\u0665 h", {"value": -1, "unit": "days"}], ids=str)
async def test_a_deferral_needs_an_amount_above_zero_with_a_unit(http: httpx.AsyncClient, amount: Any) -> None:
    deferral = {"task": "oil", "at": "2026-07-13T00:00:00Z", "by": "x", "why": "y", "amount": amount}
    refused(await due(http, deferrals=[deferral]), "#/machine/deferrals/0/amount", "amount")


@pytest.mark.parametrize("zone", ["localtime", "posixrules", "Factory", "right/UTC", "posix/UTC", "../UTC", "UTC\u202e", "."])
async def test_a_zone_is_a_place_and_not_the_servers_own_choice(http: httpx.AsyncClient, zone: str) -> None:
    refused(await due(http, timezone=zone), "#/machine/timezone", "is no time zone")


async def test_a_record_has_one_time(http: httpx.AsyncClient) -> None:
    record = {"task": "oil", "at": "2026-07-13T00:00:00Z", "on": "2026-07-13"}
    refused(await due(http, done=[record]), "#/machine/done/0", "`at` and `on` are both given")


@pytest.mark.parametrize(
    ("now", "says"),
    [
        ("2026-07-14T23:59:60Z", "there is no time"),
        ("2026-02-29T00:00:00Z", "there is no time"),
        ("2026-07-14T24:00:00Z", "there is no time"),
        ("2026-07-14T06:00:00+24:00", "there is no time"),
        ("9999-12-31T23:59:59Z", "out of the calendar"),
        ("0001-01-01T00:00:00+23:59", "out of the calendar"),
    ],
)
async def test_times_that_there_are_not(http: httpx.AsyncClient, now: str, says: str) -> None:
    refused(await due(http, now=now), "#/now", says)


async def test_small_letters_of_a_time_are_read(http: httpx.AsyncClient) -> None:  # RFC 3339, section 5.6, the first note
    assert (await due(http, now=NOW.lower())).status_code == 200


@pytest.mark.parametrize("now", ["9999-12-31T23:59:59Z", "9999-12-31T23:59:59-23:59", "0001-01-01T00:00:00+23:59", "2999-01-01T00:00:00Z"])
async def test_clearance_keeps_to_the_same_calendar(http: httpx.AsyncClient, now: str) -> None:
    evidence = [{"fact": "engine", "value": "stopped", "at": NOW, "via": "seen"}]
    asked = {"rulebook": BOOK, "now": now, "machine": {}, "for": {"task": "stop"}, "evidence": evidence}
    refused(await http.post("/v1/clearance", json=asked), "#/now", "out of the calendar")


@pytest.mark.parametrize(
    "body", [rb'{"document":{},"\ud800":1}', rb'{"document":"\udfff"}', rb'{"document":{"\ud800\u0041":1}}'], ids=["name", "text", "inside"]
)
async def test_half_of_a_surrogate_pair_is_no_text(http: httpx.AsyncClient, body: bytes) -> None:
    response = await http.post("/v1/rulebooks/check", content=body, headers={"content-type": "application/json"})
    assert (response.status_code, response.json()["code"]) == (400, "body.unreadable")
    assert "half of a surrogate pair" in response.json()["detail"]


async def test_half_of_a_surrogate_pair_in_a_document_is_a_finding(http: httpx.AsyncClient) -> None:
    body = rb'{"rulebook":"t","title":"\ud800"}'
    response = await http.post("/v1/rulebooks/check", content=body, headers={"content-type": "application/json"})
    assert [(f["code"], f["path"]) for f in response.json()["findings"]] == [("document.control_character", "/title")]


async def test_a_bad_reference_does_not_end_a_batch(http: httpx.AsyncClient) -> None:
    body = rb'{"ref":"\ud800","machine":{}}' + b"\n" + json.dumps({"rulebook": BOOK, "now": NOW, "machine": {}}).encode()
    response = await http.post("/v1/due/batch", content=body, headers={"content-type": "application/jsonl"})
    first, second, end = map(json.loads, response.content.splitlines())
    assert (first["ref"], first["problem"]["code"], "tasks" in second, end) == (None, "body.unreadable", True, {"end": True, "lines": 2})


MANY: list[tuple[str, dict[str, Any]]] = [
    ("unknown tasks", {"done": [{"task": f"oil{i}", "at": NOW} for i in range(20_000)]}),
    ("members", {"done": [{"x": 1}] * 40_000}),
    ("meters", {"readings": [{"meter": f"engin{i}", "value": 1, "at": NOW} for i in range(10_000)]}),
]


@pytest.mark.parametrize(("what", "machine"), MANY, ids=[what for what, _ in MANY])
async def test_thousands_of_faults_are_told_in_short(http: httpx.AsyncClient, what: str, machine: dict[str, Any]) -> None:
    began = process_time()
    response = await due(http, **machine)
    assert response.status_code == 422
    assert 1 < len(response.json()["errors"]) <= 500
    assert len(response.content) < 200_000
    assert process_time() - began < 3  # it took twenty before


def clock(minutes: int) -> str:
    return (datetime(2026, 1, 1, tzinfo=UTC) + timedelta(minutes=minutes)).isoformat()


async def test_thousands_of_stretches_are_computed_in_short(http: httpx.AsyncClient) -> None:
    told = [
        {"condition": "dust", "value": ["heavy", "light"][i % 2], "from": clock(10 * i), "to": clock(200_000 - 10 * i)}
        for i in range(10_000)
    ]
    began = process_time()
    start = {"on": "2025-01-01", "as": "new", "meters": {"engine": 0}}
    reading = {"meter": "engine", "value": 30, "at": "2026-07-14T05:00:00Z"}
    response = await due(http, in_service=start, meters=[reading], working_conditions=told)
    assert response.status_code == 200, response.text
    assert process_time() - began < 3  # it took twelve before


NAMES = [f"t{i:05}" for i in range(1900)]


@pytest.mark.parametrize(
    "task",
    [
        {"covers": ["u00000"]},
        {"uses": [{"part": "Q-00000", "amount": "1 each"}]},
        {"interval": " or ".join(f"every wheel fitedd {c}" for c in "abcd")},
    ],
    ids=["covers", "uses", "interval"],
)
async def test_a_rulebook_wrong_in_every_task_is_told_in_short(http: httpx.AsyncClient, task: dict[str, Any]) -> None:
    tasks = {name: {"title": "X", "kind": "clean", **task} for name in NAMES}
    parts = {f"P-{i:05}": {"title": "X", "unit": "each"} for i in range(1900)}
    began = process_time()
    response = await http.post("/v1/rulebooks/check", json={**BOOK, "tasks": tasks, "parts": parts})
    findings = response.json()["findings"]
    assert sum(f["severity"] == "error" for f in findings) == 201
    assert "rulebook.more_errors" in {f["code"] for f in findings}
    assert process_time() - began < 4  # it took more than fifteen before


async def test_more_warnings_than_are_told_refuse_nothing(http: httpx.AsyncClient) -> None:
    letters = "abcdefghijkl"
    facts = {
        f"fact {a}{b}{c}": {"states": ["a", "b"], "known_by": ["seen"], "good_for": "1 h"}
        for a in letters
        for b in letters
        for c in letters
    }
    tasks = {name: {"title": "X", "kind": "clean"} for name in NAMES}
    response = await http.post("/v1/rulebooks/check", json={"rulebook": "b", "title": "B", "facts": facts, "tasks": tasks})
    findings = response.json()["findings"]
    assert response.json()["rulebook"]["name"] == "b"
    assert (len(findings), findings[-1]["code"]) == (3000, "rulebook.more_warnings")


async def test_equal_numbers_that_would_be_rounded_have_a_place_each(http: httpx.AsyncClient) -> None:
    body = b'{"interval": "daily",\n "vocabulary": {"meters": {"a": 1e400,\n "b": "1e400", "c": [1e400]}}}'
    response = await http.post("/v1/expressions/check", content=body, headers={"content-type": "application/json"})
    told = [(e["pointer"], e["line"], e["column"]) for e in response.json()["errors"]]
    assert told == [("#/vocabulary/meters/a", 2, 33), ("#/vocabulary/meters/c/0", 3, 22)]


async def test_a_caller_that_sends_all_before_it_listens_hears_that_it_is_too_much() -> None:
    taken: list[int] = []
    chunks = [b" " * 100_000] * 50

    async def receive() -> dict[str, Any]:
        taken.append(1)
        return {"type": "http.request", "body": chunks[len(taken) - 1], "more_body": len(taken) < len(chunks)}

    sent: list[Any] = []

    async def send(message: Any) -> None:
        sent.append(message)

    headers = [(b"content-length", b"5000000"), (b"content-type", b"application/json")]
    scope = {"type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "scheme": "http", "query_string": b"", "method": "POST"}
    await APP({**scope, "path": "/v1/due", "raw_path": b"/v1/due", "headers": headers}, receive, send)
    assert (len(taken), sent[0]["status"]) == (50, 413)
    taken.clear()
    await APP({**scope, "path": "/v1/due", "raw_path": b"/v1/due", "headers": [*headers, (b"expect", b"100-continue")]}, receive, send)
    assert taken == []  # who asks first is not made to send
