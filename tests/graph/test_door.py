"""GraphQL over HTTP, on a schema of the tests' own: what is asked and how, and what is told where it can't be answered.

Source: the GraphQL over HTTP draft of August 2026, sections 5 to 7; where the audits of its servers differ (400 in place of 422, and 200 of
what accepts `application/json` alone) by those: they are run whole in tests/strangers.
"""

import hashlib
import json
from collections.abc import AsyncIterator
from functools import cache
from typing import Any
from urllib.parse import quote

import httpx
import pytest
import pytest_asyncio
from fastapi import FastAPI

from fieldworthy.graph import documents
from fieldworthy.usecases.limits import MAX_QUERY_ALIASES, MAX_QUERY_BREADTH, MAX_QUERY_CHARACTERS, MAX_QUERY_DEPTH, MAX_QUERY_TOKENS
from fieldworthy.wire.catalogue import KINDS
from tests.doors_app import client
from tests.graph.small import PUT, SECRET, small_app

NEW = "application/graphql-response+json"
OLD = "application/json"


@cache
def usual_app() -> FastAPI:
    """One for all: nothing of what is asked of it changes what another test is answered."""
    return small_app()


@pytest_asyncio.fixture
async def http() -> AsyncIterator[httpx.AsyncClient]:
    async with client(usual_app()) as opened:
        yield opened


async def ask(http: httpx.AsyncClient, query: Any, accept: str = NEW, **more: Any) -> httpx.Response:
    return await http.post("/graphql", json={"query": query, **more}, headers={"accept": accept})


def errors_alone(answer: httpx.Response, code: str, status: int = 400) -> dict[str, Any]:
    """The first error of an answer that holds nothing but errors of one code, with all that each has."""
    assert answer.status_code == status, answer.text
    told = answer.json()
    assert set(told) == {"errors"}
    error, *more = told["errors"]
    assert {each["extensions"]["code"] for each in (error, *more)} == {code}
    assert error["message"]
    if answer.headers["content-type"].startswith(NEW):
        assert {each["extensions"]["status"] for each in (error, *more)} == {answer.status_code}
    kind = KINDS[code]
    assert error["extensions"]["title"] == kind.title
    assert error["extensions"]["type"] == kind.type
    assert error["extensions"]["mend"]
    return error  # type: ignore[no-any-return]


@pytest.mark.parametrize(
    ("accept", "media"),
    [
        (NEW, NEW),
        (OLD, OLD),
        ("*/*", OLD),
        ("", OLD),
        ("application/*", OLD),
        (f"{NEW}, {OLD}", NEW),
        (f"{OLD}, {NEW}", NEW),
        (f"{OLD}, {NEW};q=0.9", OLD),
        (f"{NEW};q=0.5, {OLD};q=0.5", NEW),
        (f"{NEW};q=0.2, */*;q=0.1", NEW),
        (f"{OLD};q=0, */*", NEW),
        (f"text/html, {NEW};q=0.1", NEW),
    ],
)
async def test_the_form_is_what_accept_likes_best(http: httpx.AsyncClient, accept: str, media: str) -> None:
    answer = await ask(http, "{ leaf { name } }", accept)
    assert answer.status_code == 200
    assert answer.headers["content-type"] == f"{media}; charset=utf-8"
    assert answer.json() == {"data": {"leaf": {"name": "ash"}}, "extensions": {"cost": {"requests": 1}}}
    assert answer.headers["x-request-id"]


@pytest.mark.parametrize(
    ("method", "options", "status", "code"),
    [
        ("POST", {"json": {"query": "{ __typename }"}, "headers": {"accept": "text/csv"}}, 406, "address.not_acceptable"),
        ("GET", {"params": {"query": "{ __typename }"}, "headers": {"accept": f"{NEW};q=0, {OLD};q=0"}}, 406, "address.not_acceptable"),
        ("POST", {"content": b"{ __typename }", "headers": {"content-type": "application/graphql"}}, 415, "body.media_type"),
        ("POST", {"content": b'{"query": "{ __typename }"}'}, 415, "body.media_type"),
        ("POST", {"content": b"{}", "headers": {"content-type": "application/json; charset=latin-1"}}, 415, "body.media_type"),
        ("POST", {"content": b" " * 2_000_001, "headers": {"content-type": OLD}}, 413, "body.too_large"),
        ("GET", {"params": {"query": 'mutation { put(name: "by GET") }'}}, 405, "address.method_not_allowed"),
        ("PUT", {"json": {"query": "{ __typename }"}}, 405, "address.method_not_allowed"),
        ("GET", {"params": {"query": "{ leaf { name } } #" + "x" * 9000}}, 414, "address.too_long"),
    ],
)
async def test_what_is_wrong_before_graphql_begins_is_a_problem(
    http: httpx.AsyncClient, method: str, options: dict[str, Any], status: int, code: str
) -> None:
    answer = await http.request(method, "/graphql", **options)
    assert (answer.status_code, answer.headers["content-type"]) == (status, "application/problem+json"), answer.text
    assert answer.json()["code"] == code
    if status == 405:
        assert answer.headers["allow"]
    assert "by GET" not in PUT


async def test_get_answers_as_post_does(http: httpx.AsyncClient) -> None:
    query, variables = "query ($n: String!) { leaf(name: $n) { name } }", {"n": "yew 🌲"}
    by_get = await http.get("/graphql", params={"query": query, "variables": json.dumps(variables)})
    assert by_get.json() == (await ask(http, query, variables=variables)).json()
    assert by_get.json()["data"] == {"leaf": {"name": "yew 🌲"}}
    head = await http.head("/graphql", params={"query": "{ __typename }"})
    assert (head.status_code, head.content) == (200, b"")


async def test_a_mutation_is_done_by_post(http: httpx.AsyncClient) -> None:
    answer = await ask(http, 'mutation { put(name: "by POST") }')
    assert answer.json()["data"] == {"put": "by POST"}
    assert "by POST" in PUT


DEEP = "{ leaf { " + "leaf { " * MAX_QUERY_DEPTH + "name" + " }" * MAX_QUERY_DEPTH + " } }"
BY_FRAGMENTS = "".join(f"fragment F{n} on Leaf {{ leaf {{ ...F{n + 1} }} }} " for n in range(20)) + "fragment F20 on Leaf { name } "
UNFOLDS = (
    "".join(f"fragment F{n} on Leaf {{ ...F{n + 1} leaf {{ ...F{n + 1} }} }} " for n in range(12)) + "fragment F12 on Leaf { name size } "
)
MANY = "{ " + " ".join(f"a{n}: __typename" for n in range(MAX_QUERY_ALIASES + 1)) + " }"


@pytest.mark.parametrize(
    ("query", "more", "code", "place"),
    [
        ("{", {}, "query.unreadable", (1, 2)),
        ("{ leaf { } }", {}, "query.unreadable", (1, 10)),
        ("{ leaf {\n  nam } }", {}, "query.does_not_fit", (2, 3)),
        ("{ leaf }", {}, "query.does_not_fit", (1, 3)),
        ("query ($n: String!) { leaf(name: $n) { name } }", {}, "query.does_not_fit", (1, 8)),
        ("query ($n: Int!) { leaves(first: $n) { edges { cursor } } }", {"variables": {"n": "3"}}, "query.does_not_fit", (1, 8)),
        ("query A { __typename } query B { __typename }", {}, "query.does_not_fit", None),
        ("query A { __typename }", {"operationName": "C"}, "query.does_not_fit", None),
        ("fragment F on Leaf { name }", {}, "query.does_not_fit", (1, 1)),
        ("{ leaf { ...F } } fragment F on Leaf { ...F }", {}, "query.does_not_fit", (1, 40)),
        (DEEP, {}, "query.too_deep", (1, 10 + 7 * (MAX_QUERY_DEPTH - 1))),
        ("{ leaf { ...F0 } } " + BY_FRAGMENTS, {}, "query.too_deep", None),
        ("{ " + "[" * 5000 + " }", {}, "query.unreadable", None),
        ("{ leaf(name: " + "[" * 900 + "]" * 900 + ") { name } }", {}, "query.too_deep", None),
        ("{ " + "__typename " * (MAX_QUERY_BREADTH + 1) + "}", {}, "query.too_broad", (1, 3 + 11 * MAX_QUERY_BREADTH)),
        (MANY, {}, "query.too_many_aliases", (1, MANY.index(f"a{MAX_QUERY_ALIASES}:") + 1)),
        ("{ leaf { " + "name " * MAX_QUERY_TOKENS + "} }", {}, "query.too_large", None),
        ("{ __typename } #" + "x" * MAX_QUERY_CHARACTERS, {}, "query.too_large", None),
        ("#\n" * MAX_QUERY_TOKENS + "{ __typename }", {}, "query.too_large", None),
        ("{ leaf { ...F0 } } " + UNFOLDS, {}, None, None),  # within all bounds: 8,192 fields at its end
        ("{ heap { leaf { ...F0 } } } " + UNFOLDS, {}, "query.too_dear", (1, 1)),
        ("subscription { count(to: 3) }", {}, "query.needs_a_socket", (1, 1)),
    ],
)
async def test_what_a_document_may_not_is_told_with_its_place(
    http: httpx.AsyncClient, query: str, more: dict[str, Any], code: str | None, place: tuple[int, int] | None
) -> None:
    answer = await ask(http, query, **more)
    if code is None:
        assert answer.status_code == 200, answer.text
        assert answer.json()["extensions"]["cost"]["requests"] > 10
        return
    error = errors_alone(answer, code)
    if place is not None:
        assert {"line": place[0], "column": place[1]} in error["locations"]
    old = await ask(http, query, OLD, **more)
    assert (old.status_code, old.json()) == (200, answer.json())


@pytest.mark.parametrize(
    ("body", "pointer"),
    [
        (b"", None),
        (b"{", None),
        (b"[]", "#"),
        (b"{}", "#/query"),
        (b'{"query": 3}', "#/query"),
        (b'{"query": "{ __typename }", "query": "{ __typename }"}', "#/query"),
        (b'{"query": "{ __typename }", "variables": []}', "#/variables"),
        (b'{"query": "{ __typename }", "operationName": {}}', "#/operationName"),
        (b'{"query": "{ __typename }", "extensions": "x"}', "#/extensions"),
        (b'{"query": "{ __typename }", "variables": {"n": 1e999}}', "#/variables/n"),
        (b'{"query": "{ __typename }", "variables": {"n": NaN}}', None),
        (b'{"query": "\xff"}', None),
        (b'{"query": "{ __typename }", "variables": ' + b'{"a":' * 200 + b"1" + b"}" * 201, None),
    ],
)
async def test_a_body_that_is_no_request(http: httpx.AsyncClient, body: bytes, pointer: str | None) -> None:
    for accept in (NEW, OLD):
        answer = await http.post("/graphql", content=body, headers={"content-type": OLD, "accept": accept})
        error = errors_alone(answer, "body.unreadable" if pointer is None else "request.does_not_fit")
        if pointer is not None:
            assert [each["pointer"] for each in error["extensions"]["errors"]] == [pointer]


@pytest.mark.parametrize("query", ["query=%ff", "query={__typename}&query={__typename}", "variables={}", "query={a}&variables=[", "&" * 50])
async def test_an_address_that_is_no_request(http: httpx.AsyncClient, query: str) -> None:
    answer = await http.get("/graphql", headers={"accept": NEW}, params=None, extensions={"target": b"/graphql?" + query.encode()})
    assert answer.status_code == 400, answer.text
    assert answer.json()["errors"]


async def test_a_fault_is_logged_once_and_its_words_are_told_to_nobody(
    http: httpx.AsyncClient, caplog: pytest.LogCaptureFixture, capsys: pytest.CaptureFixture[str]
) -> None:
    answer = await ask(http, "{ broken leaf { name } }")
    told = answer.json()
    assert answer.status_code == 200
    assert told["data"] == {"broken": None, "leaf": {"name": "ash"}}
    (error,) = told["errors"]
    assert (error["path"], error["extensions"]["code"]) == (["broken"], "service.failed")
    assert SECRET not in answer.text
    assert capsys.readouterr().out.count(SECRET) == 1
    must = await ask(http, "{ brokenMust }")
    assert (must.status_code, must.json()["data"]) == (200, None)


@pytest.mark.parametrize(
    ("field", "value", "logged"), [("fallen", None, SECRET), ("seasons", [None, None], SECRET), ("many", None, str(2**40))]
)
async def test_a_value_that_its_type_can_not_have_is_a_fault(
    http: httpx.AsyncClient, capsys: pytest.CaptureFixture[str], field: str, value: Any, logged: str
) -> None:
    """GraphQL specification (October 2021), 6.4.4, from memory: a field error; whose fault it is, it does not say."""
    answer = await ask(http, f"{{ {field} who }}")
    assert answer.json()["data"] == {field: value, "who": answer.json()["data"]["who"]}
    assert {error["extensions"]["code"] for error in answer.json()["errors"]} == {"service.failed"}
    assert logged not in answer.text
    lines = capsys.readouterr().out
    assert lines.count(f"represent {'non' if field == 'many' else 'value'}") == 1  # however often
    assert logged not in lines
    assert "who" not in lines, "nothing of what was sent stands in the log"


async def test_an_argument_that_is_null_while_it_is_answered_is_the_askers_mistake(http: httpx.AsyncClient) -> None:
    answer = await ask(http, "query ($name: String) { leaf(name: $name) { name } who }", variables={"name": None})
    assert [error["extensions"]["code"] for error in answer.json()["errors"]] == ["query.does_not_fit"]


async def test_a_refusal_is_the_problem_that_it_is_elsewhere(http: httpx.AsyncClient) -> None:
    told = (await ask(http, "{ refused unfit }")).json()
    refused, unfit = told["errors"]
    assert refused["message"] == "no published rulebook is `nothing`"
    assert {name: refused["extensions"][name] for name in ("code", "status", "type")} == {
        "code": "rulebook.unknown",
        "status": 404,
        "type": "/problems/rulebook.unknown",
    }
    assert unfit["extensions"]["errors"][0]["pointer"] == "#/input/wing"


async def test_a_hash_stands_for_a_document_once_it_was_sent(http: httpx.AsyncClient) -> None:
    query = '{ leaf(name: "once") { name } }'
    kept = {"persistedQuery": {"version": 1, "sha256Hash": hashlib.sha256(query.encode()).hexdigest()}}
    address = f"/graphql?extensions={quote(json.dumps(kept))}"
    first = await http.get(address, headers={"accept": NEW})
    assert first.status_code == 400
    (error,) = first.json()["errors"]
    assert error["message"] == "PersistedQueryNotFound"  # by which the practice's clients know that they must send it along
    assert error["extensions"]["code"] == "PERSISTED_QUERY_NOT_FOUND"
    sent = await ask(http, query, extensions=kept)
    again = await http.get(address, headers={"accept": NEW})
    by_post = await http.post("/graphql", json={"extensions": kept}, headers={"accept": NEW})
    assert sent.json() == again.json() == by_post.json()
    assert sent.json()["data"] == {"leaf": {"name": "once"}}


@pytest.mark.parametrize(
    ("persisted", "code"),
    [
        ({"version": 1, "sha256Hash": "0" * 64}, "query.hash_differs"),
        ({"version": 2, "sha256Hash": "0" * 64}, "query.does_not_fit"),
        ({"version": 1, "sha256Hash": "A" * 64}, "query.does_not_fit"),
        ("x", "query.does_not_fit"),
    ],
)
async def test_a_hash_that_is_none(http: httpx.AsyncClient, persisted: Any, code: str) -> None:
    errors_alone(await ask(http, "{ __typename }", extensions={"persistedQuery": persisted}), code)


async def test_what_is_kept_of_documents_is_bounded(http: httpx.AsyncClient, monkeypatch: pytest.MonkeyPatch) -> None:
    app = small_app()
    monkeypatch.setattr(documents, "MOST_KEPT", 5)
    async with client(app) as opened:
        for n in range(20):
            query = f'{{ leaf(name: "{n}") {{ name }} }}'
            digest = hashlib.sha256(query.encode()).hexdigest()
            answer = await ask(opened, query, extensions={"persistedQuery": {"version": 1, "sha256Hash": digest}})
            assert answer.json()["data"] == {"leaf": {"name": str(n)}}
        wrong = await ask(opened, "{ nothing }", extensions=None)
        errors_alone(wrong, "query.does_not_fit")
    found = app.state.door.documents
    assert (len(found._kept), len(found._by_hash)) == (5, 5)
    assert found._characters == sum(map(len, found._kept))


async def test_introspection_can_be_switched_off_and_the_page_goes_with_it(http: httpx.AsyncClient) -> None:
    query = "{ __schema { queryType { name } } }"
    assert (await ask(http, query)).json()["data"] == {"__schema": {"queryType": {"name": "Query"}}}
    async with client(small_app(introspection=False)) as closed:
        assert errors_alone(await ask(closed, query), "query.does_not_fit")
        assert "Did you mean" not in (await ask(closed, "{ leav { name } }")).text
        assert (await ask(closed, "{ __typename }")).json()["data"] == {"__typename": "Query"}
        assert (await closed.get("/graphql", headers={"accept": "text/html"})).status_code == 406
        assert (await closed.get("/graphql/explorer.js")).status_code == 404


async def test_the_description_of_the_schema_has_a_bound_too(http: httpx.AsyncClient) -> None:
    inside = "{ name " + "fields { type " * 20 + "{ name }" + " }" * 21
    errors_alone(await ask(http, "{ __schema { types " + inside + " } }"), "query.does_not_fit")


async def test_a_browser_is_shown_a_page_that_loads_from_here_alone(http: httpx.AsyncClient) -> None:
    browsers = "text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8"
    page = await http.get("/graphql", headers={"accept": browsers})
    assert (page.status_code, page.headers["content-type"]) == (200, "text/html; charset=utf-8")
    policy = page.headers["content-security-policy"]
    assert "script-src 'self'" in policy
    assert "unsafe" not in policy
    assert "://" not in page.text
    for name in ("explorer.js", "explorer.css"):
        assert f"graphql/{name}" in page.text
        file = await http.get(f"/graphql/{name}")
        assert file.status_code == 200
        assert "://" not in file.text
    assert (await http.get("/graphql/../main.py")).status_code == 404
    asked = await http.get("/graphql", params={"query": "{ __typename }"}, headers={"accept": browsers})
    assert asked.json()["data"] == {"__typename": "Query"}


async def test_a_cost_grows_with_pages_fields_and_weights(http: httpx.AsyncClient) -> None:
    async def cost(query: str, **variables: Any) -> int:
        answer = await ask(http, query, variables=variables)
        assert answer.status_code == 200, answer.text
        return int(answer.json()["extensions"]["cost"]["requests"])

    assert await cost("{ __typename }") == 1
    assert await cost("{ a: leaf { name } b: leaf { name } c: leaf { name } }") == 3
    page = "query ($n: Int = 20) { leaves(first: $n) { edges { cursor node { name size a: leaf { name } b: leaf { name } } } } }"
    # per edge: itself, its cursor, its node, two names and sizes, and twice a leaf (3 by its weight) and its name: 12
    assert await cost(page) == 1
    assert await cost(page, n=100) == 2
    assert await cost(page, n=10**9) == 3  # no page is larger than 200
    assert (
        await cost(
            "query ($no: Boolean!) { leaves(first: 200) @skip(if: $no) { edges { ...E @skip(if: $no) } } } "
            "fragment E on Edge { node { leaf { leaf { leaf { name } } } } }",
            no=True,
        )
        == 1
    )
