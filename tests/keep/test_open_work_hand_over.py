"""Work and locks that are handed over: a request that comes late, or twice, takes nothing from whoever has it by then.

That a lock is its own person's, and another's by hand-over alone: 29 CFR 1910.147(e)(3); that a repeat changes nothing is our own promise.
"""

import asyncio
from typing import Any

import pytest

from fieldworthy.main import make_app
from fieldworthy.storage.engine import SqlStore, open_engine
from tests.doors_app import client
from tests.keep.service import Service
from tests.keep.test_open_work import M, a_baler, at_rest, open_grease, seen

GUARD = {"fact": "knife guard", "state": "removed"}


def over(to: str, taken_from: str | None = None) -> dict[str, Any]:
    return {"to": to, "by": "p-9", "why": "end of the shift", **({} if taken_from is None else {"from": taken_from})}


# what was handed over before (p-1 has it at first), what comes now, and who has it then; None: it is refused, and nothing changes
CASES: list[tuple[str, list[dict[str, Any]], dict[str, Any], str | None]] = [
    ("from whoever has it", [], over("p-2", "p-1"), "p-2"),
    ("from them, written otherwise", [], over("p-2", " p-1 "), "p-2"),
    ("from somebody who never had it", [], over("p-2", "p-5"), None),
    ("twice", [over("p-2", "p-1")], over("p-2", "p-1"), "p-2"),
    ("late, and it went on", [over("p-2", "p-1"), over("p-3", "p-2")], over("p-2", "p-1"), None),
    ("late, and it went on without `from`", [over("p-2", "p-1"), over("p-3")], over("p-2", "p-1"), None),
    ("without `from`, from whoever has it", [over("p-2", "p-1"), over("p-3", "p-2")], over("p-2"), "p-2"),
    ("it came back", [over("p-2", "p-1"), over("p-1", "p-2")], over("p-2", "p-1"), "p-2"),
    ("case counts in a name", [], over("p-2", "P-1"), None),
]
NAMES = [case[0] for case in CASES]


def holder(before: list[dict[str, Any]]) -> str:
    return before[-1]["to"] if before else "p-1"


@pytest.mark.parametrize(("before", "now", "has"), [case[1:] for case in CASES], ids=NAMES)
async def test_work_is_taken_from_whoever_is_said_to_have_it_alone(
    service: Service, before: list[dict[str, Any]], now: dict[str, Any], has: str | None
) -> None:
    await a_baler(service)
    await open_grease(service)
    address = f"{M}/open-work/w-1/hand-over"
    for each in before:
        await service.post(address, each)
        service.later(seconds=5)
    was = (await service.get(f"{M}/open-work/w-1"))["work"]
    answer = await service.http.post(address, json=now)
    work = (await service.get(f"{M}/open-work/w-1"))["work"]
    if has is None:
        assert (answer.status_code, answer.json()["code"]) == (409, "work.of_another")
        assert f"`{holder(before)}`" in answer.json()["detail"]
        assert work == was
        return
    assert (answer.status_code, answer.json()["work"]) == (200, work)
    assert work["by"] == has
    if has == was["by"]:
        assert work == was  # so a repeat is answered as the first time
    else:
        assert work["hand_over"]["from"] == was["by"]


@pytest.mark.parametrize(("before", "now", "has"), [case[1:] for case in CASES], ids=NAMES)
async def test_a_lock_is_taken_from_whoever_is_said_to_have_it_alone(
    service: Service, before: list[dict[str, Any]], now: dict[str, Any], has: str | None
) -> None:
    await a_baler(service)
    lock = {**GUARD, "by": "p-1"}
    for each in ({}, *({"hand_over": each} for each in before)):
        await service.post(f"{M}/put-on", {**lock, **each})
        service.later(seconds=5)
    was = (await service.get(f"{M}/locks"))["items"]
    answer = await service.http.post(f"{M}/put-on", json={**lock, "hand_over": now})
    found = (await service.get(f"{M}/locks"))["items"]
    if has is None:
        assert (answer.status_code, answer.json()["code"]) == (409, "work.of_another")
        assert f"`{holder(before)}`" in answer.json()["detail"]
        assert found == was
        return
    assert (answer.status_code, answer.json()) == (200, {"new": False})
    assert [each["holder"] for each in found] == [has]
    assert found[0]["hand_over"] == {member: now[member] for member in ("to", "by", "why")}


async def test_a_lock_that_comes_along_is_taken_from_nobody_else_either(service: Service) -> None:
    """What comes with other deeds is moved for whoever has it in hand alone; `from` says it once more, and all of it is undone."""
    await a_baler(service)
    lock = {**GUARD, "by": "p-1"}
    await service.post(f"{M}/put-on", lock)
    told = {"work": "w-1", "task": "walk-round", "by": "p-1", "put_on": [{**lock, "hand_over": over("p-2", "p-3")}]}
    refused = await service.http.post(f"{M}/open-work", json=told)
    assert (refused.status_code, refused.json()["code"]) == (409, "work.of_another")
    assert (await service.get(f"{M}/open-work"))["items"] == []
    told["put_on"] = [{**lock, "hand_over": over("p-2", "p-1")}]
    assert (await service.http.post(f"{M}/open-work", json=told)).status_code == 200
    assert [each["holder"] for each in (await service.get(f"{M}/locks"))["items"]] == ["p-2"]


async def test_a_lock_that_is_told_of_again_stands_in_the_way_once(service: Service) -> None:
    await a_baler(service)
    lock = {"fact": "tailgate lock", "state": "engaged", "by": "p-1"}
    handed = {**lock, "hand_over": over("p-2", "p-1")}
    for each in (lock, handed):
        await service.post(f"{M}/put-on", each)
    told = {"work": "w-1", "task": "walk-round", "by": "p-3", "put_on": [handed]}
    raised = seen(service.now, "p-3", tailgate="raised", tailgate_lock="engaged", person="clear", engine="stopped", key="removed")
    assert (await service.http.post(f"{M}/open-work", json={**told, "evidence": raised})).status_code == 200
    without = {**lock, "by": " p-1", "hand_over": over(" p-2")}
    asked = {"for": {"action": "release tailgate lock"}, "by": "p-3", "evidence": raised, "put_on": [without]}
    found = await service.post(f"{M}/clearance", asked)
    assert [(each["fact"], each["by"]) for each in found["blocked_by"]] == [("tailgate lock", "p-2")]


async def test_a_request_with_a_key_is_done_once_though_the_work_came_back(service: Service) -> None:
    await a_baler(service)
    await open_grease(service)
    address, keyed = f"{M}/open-work/w-1/hand-over", {"headers": {"idempotency-key": "k-1"}}
    first = await service.post(address, over("p-2", "p-1"), **keyed)
    await service.post(address, over("p-1", "p-2"))
    assert await service.post(address, over("p-2", "p-1"), **keyed) == first
    assert (await service.get(f"{M}/open-work/w-1"))["work"]["by"] == "p-1"


@pytest.mark.both_databases
async def test_of_two_who_hand_it_over_at_once_one_does(service: Service, address: str) -> None:
    """Two replicas: both say whom they take it from, so the second finds it in other hands."""
    await a_baler(service)
    await open_grease(service)
    other = SqlStore(open_engine(address), lambda: service.now)
    path = f"{M}/open-work/w-1/hand-over"
    async with client(make_app(other, lambda: service.now, is_open=True)) as phone:
        for _ in range(6):
            has = (await service.get(f"{M}/open-work/w-1"))["work"]["by"]
            to = [f"{has}a", f"{has}b"]
            both = await asyncio.gather(service.http.post(path, json=over(to[0], has)), phone.post(path, json=over(to[1], has)))
            assert sorted(answer.status_code for answer in both) == [200, 409], [answer.text for answer in both]
            won = to[[answer.status_code for answer in both].index(200)]
            assert (await service.get(f"{M}/open-work/w-1"))["work"]["by"] == won
    await other.close()


@pytest.mark.parametrize(
    ("body", "code", "pointer"),
    [
        (over("p-2", " "), "question.does_not_fit", "#/from"),
        (over("p-2", "\u200b"), "question.does_not_fit", "#/from"),
        (over("p-2", ""), "request.does_not_fit", "#/from"),
        ({**over("p-2"), "from": None}, "request.does_not_fit", "#/from"),
        ({**over("p-2"), "form": "p-1"}, "request.does_not_fit", "#/form"),
    ],
)
async def test_a_hand_over_from_nobody_is_refused(service: Service, body: dict[str, Any], code: str, pointer: str) -> None:
    await a_baler(service)
    await open_grease(service)
    answer = await service.http.post(f"{M}/open-work/w-1/hand-over", json=body)
    assert (answer.status_code, answer.json()["code"]) == (422, code)
    assert [error["pointer"] for error in answer.json()["errors"]] == [pointer]


async def test_the_step_that_is_begun_stops_it_whoever_it_is_taken_from(service: Service) -> None:
    await a_baler(service)
    await open_grease(service)
    service.later(seconds=5)
    await service.post(f"{M}/open-work/w-1/steps/1", {"by": "p-1", "evidence": at_rest(service.now)})
    begun = await service.http.post(f"{M}/open-work/w-1/hand-over", json=over("p-2", "p-1"))
    assert (begun.status_code, begun.json()["code"]) == (409, "work.step_begun")
