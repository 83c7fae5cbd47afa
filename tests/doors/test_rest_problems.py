"""Every refusal is a problem (RFC 9457): its media type, its members, its status, and nothing from inside."""

import asyncio
import json
import re
from collections.abc import AsyncIterator
from typing import Any

import httpx
import pytest
import structlog

from fieldworthy.usecases.refusals import leaves
from fieldworthy.wire.catalogue import KINDS, STANDARD_TYPES
from fieldworthy.wire.problems import Problem
from tests.doors_app import MemoryStore, client, make_test_app

NOW = "2026-07-14T06:00:00+01:00"
DUE: dict[str, Any] = {"rulebook": "plover-r5-baler", "now": NOW, "machine": {"model": "R5", "serial": "R5-0417"}}


def problem(response: httpx.Response, status: int, code: str) -> dict[str, Any]:
    """The problem of an answer, with everything that holds of each."""
    assert response.status_code == status, response.text
    assert response.headers["content-type"] == "application/problem+json"
    if response.request.method == "HEAD":
        assert not response.content
        return {}
    told: dict[str, Any] = response.json()
    assert Problem.model_validate(told)
    assert told["status"] == status  # RFC 9457: must equal the real one
    assert told["code"] == code
    assert told["type"] == f"/problems/{code}"
    assert told["title"] == KINDS[code].title
    assert told["detail"]
    assert told["mend"]
    assert all(e["detail"] and e["mend"] and e["pointer"].startswith("#") for e in told["errors"])
    assert "Traceback" not in response.text
    return told


async def test_malformed_json_names_line_and_column(http: httpx.AsyncClient) -> None:
    response = await http.post("/v1/due", content=b'{"rulebook": "x",\n "now": }', headers={"content-type": "application/json"})
    told = problem(response, 400, "body.unreadable")
    assert [(e["line"], e["column"]) for e in told["errors"]] == [(2, 9)]


@pytest.mark.parametrize(
    "headers",
    [
        {"content-type": "text/plain"},
        {"content-type": "application/json; charset=iso-8859-1"},
        {"content-type": "application/json", "content-encoding": "gzip"},
        {"content-type": "multipart/form-data"},
        {},
        {"content-type": ""},
        {"content-type": "application/json-patch+json"},
    ],
)
async def test_another_media_type(http: httpx.AsyncClient, headers: dict[str, str]) -> None:
    for path in ("/v1/due", "/v1/clearance", "/v1/parts", "/v1/expressions/check"):
        problem(await http.post(path, content=b"{}", headers=headers), 415, "body.media_type")


@pytest.mark.parametrize(
    "kind", ["application/json", "application/json; charset=utf-8", "application/json;charset=UTF-8", "Application/JSON"]
)
async def test_the_taken_media_types(http: httpx.AsyncClient, kind: str) -> None:
    response = await http.post("/v1/due", content=json.dumps(DUE).encode(), headers={"content-type": kind})
    assert response.status_code == 200, response.text


@pytest.mark.parametrize(
    "path",
    ["/", "/v2/due", "/v1/due/", "/v1//due", "/v1/rulebooks/x/y/z", "/docs/../main.py", "/docs/nothing.js", "/problems/nothing", "/%00"],
)
async def test_an_unknown_path(http: httpx.AsyncClient, path: str) -> None:
    problem(await http.get(path), 404, "address.unknown")


@pytest.mark.parametrize(
    ("method", "path", "allow"),
    [
        ("GET", "/v1/clearance", {"POST"}),
        ("DELETE", "/v1/due", {"GET", "HEAD", "POST"}),
        ("POST", "/v1/rulebooks", {"GET", "HEAD"}),
        ("PATCH", "/v1/rulebooks/x/draft", {"GET", "HEAD", "PUT"}),
        ("POST", "/healthz", {"GET", "HEAD"}),
        ("HEAD", "/v1/clearance", {"POST"}),
        ("BREW", "/v1/due", {"GET", "HEAD", "POST"}),
        ("PUT", "/v1/feeds/fwf_abc.ics", {"GET", "HEAD"}),  # and not what `/v1/feeds/{id}` takes
        ("PUT", "/v1/feeds/abcdefghijkl", {"DELETE"}),
        ("PUT", "/v1/deliveries/again", {"POST"}),
    ],
)
async def test_a_wrong_method_is_told_all_that_the_path_takes(http: httpx.AsyncClient, method: str, path: str, allow: set[str]) -> None:
    response = await http.request(method, path)
    problem(response, 405, "address.method_not_allowed")
    assert set(response.headers["allow"].split(", ")) == allow


async def test_head_is_get_without_the_body(http: httpx.AsyncClient) -> None:
    for path in (
        "/healthz",
        "/v1/rulebooks",
        "/v1/rulebooks/plover-r5-baler/versions/1",
        "/v1/rulebooks/none/versions/1",
        "/docs",
        "/nothing",
    ):
        named = {"x-request-id": "the-same"}
        got, head = await http.get(path, headers=named), await http.head(path, headers=named)
        assert (head.status_code, head.headers, head.content) == (got.status_code, got.headers, b"")


async def test_a_body_over_the_limit() -> None:
    app = make_test_app(max_body=1000)
    async with client(app) as http:
        body = json.dumps({**DUE, "rulebook": "x" * 2000}).encode()
        problem(await http.post("/v1/due", content=body, headers={"content-type": "application/json"}), 413, "body.too_large")

        async def pieces() -> AsyncIterator[bytes]:  # no Content-Length: the bytes are counted as they arrive
            for _ in range(300):
                yield b" " * 10

        problem(await http.post("/v1/due", content=pieces(), headers={"content-type": "application/json"}), 413, "body.too_large")


async def test_more_requests_than_are_taken_at_once() -> None:
    app = make_test_app(max_at_once=1)
    async with client(app) as http:
        more, held = asyncio.Event(), asyncio.Event()

        async def slowly() -> AsyncIterator[bytes]:
            held.set()
            await more.wait()
            yield b"{}"

        first = asyncio.create_task(http.post("/v1/due", content=slowly(), headers={"content-type": "application/json"}))
        await held.wait()
        refused = await http.get("/v1/rulebooks")
        assert problem(refused, 503, "service.busy")["detail"] == "the service answers at most 1 requests at once"
        assert refused.headers["retry-after"] == "1"
        assert (await http.get("/healthz")).status_code == 200
        more.set()
        problem(await first, 422, "request.does_not_fit")
        assert (await http.get("/v1/rulebooks")).status_code == 200


async def test_a_request_that_takes_too_long_is_given_up() -> None:
    class Waiting(MemoryStore):
        left = False

        async def names(self, after: str | None, limit: int) -> Any:
            try:
                await asyncio.sleep(60)
            finally:
                self.left = True

    store = Waiting()
    async with client(make_test_app(store, longest=0.05, max_at_once=1)) as http:
        for _ in range(2):  # the second one finds the place free
            answer = await http.get("/v1/rulebooks")
            problem(answer, 503, "service.too_long")
            assert answer.headers["retry-after"] == "60"
            assert store.left  # its work is over too: a transaction would have been undone


async def test_a_time_where_a_day_belongs(http: httpx.AsyncClient) -> None:
    asked = {"rulebook": "x", "on": "2026-07-14T00:00:00Z", "machine": {}, "tasks": []}
    (error,) = problem(await http.post("/v1/parts", json=asked), 422, "request.does_not_fit")["errors"]
    assert (error["code"], error["mend"]) == ("time.unreadable", "write it as `2026-07-14`")


async def test_a_word_that_is_none_is_told_the_known_ones(http: httpx.AsyncClient) -> None:
    seen = {"fact": "x", "value": "y", "at": "2026-07-14T00:00:00Z", "via": "guess"}
    asked = {"rulebook": "x", "now": "2026-07-14T00:00:00Z", "machine": {}, "for": {"task": "x"}, "evidence": [seen]}
    (error,) = problem(await http.post("/v1/clearance", json=asked), 422, "request.does_not_fit")["errors"]
    assert (error["pointer"], error["mend"]) == ("#/evidence/0/via", "give `sensor` or `seen`")


async def test_a_false_content_length_is_not_believed() -> None:
    app = make_test_app(max_body=1000)
    sent: list[Any] = []
    chunks = iter([b" " * 600, b" " * 600])

    async def receive() -> dict[str, Any]:
        body = next(chunks, None)
        return {"type": "http.request", "body": body, "more_body": True} if body is not None else {"type": "http.disconnect"}

    async def send(message: Any) -> None:
        sent.append(message)

    headers = [(b"content-length", b"10"), (b"content-type", b"application/json")]
    scope = {
        "type": "http",
        "method": "POST",
        "path": "/v1/due",
        "raw_path": b"/v1/due",
        "query_string": b"",
        "headers": headers,
        "http_version": "1.1",
        "scheme": "http",
    }
    await app({**scope, "asgi": {"version": "3.0"}}, receive, send)
    assert sent[0]["status"] == 413


async def test_headers_and_address_have_limits(http: httpx.AsyncClient) -> None:
    problem(await http.get("/healthz", headers={"x-long": "x" * 40_000}), 431, "request.headers_too_large")
    problem(await http.get("/healthz", headers={f"x-{i}": "x" for i in range(150)}), 431, "request.headers_too_large")
    problem(await http.get("/healthz?" + "x" * 9000), 414, "address.too_long")


async def test_an_address_that_is_no_text_is_refused_and_not_mended(http: httpx.AsyncClient) -> None:
    """RFC 3629, 3: what can't be read is not taken for U+FFFD, by which two names would be one; U+FFFD itself may be written."""
    for name in ("%ff", "%fe", "a%c0%80", "%ed%a0%80", "%EF%BF%BD%ff"):
        problem(await http.get(f"/v1/rulebooks/{name}/versions"), 400, "request.unreadable")
    problem(await http.get("/v1/rulebooks/%EF%BF%BD/versions"), 404, "rulebook.unknown")


async def test_an_unexpected_exception_says_nothing_of_itself() -> None:
    class Broken(MemoryStore):
        async def names(self, after: str | None, limit: int) -> Any:
            raise RuntimeError("the password is hunter2")

    async with client(make_test_app(Broken())) as http:
        response = await http.get("/v1/rulebooks")
    problem(response, 500, "service.failed")
    assert "hunter2" not in response.text
    assert "RuntimeError" not in response.text


async def test_a_caller_who_leaves_is_no_fault_of_the_service() -> None:
    sent: list[Any] = []

    async def receive() -> dict[str, Any]:
        return {"type": "http.disconnect"}

    async def send(message: Any) -> None:
        sent.append(message)

    headers = [(b"content-type", b"application/json"), (b"content-length", b"10")]
    scope = {"type": "http", "method": "POST", "path": "/v1/due", "raw_path": b"/v1/due", "query_string": b"", "headers": headers}
    with structlog.testing.capture_logs() as logged:
        await make_test_app()({**scope, "http_version": "1.1", "scheme": "http", "asgi": {"version": "3.0"}}, receive, send)
    assert (sent, logged) == ([], [])


async def test_not_ready() -> None:
    async def down() -> str:
        return "the database can't be reached"

    async with client(make_test_app(ready=down)) as http:
        response = await http.get("/readyz")
        assert problem(response, 503, "service.unavailable")["detail"] == "the database can't be reached"
        assert response.headers["retry-after"] == "5"
        assert (await http.get("/healthz")).status_code == 200


async def test_a_question_that_does_not_fit_names_every_place(http: httpx.AsyncClient) -> None:
    asked = {**DUE, "machine": {**DUE["machine"], "done": [{"task": "roller-bearing-greas", "at": NOW}]}, "tasks": ["belt"]}
    told = problem(await http.post("/v1/due", json=asked), 422, "question.does_not_fit")
    assert {e["pointer"] for e in told["errors"]} == {"#/machine/done/0/task", "#/tasks/0"}
    assert any("`roller-bearing-grease`" in e["mend"] for e in told["errors"])


@pytest.mark.parametrize(
    ("reference", "status", "code"),
    [
        ("no-such", 404, "rulebook.unknown"),
        ("plover-r5-baler@9", 404, "rulebook.version_unknown"),
        ("sha256:" + "0" * 64, 404, "rulebook.unknown"),
        ("Not A Name", 422, "rulebook.reference_malformed"),
        ("plover-r5-baler@0", 422, "rulebook.reference_malformed"),
    ],
)
async def test_a_rulebook_that_is_not_there(http: httpx.AsyncClient, reference: str, status: int, code: str) -> None:
    problem(await http.post("/v1/due", json={**DUE, "rulebook": reference}), status, code)


async def test_a_document_with_errors_is_refused_at_its_place(http: httpx.AsyncClient) -> None:
    document = {"rulebook": "b", "title": "B", "tasks": {"t": {"title": "T", "kind": "inspect", "interval": "evry 5 h"}}}
    told = problem(await http.post("/v1/due", json={**DUE, "rulebook": document}), 422, "rulebook.has_errors")
    assert told["errors"][0]["pointer"] == "#/rulebook/tasks/t/interval"


async def test_every_kind_has_a_page_and_every_refusal_a_kind(http: httpx.AsyncClient) -> None:
    assert {leaf.code for leaf in leaves()} <= set(KINDS)
    for kind in KINDS.values():
        page = await http.get(f"/problems/{kind.code}")
        assert kind.type == STANDARD_TYPES.get(kind.code, f"/problems/{kind.code}")
        assert page.status_code == 200
        assert page.headers["content-type"].startswith("text/html")
        assert kind.code in page.text
        assert re.fullmatch(r"[a-z_]+\.[a-z_]+", kind.code)


async def test_the_docs_page_asks_nothing_of_the_network(http: httpx.AsyncClient) -> None:
    page = await http.get("/docs")
    assert page.status_code == 200
    assert "default-src 'none'" in page.headers["content-security-policy"]
    links = [link for link in re.findall(r'(?:src|href)="([^"]*)"', page.text) if link != "data:,"]
    assert len(links) == 3
    for link in links:
        assert "//" not in link
        found = await http.get("/" + link)
        assert found.status_code == 200
    script = (await http.get("/docs/docs.js")).text
    assert "validatorUrl: null" in script
    assert "//" not in script
    assert (await http.get("/openapi.json")).json()["openapi"] == "3.1.0"


async def test_the_same_request_gets_the_same_bytes(http: httpx.AsyncClient) -> None:
    first, second = [await http.post("/v1/due", json=DUE) for _ in range(2)]
    assert first.status_code == 200
    assert first.content == second.content
