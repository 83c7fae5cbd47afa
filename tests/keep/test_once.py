"""Work that is done once however often it is asked for.

Source: draft-ietf-httpapi-idempotency-key-header-07, 2.6 and 2.7 (the table of web standard check values): the same key and request,
finished: the result again; another payload: 422; while the first still runs: 409.
"""

import asyncio
from typing import Any

import httpx
import pytest

from fieldworthy.main import make_app
from fieldworthy.storage.engine import SqlStore, open_engine
from fieldworthy.usecases.kept import HOME
from tests.doors_app import client
from tests.keep.service import Service, running
from tests.keep.test_machines import DOCUMENT, problem
from tests.keep.test_told import TOLD, M, a_baler

pytestmark = pytest.mark.both_databases

KEY = '"8e03978e-40d5-43e8-bc93-6894a57f9324"'  # a String of structured fields, as the draft writes it
ONE = f"{M}/done/d-1"
RECORD = {"task": "walk-round", "on": "2026-07-01"}


def told(answer: httpx.Response) -> tuple[int, bytes, str | None]:
    return answer.status_code, answer.content, answer.headers.get("etag")


async def states(service: Service) -> list[Any]:
    return [state["record"] for state in (await service.get(f"{ONE}/states"))["items"]]


async def test_a_repeat_gets_the_same_answer_and_does_nothing(service: Service) -> None:
    await a_baler(service)
    first = await service.http.put(ONE, json=RECORD, headers={"idempotency-key": KEY})
    assert first.status_code == 201
    service.later(hours=1)
    await service.put(ONE, {**RECORD, "by": "p-1"})  # meanwhile somebody corrects it
    again = await service.http.put(ONE, json=RECORD, headers={"idempotency-key": KEY})
    assert told(again) == told(first)
    assert again.headers["content-type"] == first.headers["content-type"]
    assert [record.get("by") for record in await states(service)] == [None, "p-1"]  # the late repeat does not undo the correction


async def test_each_writing_route_works_once(service: Service) -> None:
    await a_baler(service)
    many = [{**body, "id": "m"} for body in (TOLD["done"][0],)]
    routes: list[tuple[str, str, Any]] = [
        ("PUT", "/v1/machines/new", DOCUMENT),
        ("POST", "/v1/machines", {"items": [{**DOCUMENT, "id": "new-2"}]}),
        *(("PUT", f"{M}/{path}/x", body) for path, (body, _, _) in TOLD.items()),
        ("POST", f"{M}/done", {"items": many}),
        *(("DELETE", f"{M}/{path}/x", None) for path in TOLD),
    ]
    for n, (method, path, body) in enumerate(routes):
        headers = {"idempotency-key": f"key {n}"}
        first = await service.http.request(method, path, json=body, headers=headers)
        assert first.status_code in (200, 201, 204), first.text
        again = await service.http.request(method, path, json=body, headers=headers)
        assert told(again) == told(first), path
    for path in TOLD:
        assert len((await service.get(f"{M}/{path}/x/states"))["items"]) == 2


async def test_another_request_with_the_same_key_is_refused(service: Service) -> None:
    await a_baler(service)
    await service.put(ONE, RECORD, headers={"idempotency-key": KEY})
    for path, body in ((ONE, {**RECORD, "by": "p-1"}), (f"{M}/done/d-2", RECORD), (f"{ONE}?x=1", RECORD)):
        problem(await service.http.put(path, json=body, headers={"idempotency-key": KEY}), 422, "request.key_reused")
    problem(await service.http.delete(ONE, headers={"idempotency-key": KEY}), 422, "request.key_reused")
    for condition in ("if-match", "if-none-match"):  # it is meant for another state
        headers = {"idempotency-key": KEY, condition: "*"}
        problem(await service.http.put(ONE, json=RECORD, headers=headers), 422, "request.key_reused")
    assert await states(service) == [RECORD]


async def test_two_ids_that_are_one_in_an_address_put_together_anew_are_two(service: Service) -> None:
    """RFC 3986, 2.4: what was decoded once is not to be taken for encoded text."""
    await a_baler(service)
    for one, other in (("x%3F", "x%253F"), ("x%23", "x%2523"), ("x%5C", "x%255C"), ("%3Fa=1", "%253Fa=1")):
        headers = {"idempotency-key": one}
        await service.put(f"{M}/done/{one}", RECORD, headers=headers)
        problem(await service.http.put(f"{M}/done/{other}", json=RECORD, headers=headers), 422, "request.key_reused")
        problem(await service.http.get(f"{M}/done/{other}"), 404, "record.unknown")


async def test_a_second_one_while_the_first_still_runs_is_told_so(service: Service, address: str) -> None:
    await a_baler(service)
    other = SqlStore(open_engine(address), lambda: service.now)
    async with client(make_app(other, lambda: service.now, is_open=True)) as second:
        async with service.store.keep(HOME) as kept:  # what the first one waits for
            await kept.machines.lock(["r5-17"])
            first = asyncio.create_task(service.http.put(ONE, json=RECORD, headers={"idempotency-key": KEY}))
            await asyncio.sleep(0.3)
            assert not first.done()
            meanwhile = await service.http.put(ONE, json=RECORD, headers={"idempotency-key": KEY})
            problem(meanwhile, 409, "request.in_flight")
            if address.startswith("postgresql"):  # another replica knows it too; on SQLite it queues behind the first
                problem(await second.put(ONE, json=RECORD, headers={"idempotency-key": KEY}), 409, "request.in_flight")
        done = await first
        assert done.status_code == 201
        for http in (service.http, second):
            assert told(await http.put(ONE, json=RECORD, headers={"idempotency-key": KEY})) == told(done)
    await other.close()
    assert await states(service) == [RECORD]


async def test_many_tries_at_once_do_it_once(service: Service, address: str) -> None:
    """Two replicas, the same request over and over with one key: one answer, or that it is being worked on; and one state."""
    await a_baler(service)
    other = SqlStore(open_engine(address), lambda: service.now)
    async with client(make_app(other, lambda: service.now, is_open=True)) as second:
        for n in range(5):
            record, path, headers = {**RECORD, "by": f"p-{n}"}, f"{M}/done/r-{n}", {"idempotency-key": f"race-{n}"}
            tries = [http.put(path, json=record, headers=headers) for http in (service.http, second) for _ in range(6)]
            given = await asyncio.gather(*tries)
            done = {told(answer) for answer in given if answer.status_code != 409}
            assert len(done) == 1, [answer.text for answer in given]
            assert next(iter(done))[0] == 201
            for answer in given:
                if answer.status_code == 409:
                    problem(answer, 409, "request.in_flight")
            assert len((await service.get(f"{path}/states"))["items"]) == 1
    await other.close()


async def test_it_survives_a_restart(service: Service, address: str) -> None:
    await a_baler(service)
    first = await service.http.put(ONE, json=RECORD, headers={"idempotency-key": KEY})
    await service.store.close()
    async with running(address) as again:
        again.later(days=1)
        assert told(await again.http.put(ONE, json=RECORD, headers={"idempotency-key": KEY})) == told(first)
        problem(await again.http.put(ONE, json={**RECORD, "by": "p"}, headers={"idempotency-key": KEY}), 422, "request.key_reused")
        assert await states(again) == [RECORD]


async def test_what_was_refused_may_be_tried_again_with_the_same_key(service: Service) -> None:
    """A refusal has done nothing, so there is nothing to give again: once its cause is gone the same request goes through."""
    await a_baler(service)
    path = "/v1/machines/new/done/d"
    problem(await service.http.put(path, json=RECORD, headers={"idempotency-key": KEY}), 404, "machine.unknown")
    await service.put("/v1/machines/new", DOCUMENT)
    assert (await service.http.put(path, json=RECORD, headers={"idempotency-key": KEY})).status_code == 201


async def test_a_key_that_is_none_is_refused(service: Service) -> None:
    await a_baler(service)
    for key in (b"", b"x" * 201, b"a\tb", b"caf\xe9"):
        answer = await service.http.put(ONE, json=RECORD, headers={b"idempotency-key": key})
        problem(answer, 400, "request.unreadable")
    two = await service.http.put(ONE, json=RECORD, headers=[("idempotency-key", "x"), ("idempotency-key", "y")])
    problem(two, 400, "request.unreadable")
    assert (await service.http.put(ONE, json=RECORD, headers={"idempotency-key": "x" * 200})).status_code == 201
