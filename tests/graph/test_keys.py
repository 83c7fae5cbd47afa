"""Who may ask the door, and as how many requests what they ask counts: with keys, over a real database."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import httpx
import pytest

from fieldworthy.usecases.keep_keys import create_key
from fieldworthy.usecases.keys import KeyScope
from fieldworthy.usecases.quota import Quota
from fieldworthy.usecases.tally import Tally
from tests.doors_app import client
from tests.graph.small import PUT, small_door
from tests.keep.service import Service, running

QUOTA = Quota(20, 60)
pytestmark = pytest.mark.both_databases


@asynccontextmanager
async def keyed(address: str, quota: Quota | None = QUOTA, **options: object) -> AsyncIterator[tuple[Service, httpx.AsyncClient]]:
    async with running(address, is_open=False, quota=quota, graphql="off", **options) as service:
        small_door(service.app)
        async with client(service.app) as http:
            yield service, http


async def a_key(service: Service, *scopes: KeyScope) -> dict[str, str]:
    return {"authorization": f"Bearer {(await create_key(service.store, 'Nine Oxen', 'a test', scopes)).text}"}


async def test_a_key_is_needed_whatever_it_may_do_and_none_for_the_page(address: str) -> None:
    async with keyed(address) as (service, http):
        asked = {"query": "{ __typename }"}
        for sent in (http.post("/graphql", json=asked), http.get("/graphql", params=asked)):
            answer = await sent
            assert (answer.status_code, answer.json()["code"]) == (401, "key.missing")
            assert answer.headers["content-type"] == "application/problem+json"
            assert answer.headers["www-authenticate"].startswith("Bearer")
        wrong = await http.post("/graphql", json=asked, headers={"authorization": "Bearer fw_wrong"})
        assert (wrong.status_code, wrong.json()["code"]) == (401, "key.refused")
        for scope in KeyScope:
            answer = await http.post("/graphql", json=asked, headers=await a_key(service, scope))
            assert answer.json()["data"] == {"__typename": "Query"}
        assert (await http.get("/graphql", headers={"accept": "text/html"})).status_code == 200
        assert (await http.get("/graphql/explorer.js")).status_code == 200


async def test_an_operation_counts_as_many_requests_as_it_costs(address: str) -> None:
    async with keyed(address) as (service, http):
        key = await a_key(service, KeyScope.READ)

        async def ask(query: str) -> httpx.Response:
            return await http.post("/graphql", json={"query": query}, headers=key)

        dear = "{ leaves(first: 200) { edges { node { " + " ".join(f"a{n}: leaf {{ name }}" for n in range(10)) + " } } } }"
        first = await ask(dear)  # an edge of 1 + 1 + 10 * (3 + 1) = 42 fields, 200 times
        assert first.json()["extensions"] == {"cost": {"requests": 9}}
        second = await ask(dear)
        assert second.status_code == 200
        assert [(await ask("{ leaf { name } }")).status_code for _ in range(2)] == [200, 200]
        last = await ask("{ leaf { name } }")
        assert (last.status_code, last.json()["code"]) == (429, "quota.exceeded")
        assert last.headers["content-type"] == "application/problem+json"
        assert last.headers["retry-after"]
        assert last.headers["ratelimit"].startswith('"requests";r=0;')


async def test_what_costs_more_than_is_left_is_refused_and_nothing_of_it_is_done(address: str) -> None:
    async with keyed(address, Quota(3, 60)) as (service, http):
        key = await a_key(service, KeyScope.READ)
        query = "mutation { " + " ".join(f'a{n}: put(name: "too dear")' for n in range(5)) + " }"
        answer = await http.post("/graphql", json={"query": query}, headers=key)
        assert (answer.status_code, answer.json()["code"]) == (429, "quota.exceeded")
        assert "too dear" not in PUT


async def test_what_is_counted_is_told_by_the_route_and_the_lines_of_the_log_say_nothing_of_the_document(
    address: str, capsys: pytest.CaptureFixture[str]
) -> None:
    tally = Tally()
    async with keyed(address, None, tally=tally, lines=True) as (service, http):
        key = await a_key(service, KeyScope.READ)
        answer = await http.post("/graphql", json={"query": '{ leaf(name: "not for the log") { name } }'}, headers=key)
        assert answer.status_code == 200
        line = next(line for line in capsys.readouterr().out.splitlines() if "/graphql" in line)
        assert answer.headers["x-request-id"]
        assert "route=/graphql status=200" in line
        assert tally.requests["/graphql", "POST", 200] == 1
        assert "not for the log" not in line
        assert "ms=" in line
