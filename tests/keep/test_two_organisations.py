"""Two organisations in one database: every endpoint of the app, without a key, with the wrong scope, with the other's key.

The requests are the contract's own examples, which make a world and ask about all of it; each route of the app has one. What an
organisation is told beside another must be, to the byte, what it is told where no other ever was; and that costs the same statements of
the database, so that no time tells either.

OWASP API Security Top 10 (2023): API1, broken object level authorization; API3, broken object property level authorization; API5, broken
function level authorization.
"""

import json
from collections.abc import AsyncIterator, Iterator
from dataclasses import replace
from itertools import zip_longest
from pathlib import Path
from typing import Any

import httpx
import pytest

from fieldworthy.graph.door import PATH as GRAPHQL
from fieldworthy.rest.admission import ANYBODY, scopes_of_routes
from fieldworthy.rest.examples import EXAMPLES
from tests.contract.test_openapi import write
from tests.doors_app import make_test_app, publish
from tests.keep.every_endpoint import (
    LEAKS,
    LISTS,
    MADE,
    MINE,
    POSTS,
    STATELESS,
    TEXTS,
    THEIR_ASIDE,
    THEIRS,
    TRAIL,
    Row,
    a_key,
    a_world,
    of_their_own,
    operations_of,
    remembering,
    send,
    table,
    written,
)
from tests.keep.service import Service, running, statements
from tests.keep.strangers import BEFORE, BEHIND, add_stranger, rows_of
from tests.lending import lend
from tests.postgres import BOTH, as_plain_role, lent


@pytest.fixture(params=BOTH)
def addresses(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[str, str]]:
    """Two databases of one kind; PostgreSQL for a role that row-level security holds for, as it should be."""
    rooms = [tmp_path / name for name in ("shared", "alone")]
    for room in rooms:
        room.mkdir()
    with lent(request.param, request, rooms[0]) as one, lent(request.param, request, rooms[1]) as other:
        yield (one, other) if request.param == "sqlite" else (as_plain_role(one), as_plain_role(other))


@pytest.fixture
async def shared(addresses: tuple[str, str]) -> AsyncIterator[Service]:
    """The service with keys, in which two organisations will be."""
    async with running(addresses[0], is_open=False) as opened:
        yield remembering(opened)


@pytest.fixture
async def alone(addresses: tuple[str, str]) -> AsyncIterator[Service]:
    """The same with one."""
    async with running(addresses[1], is_open=False) as opened:
        yield remembering(opened)


def told(answers: list[httpx.Response]) -> list[Any]:
    """All that was answered, but for its length, and the request's id, which is by chance and of nothing that is kept."""
    for answer in answers:
        del answer.headers["x-request-id"]  # each has one
        answer.headers.pop("content-length", None)  # a calendar that was asked for before has one; a new one comes in pieces
    return [(a.request.method, a.request.url.raw_path, a.status_code, a.content, sorted(a.headers.multi_items())) for a in answers]


def same(one: list[Any], other: list[Any]) -> None:
    """One by one: to tell how two long lists differ takes long."""
    for first, second in zip_longest(one, other):
        assert first == second


FOR_ANYBODY = {"getHealth", "getReadiness", "getFeed"}
"""What needs no key. A link is a secret itself."""

GUESSES = (  # what might tell of another's things: names and ids that are near, digests, places in lists
    "/v1/rulebooks/plover-r5-bale/versions",
    "/v1/machines/r5-1",
    "/v1/machines/r5-17/due",
    "/v1/machines/r5-17/due?as_of=2026-07-14T06:00:00Z",
    "/v1/machines/r5-17/readings?meter=work",
    "/v1/due?as_of=2026-07-14T06:00:00Z",
    "/v1/due?rulebook=plover-r5-baler&fit=fit,unfit,unknown",
    "/v1/rulebooks/plover-r5-baler/compare?from=1&to=1",
    "/v1/machines?rulebook=plover-r5-baler",
    "/v1/set-aside?settled=yes",
)


def test_the_requests_are_of_every_route_of_the_app() -> None:
    routes = {route for route, needs in scopes_of_routes(make_test_app(is_open=False).routes).items() if needs is not ANYBODY}
    graph = {route for route in routes if route[1] == GRAPHQL}  # each of its fields is tried in test_graph_two_organisations.py
    assert routes - graph == {(e.method, e.path) for e in EXAMPLES.values() if e.operation not in FOR_ANYBODY}
    assert graph


@pytest.mark.parametrize("addresses", ["sqlite"], indirect=True)
async def test_every_endpoint_of_the_contract_in_a_table(shared: Service) -> None:
    rows = await table(shared)
    assert {(row.operation, row.needs is None) for row in rows} == {(e.operation, e.operation in FOR_ANYBODY) for e in EXAMPLES.values()}
    assert not [row for row in rows if not row.holds], written(rows)
    assert written(rows).endswith(f"all {len(rows)} as they must be")


@pytest.mark.parametrize(
    "wrong",
    [
        {"without": "200"},
        {"others": ["403 key.scope_missing"] * 3 + ["200"]},
        {"others": ["403 key.scope_missing"] * 3},
        {"owner": 404},
        {"says": LEAKS},
        {"needs": None},
    ],
)
def test_a_row_that_is_not_as_it_must_be_is_told(wrong: dict[str, Any]) -> None:
    right = Row("getIt", "GET /it", "read", "401 key.missing", ["403 key.scope_missing"] * 4, 200, "404 it.unknown", "not found")
    assert right.holds
    assert written([right, replace(right, **wrong)]).endswith("NOT as it must be: getIt")


def test_an_operation_without_a_request_fails() -> None:
    contract = make_test_app().openapi()
    assert len(operations_of(contract)) == len(EXAMPLES)
    contract["paths"]["/v1/more"] = {"get": {"operationId": "getMore", "security": [{"key": ["read"]}]}}
    with pytest.raises(KeyError, match="getMore"):
        operations_of(contract)


async def test_every_endpoint_with_the_others_key(shared: Service, alone: Service) -> None:
    """Beside the other there are strangers, whose rows stand under the keys that ours are about to get, and say other things."""
    mine = await a_key(shared, MINE)
    world = await a_world(shared, mine)
    assert [a.status_code for a in world] == [e.status for e in EXAMPLES.values()]
    asked = [*(e for e in EXAMPLES.values() if e.method == "GET"), *GUESSES, f"/v1/due?rulebook={write.NAME}@2"]
    before = [await send(shared, each, mine) for each in asked]

    theirs = await a_key(shared, THEIRS)
    await a_key(alone, "somebody else who keeps nothing")  # so that it is the third organisation here and there
    await lend(alone.store, "somebody else who keeps nothing")
    assert await a_key(alone, THEIRS) == theirs
    tried: list[list[httpx.Response]] = []
    kept: list[list[httpx.Response]] = []
    costs: list[list[str]] = []
    for service in (alone, shared):
        service.ids.seed(6)  # so that ids can be compared
        tested = write.TESTED.pop(service.http, None)  # the example's own is asked for, here and there
        if service is shared:
            others = {1: await rows_of(shared.store, 1), BEFORE: await add_stranger(shared.store, alone.store, 3, BEFORE)}
        with statements(service) as cost:
            tried.append([await send(service, of_their_own(each), theirs) for each in (*EXAMPLES.values(), *GUESSES)])
            tried[-1].append(await a_digest(service, theirs, world))
        costs.append(cost)
        with statements(service) as cost:
            kept.append(await a_world(service, theirs))
        costs.append(cost)
        if service is shared:
            others[BEHIND] = await add_stranger(shared.store, alone.store, 3, BEHIND)
        kept[-1] += await a_day_later(service, theirs)

    # to the byte what is told where the other never was, and by the same statements: nothing is read, counted or guessed
    same(told(tried[1]), told(tried[0]))
    same(costs[2], costs[0])
    write.TESTED[shared.http] = tested
    # what hangs on something of the other's is not found; the rest says nothing of it, or tells what is their own
    answered = {e.operation: each for e, each in zip(EXAMPLES.values(), tried[1], strict=False) if each.status_code < 300}
    assert set(answered) == STATELESS | LISTS | TEXTS | TRAIL | POSTS | THEIR_ASIDE | MADE
    assert not [name for name in LISTS if answered[name].json()["items"]]
    assert not [name for name in TEXTS if b"r5-1" in answered[name].content]

    # and when they have as much of their own, by the same names
    same(told(kept[1]), told(kept[0]))
    assert [each.status_code for each in kept[1]] == [*(e.status for e in EXAMPLES.values()), *A_DAY_LATER]
    same(costs[3], costs[1])

    shared.later(days=-1)
    same(told([await send(shared, each, mine) for each in asked]), told(before))
    # of nobody else has any row changed (but of the lender, who is 2 and lends to them meanwhile); and theirs, who are 3, are the same
    for each, rows in {**others, 3: await rows_of(alone.store, 3)}.items():
        for name, found in (await rows_of(shared.store, each)).items():
            same(found, rows[name])


A_DAY_LATER = [200, 200, 200, 200, 409, *[200] * 6]
"""The status of each of these."""


async def a_day_later(service: Service, key: str) -> list[httpx.Response]:
    """What the examples leave out: a machine that is changed, a reading that another withdraws, standings that are computed anew."""
    service.later(days=1)
    http = service.http
    http.headers = httpx.Headers({"authorization": f"Bearer {key}"})
    low = {"machine": "r5-17", "meter": "work", "value": 712.45, "at": "2026-07-14T05:58:30Z"}
    answers = [
        await http.put("/v1/machines/r5-17", json={**EXAMPLES["putMachine"].body, "site": "south"}),
        await http.post("/v1/readings", json=[low]),
    ]
    accepted = f"/v1/set-aside/{answers[1].json()['aside'][0]['id']}/accept"
    answers.append(await http.post(accepted, json={"by": "p-3", "why": "the dial was read wrongly before"}))
    assert answers[2].json()["settled"]["withdrawn_in_all"] > 0, answers[2].text
    draft = write.RULEBOOK.replace("unit: h,", "unit: min,", 1)
    assert draft != write.RULEBOOK
    address = f"/v1/rulebooks/{write.NAME}"
    answers.append(await http.put(f"{address}/draft", content=draft.encode(), headers={"content-type": "application/yaml"}))
    answers.append(await http.post(f"{address}/publish"))
    digest = (await http.get(f"{address}/versions/2")).headers["etag"].strip('"')
    answers.append(await http.post("/v1/due", json={**EXAMPLES["askDue"].body, "rulebook": digest}))
    queries = ("limit=200", "fit=unfit", "fit=fit,unknown", f"rulebook={write.NAME}@2", f"as_of={service.now.isoformat()[:19]}Z")
    return [*answers, *[await http.get(f"/v1/due?{query}") for query in queries]]


async def a_digest(service: Service, key: str, world: list[httpx.Response]) -> httpx.Response:
    """A question by the digest of a rulebook of the other's, which is nobody's secret: anybody can compute it of a document."""
    published = next(a.json() for a, e in zip(world, EXAMPLES.values(), strict=True) if e.operation == "publishRulebook")
    question = {**EXAMPLES["askDue"].body, "rulebook": published["digest"]}
    answer = await service.http.post("/v1/due", json=question, headers={"authorization": f"Bearer {key}"})
    assert answer.status_code == 404
    return answer


async def test_a_batch_of_the_other_finds_none_of_its_rulebooks(shared: Service) -> None:
    await a_world(shared, await a_key(shared, MINE))
    answer = await send(shared, EXAMPLES["askDueBatch"], await a_key(shared, THEIRS))
    assert answer.status_code == 200
    asked = [line for line in EXAMPLES["askDueBatch"].answer.splitlines() if '"tasks"' in line]
    assert answer.text.count('"rulebook.unknown"') == len(asked) >= 1
    assert '"tasks"' not in answer.text


async def test_beside_the_requests_the_standings_of_all_are_computed(shared: Service) -> None:
    from fieldworthy.rest.fleet import writing
    from fieldworthy.usecases.find_rulebook import FindRulebooks
    from fieldworthy.usecases.kept_standings import Scope
    from fieldworthy.usecases.standings import Recompute

    for organisation in (MINE, THEIRS):
        key = await a_key(shared, organisation)
        shared.http.headers = httpx.Headers({"authorization": f"Bearer {key}"})
        await publish(shared.http, write.NAME, write.RULEBOOK)
        items = [{"id": f"r5-{n}", "rulebook": write.NAME, "model": "R5", "serial": "R5-0417"} for n in range(10)]
        assert (await shared.http.post("/v1/machines", json={"items": items})).status_code == 200
    await Recompute(shared.store, FindRulebooks(shared.store), writing()).everywhere()
    for organisation in await shared.store.organisations():
        async with shared.store.look(organisation) as kept:
            summary = await kept.standings.summary(await kept.moment(), Scope())
            assert (summary.stale, sum(summary.fits)) == (0, 10)
    assert list(await shared.store.organisations()) == [1, 2]


async def test_retention_goes_over_all_organisations(shared: Service) -> None:
    from fieldworthy.usecases.retention import ANSWERS_DAYS, retain_all

    for organisation in (MINE, THEIRS):
        service_key = await a_key(shared, organisation)
        await send(shared, EXAMPLES["keepReadings"], service_key)  # with an `Idempotency-Key`
    assert (await retain_all(shared.store, 24)).answers == 0
    shared.later(days=ANSWERS_DAYS + 1)
    assert (await retain_all(shared.store, 24)).answers == 2


async def test_readings_are_thinned_out_in_each_organisation_and_that_is_told_there(shared: Service) -> None:
    from fieldworthy.core.base.micros import micros_text
    from fieldworthy.usecases.retention import retain_all
    from tests.keep.test_retention import CUT, NOON, RULEBOOK, uneven

    keys = [await a_key(shared, organisation) for organisation in (MINE, THEIRS)]
    for key in keys:
        shared.http.headers = httpx.Headers({"authorization": f"Bearer {key}"})
        await publish(shared.http, "tests", json.dumps(RULEBOOK))
        await shared.put("/v1/machines/r5-1", {"rulebook": "tests"})
        sent = [{"machine": "r5-1", **reading} for reading in uneven(400)]
        assert (await shared.post("/v1/readings", sent))["kept"] == len(sent)
    told = await retain_all(shared.store, 12)
    assert (told.machines, told.dropped) == (2, 2 * 35 * 2)
    for key in keys:
        shared.http.headers = httpx.Headers({"authorization": f"Bearer {key}"})
        answer = await shared.get("/v1/machines/r5-1/due", params={"now": micros_text(NOON)})
        assert answer["thinned_before"] == micros_text(CUT)


async def test_a_version_is_held_to_the_machines_of_who_publishes_it(shared: Service) -> None:
    """A meter's unit that would change what one organisation keeps changes nothing that another keeps, and either is judged by its own."""
    from tests.keep.test_own_units import book, published, refused

    keys = [await a_key(shared, organisation) for organisation in (MINE, THEIRS)]
    for keeper, other in (keys, reversed(keys)):
        machine = f"m-{keys.index(keeper)}"
        there = f"there-{machine}"
        shared.http.headers = httpx.Headers({"authorization": f"Bearer {keeper}"})
        await published(shared.http, book("here", work="h"), "here")
        assert (await published(shared.http, book(there), there)).status_code == 200
        await shared.put(f"/v1/machines/{machine}", {"rulebook": "here"})
        sent = [{"machine": machine, "meter": "work", "at": "2026-07-13T06:00:00Z", "value": 100}]
        assert (await shared.post("/v1/readings", sent))["kept"] == 1
        await shared.put(f"/v1/machines/{machine}", {"rulebook": there})
        refused(await published(shared.http, book(there, work="min"), there), "/meters/work/unit")
        shared.http.headers = httpx.Headers({"authorization": f"Bearer {other}"})
        assert (await published(shared.http, book(there), there)).json()["version"] == 1
        assert (await published(shared.http, book(there, work="min"), there)).json()["version"] == 2
