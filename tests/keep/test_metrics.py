"""What `/metrics` tells, held to what was asked and to what the service answers, on both databases.

Source: Prometheus' text exposition format, version 0.0.4, as the parser of its own client library reads it.
"""

import asyncio
import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import structlog
from prometheus_client.parser import text_string_to_metric_families

from fieldworthy.main import make_app
from fieldworthy.usecases.kept_standings import FITNESS, URGENCY
from fieldworthy.usecases.tally import BOUNDS
from fieldworthy.usecases.watch import Pool, Watch, Watched
from tests.doors_app import client
from tests.keep.every_endpoint import a_key
from tests.keep.service import Service, running
from tests.postgres import BOTH, as_plain_role, lent

BOOK = """
rulebook: tests
title: T
meters: {work: {unit: h, default: true}}
tasks:
  grease: {title: Grease, kind: lubricate, interval: every 50 h}
  look: {title: Look, kind: inspect, interval: weekly}
"""
Told = dict[tuple[str, frozenset[tuple[str, str]]], float]


def read(text: str) -> Told:
    """Every sample by its name and labels; fails where one is told twice."""
    found: Told = {}
    for family in text_string_to_metric_families(text):
        assert family.documentation, family.name
        for sample in family.samples:
            place = sample.name, frozenset(sample.labels.items())
            assert place not in found
            found[place] = sample.value
    return found


def of(told: Told, name: str, **labels: str) -> float | None:
    return told.get((name, frozenset(labels.items())))


async def metrics(service: Service) -> Told:
    return read((await service.app.state.metrics()).decode())


@pytest.fixture(params=BOTH)
def plain(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """A database, on PostgreSQL for a role that row-level security holds for."""
    with lent(request.param, request, tmp_path) as address:
        yield address if request.param == "sqlite" else as_plain_role(address)


def reading(value: float, machine: str = "m-1", meter: str = "work", hour: int = 6) -> dict[str, Any]:
    return {"machine": machine, "meter": meter, "value": value, "at": f"2026-07-13T{hour:02}:00:00Z"}


async def test_requests_by_their_route_and_no_other_words_of_theirs(service: Service) -> None:
    http = service.http
    await service.publish(BOOK, "tests")
    before = await metrics(service)
    question = {"rulebook": "tests", "now": "2026-07-14T06:00:00Z", "machine": {}}
    as_json = {"content-type": "application/json"}
    for _ in range(3):
        await http.post("/v1/due", json=question)  # the straight way
    await http.post("/v1/due", content=b"{", headers=as_json)
    await http.get("/v1/rulebooks/tests/versions/1")
    await http.get("/v1/rulebooks/other/versions/1")
    await http.head("/v1/rulebooks")
    for path in ("/one", "/two?three=4", "/v1/%00", "/v1/machines/a/b/c/d/e"):
        await http.get(path)
    await http.request("BREW", "/one")
    await http.get("/healthz?" + "x" * 9000)  # refused before a route is looked for
    told = await metrics(service)

    def more(name: str, **labels: str) -> float:
        return (of(told, name, **labels) or 0) - (of(before, name, **labels) or 0)

    requests = "fieldworthy_requests_total"
    for count, method, route, status in (
        (3, "POST", "/v1/due", "200"),
        (1, "POST", "/v1/due", "400"),
        (1, "GET", "/v1/rulebooks/{name}/versions/{version}", "200"),
        (1, "GET", "/v1/rulebooks/{name}/versions/{version}", "404"),
        (1, "HEAD", "/v1/rulebooks", "200"),
        (4, "GET", "none", "404"),
        (1, "other", "none", "404"),
        (1, "GET", "none", "414"),
    ):
        assert more(requests, method=method, route=route, status=status) == count, (method, route, status)
    assert more("fieldworthy_request_seconds_count", method="POST", route="/v1/due") == 4
    assert more("fieldworthy_evaluation_seconds_count", kind="due") == 3
    assert of(told, "fieldworthy_requests_open") == 0
    known = {getattr(route, "path", None) for route in service.app.routes} | {"none"}
    assert {dict(labels)["route"] for name, labels in told if name == requests} <= known


async def test_a_histogram_counts_up_to_all(service: Service) -> None:
    for _ in range(5):
        await service.http.get("/healthz")
    told = await metrics(service)
    name, labels = "fieldworthy_request_seconds", {"method": "GET", "route": "/healthz"}
    counts = [of(told, f"{name}_bucket", le=str(bound), **labels) for bound in (*BOUNDS, "+Inf")]
    assert counts == sorted(counts, key=float)  # type: ignore[arg-type]
    assert counts[-1] == of(told, f"{name}_count", **labels) == 5
    assert 0 < (of(told, f"{name}_sum", **labels) or 0) < 60


async def test_every_kind_of_evaluation_is_counted(service: Service) -> None:
    await service.publish(BOOK, "tests")
    await service.put("/v1/machines/m-1", {"rulebook": "tests"})
    question = {"rulebook": "tests", "now": "2026-07-14T06:00:00Z", "machine": {}}
    await service.post("/v1/clearance", {**question, "for": {"task": "look"}, "by": "p-1"})
    await service.http.post("/v1/procedure", json={**question, "task": "look", "by": "p-1", "done": []})  # it has no steps: refused
    await service.post("/v1/parts", {"rulebook": "tests", "on": "2026-07-14", "machine": {}, "tasks": [{"task": "look"}]})
    await service.post("/v1/expressions/check", {"interval": "weekly"})
    await service.post("/v1/rulebooks/check", {"document": {"rulebook": "x"}})
    await service.get("/v1/machines/m-1/due")
    await service.post("/v1/machines/m-1/clearance", {"for": {"task": "look"}, "by": "p-1"})
    await service.get("/v1/due")

    lines = "\n".join(json.dumps(line) for line in (question, question, {"ref": "no question"}))
    await service.http.post("/v1/due/batch", content=lines.encode(), headers={"content-type": "application/jsonl"})
    told = await metrics(service)
    counts = {kind: of(told, "fieldworthy_evaluation_seconds_count", kind=kind) for kind in service_kinds(told)}
    assert counts == {"due": 3, "clearance": 2, "procedure": 1, "parts": 1, "expression": 1, "rulebook": 1, "standings": 1}


def service_kinds(told: Told) -> set[str]:
    return {dict(labels)["kind"] for name, labels in told if name == "fieldworthy_evaluation_seconds_count"}


async def test_readings_by_what_became_of_them(service: Service) -> None:
    await service.publish(BOOK, "tests")
    await service.put("/v1/machines/m-1", {"rulebook": "tests"})
    post = [reading(710), reading(711, hour=7), reading(5, meter="works"), reading(5, machine="m-2"), reading(1, hour=8)]
    for _ in range(2):  # the second time it is the same answer, and nothing is taken in
        told = await service.post("/v1/readings", post, headers={"idempotency-key": "k-1"})
    assert (told["kept"], told["same"], told["set_aside"]) == (2, 0, 3)
    await service.post("/v1/readings", post[:2])
    refused = await service.http.post("/v1/readings", json=[{"machine": 1}])
    assert refused.status_code == 422
    counter = {"machine": "m-1", "meter": "work", "at": "2026-07-13T09:00:00Z", "spn": 247, "bytes": "AA 37 00 00"}
    assert (await service.post("/v1/readings/counters", {"readings": [counter]}))["kept"] == 1
    found = await metrics(service)
    assert {outcome: of(found, "fieldworthy_readings_total", outcome=outcome) for outcome in ("kept", "same", "set-aside")} == {
        "kept": 3,
        "same": 2,
        "set-aside": 3,
    }
    asides = {dict(labels)["why"]: value for (name, labels), value in found.items() if name == "fieldworthy_readings_set_aside_total"}
    assert asides == {"unknown-meter": 1, "unknown-machine": 1, "runs-backward": 1}


async def test_standings_are_those_of_the_fleet_of_all_organisations_together(plain: str) -> None:
    async with running(plain, is_open=False, quota=None) as service:
        wanted: dict[str, Any] = {"counts": dict.fromkeys(URGENCY, 0), "machines": dict.fromkeys(FITNESS, 0)}
        for organisation, machines in (("one", 2), ("two", 1)):
            key = await a_key(service, organisation)
            service.http.headers["authorization"] = f"Bearer {key}"
            for name in ("draft", "publish"):
                send = service.http.put if name == "draft" else service.http.post
                content = {"content": BOOK.encode(), "headers": {"content-type": "application/yaml"}} if name == "draft" else {}
                assert (await send(f"/v1/rulebooks/tests/{name}", **content)).status_code == 200
            for n in range(machines):
                await service.put(f"/v1/machines/m-{n}", {"rulebook": "tests"})
            await service.put("/v1/machines/m-0/done/d-1", {"task": "look", "at": "2026-07-01T06:00:00Z"})
            fleet = await service.get("/v1/due")
            assert fleet["stale"] == 0
            for kind in wanted:
                for word in wanted[kind]:
                    wanted[kind][word] += fleet[kind][word]
        assert wanted["counts"]["overdue"] == 2
        told = await metrics(service)
        assert {word: of(told, "fieldworthy_standings", standing=word) for word in URGENCY} == wanted["counts"]
        assert {word: of(told, "fieldworthy_machines", fit=word) for word in FITNESS} == wanted["machines"]
        assert of(told, "fieldworthy_machines_stale") == of(told, "fieldworthy_machines_with_problem") == 0
        assert {state: of(told, "fieldworthy_deliveries", state=state) for state in ("waiting", "undelivered")} == {
            "waiting": 0,
            "undelivered": 0,
        }
        assert of(told, "fieldworthy_delivery_oldest_waiting_seconds") == 0
        assert of(told, "fieldworthy_store_readable") == 1
        labels = {value for _, labels in told for _, value in labels}
        assert not labels & {"one", "two", "1", "2", "m-0", "tests"}

        answer = await service.http.get("/metrics")  # no organisation's key opens it, whatever its scopes
        assert (answer.status_code, answer.json()["code"]) == (404, "address.unknown")


async def test_what_is_read_is_told_again_for_a_while(service: Service) -> None:
    seconds = 0.0
    watch = Watch(service.store, tick=lambda: seconds, fresh=10)
    first = await watch()
    assert first is not None
    await service.publish(BOOK, "tests")
    await service.put("/v1/machines/m-1", {"rulebook": "tests"})
    seconds = 9.9
    assert await watch() is first
    seconds = 10.1
    several = await asyncio.gather(*(watch() for _ in range(5)))
    assert [each is several[0] for each in several] == [True] * 5
    assert several[0] is not None
    assert several[0].stale == 1


async def test_who_asks_while_much_is_counted_is_told_what_was_counted_last(service: Service) -> None:
    """As where there are so many organisations that all of them take longer than anybody waits."""
    seconds = 0.0
    watch = Watch(service.store, tick=lambda: seconds, fresh=10, within=0.0)

    async def counted() -> Watched:
        assert watch._looking is not None
        await watch._looking
        told = await watch()
        assert told is not None
        return told

    assert await watch() is None  # nothing was counted yet
    first = await counted()
    await service.publish(BOOK, "tests")
    await service.put("/v1/machines/m-1", {"rulebook": "tests"})
    seconds = 11.0
    assert await watch() is first
    seconds = 41.0  # it took half a minute
    assert (await counted()).stale == 1
    seconds = 70.0
    await watch()
    assert watch._looking is None, "it counts no more than half of the time"


async def test_a_slow_store_is_given_up(service: Service) -> None:
    watch = Watch(service.store, each=0.0)
    with structlog.testing.capture_logs() as logged:
        assert await watch() is None
    assert [(line["event"], line["cause"]) for line in logged] == [("what is kept could not be counted", "TimeoutError")]


async def test_an_open_service_answers_at_its_own_door_who_asks_there(service: Service) -> None:
    app = make_app(service.store, lambda: service.now, is_open=True, pool=lambda: Pool(3, 4, 20))
    async with client(app) as http:
        answer = await http.get("/metrics")
        assert answer.headers["content-type"] == "text/plain; version=0.0.4; charset=utf-8"
        told = read(answer.text)
        assert [of(told, "fieldworthy_database_connections", state=state) for state in ("used", "idle")] == [3, 4]
        assert of(told, "fieldworthy_database_connections_most") == 20
        assert of(told, "fieldworthy_requests_open") == 1
        assert (await http.get("/metrics", headers={"host": "elsewhere.example"})).status_code == 403
        assert "/metrics" not in (await http.get("/openapi.json")).json()["paths"]
        version = re.search(r'fieldworthy_build_info{.*version="([^"]+)"} 1.0', answer.text)
        assert version
        assert version[1] == app.version
