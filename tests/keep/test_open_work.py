"""Open work kept by the store: asked and opened in one transaction, handed over, closed; locks that only their own people take off.

The order of lock-out and the rule that a lock is taken off by whoever put it on: 29 CFR 1910.147(d), (e)(3)
(tests/cases/orders/lockout.toml holds the core to them); that what excludes each other is never granted to two is our own promise.
"""

import asyncio
import json
from datetime import datetime, timedelta
from importlib.resources import files
from typing import Any

import pytest

from fieldworthy.storage.engine import SqlStore, open_engine
from fieldworthy.usecases.kept import HOME, MACHINE, Entry
from tests.doors_app import client
from tests.keep.service import Service

BALER = (files("fieldworthy.demo") / "baler.yaml").read_text("utf-8")
M = "/v1/machines/r5-17"


async def a_baler(service: Service) -> None:
    await service.publish(BALER, "plover-r5-baler")
    document = {"rulebook": "plover-r5-baler", "model": "R5", "serial": "R5-0417", "options": ["net wrap"]}
    async with service.store.keep(HOME) as kept:
        machine = await kept.machines.add("r5-17", await kept.moment(), "plover-r5-baler", None)
        await kept.entries.put(machine.key, [Entry(MACHINE, "", machine.known, 0, "", json.dumps(document))])


def seen(now: datetime, by: str = "p-1", **facts: str) -> list[dict[str, Any]]:
    """Good reports of now."""
    return [
        {"fact": f.replace("_", " "), "value": v.replace("_", " "), "at": now.isoformat(), "via": "seen", "by": by}
        for f, v in facts.items()
    ]


def at_rest(now: datetime, by: str = "p-1") -> list[dict[str, Any]]:
    return seen(
        now, by, engine="stopped", key="removed", tailgate="closed", rollers="still", side_panel="on", knife_guard="fitted", person="clear"
    )


async def open_grease(service: Service, work: str = "w-1", by: str = "p-1", **more: Any) -> Any:
    told = {"work": work, "task": "roller-bearing-grease", "by": by, "evidence": at_rest(service.now, by), **more}
    return await service.post(f"{M}/open-work", told)


async def test_work_is_opened_where_it_may_start_and_blocks_what_would_break_it(service: Service) -> None:
    await a_baler(service)
    withheld = await service.post(f"{M}/open-work", {"work": "w-1", "task": "roller-bearing-grease", "by": "p-1"})
    assert (withheld["opened"], withheld["work"]) == (False, None)
    assert {m["fact"] for m in withheld["clearance"]["missing"]} >= {"engine", "key", "tailgate", "rollers"}
    opened = await open_grease(service)
    assert opened["opened"]
    assert opened["clearance"]["clearance"] == "granted"
    assert opened["work"]["rulebook"] == "plover-r5-baler@1"
    # what it holds stands against another's start of the engine, and the work is named
    asked = await service.post(f"{M}/clearance", {"for": {"action": "put key in"}, "by": "p-2", "evidence": at_rest(service.now, "p-2")})
    assert asked["clearance"] == "withheld"
    assert [(b["work"], b["by"]) for b in asked["blocked_by"]] == [("w-1", "p-1")]
    closed = await service.post(f"{M}/open-work/w-1/close", {"by": "p-1", "result": "skipped", "why": "rain"})
    assert closed["closed"]
    service.later(seconds=1)
    asked = await service.post(f"{M}/clearance", {"for": {"action": "put key in"}, "by": "p-2", "evidence": at_rest(service.now, "p-2")})
    assert asked["clearance"] == "granted", asked["because"]
    assert (await service.get(f"{M}/open-work"))["items"] == []


@pytest.mark.both_databases
async def test_of_two_who_ask_at_once_for_what_excludes_the_other_one_is_granted(service: Service, address: str) -> None:
    """Two replicas, two phones, again and again: never both."""
    from fieldworthy.main import make_app

    await a_baler(service)
    other = SqlStore(open_engine(address), lambda: service.now)
    async with client(make_app(other, lambda: service.now, is_open=True)) as phone:
        for round_ in range(6):
            service.later(minutes=10)
            run = {"work": f"r-{round_}", "task": "roller-test-run", "by": "p-2", "evidence": at_rest(service.now, "p-2")}
            assert (await service.post(f"{M}/open-work", run))["opened"]  # it holds nothing yet
            service.later(seconds=5)
            grease = {"work": f"g-{round_}", "task": "roller-bearing-grease", "by": "p-1", "evidence": at_rest(service.now)}
            step = {"by": "p-2", "evidence": at_rest(service.now, "p-2")}  # the first step puts the key in, and the other holds it removed
            opened, begun = await asyncio.gather(
                service.http.post(f"{M}/open-work", json=grease), phone.post(f"{M}/open-work/r-{round_}/steps/1", json=step)
            )
            assert opened.json()["opened"] is not begun.json()["so"], (opened.json(), begun.json())
            if begun.json()["so"]:
                assert {(c["fact"], c["work"]) for c in opened.json()["overtaken"]} == {("key", f"r-{round_}")}
                assert "key" in {m["fact"] for m in opened.json()["clearance"]["missing"]}
            else:
                assert [b["work"] for b in begun.json()["procedure"]["next"]["blocked_by"]] == [f"g-{round_}"]
                await service.post(
                    f"{M}/open-work/g-{round_}/close", {"by": "p-1", "result": "not possible", "why": "the other goes first"}
                )
            done = {"by": "p-2", "result": "not possible", "why": "x", "leave": "it is only a test"}
            assert (await service.post(f"{M}/open-work/r-{round_}/close", done))["closed"]
    await other.close()


async def test_a_task_is_run_step_by_step_and_leaves_a_done_record(service: Service) -> None:
    await a_baler(service)
    work = f"{M}/open-work/w-1"
    await open_grease(service)
    service.later(seconds=5)
    begun = await service.post(f"{work}/steps/1", {"by": "p-1", "evidence": at_rest(service.now)})
    assert begun["so"], begun["procedure"]["because"]
    assert begun["work"]["begun"]["step"] == 1
    again = await service.post(f"{work}/steps/1", {"by": "p-1"})
    assert again["work"] == begun["work"]
    ahead = await service.http.post(f"{work}/steps/3", json={"by": "p-1"})
    assert (ahead.status_code, ahead.json()["code"]) == (409, "work.step_out_of_order")
    service.later(seconds=20)
    await service.post(f"{work}/steps/1/done", {"by": "p-1"})
    # nothing reported since: what step 2 holds is not known
    blind = await service.post(f"{work}/steps/2", {"by": "p-1"})
    assert not blind["so"]
    assert blind["procedure"]["next"]["clearance"] == "withheld"
    assert blind["work"]["begun"] is None
    off = {"side_panel": "off", "engine": "stopped", "key": "removed", "rollers": "still", "person": "clear"}
    service.later(seconds=5)
    second = await service.post(f"{work}/steps/2", {"by": "p-1", "evidence": seen(service.now, **off)})
    assert second["so"], second["procedure"]["because"]
    early = await service.http.post(f"{work}/close", json={"by": "p-1", "result": "done"})
    assert early.json()["code"] == "work.step_out_of_order"
    service.later(seconds=30)
    third = await service.post(f"{work}/steps/3", {"by": "p-1", "evidence": seen(service.now, **off)})
    assert third["so"], third["procedure"]["because"]
    assert [d["step"] for d in third["work"]["done"]] == [1, 2]
    service.later(seconds=20)
    blind = await service.post(f"{work}/close", {"by": "p-1", "result": "done", "evidence": seen(service.now, side_panel="off")})
    assert not blind["closed"]
    assert blind["procedure"]["left"][0]["fact"] == "side panel"
    service.later(seconds=5)
    told = {"by": "p-1", "result": "done", "meters": {"work": 640}, "evidence": seen(service.now, side_panel="on")}
    closed = await service.post(f"{work}/close", told)
    assert closed["closed"], closed
    assert closed["work"]["closed"]["result"] == "done"
    assert (await service.post(f"{work}/close", told))["work"] == closed["work"]
    async with service.store.look(HOME) as kept:
        (record,) = await kept.entries.of(1, ["done"])
    assert json.loads(record.body) == {
        "task": "roller-bearing-grease",
        "at": service.now.isoformat().replace("+00:00", "Z"),
        "meters": {"work": 640},
        "by": "p-1",
        "result": "done",
    }
    refused = await service.http.post(f"{work}/steps/1", json={"by": "p-1"})
    assert (refused.status_code, refused.json()["code"]) == (409, "work.closed")


async def test_who_went_in_and_has_not_said_where_they_are_withholds_what_would_harm_them(service: Service) -> None:
    """Their own last report says that they are clear; the step that they began says that they may not be."""
    await a_baler(service)
    facts = {"engine": "stopped", "key": "removed", "tailgate": "raised", "tailgate_lock": "engaged", "rollers": "still", "person": "clear"}
    wanted = {"for": {"action": "release tailgate lock"}, "by": "p-2"}
    service.later(seconds=1)
    ready = seen(service.now, "p-2", **facts)
    assert (await service.post(f"{M}/clearance", {**wanted, "evidence": ready}))["clearance"] == "granted"
    document = BALER.replace(
        "  clear-blockage:",
        """  look-under:
    title: Look under the raised tailgate
    kind: inspect
    needs: tailgate is raised and tailgate lock is engaged and engine is stopped and key is removed
    steps: [go under tailgate, come out]
  clear-blockage:""",
    )
    await service.publish(document, "plover-r5-baler")
    told = {"work": "w-1", "task": "look-under", "by": "p-1", "evidence": seen(service.now, **facts)}
    assert (await service.post(f"{M}/open-work", told))["opened"]
    assert (await service.post(f"{M}/open-work/w-1/steps/1", {"by": "p-1"}))["so"]
    service.later(seconds=5)
    asked = await service.post(f"{M}/clearance", {**wanted, "evidence": seen(service.now, "p-2", **facts)})
    assert asked["clearance"] == "withheld"
    assert [(c["fact"], c["by"]) for c in asked["overtaken"]] == [("person", "p-1")]
    service.later(seconds=5)
    await service.post(f"{M}/open-work/w-1/steps/1/done", {"by": "p-1"})
    await service.post(f"{M}/open-work/w-1/steps/2", {"by": "p-1", "evidence": seen(service.now, **{**facts, "person": "under tailgate"})})
    service.later(seconds=5)
    left = {"by": "p-1", "result": "partly", "why": "it rains", "leave": "I am out"}
    assert (await service.post(f"{M}/open-work/w-1/close", left))["closed"]
    asked = await service.post(f"{M}/clearance", {**wanted, "evidence": seen(service.now, "p-2", **facts)})
    assert asked["clearance"] == "withheld", "p-1 has not reported to be clear"
    service.later(seconds=5)
    out = [*seen(service.now, "p-1", person="clear"), *seen(service.now, "p-2", **facts)]
    assert (await service.post(f"{M}/clearance", {**wanted, "evidence": out}))["clearance"] == "granted"


async def test_handed_over_work_is_in_the_hands_of_one(service: Service) -> None:
    await a_baler(service)
    await open_grease(service)
    other = await service.http.post(f"{M}/open-work/w-1/steps/1", json={"by": "p-2", "evidence": at_rest(service.now, "p-2")})
    assert (other.status_code, other.json()["code"]) == (409, "work.of_another")
    given = await service.post(f"{M}/open-work/w-1/hand-over", {"to": "p-2", "by": "p-9", "why": "end of the shift"})
    assert (given["work"]["by"], given["work"]["hand_over"]["from"]) == ("p-2", "p-1")
    late = await service.http.post(f"{M}/open-work/w-1/close", json={"by": "p-1", "result": "skipped", "why": "x"})
    assert late.json()["code"] == "work.of_another"
    assert (await service.post(f"{M}/open-work/w-1/close", {"by": "p-2", "result": "skipped", "why": "x"}))["closed"]


async def test_a_lock_is_taken_off_by_whoever_put_it_on(service: Service) -> None:
    await a_baler(service)
    on = {"fact": "tailgate lock", "state": "engaged", "by": "p-1"}
    assert await service.post(f"{M}/put-on", on) == {"new": True}
    assert await service.post(f"{M}/put-on", on) == {"new": False}
    raised = seen(service.now, "p-2", tailgate="raised", tailgate_lock="engaged", person="clear", engine="stopped", key="removed")
    question = {"for": {"action": "release tailgate lock"}, "by": "p-2", "evidence": raised}
    asked = await service.post(f"{M}/clearance", question)
    assert asked["clearance"] == "withheld"
    assert [(b["fact"], b["by"]) for b in asked["blocked_by"]] == [("tailgate lock", "p-1")]
    other = await service.http.post(f"{M}/taken-off", json={"fact": "tailgate lock", "by": "p-2"})
    assert (other.status_code, other.json()["code"]) == (409, "work.of_another")
    assert (await service.http.post(f"{M}/taken-off", json={"fact": "tailgate lock", "by": "p-1"})).status_code == 204
    assert (await service.post(f"{M}/clearance", question))["blocked_by"] == []


async def test_open_work_keeps_the_version_that_it_was_opened_under(service: Service) -> None:
    await a_baler(service)
    await open_grease(service)
    await service.publish(BALER.replace("roller-bearing-grease", "starter-grease"), "plover-r5-baler")
    asked = await service.post(f"{M}/clearance", {"for": {"action": "put key in"}, "by": "p-2", "evidence": at_rest(service.now, "p-2")})
    assert asked["rulebook"]["version"] == 1
    assert [b["work"] for b in asked["blocked_by"]] == ["w-1"]
    await service.post(f"{M}/open-work/w-1/close", {"by": "p-1", "result": "skipped", "why": "x"})
    asked = await service.post(f"{M}/clearance", {"for": {"action": "put key in"}, "by": "p-2", "evidence": at_rest(service.now, "p-2")})
    assert asked["rulebook"]["version"] == 2


async def test_a_clearance_asked_as_of_an_earlier_moment_is_the_same_again(service: Service) -> None:
    await a_baler(service)
    await open_grease(service)
    question = {"for": {"task": "roller-bearing-grease"}, "by": "p-1"}
    first = await service.http.post(f"{M}/clearance", json=question)
    was = first.json()
    service.later(seconds=30)
    told = {"work": "w-2", "task": "belts-look", "by": "p-2", "evidence": seen(service.now, "p-2", engine="running", key="in_lock")}
    await service.post(f"{M}/open-work", told)
    assert (await service.post(f"{M}/clearance", question))["clearance"] == "withheld"
    repeated = await service.http.post(f"{M}/clearance", json={**question, "now": was["now"], "as_of": was["as_of"]})
    assert repeated.content == first.content


UNFIT: list[tuple[str, Any, int, str]] = [
    ("/v1/machines/r5-71/open-work", {"work": "w", "task": "walk-round", "by": "p"}, 404, "machine.unknown"),
    (f"{M}/open-work", {"work": "w", "task": "walk-rond", "by": "p"}, 422, "question.does_not_fit"),
    (f"{M}/open-work", {"work": "w", "task": "walk-round"}, 422, "request.does_not_fit"),
    (f"{M}/open-work", {"work": "w", "task": "walk-round", "by": "p", "x": 1}, 422, "request.does_not_fit"),
    (f"{M}/open-work/nothing/close", {"by": "p", "result": "done"}, 404, "work.unknown"),
    (f"{M}/open-work/nothing/steps/0", {"by": "p"}, 422, "request.does_not_fit"),
    (f"{M}/open-work/nothing/steps/x", {"by": "p"}, 422, "request.does_not_fit"),
    (f"{M}/put-on", {"fact": "tailgate lok", "state": "engaged", "by": "p"}, 422, "question.does_not_fit"),
    (f"{M}/taken-off", {"fact": "tailgate lock", "by": "p"}, 422, "question.does_not_fit"),
    (f"{M}/open-work/w/hand-over", {"to": "p-2", "by": "p-2", "why": "x"}, 422, "question.does_not_fit"),
    (f"{M}/open-work/w/hand-over", {"to": "p-2", "by": "p-1"}, 422, "request.does_not_fit"),
    (f"{M}/clearance", {"for": {"needs": "engine is stoped"}}, 422, "question.does_not_fit"),
]


async def test_what_does_not_fit_is_refused_and_nothing_is_opened(service: Service) -> None:
    await a_baler(service)
    for path, body, status, code in UNFIT:
        answer = await service.http.post(path, json=body)
        assert (answer.status_code, answer.json()["code"]) == (status, code), (path, answer.text)
        assert (await service.get(f"{M}/open-work"))["items"] == [], path


async def test_a_report_from_later_than_now_is_refused(service: Service) -> None:
    await a_baler(service)
    told = {"work": "w", "task": "roller-bearing-grease", "by": "p-1", "evidence": at_rest(service.now + timedelta(minutes=5))}
    answer = await service.http.post(f"{M}/open-work", json=told)
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["pointer"] == "#/evidence/0/at"
