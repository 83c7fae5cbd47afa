"""How work is closed: what it says is checked by the work's rulebook, and nothing that was told is lost or dropped without a word.

The done record and its members: the service's own contract; problems as RFC 9457 has them, places as JSON Pointers (RFC 6901).
"""

import asyncio

import pytest

from tests.keep.service import Service

MILL = """rulebook: mill
title: A mill with two belts
language: 1
meters: {work: {unit: h, default: true}, bales: {unit: bales}}
tasks:
  belts-look: {title: Look at the belts, kind: inspect, interval: every 50 h, points: [left, right]}
  walk-round: {title: Walk round it, kind: inspect, interval: every 10 h}
parts: {PL-1: {title: A belt, unit: each}}
"""
NEWER = MILL.replace("bales: {unit: bales}", "loads: {unit: bales}").replace("left, right", "front, rear")
B = "/v1/machines/b-1"
DONE = {"by": "p-1", "result": "done"}


async def opened(service: Service, task: str = "walk-round", work: str = "w") -> str:
    """The address of work that p-1 has opened."""
    await service.publish(MILL, "mill")
    await service.put(B, {"rulebook": "mill", "timezone": "Europe/London"})
    assert (await service.post(f"{B}/open-work", {"work": work, "task": task, "by": "p-1"}))["opened"]
    return f"{B}/open-work/{work}"


UNFIT = (
    ("walk-round", {"meters": {"wrok": 5}}, "#/meters/wrok", "`work`"),
    ("walk-round", {"meters": {"zzz": 5}}, "#/meters/zzz", "`work`, `bales`"),
    ("walk-round", {"meters": {"work": {"value": 5, "unit": "km"}}}, "#/meters/work", "`h`"),
    ("walk-round", {"meters": {"work": -1}}, "#/meters/work", ""),
    ("walk-round", {"points": ["left"]}, "#/points/0", "leave `points` out"),
    ("belts-look", {"result": "partly", "why": "rain", "points": ["left", "middle"]}, "#/points/1", "`left`, `right`"),
    ("belts-look", {"points": ["left"]}, "#/points", "send `partly`"),
)


async def test_what_a_closing_says_is_checked_by_the_works_rulebook(service: Service) -> None:
    addresses = {task: await opened(service, task, f"w-{task}") for task in ("walk-round", "belts-look")}
    for task, said, pointer, words in UNFIT:
        work = addresses[task]
        answer = await service.http.post(f"{work}/close", json={**DONE, **said})
        assert (answer.status_code, answer.json()["code"]) == (422, "question.does_not_fit"), answer.text
        (error,) = answer.json()["errors"]
        assert error["pointer"] == pointer
        assert words in error["mend"]
        assert (await service.get(work))["work"]["closed"] is None
    assert (await service.get(f"{B}/done"))["items"] == []


async def test_the_works_own_version_checks_the_closing_and_the_record_is_kept(service: Service) -> None:
    work = await opened(service, "belts-look")
    await service.publish(NEWER, "mill")
    later = {"by": "p-1", "result": "partly", "why": "one is out of reach", "points": ["front"]}
    assert (await service.http.post(f"{work}/close", json=later)).status_code == 422
    told = {**later, "points": ["left"], "meters": {"work": 640, "bales": 9000}}
    assert (await service.post(f"{work}/close", told))["closed"]
    assert (await service.get(f"{B}/done/w"))["record"]["points"] == ["left"]
    due = await service.get(f"{B}/due")
    assert {(each["what"], each["name"]) for each in due["left_out"]} == {("point", "left"), ("meter-value", "bales")}


OTHERWISE = (
    ({"meters": {"work": 650}}, "/v1/machines/b-1/done/w"),
    ({"meters": {"work": 640}, "found": "a crack"}, "/v1/machines/b-1/done/w"),
    ({}, "/v1/machines/b-1/done/w"),
    ({"meters": {"work": 640}, "why": "another reason"}, "open new work"),
    ({"meters": {"work": 640}, "leave": "as it is"}, "open new work"),
    ({"meters": {"work": 640}, "result": "skipped"}, "open new work"),
    ({"meters": {"work": 640}, "by": "p-2"}, "open new work"),
)


async def test_a_closing_that_says_otherwise_than_the_first_is_refused_with_a_way_out(service: Service) -> None:
    work = await opened(service)
    told = {**DONE, "meters": {"work": 640}}
    first = await service.post(f"{work}/close", told)
    service.later(seconds=5)
    assert await service.post(f"{work}/close", {**told, "by": " p-1 ", "meters": {"work": 640.0}}) == first
    for again, mend in OTHERWISE:
        answer = await service.http.post(f"{work}/close", json={**DONE, **again})
        assert (answer.status_code, answer.json()["code"]) == (409, "work.closed"), again
        assert mend in answer.json()["mend"]
    assert (await service.get(f"{B}/done/w"))["record"]["meters"] == {"work": 640}


async def test_a_closing_again_leaves_a_corrected_record_as_it_is(service: Service) -> None:
    work = await opened(service)
    told = {**DONE, "meters": {"work": 640}}
    await service.post(f"{work}/close", told)
    right = {"task": "walk-round", "at": service.now.isoformat(), "by": "p-1", "meters": {"work": 604}}
    await service.put(f"{B}/done/w", right)
    assert (await service.post(f"{work}/close", told))["closed"]
    assert (await service.get(f"{B}/done/w"))["record"] == right


async def test_a_record_of_somebody_else_is_not_overwritten(service: Service) -> None:
    work = await opened(service)
    foreign = {"task": "belts-look", "at": service.now.isoformat(), "by": "p-9"}
    await service.put(f"{B}/done/w", foreign)
    refused = await service.http.post(f"{work}/close", json=DONE)
    assert (refused.status_code, refused.json()["code"]) == (409, "record.taken")
    assert f"{B}/done/w" in refused.json()["mend"]
    assert (await service.get(f"{B}/done/w"))["record"] == foreign
    assert (await service.get(work))["work"]["closed"] is None
    # the way out that it names
    await service.put(f"{B}/done/w-of-p-9", foreign)
    assert (await service.http.delete(f"{B}/done/w")).status_code == 204
    service.later(seconds=1)
    assert (await service.post(f"{work}/close", DONE))["closed"]
    assert (await service.get(f"{B}/done/w"))["record"]["task"] == "walk-round"
    # new work does not begin with an id that a record has
    taken = {"work": "w-of-p-9", "task": "walk-round", "by": "p-1"}
    early = await service.http.post(f"{B}/open-work", json=taken)
    assert (early.status_code, early.json()["code"]) == (409, "record.taken")
    assert "another id" in early.json()["mend"]


@pytest.mark.both_databases
async def test_of_two_closings_at_once_one_stands(service: Service) -> None:
    work = await opened(service)
    both = [{**DONE, "meters": {"work": hours}} for hours in (640, 650)]
    answers = await asyncio.gather(*(service.http.post(f"{work}/close", json=told) for told in both))
    assert sorted(answer.status_code for answer in answers) == [200, 409]
    won = next(told for told, answer in zip(both, answers, strict=True) if answer.status_code == 200)
    assert (await service.get(f"{B}/done/w"))["record"]["meters"] == won["meters"]
