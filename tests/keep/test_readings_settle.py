"""Readings that were set aside: listed, accepted, dismissed; and what was known at any moment, on both databases."""

import asyncio
from typing import Any

import pytest

from fieldworthy.core.base.micros import micros_of, micros_text
from fieldworthy.core.meter.series import Replacement, build_series
from fieldworthy.usecases.kept import HOME
from tests.keep.readings_at_work import URL, hours, kept_rows, machines, moment, outcome, reading, shown, whys
from tests.keep.service import Service

ASIDE = "/v1/set-aside"
WHO = {"by": "p-3", "why": "looked at the dial"}


async def set_aside(service: Service, *sent: dict[str, Any]) -> list[str]:
    """Posts readings that must all be set aside; their ids."""
    answer = await service.post(URL, list(sent))
    assert outcome(answer) == (0, 0, len(sent)), answer
    return [a["id"] for a in answer["aside"]]


async def refused(service: Service, path: str, body: Any) -> tuple[int, str]:
    answer = await service.http.post(path, json=body)
    return answer.status_code, answer.json()["code"]


async def greased(service: Service, at: float) -> None:
    """The task was done before all readings, at so many hours."""
    await service.put("/v1/machines/r5-17/done/g-1", {"task": "roller-bearing-grease", "at": moment(-1), "meters": {"work": at}})


async def standing(service: Service) -> Any:
    """What is answered of the machine, but for when it was asked and kept."""
    due = await service.get("/v1/machines/r5-17/due", params={"now": "2026-07-14T06:00:00Z"})
    return due["tasks"]


async def test_what_waits_is_listed_and_found_by_machine_and_reason(service: Service) -> None:
    await machines(service, "r5-17", "r5-18")
    await service.post(URL, [reading(0, 100), reading(0, 100, machine="r5-18")])
    low = await set_aside(service, *(reading(n, 50 + n, "h") for n in (1, 2, 3)))
    service.later(minutes=1)
    await set_aside(service, reading(1, 99, machine="r5-18"), reading(1, 5, meter="wrok", machine="r5-18"))
    again = await service.post(URL, [reading(2, 52, "h")])
    assert [a["id"] for a in again["aside"]] == [low[1]]  # it is one, however often it is sent
    seen: list[dict[str, Any]] = []
    after: dict[str, str] = {}
    while True:
        page = await service.get(ASIDE, params={"limit": 2, **after})
        seen += page["items"]
        if page["next"] is None:
            break
        after = {"after": page["next"]}
    assert sorted(item["id"] for item in seen[:3]) == sorted(low)
    assert [item["machine"] for item in seen] == ["r5-17"] * 3 + ["r5-18"] * 2
    first = next(item for item in seen if item["id"] == low[0])
    assert {k: first[k] for k in ("machine", "meter", "value", "unit", "at", "why", "settled")} == {
        "machine": "r5-17",
        "meter": "work",
        "value": 51.0,
        "unit": "h",
        "at": moment(1),
        "why": "runs-backward",
        "settled": None,
    }
    assert len((await service.get(ASIDE, params={"machine": "r5-18"}))["items"]) == 2
    assert len((await service.get(ASIDE, params={"why": "unknown-meter"}))["items"]) == 1
    assert (await service.get(ASIDE, params={"settled": "yes"}))["items"] == []
    for query in ({"why": "because"}, {"settled": "perhaps"}, {"after": "zzz"}, {"limit": "0"}, {"after": "WzFd"}):
        answer = await service.http.get(ASIDE, params=query)
        assert answer.status_code == 422, query


async def test_accepting_is_as_if_it_had_been_kept_at_first(service: Service) -> None:
    await machines(service, "r5-17")
    await greased(service, 690)
    sent = [reading(0, 700), reading(200, 760), reading(100, 790.5)]
    [right] = await set_aside_after(service, sent[:2], sent[2])
    assert (await standing(service))[0]["remaining"]["meters"]["work"] == {"value": 10.0, "unit": "h"}
    service.later(minutes=1)
    accepted = await service.post(f"{ASIDE}/{right}/accept", WHO)
    assert accepted["settled"]["withdrawn"] == [{"value": 760.0, "unit": "h", "at": moment(200)}]
    assert accepted["settled"]["withdrawn_in_all"] == 1
    assert (accepted["settled"]["done"], accepted["settled"]["by"]) == ("accepted", "p-3")
    assert await shown(service) == [(0, 700), (100, 790.5)]
    after = await standing(service)
    assert after[0]["remaining"]["meters"]["work"] == {"value": -20.5, "unit": "h"}
    assert whys(await service.post(URL, sent)) == ["same", "runs-backward", "same"]  # what contradicts the truth waits now
    assert await standing(service) == after
    # another machine that was told the right one at first answers the same
    await service.put("/v1/machines/r5-18", {"rulebook": "plover-r5-baler", "timezone": "Europe/London"})
    done = {"task": "roller-bearing-grease", "at": moment(-1), "meters": {"work": 690}}
    await service.put("/v1/machines/r5-18/done/g-1", done)
    told = [{**r, "machine": "r5-18"} for r in sent]
    assert whys(await service.post(URL, [told[0], told[2]])) == ["kept", "kept"]
    assert whys(await service.post(URL, told[1:2])) == ["runs-backward"]
    other = await service.get("/v1/machines/r5-18/due", params={"now": "2026-07-14T06:00:00Z"})
    assert other["tasks"] == after


async def set_aside_after(service: Service, kept: list[dict[str, Any]], sent: dict[str, Any]) -> list[str]:
    answer = await service.post(URL, kept)
    assert outcome(answer) == (len(kept), 0, 0), answer
    return await set_aside(service, sent)


async def test_what_came_too_fast_is_kept_once_somebody_says_so(service: Service) -> None:
    await machines(service, "r5-17")
    [fast] = await set_aside_after(service, [reading(0, 700)], reading(10, 715))
    await service.post(f"{ASIDE}/{fast}/accept", WHO)
    await service.post(URL, [reading(20, 716)])
    rows = [row[1:] for row in await kept_rows(service)]
    assert [(value, unit) for _, value, unit in rows] == [(700_000_000, None), (715_000_000, None), (716_000_000, None)]
    # the newest reading is known to be the newest: an older one is judged beside both its neighbours
    assert whys(await service.post(URL, [reading(15, 717)])) == ["runs-backward"]


async def test_a_replaced_meter_is_settled_by_one_call(service: Service) -> None:
    await machines(service, "r5-17")
    await greased(service, 4099)
    [new] = await set_aside_after(service, [reading(0, 4100)], reading(30, 5.5))
    replaced = {"at": moment(20), "old_value": 4102.5, "new_value": 0}
    answer = await service.post(f"{ASIDE}/{new}/accept", {**WHO, "replaced_meter": replaced})
    assert answer["settled"]["replaced_meter"] == replaced
    assert answer["settled"]["withdrawn_in_all"] == 0
    assert await shown(service) == [(0, 4100), (30, 5.5)]
    async with service.store.look(HOME) as kept:
        machine = await kept.machines.find("r5-17")
        assert machine is not None
        [entry] = await kept.entries.of(machine.key, ["meter-replacement"])
    assert (entry.about, micros_text(entry.at)) == ("work", moment(20))
    # what the new dial shows is judged on the new dial, and what the old one showed on the old one
    assert whys(await service.post(URL, [reading(40, 9), reading(10, 4101), reading(15, 4103), reading(25, 6)])) == [
        "kept",
        "kept",
        "runs-backward",
        "runs-backward",
    ]
    # the count goes on: 2.5 h on the old dial, 9 h on the new one (core/meter/series.py is the reference)
    rows = [(at, value, False) for _, at, value, _ in await kept_rows(service)]
    series = build_series(rows, [Replacement(rows[0][0].fromisoformat(moment(20)), 4102_500_000, 0)])
    assert series.backward is None
    assert series.current == 4111_500_000
    [task] = await standing(service)
    assert task["remaining"]["meters"]["work"] == {"value": 4099 + 80 - 4111.5, "unit": "h"}


async def test_a_replacement_that_does_not_fit_is_refused_and_nothing_is_kept(service: Service) -> None:
    await machines(service, "r5-17")
    [new] = await set_aside_after(service, [reading(0, 4100), reading(40, 4110)], reading(30, 5.5))
    for replaced in (
        {"at": moment(20), "old_value": 4102.5, "new_value": 6},  # it began above what it showed
        {"at": moment(20), "old_value": 4000, "new_value": 0},  # the old dial had shown more
        {"at": moment(45), "old_value": 4112, "new_value": 0},  # it was the old dial's time, and the old dial had shown 4100
    ):
        assert await refused(service, f"{ASIDE}/{new}/accept", {**WHO, "replaced_meter": replaced}) == (409, "set_aside.unacceptable")
    assert await refused(service, f"{ASIDE}/{new}/accept", {**WHO, "replaced_meter": {**replaced, "at": "2026-02-30T00:00:00Z"}}) == (
        422,
        "request.does_not_fit",
    )
    assert await shown(service) == [(0, 4100), (40, 4110)]
    async with service.store.look(HOME) as kept:
        machine = await kept.machines.find("r5-17")
        assert machine is not None
        assert not await kept.entries.of(machine.key, ["meter-replacement"])


async def test_minutes_that_were_sent_as_hours(service: Service) -> None:
    await machines(service, "r5-17")
    [minutes] = await set_aside_after(service, [reading(0, 712.4)], reading(1, 42780))
    answer = await service.post(f"{ASIDE}/{minutes}/accept", {**WHO, "as": {"value": 42780, "unit": "min"}})
    assert answer["settled"]["read_as"] == {"value": 42780.0, "unit": "min"}
    assert [(row[2], row[3]) for row in await kept_rows(service)] == [(712_400_000, None), (42_780_000_000, "min")]
    again = await service.post(URL, [reading(1, 713), reading(1, 42780), reading(1, 714)])
    assert whys(again) == ["same", "accepted-as", "contradicts"]
    told = again["aside"][0]
    when = answer["settled"]["at"]
    assert (told["id"], told["text"]) == (minutes, f"it was accepted by `p-3` at {when} as 42780 min, and that is kept.")
    assert told["values"] == {**WHO, "at": when, "as": {"value": 42780.0, "unit": "min"}}
    assert [i["value"] for i in (await service.get(ASIDE))["items"]] == [714.0]  # what was accepted as something else does not wait


async def test_what_cannot_be_accepted_says_why(service: Service) -> None:
    await machines(service, "r5-17")
    nobody, meter, unit, early, fine, future = await set_aside(
        service,
        reading(0, 1, machine="r5-99"),
        reading(0, 1, meter="wrok"),
        reading(0, 1, "km"),
        reading(-400_000, 1),
        reading(0, 0.0000001),
        reading(24 * 14, 1),
    )
    for key in (nobody, meter, unit, early, fine, future):
        assert await refused(service, f"{ASIDE}/{key}/accept", WHO) == (409, "set_aside.unacceptable")
    assert await refused(service, f"{ASIDE}/{early}/accept", {**WHO, "as": {"value": 1}}) == (409, "set_aside.unacceptable")
    await service.post(f"{ASIDE}/{unit}/accept", {**WHO, "as": {"value": 1, "unit": "h"}})
    assert (await service.post(f"{ASIDE}/{fine}/accept", {**WHO, "as": {"value": 1}}))["settled"]["done"] == "accepted"
    service.later(days=2)
    await service.post(f"{ASIDE}/{future}/accept", WHO)
    assert await shown(service) == [(0, 1), (24 * 14, 1)]
    assert await refused(service, f"{ASIDE}/{'0' * 40}/accept", WHO) == (404, "set_aside.unknown")
    assert await refused(service, f"{ASIDE}/{early}/accept", {"by": "p-3"}) == (422, "request.does_not_fit")


async def test_it_is_settled_once(service: Service) -> None:
    await machines(service, "r5-17")
    first, second = await set_aside_after(service, [reading(0, 100)], reading(5, 90)), await set_aside(service, reading(6, 80))
    key, other = first[0], second[0]
    one = await service.http.post(f"{ASIDE}/{key}/dismiss", json=WHO)
    service.later(minutes=1)
    again = await service.http.post(f"{ASIDE}/{key}/dismiss", json=WHO)
    assert one.content == again.content
    assert await refused(service, f"{ASIDE}/{key}/dismiss", {**WHO, "by": "p-4"}) == (409, "set_aside.settled")
    assert whys(await service.post(URL, [reading(5, 90)])) == ["dismissed"]  # and it stays so
    assert [i["id"] for i in (await service.get(ASIDE))["items"]] == [other]
    accept = [service.http.post(f"{ASIDE}/{other}/accept", json={**WHO, "by": by}) for by in ("p-1", "p-2", "p-1", "p-2")]
    statuses = sorted(a.status_code for a in await asyncio.gather(*accept))
    assert statuses == [200, 200, 409, 409]
    assert await shown(service) == [(6, 80)]
    assert [i["settled"]["done"] for i in (await service.get(ASIDE, params={"settled": "yes"}))["items"]] == ["dismissed", "accepted"]


async def test_one_that_fits_when_it_is_sent_again_waits_no_longer(service: Service) -> None:
    await machines(service, "r5-17")
    [later] = await set_aside(service, reading(24 * 14, 1))
    service.later(days=2)
    assert whys(await service.post(URL, [reading(24 * 14, 1)])) == ["kept"]
    assert (await service.get(ASIDE))["items"] == []
    [item] = (await service.get(ASIDE, params={"settled": "yes"}))["items"]
    assert (item["id"], item["settled"]["done"], item["settled"]["by"]) == (later, "kept", None)
    assert await refused(service, f"{ASIDE}/{later}/dismiss", WHO) == (409, "set_aside.settled")


@pytest.mark.both_databases
async def test_what_was_known_at_each_moment(service: Service) -> None:
    """Kept, then withdrawn, then another in its place: asked as of a moment, the list is what it was then."""
    await machines(service, "r5-17")
    listed: list[tuple[str, list[tuple[float, float]]]] = []

    async def note() -> None:
        page = await service.get("/v1/machines/r5-17/readings")
        listed.append((page["as_of"], await shown(service)))
        service.later(minutes=1)

    await service.post(URL, [reading(0, 100), reading(20, 110)])
    await note()
    await service.post(URL, [reading(10, 105)])
    await note()
    [other] = await set_aside(service, reading(10, 112))
    await note()
    await service.post(f"{ASIDE}/{other}/accept", WHO)
    await note()
    await service.post(URL, [reading(30, 113)])
    await note()
    assert [found for _, found in listed] == [
        [(0, 100), (20, 110)],
        [(0, 100), (10, 105), (20, 110)],
        [(0, 100), (10, 105), (20, 110)],
        [(0, 100), (10, 112)],
        [(0, 100), (10, 112), (30, 113)],
    ]
    assert listed[1][0] == listed[2][0]  # what is set aside is not known yet
    for as_of, found in listed:
        assert await shown(service, as_of=as_of) == found
    async with service.store.look(HOME) as kept:
        machine = await kept.machines.find("r5-17")
        assert machine is not None
        [meter] = (await kept.readings.meters_of([machine.key])).values()
        for as_of, found in listed:
            points = (await kept.readings.series([meter.key], as_of=micros_of(service.now.fromisoformat(as_of))))[meter.key]
            assert [(hours(micros_text(at)), value / 1e6) for at, value, _ in points] == found
        assert (meter.last_value, meter.last_at) == (points[-1][1], points[-1][0])


async def test_readings_are_listed_by_page_meter_and_time(service: Service) -> None:
    await machines(service, "r5-17")
    sent = [reading(n, n, meter=m) for n in range(25) for m in ("bales", "work")]
    await service.post(URL, sent)
    seen: list[tuple[float, str]] = []
    after: dict[str, str] = {}
    while True:
        page = await service.get("/v1/machines/r5-17/readings", params={"limit": 7, **after})
        seen += [(hours(i["at"]), i["meter"]) for i in page["items"]]
        if page["next"] is None:
            break
        after = {"after": page["next"]}
    assert len(seen) == len(set(seen)) == 50
    assert [at for at, _ in seen] == sorted((at for at, _ in seen), reverse=True)
    assert await shown(service, meter="Bales", **{"from": moment(3), "to": moment(6)}) == [(3, 3), (4, 4), (5, 5)]
    assert (await service.get("/v1/machines/r5-17/readings", params={"meter": "pump"}))["items"] == []
    [one] = (await service.get("/v1/machines/r5-17/readings", params={"limit": 1, "meter": "work"}))["items"]
    assert one.pop("kept_at").startswith("2026-07-14T06:00:00")
    assert one == {"meter": "work", "value": 24.0, "unit": "h", "at": moment(24)}
    for query in ({"meter": "wrok"}, {"from": "yesterday"}, {"as_of": "2026-07-01T06:00:00"}, {"after": "WzFd"}):
        answer = await service.http.get("/v1/machines/r5-17/readings", params=query)
        assert answer.status_code == 422, query
    assert (await service.http.get("/v1/machines/r5-71/readings")).json()["mend"] == "did you mean `r5-17`?"
