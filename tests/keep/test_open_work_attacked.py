"""What would make the store grant on what is no longer so: late repeats, clocks set back, moments that are not now, ids at their limits.

That nothing starts before what was done is verified: 29 CFR 1910.147(d)(6). The cases are our own.
"""

import asyncio
from datetime import timedelta
from typing import Any
from urllib.parse import quote

import pytest

from fieldworthy.main import make_app
from fieldworthy.storage.engine import SqlStore, open_engine
from fieldworthy.usecases.kept import HOME
from tests.doors_app import client
from tests.keep.service import Service
from tests.keep.test_open_work import M, a_baler, at_rest, open_grease, seen
from tests.keep.test_open_work_changes import may_grease
from tests.keep.test_open_work_versions import DRUM, D, look_open


async def reports(service: Service, about: str) -> Any:
    return (await service.get(f"{M}/evidence?about={about}"))["items"]


async def test_a_late_repeat_brings_no_withdrawn_or_corrected_report_back(service: Service) -> None:
    await a_baler(service)
    told = {"by": "p-1", "evidence": at_rest(service.now)}
    await service.post(f"{M}/open-work", {"work": "w-1", "task": "roller-bearing-grease", **told})
    (key,), (rollers,) = await reports(service, "key"), await reports(service, "rollers")
    service.later(seconds=5)
    await service.put(f"{M}/evidence/{key['id']}", {**key["record"], "value": "in lock"})
    assert (await service.http.delete(f"{M}/evidence/{rollers['id']}")).status_code == 204
    late = await service.post(f"{M}/open-work/w-1/steps/1", told)
    assert not late["so"]
    assert [unmet["fact"] for unmet in late["procedure"]["next"]["unmet"]] == ["key"]
    assert "rollers" in {missing["fact"] for missing in late["procedure"]["next"]["missing"]}
    asked = {"for": {"task": "roller-bearing-grease"}, **told}
    assert (await service.post(f"{M}/clearance", asked))["clearance"] == "withheld"
    assert [each["record"]["value"] for each in await reports(service, "key")] == ["in lock"]
    assert await reports(service, "rollers") == []
    service.later(seconds=5)
    assert (await service.post(f"{M}/open-work/w-1/steps/1", {"by": "p-1", "evidence": at_rest(service.now)}))["so"], "seen anew"


async def test_what_was_said_twice_is_withdrawn_once(service: Service) -> None:
    """Told by itself and with the request, then withdrawn or corrected where it was told by itself."""
    await a_baler(service)
    told = {"by": "p-1", "evidence": at_rest(service.now)}
    said = {each["fact"]: each for each in told["evidence"]}
    await service.put(f"{M}/evidence/k", said["key"])
    await service.put(f"{M}/evidence/r", said["rollers"])
    await service.post(f"{M}/open-work", {"work": "w-1", "task": "roller-bearing-grease", **told})
    service.later(seconds=5)
    assert (await service.http.delete(f"{M}/evidence/k")).status_code == 204
    await service.put(f"{M}/evidence/r", {**said["rollers"], "at": (service.now - timedelta(minutes=5)).isoformat()})
    for sent in ({"by": "p-1"}, told):
        begun = await service.post(f"{M}/open-work/w-1/steps/1", sent)
        assert not begun["so"]
        assert {missing["fact"] for missing in begun["procedure"]["next"]["missing"]} == {"key", "rollers"}
    assert await reports(service, "key") == []
    await service.put(f"{M}/evidence/k", said["key"])
    assert [each["id"] for each in await reports(service, "key")] == ["k"], "said again, it stands"


async def test_a_clock_that_was_set_back_puts_no_report_behind_a_change(service: Service) -> None:
    await a_baler(service)
    run = {"work": "r", "task": "roller-test-run", "by": "p-2", "evidence": at_rest(service.now, "p-2")}
    assert (await service.post(f"{M}/open-work", run))["opened"]
    service.later(seconds=40)
    await service.put(f"{M}/evidence/e", seen(service.now, key="removed")[0])
    ready = at_rest(service.now, "p-2")
    service.later(seconds=-30)
    assert (await service.post(f"{M}/open-work/r/steps/1", {"by": "p-2", "evidence": ready}))["so"]  # puts the key in
    service.later(seconds=5)
    await service.post(f"{M}/open-work/r/steps/1/done", {"by": "p-2"})
    for seconds in (5, 30):
        service.later(seconds=seconds)
        rest = [each for each in at_rest(service.now) if each["fact"] != "key"]
        assert await may_grease(service, rest) == "withheld", "the key was reported before it was put in"
    assert await may_grease(service, at_rest(service.now)) == "granted"


async def test_a_moment_is_now_or_after_what_was_known(service: Service) -> None:
    await a_baler(service)
    then = service.later(seconds=10)
    service.later(hours=3)
    week, now = service.now + timedelta(days=7), service.now
    for moments, status in (
        ({"now": then, "as_of": now}, 422),
        ({"now": week, "as_of": now}, 422),
        ({"now": week, "as_of": then}, 422),
        ({"now": then, "as_of": then}, 200),
        ({"now": now, "as_of": then}, 200),
    ):
        told = {"for": {"action": "put key in"}, **{name: moment.isoformat() for name, moment in moments.items()}}
        answer = await service.http.post(f"{M}/clearance", json=told)
        assert answer.status_code == status, (moments, answer.text)


async def test_a_report_from_out_of_the_calendar_is_refused_with_the_step_too(service: Service) -> None:
    await a_baler(service)
    await open_grease(service)
    for at in ("0001-01-01T00:00:00+14:00", "9999-12-31T23:59:59-14:00", "9999-12-31T23:59:59Z"):
        told = {"by": "p-1", "evidence": [{"fact": "key", "value": "removed", "at": at, "via": "seen"}]}
        for path in ("steps/1", "close"):
            answer = await service.http.post(f"{M}/open-work/w-1/{path}", json=told if path == "steps/1" else {**told, "result": "skipped"})
            assert (answer.status_code, answer.json()["errors"][0]["pointer"]) == (422, "#/evidence/0/at"), answer.text
    async with service.store.look(HOME) as kept:
        assert len(await kept.entries.of(1, ["evidence"])) == len(at_rest(service.now))


async def test_names_and_ids_at_their_limits(service: Service) -> None:
    """60 letters of a declared name are 120 of its key, the most that there may be, where each is a sharp s."""
    fact, task, person, other, id = "ß" * 60, "d" * 80, "p" * 120, "q" * 120, "w" * 120
    book = DRUM.replace("  engine:", f"  {fact}:").replace("engine is", f"{fact} is").replace("drum-look", task)
    await service.publish(book, "drum")
    machine = f"/v1/machines/{quote('ä' * 120)}"
    await service.put(machine, {"rulebook": "drum"})
    said = [
        {"fact": name, "value": value, "at": service.now.isoformat(), "via": "seen", "by": person}
        for name, value in ((fact, "stopped"), ("person", "clear"))
    ]
    lock = {"fact": fact, "state": "stopped", "by": person}
    told = {"work": id, "task": task, "by": person, "evidence": said, "put_on": [lock]}
    assert (await service.post(f"{machine}/open-work", told))["opened"]
    assert [each["fact"] for each in (await service.get(f"{machine}/locks"))["items"]] == [fact]
    assert (await service.post(f"{machine}/open-work/{id}/steps/1", {"by": person}))["so"]
    await service.post(f"{machine}/open-work/{id}/steps/1/done", {"by": person})
    await service.post(f"{machine}/open-work/{id}/hand-over", {"to": other, "by": "b" * 120, "why": "y" * 2000})
    end = {"by": other, "result": "partly", "why": "y" * 2000, "leave": "l" * 2000}
    assert (await service.post(f"{machine}/open-work/{id}/close", end))["closed"]
    assert (await service.http.post(f"{machine}/taken-off", json={"fact": fact, "by": person})).status_code == 204
    service.later(seconds=1)
    anew = [{**each, "at": service.now.isoformat()} for each in said]
    for odd in (" w ", "w\u00a0", "%", "?", "#x", "ä b", "..a"):
        await service.post(f"{machine}/open-work", {**told, "work": odd, "evidence": anew, "put_on": []})
        assert (await service.get(f"{machine}/open-work/{quote(odd, safe='')}"))["work"]["work"] == odd


@pytest.mark.both_databases
async def test_a_step_and_a_hand_over_at_once_leave_one_who_has_it_in_hand(service: Service, address: str) -> None:
    """Two replicas: the step is begun and the work stays, or it goes over and the step is not begun."""
    await a_baler(service)
    other = SqlStore(open_engine(address), lambda: service.now)
    async with client(make_app(other, lambda: service.now, is_open=True)) as phone:
        for round_ in range(4):
            service.later(minutes=5)
            work = f"{M}/open-work/w-{round_}"
            await open_grease(service, f"w-{round_}")
            step = {"by": "p-1", "evidence": at_rest(service.now)}
            over = {"to": "p-2", "by": "p-9", "why": "end of the shift"}
            begun, given = await asyncio.gather(service.http.post(f"{work}/steps/1", json=step), phone.post(f"{work}/hand-over", json=over))
            stands = (await service.get(work))["work"]
            if given.status_code == 200:
                assert (begun.status_code, begun.json()["code"]) == (409, "work.of_another")
                assert (stands["by"], stands["begun"]) == ("p-2", None)
            else:
                assert (given.json()["code"], begun.json()["so"]) == ("work.step_begun", True)
                assert (stands["by"], stands["begun"]["by"]) == ("p-1", "p-1")
            told = {"by": stands["by"], "result": "skipped", "why": "x", "leave": "y"}
            assert (await service.post(f"{work}/close", told))["closed"]
    await other.close()


async def test_what_is_withdrawn_where_it_came_with_a_request_stands_nowhere_else(service: Service) -> None:
    """Told by itself and with a request, it is one report: withdrawn or corrected at either place, it is gone at both."""
    await service.publish(DRUM, "drum")
    await service.put(D, {"rulebook": "drum"})
    report = seen(service.now, "p-1", engine="stopped")[0]
    await service.put(f"{D}/evidence/k", report)
    await service.post(f"{D}/open-work", {"work": "w", "task": "drum-look", "by": "p-1", "evidence": [report]})
    listed = [item["id"] for item in (await service.get(f"{D}/evidence?about=engine"))["items"]]
    (said,) = [id_ for id_ in listed if id_.startswith("said-")]
    assert sorted(listed) == ["k", said]
    service.later(seconds=2)
    assert (await service.http.delete(f"{D}/evidence/{said}")).status_code == 204
    assert (await service.get(f"{D}/evidence?about=engine"))["items"] == []
    asked = await service.post(f"{D}/clearance", {"for": {"task": "drum-look"}, "by": "p-2"})
    assert asked["clearance"] == "withheld"


async def test_opened_again_it_says_whether_it_might_start_now(service: Service) -> None:
    await look_open(service)
    told = {"work": "w", "task": "drum-look", "by": "p-1"}
    for state, clearance in (("stopped", "granted"), ("running", "withheld")):
        service.later(seconds=1)
        again = await service.post(f"{D}/open-work", {**told, "evidence": seen(service.now, "p-1", engine=state)})
        assert (again["opened"], again["clearance"]["clearance"]) == (True, clearance)
