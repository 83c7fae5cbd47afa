"""Several works on one machine, of several people and under several rulebooks, and one connection for each deed.

That everybody who is exposed is accounted for before energy is restored: 29 CFR 1910.147(e)(2), (f)(3). The cases are our own.
"""

import json
from dataclasses import replace
from typing import Any

import pytest

from fieldworthy.main import make_app
from fieldworthy.storage.engine import SqlStore, open_engine
from fieldworthy.usecases.database_limits import USUAL
from fieldworthy.usecases.kept import HOME, Entry
from fieldworthy.usecases.open_work import WORK, Work
from tests.doors_app import client
from tests.keep.service import Service
from tests.keep.test_open_work import BALER, M, a_baler, at_rest, open_grease, seen
from tests.keep.test_open_work_changes import release, under_the_tailgate
from tests.keep.test_open_work_versions import REST, STATE, D, look_open

PLACES = """rulebook: three
title: A machine with a pump and a drum
language: 1
facts:
  drum: {states: [still, turning], known_by: [seen]}
  pump: {states: ["off", "on"], known_by: [seen]}
  person: {states: [clear, at pump, at drum], known_by: [seen], per: person}
actions:
  go to pump: {needs: pump is off, makes: person is at pump}
  go to drum: {needs: drum is still, makes: person is at drum}
  come out: {makes: person is clear}
  turn drum: {needs: person is not at drum, makes: drum is turning}
  stop drum: {makes: drum is still}
hazards:
  caught by the drum: {never: person is at drum and drum is turning, signal: danger, avoid: Stay clear of the drum.}
tasks:
  drum-look: {title: Look at the drum, kind: inspect, needs: drum is still, holds: drum is still, steps: [go to drum, come out]}
  pump-run: {title: Look at the pump, kind: inspect, needs: pump is off, steps: [go to pump, turn drum, stop drum, come out]}
"""
T = "/v1/machines/t-1"


async def test_who_went_to_one_place_is_not_taken_to_be_at_another(service: Service) -> None:
    """p-1 stays at the drum; whatever p-2 reports of themselves says nothing of p-1, and the drum is not turned."""
    await service.publish(PLACES, "three")
    await service.put(T, {"rulebook": "three"})

    def told(by: str, **facts: str) -> dict[str, Any]:
        return {"by": by, "evidence": seen(service.now, by, **facts)}

    rest = {"drum": "still", "pump": "off", "person": "clear"}
    for work, task, by in (("a", "drum-look", "p-1"), ("b", "pump-run", "p-2")):
        assert (await service.post(f"{T}/open-work", {"work": work, "task": task, **told(by, **rest)}))["opened"]
    service.later(seconds=1)
    assert (await service.post(f"{T}/open-work/a/steps/1", told("p-1", drum="still", person="clear")))["so"]
    service.later(seconds=1)
    assert (await service.post(f"{T}/open-work/b/steps/1", told("p-2", drum="still", pump="off")))["so"]
    service.later(seconds=1)
    left = {"by": "p-1", "result": "partly", "why": "x", "leave": "I stay in"}
    assert (await service.post(f"{T}/open-work/a/close", left))["closed"]
    service.later(seconds=1)
    await service.post(f"{T}/open-work/b/steps/1/done", {"by": "p-2"})
    service.later(seconds=1)
    turned = await service.post(f"{T}/open-work/b/steps/2", told("p-2", person="at pump", drum="still"))
    assert not turned["so"], "p-1 has not said that they came out"
    assert [(change["fact"], change["by"]) for change in turned["overtaken"]] == [("person", "p-1")]
    service.later(seconds=1)
    await service.put(f"{T}/evidence/out", seen(service.now, "p-1", person="clear")[0])
    service.later(seconds=1)
    turned = await service.post(f"{T}/open-work/b/steps/2", told("p-2", person="at pump", drum="still"))
    assert turned["so"], turned["procedure"]["because"]


async def others(service: Service, begin: int) -> None:
    """200 works of another, opened and closed by now."""
    at = service.now.isoformat()
    async with service.store.keep(HOME) as kept:
        machine = (await kept.machines.lock(["r5-17"]))["r5-17"]
        closed = {"at": at, "by": "p-5", "result": "done"}
        works = [Work(f"z-{n}", "walk-round", "p-5", at, "plover-r5-baler@1", closed=closed) for n in range(begin, begin + 200)]
        moment = await kept.moment()
        await kept.entries.put(
            machine.key, [Entry(WORK, work.id, moment, moment, "walk-round", json.dumps(work.kept_json())) for work in works]
        )
        await kept.machines.touch([machine], moment)


async def test_nobody_is_forgotten_for_the_many_works_that_came_after(service: Service) -> None:
    await under_the_tailgate(service)
    await others(service, 0)
    service.later(seconds=1)
    assert (await release(service))["clearance"] == "withheld"
    told = {"by": "p-1", "result": "partly", "why": "x", "leave": "still in"}
    assert (await service.post(f"{M}/open-work/w-1/close", told))["closed"]
    service.later(seconds=1)
    await others(service, 200)
    service.later(seconds=1)
    assert (await release(service))["clearance"] == "withheld"
    await service.put(f"{M}/evidence/out", seen(service.now, person="clear")[0])
    assert (await release(service))["clearance"] == "granted"


@pytest.mark.both_databases
async def test_of_two_works_of_one_task_in_one_hand_each_holds_against_the_other(service: Service) -> None:
    await a_baler(service)
    assert (await open_grease(service, "w-1", "p-1"))["opened"]
    assert (await open_grease(service, "w-2", "p-2"))["opened"]
    await service.post(f"{M}/open-work/w-2/hand-over", {"to": "p-1", "by": "p-9", "why": "x"})
    for work in ("w-1", "w-2"):
        service.later(seconds=5)
        assert (await service.post(f"{M}/open-work/{work}/steps/1", {"by": "p-1", "evidence": at_rest(service.now)}))["so"]
    off = {"side_panel": "off", "engine": "stopped", "key": "removed", "rollers": "still", "person": "clear"}
    for work in ("w-1", "w-2"):
        service.later(seconds=5)
        await service.post(f"{M}/open-work/{work}/steps/1/done", {"by": "p-1"})
    for work in ("w-1", "w-2"):
        service.later(seconds=5)
        begun = await service.post(f"{M}/open-work/{work}/steps/2", {"by": "p-1", "evidence": seen(service.now, **off)})
        assert begun["so"], begun["procedure"]["because"]
    service.later(seconds=5)
    third = await service.post(f"{M}/open-work/w-2/steps/3", {"by": "p-1", "evidence": seen(service.now, **off)})
    assert not third["so"], "the panel stays off for the other work"
    assert [(b["work"], b["holds"]) for b in third["procedure"]["next"]["blocked_by"]] == [("w-1", "side panel is off")]


async def test_work_is_ended_though_the_machine_is_of_another_model_and_rulebook_by_now(service: Service) -> None:
    await a_baler(service)
    await open_grease(service)
    service.later(seconds=5)
    assert (await service.post(f"{M}/open-work/w-1/steps/1", {"by": "p-1", "evidence": at_rest(service.now)}))["so"]
    other = BALER.replace("rulebook: plover-r5-baler", "rulebook: other-b").replace("models: [R5, R5 Wrap]", "models: [S9, R5 Wrap]")
    await service.publish(other, "other-b")
    await service.put(M, {"rulebook": "other-b", "model": "S9", "serial": "R5-0417"}, headers={"If-Match": "*"})
    asked = await service.post(f"{M}/clearance", {"for": {"action": "put key in"}, "by": "p-2", "evidence": at_rest(service.now, "p-2")})
    assert asked["rulebook"]["name"] == "plover-r5-baler"
    assert [each["work"] for each in asked["blocked_by"]] == ["w-1"]
    service.later(seconds=5)
    done = await service.post(f"{M}/open-work/w-1/steps/1/done", {"by": "p-1"})
    assert [step["step"] for step in done["work"]["done"]] == [1]
    told = {"by": "p-1", "result": "not possible", "why": "x", "leave": "y"}
    assert (await service.post(f"{M}/open-work/w-1/close", told))["closed"]
    asked = await service.post(f"{M}/clearance", {"for": {"action": "put key in"}})
    assert asked["rulebook"]["name"] == "other-b"


@pytest.mark.both_databases
async def test_a_deed_takes_one_connection(service: Service, address: str) -> None:
    """Of a pool of one, with no rulebook ready: a second connection inside the transaction would never come."""
    await look_open(service, STATE)
    narrow = SqlStore(open_engine(address, replace(USUAL, pool=1, overflow=0, pool_wait=1)), lambda: service.now)
    rest = seen(service.now, **REST)
    deeds: tuple[tuple[str, dict[str, Any]], ...] = (
        ("clearance", {"for": {"action": "stop engine"}, "by": "p-1", "evidence": rest}),
        ("evidence", {"items": [{"id": "e", **seen(service.now, "p-2", engine="turning")[0]}]}),
        ("open-work/w/steps/1", {"by": "p-1", "evidence": rest}),
        ("open-work", {"work": "v", "task": "drum-look", "by": "p-2", "evidence": rest}),
        ("open-work/w/close", {"by": "p-1", "result": "skipped", "why": "x", "leave": "y"}),
    )
    for path, told in deeds:
        async with client(make_app(narrow, lambda: service.now, is_open=True)) as http:
            answer = await http.post(f"{D}/{path}", json=told)
        assert answer.status_code == 200, (path, answer.text)
    await narrow.close()
