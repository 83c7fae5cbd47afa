"""What done records and occurrences note of meters is judged beside the readings that are kept, on both databases.

That a dial never runs backward, that an hour meter counts no more than an hour an hour, and that people note whole hours, are common
practices of the trade and have no source. That one in a hundred of another value may be wrong is our own tolerance.
"""

from typing import Any

import pytest

from tests.keep.readings_at_work import BOOK, URL, moment, reading, whys
from tests.keep.service import Service

M = "/v1/machines/r5-17"
MORE = """\
  belt-check: {title: Check the belts, kind: inspect, interval: every 80 bales}
  grease-by-law: {title: Grease by law, kind: lubricate, interval: every 80 h on schedule, says: law}
  pump-look: {title: Look at the pump, kind: inspect, interval: every 6000 min}
"""
OCCURRENCE = "occurrences:\n  belt fitted: {}\n"
TASKS = {"work": "roller-bearing-grease", "bales": "belt-check", "pump": "pump-look"}

Points = list[tuple[float, float]]


async def a_machine(service: Service, kept: Points = (), meter: str = "work") -> None:  # type: ignore[assignment]
    """kept: hours after the beginning, and what the dial showed."""
    await service.publish(BOOK + MORE + OCCURRENCE, "plover-r5-baler")
    await service.put(M, {"rulebook": "plover-r5-baler", "timezone": "Europe/London"})
    if kept:
        assert set(whys(await service.post(URL, [reading(at, value, meter=meter) for at, value in kept]))) == {"kept"}


def record(at: float, value: Any, meter: str = "work", **more: Any) -> dict[str, Any]:
    return {"task": TASKS[meter], "at": moment(at), "meters": {meter: value}, **more}


def found(answer: Any) -> list[tuple[str, str]]:
    """The code and place of each finding; none where it was taken."""
    if answer.status_code < 300:
        return []
    assert answer.status_code == 422
    assert answer.headers["content-type"] == "application/problem+json"
    return [(each["code"], each["pointer"]) for each in answer.json()["errors"]]


def refused(place: str) -> list[tuple[str, str]]:
    return [("question.meter_contradicts", f"#{place}")]


HOURS: Points = [(0, 4100), (10, 4105)]
ROUND: Points = [(0, 640.4), (1, 640.9)]
BALES: Points = [(0, 1000), (10, 2000)]
PUMP: Points = [(0, 38424), (10, 38724)]
SWAP = {"meter": "work", "at": moment(20), "old_value": 4110, "new_value": 0}

CASES: list[tuple[str, str, Points, float, Any, str]] = [
    # name, meter, kept, at, value, what is said ("": it is taken)
    ("as it was", "work", HOURS, 12, 4106, ""),
    ("minutes as hours", "work", HOURS, 12, 246300, "246300 h can't be, but as minutes it fits: before it stands 4105 h at 2026"),
    ("how to mend it", "work", HOURS, 12, 246300, "as `246300 min`"),
    ("the reading may be wrong", "work", HOURS, 12, 246300, "if the reading of 4105 h at 2026-07-01T16:00:00Z is wrong"),
    ("minutes as hours, in words", "work", HOURS, 12, "246300 h", "as minutes it fits"),
    ("minutes as hours, with the unit beside", "work", HOURS, 12, {"value": 246300, "unit": "h"}, "as minutes it fits"),
    ("seconds as hours", "work", HOURS, 12, 14780000, "as seconds it fits"),
    ("minutes, said so", "work", HOURS, 12, "246300 min", ""),
    ("minutes that are no whole ticks", "work", HOURS, 12, "246317 min", ""),
    ("minutes as hours between readings", "work", HOURS, 5, 246180, "as minutes it fits"),
    ("more than the time that passed", "work", HOURS, 12, 4125, "more than an hour an hour"),
    ("far too many minutes", "work", HOURS, 12, "300000 min", "300000 min would be more than an hour an hour"),
    ("less than the time to the next one", "work", [(0, 4100), (10, 4110)], 8, 4101, "after it 4110 h"),
    ("below an earlier one", "work", HOURS, 12, 4103, "4103 h is below an earlier one, 4105 h"),
    ("above a later one", "work", HOURS, 5, 4107, "and above a later one, 4105 h"),
    ("a whole hour less at the same moment", "work", HOURS, 10, 4104, "below an earlier one"),
    ("rounded down at the same moment", "work", ROUND, 0, 640, ""),
    ("rounded up at the same moment", "work", ROUND, 1, 641, ""),
    ("rounded down later", "work", ROUND, 2, 640, ""),
    ("rounded up before a later one", "work", ROUND, 0.5, 641, ""),
    ("an hour is not rounding", "work", ROUND, 2, 639.9, "below an earlier one"),
    ("whole hours of a meter of minutes", "pump", PUMP, 0, "640 h", ""),
    ("a minute of a meter of minutes", "pump", PUMP, 0, 38423.5, ""),
    ("more than a minute of a meter of minutes", "pump", PUMP, 0, 38420, "below an earlier one"),
    ("old history", "work", HOURS, -30000, 900, ""),
    ("old history of a dial that nobody told of", "work", HOURS, -30000, 9000, ""),
    ("no reading", "work", [], 12, 246300, ""),
    ("no count", "work", HOURS, 12, 2e12, "is outside of what is kept"),
    ("bales, a hundredth less", "bales", BALES, 12, 1981, ""),
    ("bales, more than a hundredth less", "bales", BALES, 12, 1975, "1975 bales is below an earlier one, 2000 bales"),
    ("bales, more than a hundredth more than the next", "bales", BALES, 5, 2025, "above a later one, 2000 bales"),
    ("bales, one of few", "bales", [(0, 7)], 12, 6, ""),
    ("bales, two of few", "bales", [(0, 7)], 12, 5, "below an earlier one"),
    ("bales at any pace", "bales", BALES, 12, 246300, ""),
]


@pytest.mark.parametrize(("name", "meter", "kept", "at", "value", "said"), CASES, ids=[case[0] for case in CASES])
async def test_beside_the_readings(service: Service, name: str, meter: str, kept: Points, at: float, value: Any, said: str) -> None:
    await a_machine(service, kept, meter)
    told = record(at, value, meter)
    occurred = {"occurrence": "belt fitted", "at": moment(at), "meters": {meter: value}}
    one = await service.http.put(f"{M}/done/g-1", json=told)
    many = await service.http.post(f"{M}/done", json={"items": [{**told, "id": "g-2"}]})
    other = await service.http.put(f"{M}/occurrences/o-1", json=occurred)
    assert found(one) == (refused(f"/meters/{meter}") if said else []), one.text
    assert found(many) == (refused(f"/items/0/meters/{meter}") if said else []), many.text
    assert found(other) == (refused(f"/meters/{meter}") if said else []), other.text
    assert said in (one.text if said else "")
    assert len((await service.get(f"{M}/done"))["items"]) == (0 if said else 2)


async def test_without_an_instant_nothing_is_judged(service: Service) -> None:
    await a_machine(service, HOURS)
    for id_, when in (("a", {"on": "2026-07-01"}), ("b", {})):
        told = {"task": TASKS["work"], **when, "meters": {"work": 246300}}
        assert (await service.http.put(f"{M}/done/{id_}", json=told)).status_code == 201
    assert (await service.http.put(f"{M}/done/c", json={"task": TASKS["work"], "at": moment(12)})).status_code == 201


async def test_a_replaced_meter(service: Service) -> None:
    await a_machine(service, HOURS)
    assert found(await service.http.put(f"{M}/done/a", json=record(30, 4))) == refused("/meters/work")
    await service.put(f"{M}/meter-replacements/1", SWAP)
    for at, value, taken in ((30, 4, True), (30, 240, False), (30, 4116, False), (15, 4108, True), (15, 4113, False), (20, 0, True)):
        answer = await service.http.put(f"{M}/done/{at}-{value}", json=record(at, value))
        assert found(answer) == ([] if taken else refused("/meters/work")), (at, value)


async def test_each_line_and_each_meter_is_told(service: Service) -> None:
    await a_machine(service, HOURS)
    await service.post(URL, [reading(at, value, meter="bales") for at, value in BALES])
    wrong = {**record(12, 246300), "meters": {"work": 246300, "Bales": 100, "road": 7}}
    items = [{**record(12, 4106), "id": "a"}, {**wrong, "id": "b"}, {**record(-1, 7), "id": "c"}, {**record(11, 9000), "id": "d"}]
    answer = await service.http.post(f"{M}/done", json={"items": items})
    assert [place for _, place in found(answer)] == ["#/items/1/meters/work", "#/items/1/meters/Bales", "#/items/3/meters/work"]
    assert (await service.get(f"{M}/done"))["items"] == []


async def test_a_repeat_is_never_refused(service: Service) -> None:
    """Later readings may contradict it: what stands is left as it is, corrected, and taken away."""
    await a_machine(service, HOURS)
    told = record(20, 4115, by="p-1")
    assert (await service.put(f"{M}/done/a", told))["outcome"] == "kept"
    assert whys(await service.post(URL, [reading(21, 4106)])) == ["kept"]
    assert (await service.put(f"{M}/done/a", told))["outcome"] == "same"
    again = await service.post(f"{M}/done", {"items": [{**told, "id": "a"}]})
    assert (again["kept"], again["same"], again["corrected"]) == (0, 1, 0)
    assert (await service.put(f"{M}/done/a", {**told, "by": "p-2"}))["outcome"] == "corrected"
    assert (await service.put(f"{M}/done/a", {**told, "at": moment(20).replace("Z", "+00:00")}))["outcome"] == "corrected"
    for wrong in (record(20, 4114), record(19, 4115)):
        assert found(await service.http.put(f"{M}/done/a", json=wrong)) == refused("/meters/work")
    assert (await service.put(f"{M}/done/a", record(20, 4105.5)))["outcome"] == "corrected"
    assert found(await service.http.put(f"{M}/done/a", json=told)) == refused("/meters/work")
    assert (await service.http.delete(f"{M}/done/a")).status_code == 204


async def test_a_reading_that_is_wrong_is_corrected_first(service: Service) -> None:
    await a_machine(service, [(0, 4100), (10, 4109)])
    told = record(12, 4104)
    assert found(await service.http.put(f"{M}/done/a", json=told)) == refused("/meters/work")
    aside = (await service.post(URL, [reading(10, 4103)]))["aside"][0]["id"]
    await service.post(f"/v1/set-aside/{aside}/accept", {"by": "p-3", "why": "looked at the dial"})
    assert (await service.put(f"{M}/done/a", told))["outcome"] == "kept"


async def test_answers_stay_known(service: Service) -> None:
    await a_machine(service, HOURS)
    await service.put(f"{M}/done/a", {**record(0, 4100), "task": "grease-by-law"})
    wrong = {**record(12, 246300), "task": "grease-by-law"}
    assert found(await service.http.put(f"{M}/done/b", json=wrong)) == refused("/meters/work")
    await service.put(f"{M}/done/b", {**wrong, "meters": {"work": "246300 min"}})
    assert whys(await service.post(URL, [reading(13, 4106)])) == ["kept"]
    due = await service.get(f"{M}/due", params={"now": moment(14), "tasks": "grease-by-law"})
    assert [(t["standing"], t["remaining"]["meters"]["work"]["value"]) for t in due["tasks"]] == [("clear", 79)]


async def test_the_record_of_closed_work(service: Service) -> None:
    """It is judged at the moment of the closing; the work stays open where it can't be, and closing once more is never refused."""
    await a_machine(service, [(0, 640.4)])
    now = moment(24 * 13)  # the store's clock
    assert whys(await service.post(URL, [{**reading(0, 650.4), "at": now}])) == ["kept"]
    work = f"{M}/open-work/w"
    assert (await service.post(f"{M}/open-work", {"work": "w", "task": "belt-check", "by": "p-1"}))["opened"]
    done = {"by": "p-1", "result": "done"}
    for value, taken in ((39000, False), (645, False), (650, True)):
        answer = await service.http.post(f"{work}/close", json={**done, "meters": {"work": value}})
        assert found(answer) == ([] if taken else refused("/meters/work")), answer.text
        assert ((await service.get(work))["work"]["closed"] is None) is not taken
    service.later(hours=1)
    assert (await service.http.post(f"{work}/close", json={**done, "meters": {"work": 650}})).status_code == 200
    assert (await service.get(f"{M}/done/w"))["record"]["meters"] == {"work": 650}
