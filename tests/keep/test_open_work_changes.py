"""What one's work changed grants nothing to another before it is reported anew, whoever reports what, whatever is published meanwhile.

That only what is verified counts, and that a lock is its own person's: 29 CFR 1910.147(d)(5), (d)(6), (e)(3). The cases are our own.
"""

from datetime import timedelta
from typing import Any

import pytest

from tests.keep.service import Service
from tests.keep.test_open_work import BALER, M, a_baler, at_rest, open_grease, seen

LOOK = BALER.replace(
    "  clear-blockage:",
    """  look-under:
    title: Look under the raised tailgate
    kind: inspect
    needs: tailgate is raised and tailgate lock is engaged and engine is stopped and key is removed
    steps: [go under tailgate, come out]
  clear-blockage:""",
)
UP = {
    "engine": "stopped",
    "key": "removed",
    "tailgate": "raised",
    "tailgate_lock": "engaged",
    "rollers": "still",
    "person": "clear",
}


async def under_the_tailgate(service: Service) -> None:
    """p-1 has begun to go under it."""
    await a_baler(service)
    await service.publish(LOOK, "plover-r5-baler")
    told = {"work": "w-1", "task": "look-under", "by": "p-1", "evidence": seen(service.now, **UP)}
    assert (await service.post(f"{M}/open-work", told))["opened"]
    service.later(seconds=1)
    assert (await service.post(f"{M}/open-work/w-1/steps/1", {"by": "p-1", "evidence": seen(service.now, **UP)}))["so"]
    service.later(seconds=2)


async def release(service: Service, by: str = "p-3") -> Any:
    ready = seen(service.now, by, **UP)
    return await service.post(f"{M}/clearance", {"for": {"action": "release tailgate lock"}, "by": by, "evidence": ready})


async def put_key_in(service: Service) -> None:
    """p-2 has begun it."""
    await a_baler(service)
    told = {"work": "r", "task": "roller-test-run", "by": "p-2", "evidence": at_rest(service.now, "p-2")}
    assert (await service.post(f"{M}/open-work", told))["opened"]
    service.later(seconds=5)
    assert (await service.post(f"{M}/open-work/r/steps/1", {"by": "p-2", "evidence": at_rest(service.now, "p-2")}))["so"]
    service.later(seconds=1)


async def may_grease(service: Service, reports: list[dict[str, Any]]) -> str:
    asked = await service.post(f"{M}/clearance", {"for": {"task": "roller-bearing-grease"}, "by": "p-1", "evidence": reports})
    return str(asked["clearance"])


async def test_no_report_counts_while_a_change_is_under_way(service: Service) -> None:
    await put_key_in(service)
    assert not (await open_grease(service))["opened"]
    told = {"by": "p-2", "result": "not possible", "why": "x", "leave": "y", "evidence": seen(service.now, "p-2", key="removed")}
    assert (await service.post(f"{M}/open-work/r/close", told))["closed"]
    assert not (await open_grease(service))["opened"], "it was broken off at this instant"
    service.later(seconds=1)
    assert (await open_grease(service))["opened"]


async def test_a_source_that_is_not_accepted_settles_nothing(service: Service) -> None:
    await put_key_in(service)
    await service.post(f"{M}/open-work/r/steps/1/done", {"by": "p-2"})
    service.later(seconds=5)
    rest = [e for e in at_rest(service.now) if e["fact"] != "key"]
    rest.append({"fact": "key", "value": "in lock", "at": service.now.isoformat(), "via": "sensor"})
    assert await may_grease(service, rest) == "withheld"


async def test_a_report_of_a_clock_ahead_does_not_outlive_a_change(service: Service) -> None:
    await a_baler(service)
    told = {"work": "r", "task": "roller-test-run", "by": "p-2", "evidence": at_rest(service.now, "p-2")}
    assert (await service.post(f"{M}/open-work", told))["opened"]
    await service.put(f"{M}/evidence/e1", seen(service.now + timedelta(seconds=110), key="removed")[0])
    service.later(seconds=5)
    assert (await service.post(f"{M}/open-work/r/steps/1", {"by": "p-2", "evidence": at_rest(service.now, "p-2")}))["so"]
    service.later(seconds=5)
    await service.post(f"{M}/open-work/r/steps/1/done", {"by": "p-2"})
    for seconds in (5, 200):
        service.later(seconds=seconds)
        assert await may_grease(service, [e for e in at_rest(service.now) if e["fact"] != "key"]) == "withheld"
    assert await may_grease(service, at_rest(service.now)) == "granted"


async def test_work_is_not_handed_over_in_the_middle_of_a_step(service: Service) -> None:
    await under_the_tailgate(service)
    answer = await service.http.post(f"{M}/open-work/w-1/hand-over", json={"to": "p-2", "by": "p-9", "why": "shift"})
    assert (answer.status_code, answer.json()["code"]) == (409, "work.step_begun")
    await service.post(f"{M}/open-work/w-1/steps/1/done", {"by": "p-1"})
    await service.post(f"{M}/open-work/w-1/hand-over", {"to": "p-2", "by": "p-9", "why": "shift"})
    service.later(seconds=2)
    told = {"by": "p-2", "result": "partly", "why": "x", "leave": "y", "evidence": seen(service.now, "p-2", person="clear")}
    assert (await service.post(f"{M}/open-work/w-1/close", told))["closed"]
    service.later(seconds=2)
    assert (await release(service))["clearance"] == "withheld", "p-1 never said that they came out"


async def test_publishing_forgets_nobody(service: Service) -> None:
    await under_the_tailgate(service)
    told = {"by": "p-1", "result": "partly", "why": "x", "leave": "still looking"}
    assert (await service.post(f"{M}/open-work/w-1/close", told))["closed"]
    await service.publish(LOOK.replace("look-under:", "look-beneath:"), "plover-r5-baler")
    service.later(seconds=2)
    assert (await release(service))["clearance"] == "withheld"
    service.later(seconds=2)
    await service.put(f"{M}/evidence/out", seen(service.now, person="clear")[0])
    assert (await release(service))["clearance"] == "granted"


async def test_a_report_or_lock_that_a_new_version_cannot_read_withholds(service: Service) -> None:
    await a_baler(service)
    await service.put(f"{M}/evidence/e1", seen(service.now, knife_guard="fitted")[0])
    service.later(seconds=60)
    await service.put(f"{M}/evidence/e2", seen(service.now, knife_guard="removed")[0])
    service.later(seconds=5)
    renamed = BALER.replace("knife guard: {states: [fitted, removed]", "knife guard: {states: [fitted, taken away]")
    renamed = renamed.replace("knife guard is removed", "knife guard is taken away")
    assert renamed != BALER
    on = {"fact": "knife guard", "state": "removed", "by": "p-1"}
    await service.post(f"{M}/put-on", on)
    await service.publish(renamed, "plover-r5-baler")
    rest = [e for e in at_rest(service.now, "p-2") if e["fact"] != "knife guard"]
    asked = await service.post(f"{M}/clearance", {"for": {"action": "put key in"}, "by": "p-2", "evidence": rest})
    assert asked["clearance"] == "withheld"
    assert "knife guard" in {m["fact"] for m in asked["missing"]}
    assert [(b["fact"], b["by"]) for b in asked["blocked_by"]] == [("knife guard", "p-1")]
    assert (await service.http.post(f"{M}/taken-off", json={"fact": "knife guard", "by": "p-1"})).status_code == 204
    service.later(seconds=1)
    asked = await service.post(f"{M}/clearance", {"for": {"action": "put key in"}, "by": "p-2", "evidence": at_rest(service.now, "p-2")})
    assert asked["clearance"] == "granted", asked["because"]


async def test_nobody_is_pushed_out_by_the_many_reports_of_another(service: Service) -> None:
    await a_baler(service)
    await service.put(f"{M}/evidence/p1", seen(service.now, person="under tailgate")[0])
    for part in range(3):
        service.later(seconds=60)
        several = [seen(service.now + timedelta(milliseconds=i), "p-2", person="clear")[0] for i in range(100)]
        await service.post(f"{M}/evidence", {"items": [{"id": f"x{part}-{i}", **each} for i, each in enumerate(several)]})
    service.later(seconds=2)
    assert (await release(service, "p-2"))["clearance"] == "withheld"


async def test_a_lock_is_changed_by_its_own_person_alone(service: Service) -> None:
    await a_baler(service)
    on = {"fact": "knife guard", "state": "removed", "by": "p-1"}
    await service.post(f"{M}/put-on", on)
    other = {"work": "w", "task": "walk-round", "by": "p-2", "put_on": [{**on, "state": "fitted"}]}
    await service.post(f"{M}/open-work", other)
    service.later(seconds=5)
    removed = [*(e for e in at_rest(service.now, "p-2") if e["fact"] != "knife guard"), *seen(service.now, "p-2", knife_guard="removed")]
    asked = await service.post(f"{M}/clearance", {"for": {"action": "put knife guard on"}, "by": "p-2", "evidence": removed})
    assert [b["by"] for b in asked["blocked_by"]] == ["p-1"]
    taken = {**on, "hand_over": {"to": "p-2", "by": "p-9", "why": "shift"}}
    refused = await service.http.post(f"{M}/open-work/w/close", json={"by": "p-2", "result": "done", "put_on": [taken]})
    assert (refused.status_code, refused.json()["code"]) == (409, "work.of_another")
    await service.post(f"{M}/put-on", taken)
    assert await service.post(f"{M}/put-on", on) == {"new": False}
    own = {"fact": "knife guard", "by": "p-1"}
    assert (await service.http.post(f"{M}/taken-off", json=own)).status_code == 204  # the one in the other state
    refused = await service.http.post(f"{M}/taken-off", json=own)
    assert (refused.status_code, refused.json()["code"]) == (409, "work.of_another"), "a repeat takes nothing back"


async def test_a_task_spelled_otherwise_is_the_same_task(service: Service) -> None:
    await a_baler(service)
    opened = await open_grease(service, task="Roller-Bearing-Grease")
    assert opened["work"]["task"] == "roller-bearing-grease"
    early = await service.http.post(f"{M}/open-work/w-1/close", json={"by": "p-1", "result": "done"})
    assert early.json()["code"] == "work.step_out_of_order"


async def test_what_a_repeated_request_reports_is_checked_and_kept(service: Service) -> None:
    await a_baler(service)
    await open_grease(service)
    service.later(seconds=5)
    assert (await service.post(f"{M}/open-work/w-1/steps/1", {"by": "p-1", "evidence": at_rest(service.now)}))["so"]
    service.later(seconds=5)
    again = await service.post(f"{M}/open-work/w-1/steps/1", {"by": "p-1", "evidence": seen(service.now, engine="running")})
    assert (again["so"], again["procedure"]["interrupted"] is None) == (False, False)
    kept = [each["record"]["value"] for each in (await service.get(f"{M}/evidence?about=engine"))["items"]]
    assert "running" in kept
    strange = {"fact": "nonsense", "value": "x", "at": service.now.isoformat(), "via": "seen"}
    told = {"work": "w-1", "task": "roller-bearing-grease", "by": "p-1", "evidence": [strange]}
    assert (await service.http.post(f"{M}/open-work", json=told)).status_code == 422


@pytest.mark.parametrize(
    ("more", "code"),
    [
        ({"now": "2026-07-14T03:00:00Z"}, "question.does_not_fit"),
        ({"as_of": "2026-07-14T09:00:00Z"}, "question.does_not_fit"),
        ({"now": "0001-01-01T00:00:00+14:00"}, "request.does_not_fit"),
        ({"as_of": "9999-12-31T23:59:59-14:00"}, "request.does_not_fit"),
    ],
)
async def test_a_moment_that_is_not_now_is_refused(service: Service, more: Any, code: str) -> None:
    await a_baler(service)
    answer = await service.http.post(f"{M}/clearance", json={"for": {"action": "put key in"}, **more})
    assert (answer.status_code, answer.json()["code"]) == (422, code), answer.text


async def test_an_answer_is_the_same_again_after_publishing_and_after_a_lock_is_off(service: Service) -> None:
    await a_baler(service)
    await service.post(f"{M}/put-on", {"fact": "knife guard", "state": "removed", "by": "p-1"})
    service.later(seconds=5)
    await service.http.post(f"{M}/taken-off", json={"fact": "knife guard", "by": "p-1"})
    service.later(seconds=5)
    question = {"for": {"action": "put knife guard on"}, "by": "p-2"}
    first = await service.http.post(f"{M}/clearance", json=question)
    service.later(seconds=5)
    await service.publish(LOOK, "plover-r5-baler")
    again = {**question, "now": first.json()["now"], "as_of": first.json()["as_of"]}
    assert (await service.http.post(f"{M}/clearance", json=again)).content == first.content


@pytest.mark.parametrize("id", ["w/1", ".", ".."])
async def test_an_id_that_no_address_can_hold_is_refused(service: Service, id: str) -> None:
    await a_baler(service)
    assert (await service.http.post(f"{M}/open-work", json={"work": id, "task": "walk-round", "by": "p-1"})).status_code == 422


LOCK = LOOK.replace(
    "  clear-blockage:",
    """  lock-and-look:
    title: Look with the lock engaged
    kind: inspect
    needs: tailgate is raised and engine is stopped and key is removed
    steps: [engage tailgate lock, do: Look., release tailgate lock]
  clear-blockage:""",
)


async def test_a_step_takes_off_the_locks_of_whoever_did_it_and_no_others(service: Service) -> None:
    await a_baler(service)
    await service.publish(LOCK, "plover-r5-baler")
    on = {"fact": "tailgate lock", "state": "engaged", "by": "p-1"}

    async def locks() -> list[str]:
        return [each["by"] for each in (await service.get(f"{M}/locks"))["items"]]

    async def step(number: int, **lock: Any) -> Any:
        service.later(seconds=5)
        told = {"by": "p-1", "evidence": seen(service.now, **{**UP, "tailgate_lock": "engaged" if number > 1 else "released"}), **lock}
        return await service.post(f"{M}/open-work/w-1/steps/{number}", told)

    ready = seen(service.now, **{**UP, "tailgate_lock": "released"})
    assert (await service.post(f"{M}/open-work", {"work": "w-1", "task": "lock-and-look", "by": "p-1", "evidence": ready}))["opened"]
    assert (await step(1))["so"]
    assert (await step(2, put_on=[on]))["so"]
    assert await locks() == ["p-1"]
    await service.post(f"{M}/put-on", {**on, "by": "p-2"})
    assert not (await step(3))["so"], "p-2's is on it"
    assert (await service.http.post(f"{M}/taken-off", json={"fact": "tailgate lock", "by": "p-2"})).status_code == 204
    assert (await step(3))["so"]
    assert await locks() == ["p-1"], "it was begun, and is not done"
    service.later(seconds=5)
    off = seen(service.now, **{**UP, "tailgate_lock": "released"})
    done = await service.post(f"{M}/open-work/w-1/close", {"by": "p-1", "result": "done", "evidence": off})
    assert done["closed"], done
    assert await locks() == []
    service.later(seconds=5)
    asked = await service.post(f"{M}/clearance", {"for": {"needs": "tailgate lock is released"}, "by": "p-3"})
    assert asked["clearance"] == "granted"


async def test_a_report_that_a_lock_is_off_takes_it_off_nobody(service: Service) -> None:
    await a_baler(service)
    await service.post(f"{M}/put-on", {"fact": "tailgate lock", "state": "engaged", "by": "p-2"})
    service.later(seconds=5)
    off = seen(service.now, "p-1", **{**UP, "tailgate_lock": "released"})
    asked = await service.post(f"{M}/clearance", {"for": {"needs": "tailgate lock is released"}, "by": "p-1", "evidence": off})
    assert (asked["clearance"], [m["why"] for m in asked["missing"]]) == ("withheld", ["contradictory"])
