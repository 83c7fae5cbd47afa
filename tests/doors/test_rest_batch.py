"""JSON Lines in, JSON Lines out: order, places, streaming, limits."""

import asyncio
import json
from typing import Any

import httpx
import pytest

from tests.doors_app import client, make_test_app, publish

NOW = "2026-07-14T06:00:00+01:00"
LINES = {"content-type": "application/jsonl"}
MACHINE: dict[str, Any] = {"model": "R5", "serial": "R5-0417"}
NAME = "plover-r5-baler"


def lines(*items: Any) -> bytes:
    return b"".join((item if isinstance(item, bytes) else json.dumps(item).encode()) + b"\n" for item in items)


async def batch(http: httpx.AsyncClient, body: bytes) -> list[dict[str, Any]]:
    response = await http.post("/v1/due/batch", content=body, headers=LINES)
    assert response.status_code == 200, response.text
    assert response.headers["content-type"] == "application/jsonl"
    assert response.text.endswith("\n")
    return [json.loads(line) for line in response.text.splitlines()]


async def test_each_line_answers_in_its_place(http: httpx.AsyncClient) -> None:
    told = await batch(
        http,
        lines(
            {"defaults": {"rulebook": NAME, "now": NOW}},
            {"ref": "a", "machine": {**MACHINE, "id": "m-1"}},
            b"{broken",
            b"",
            {"ref": 7, "machine": {**MACHINE, "sserial": "x"}},
            {"ref": "c", "rulebook": "no-such", "machine": MACHINE},
            {"ref": "d", "now": "2026-07-15T06:00:00+01:00", "machine": MACHINE},
        ),
    )
    assert [(t.get("line"), t.get("ref")) for t in told[:-1]] == [(2, "a"), (3, None), (5, 7), (6, "c"), (7, "d")]
    assert [t.get("problem", {}).get("status", 200) for t in told[:-1]] == [200, 400, 422, 404, 200]
    assert told[0]["machine"] == "m-1"
    assert told[0]["rulebook"]["version"] == 1
    assert told[4]["now"].startswith("2026-07-15")
    assert told[-1] == {"end": True, "lines": 5}


async def test_a_line_answers_as_a_single_question_does(http: httpx.AsyncClient) -> None:
    asked = {"rulebook": NAME, "now": NOW, "machine": MACHINE}
    single = (await http.post("/v1/due", json=asked)).json()
    told = await batch(http, lines(asked))
    assert told[0] == {"line": 1, "ref": None, **single}


async def test_without_defaults_both_are_needed(http: httpx.AsyncClient) -> None:
    told = await batch(http, lines({"machine": MACHINE}))
    assert [e["detail"] for e in told[0]["problem"]["errors"]] == ["the member `rulebook` is missing", "the member `now` is missing"]


async def test_bad_defaults_are_a_problem_of_their_line(http: httpx.AsyncClient) -> None:
    told = await batch(http, lines({"defaults": {"rulebok": NAME}}, {"rulebook": NAME, "now": NOW, "machine": MACHINE}))
    assert told[0]["problem"]["errors"][0]["mend"] == "did you mean `rulebook`?"
    assert told[1]["tasks"]
    assert told[2] == {"end": True, "lines": 2}


async def test_an_empty_batch_ends(http: httpx.AsyncClient) -> None:
    assert await batch(http, b"") == [{"end": True, "lines": 0}]
    assert await batch(http, b"\n\r\n") == [{"end": True, "lines": 0}]


async def test_a_line_that_is_too_long_is_refused_and_the_next_is_not(http: httpx.AsyncClient) -> None:
    told = await batch(http, lines(b'"' + b"x" * 1_100_000 + b'"', {"rulebook": NAME, "now": NOW, "machine": MACHINE}))
    assert told[0]["problem"]["status"] == 413
    assert told[1]["line"] == 2
    assert told[1]["tasks"]


async def test_more_lines_than_are_taken_cut_the_answer_off(rulebook: str) -> None:
    async with client(make_test_app(max_lines=2)) as http:
        await publish(http, NAME, rulebook)
        told = await batch(http, lines(*[{"rulebook": NAME, "now": NOW, "machine": MACHINE}] * 3))
    assert [t["line"] for t in told] == [1, 2, 3]
    assert told[2]["problem"]["code"] == "request.too_large"
    assert not any("end" in t for t in told)


async def test_more_bytes_than_are_taken_cut_the_answer_off(http: httpx.AsyncClient, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("fieldworthy.rest.batch.MAX_BATCH_BYTES", 10)
    told = await batch(http, lines({"rulebook": NAME, "now": NOW, "machine": MACHINE}))
    assert [t.get("problem", {}).get("code") for t in told] == ["request.too_large"]


async def test_another_media_type(http: httpx.AsyncClient) -> None:
    assert (await http.post("/v1/due/batch", content=b"{}", headers={"content-type": "application/json"})).status_code == 415


async def test_an_answer_comes_before_the_next_line_is_sent(rulebook: str) -> None:
    """Driven as a server would: one line, its answer, the next line."""
    app = make_test_app()
    async with client(app) as http:
        await publish(http, NAME, rulebook)
    asked: asyncio.Queue[dict[str, Any]] = asyncio.Queue()
    answered: asyncio.Queue[dict[str, Any]] = asyncio.Queue()
    scope: dict[str, Any] = {
        "type": "http",
        "asgi": {"version": "3.0"},
        "http_version": "1.1",
        "scheme": "http",
        "method": "POST",
        "path": "/v1/due/batch",
    }
    scope |= {"raw_path": b"/v1/due/batch", "query_string": b"", "headers": [(b"content-type", b"application/jsonl")]}
    running = asyncio.create_task(app(scope, asked.get, answered.put))
    one = lines({"rulebook": NAME, "now": NOW, "machine": MACHINE})
    assert (await asyncio.wait_for(answered.get(), 10))["type"] == "http.response.start"
    for number in (1, 2, 3):
        await asked.put({"type": "http.request", "body": one[:40], "more_body": True})
        await asked.put({"type": "http.request", "body": one[40:], "more_body": True})
        message = await asyncio.wait_for(answered.get(), 10)
        assert json.loads(message["body"])["line"] == number
        assert message["more_body"]
    await asked.put({"type": "http.request", "body": b"", "more_body": False})
    assert json.loads((await asyncio.wait_for(answered.get(), 10))["body"]) == {"end": True, "lines": 3}
    await running


async def test_a_caller_that_leaves_gets_no_end(rulebook: str) -> None:
    app = make_test_app()
    sent: list[dict[str, Any]] = []
    messages = iter([{"type": "http.request", "body": b'{"x":1}\n', "more_body": True}, {"type": "http.disconnect"}])

    async def receive() -> dict[str, Any]:
        return next(messages)

    async def send(message: Any) -> None:
        sent.append(message)

    scope: dict[str, Any] = {
        "type": "http",
        "asgi": {"version": "3.0"},
        "http_version": "1.1",
        "scheme": "http",
        "method": "POST",
        "path": "/v1/due/batch",
    }
    await app({**scope, "raw_path": b"", "query_string": b"", "headers": [(b"content-type", b"application/jsonl")]}, receive, send)
    assert b'"end"' not in b"".join(m.get("body", b"") for m in sent)
