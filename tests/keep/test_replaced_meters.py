"""A replaced meter that is declared late: what is kept already is judged beside it, on both databases.

What counts as contradicting is a common practice of the trade and has no source: a dial never runs backward, and an hour meter counts no
more than an hour an hour.
"""

from typing import Any

import pytest

from tests.keep.readings_at_work import BOOK, URL, moment, reading, shown, whys
from tests.keep.service import Service

M = "/v1/machines/r5-17"
BALES = "  belt-check: {title: Check the belts, kind: inspect, interval: every 80 bales}\n"
WHO = {"by": "p-3", "why": "looked at the dial"}

Points = list[tuple[float, float]]


async def a_machine(service: Service, kept: Points = (), meter: str = "bales") -> None:  # type: ignore[assignment]
    """kept: hours after the beginning, and what the dial showed."""
    await service.publish(BOOK + BALES, "plover-r5-baler")
    await service.put(M, {"rulebook": "plover-r5-baler", "timezone": "Europe/London"})
    task = "belt-check" if meter == "bales" else "roller-bearing-grease"
    await service.put(f"{M}/done/g-1", {"task": task, "at": moment(-1), "meters": {meter: 90}})
    if kept:
        assert set(whys(await service.post(URL, [reading(at, value, meter=meter) for at, value in kept]))) == {"kept"}


def swap(at: float, old: float, new: float, meter: str = "bales", **more: Any) -> dict[str, Any]:
    return {"meter": meter, "at": moment(at), "old_value": old, "new_value": new, **more}


async def declare(service: Service, body: Any, id_: str = "m-1") -> tuple[int, list[tuple[str, str]], str]:
    """The status, code and place of each finding, and what is said."""
    answer = await service.http.put(f"{M}/meter-replacements/{id_}", json=body)
    if answer.status_code < 300:
        return answer.status_code, [], ""
    assert answer.headers["content-type"] == "application/problem+json"
    assert answer.json()["mend"]
    return answer.status_code, [(e["code"], e["pointer"]) for e in answer.json()["errors"]], answer.json()["detail"]


async def task(service: Service, name: str = "belt-check") -> Any:
    due = await service.get(f"{M}/due", params={"now": "2026-07-14T06:00:00Z", "tasks": name})
    return due["tasks"][0]


async def left(service: Service, name: str = "belt-check") -> float | None:
    """Of the 80 since 90; None where it is not known."""
    remaining = (await task(service, name))["remaining"]["meters"]
    return next((each["value"] for each in remaining.values()), None)


CASES: list[tuple[str, str, Points, dict[str, Any], str | None, str, float]] = [
    # name, meter, kept, declared, the member that is contradicted (None: it is kept), what is said, left after it
    ("nothing kept after it", "bales", [(0, 100)], swap(24, 110, 0), None, "", 60),
    ("what was kept after it is below where the old dial ended", "bales", [(0, 100), (48, 105)], swap(24, 110, 0), None, "", -45),
    ("a new dial that began higher", "bales", [(0, 100)], swap(24, 110, 3000), None, "", 60),
    ("both dials showed the same", "bales", [(0, 100), (48, 120)], swap(24, 110, 110), None, "", 50),
    ("in another unit", "work", [(0, 100)], swap(24, 6600, 0, "work", unit="min"), None, "", 60),
    ("the old dial had shown more", "bales", [(0, 100), (20, 120)], swap(24, 110, 0), "old_value", "120 bales at 2026-07-02T02:00:00Z", 50),
    ("the new dial showed less", "bales", [(0, 100), (48, 120)], swap(24, 110, 150), "new_value", "120 bales at 2026-07-03T06:00:00Z", 50),
    ("kept on as the old dial's", "bales", [(0, 100), (48, 120), (72, 130)], swap(24, 110, 0), "at", "120 bales at 2026-07-03", 40),
    ("kept on, and the new one began higher", "bales", [(0, 100), (48, 120)], swap(24, 110, 115), "at", "120 bales at 2026-07-03", 50),
    ("hours kept on", "work", [(0, 100), (48, 120)], swap(24, 110, 0, "work"), "at", "120 h at 2026-07-03", 50),
    ("hours that the old dial can't have made", "work", [(0, 100)], swap(24, 1100, 0, "work"), "old_value", "100 h at 2026-07-01", 70),
    ("the old dial's last one at that very moment", "bales", [(0, 100), (24, 110)], swap(24, 110, 0), "at", "110 bales at 2026-07-02", 60),
    ("the new dial's first one at that very moment", "bales", [(0, 100), (24, 110), (48, 120)], swap(24, 105, 110), None, "", 55),
]


@pytest.mark.parametrize(("name", "meter", "kept", "declared", "member", "said", "remains"), CASES, ids=[case[0] for case in CASES])
async def test_what_is_kept_is_judged_anew(
    service: Service, name: str, meter: str, kept: Points, declared: Any, member: str | None, said: str, remains: float
) -> None:
    of = "belt-check" if meter == "bales" else "roller-bearing-grease"
    await a_machine(service, kept, meter)
    before = await left(service, of)
    status, places, detail = await declare(service, declared)
    if member is None:
        assert (status, places) == (201, [])
    else:
        assert (status, places) == (422, [("question.replacement_contradicts", f"#/{member}")])
        assert said in detail
        assert await left(service, of) == before  # nothing was kept of it
        assert (await service.get(f"{M}/meter-replacements"))["items"] == []
        answer = await service.http.post(f"{M}/meter-replacements", json={"items": [{**declared, "id": "m-1"}]})
        assert answer.json()["errors"][0]["pointer"] == f"#/items/0/{member}"
    assert await left(service, of) == remains


async def test_one_replacement_is_not_counted_twice(service: Service) -> None:
    await a_machine(service, [(0, 100)])
    assert (await declare(service, swap(24, 110, 0)))[0] == 201
    status, places, detail = await declare(service, swap(24, 110, 0), "m-2")
    assert (status, places) == (422, [("question.replacement_contradicts", "#/at")])
    assert "2026-07-02T06:00:00Z already" in detail
    assert (await declare(service, swap(24, 110, 0)))[0] == 200  # the same once more
    assert (await declare(service, swap(24, 50, 0, "work"), "m-3"))[0] == 201  # another meter
    assert await left(service) == 60
    assert whys(await service.post(URL, [reading(48, 10, meter="bales")])) == ["kept"]
    assert (await declare(service, swap(36, 1, 2), "m-4"))[1] == [("question.replacement_contradicts", "#/at")]  # 10 goes on from 1
    assert (await declare(service, swap(36, 12, 2), "m-4"))[0] == 201
    items = [{**swap(60, 20, 0), "id": "m-5"}, {**swap(60, 20, 0), "id": "m-6"}]
    both = await service.http.post(f"{M}/meter-replacements", json={"items": items})
    assert [e["pointer"] for e in both.json()["errors"]] == ["#/items/0/at", "#/items/1/at"]


async def test_another_replacement_contradicts_too(service: Service) -> None:
    await a_machine(service, [(0, 100)])
    await service.put(f"{M}/meter-replacements/m-1", swap(48, 120, 0))
    for wrong, member in ((swap(24, 130, 125), "new_value"), (swap(72, 10, 0), None), (swap(24, 110, 121), "new_value")):
        status, places, _ = await declare(service, wrong, "m-2")
        assert places == ([] if member is None else [("question.replacement_contradicts", f"#/{member}")]), wrong
        assert (status == 422) is (member is not None)
    _, places, detail = await declare(service, swap(60, 20, 15), "m-3")  # at 10 that dial was replaced, half a day later
    assert places == [("question.replacement_contradicts", "#/new_value")]
    assert "the replacement at 2026-07-04T06:00:00Z, when the dial in place showed 10 bales" in detail
    assert (await declare(service, swap(60, 20, 5), "m-3"))[0] == 201


async def test_a_wrong_one_can_be_corrected_and_withdrawn(service: Service) -> None:
    """What came after it was judged as the new dial's, so that it is taken for that, however far it has counted."""
    await a_machine(service, [(0, 100)])
    await service.put(f"{M}/meter-replacements/m-1", swap(24, 100, 0))
    assert whys(await service.post(URL, [reading(96, 130, meter="bales")])) == ["kept"]
    assert (await declare(service, swap(24, 102, 0)))[0] == 200
    assert await left(service) == 170 - 232
    assert (await declare(service, swap(20, 102, 1)))[1] == []
    for wrong, member in ((swap(24, 99, 0), "old_value"), (swap(24, 102, 131), "new_value"), (swap(98, 120, 0), "old_value")):
        assert (await declare(service, wrong))[1] == [("question.replacement_contradicts", f"#/{member}")], wrong
    assert (await service.http.delete(f"{M}/meter-replacements/m-1")).status_code == 204
    assert (await declare(service, swap(24, 102, 0)))[1] == [("question.replacement_contradicts", "#/at")]  # told anew, it is as any other


async def test_a_withdrawn_one_leaves_what_is_not_known(service: Service) -> None:
    await a_machine(service, [(0, 100)])
    await service.put(f"{M}/meter-replacements/m-1", swap(24, 100, 0))
    await service.post(URL, [reading(48, 5, meter="bales")])
    await service.http.delete(f"{M}/meter-replacements/m-1")
    answer = await task(service)
    assert answer["standing"] == "unknown"
    assert answer["because"][0]["code"] == "meter-ran-backward"
    assert (await declare(service, swap(24, 110, 0)))[0] == 201
    assert await left(service) == 170 - 115


@pytest.mark.parametrize(("first", "kept_at_once"), [(0, False), (115, True)])
async def test_the_way_out_where_the_new_dial_showed_what_goes_on_from_the_old_one(
    service: Service, first: float, kept_at_once: bool
) -> None:
    await a_machine(service, [(0, 100), (300, 120)])
    assert (await declare(service, swap(24, 110, first)))[1] == [("question.replacement_contradicts", "#/at")]
    sent = await service.post(URL, [reading(24, first, meter="bales")])
    assert whys(sent) == ["kept" if kept_at_once else "runs-backward"]
    if kept_at_once:
        assert (await declare(service, swap(24, 110, first)))[0] == 201
    else:
        replaced = {"at": moment(24), "old_value": 110, "new_value": first}
        await service.post(f"/v1/set-aside/{sent['aside'][0]['id']}/accept", {**WHO, "replaced_meter": replaced})
    assert await left(service) == 170 - (110 + 120 - first)


REFUSED = [
    ("what was kept after it can't be the new dial's", "work", [(0, 100), (48, 140)], (30, 3), swap(24, 110, 0), "140 h at 2026-07-03"),
    ("another one of that moment is declared", "bales", [(0, 100)], None, swap(24, 111, 0), "already"),
    ("the old dial showed it at that moment", "bales", [(0, 100), (24, 110)], (48, 3), swap(24, 110, 0), "110 bales at 2026-07-02"),
]


@pytest.mark.parametrize(("name", "meter", "kept", "sent", "replaced", "said"), REFUSED, ids=[case[0] for case in REFUSED])
async def test_what_one_call_would_settle_is_judged_alike(
    service: Service, name: str, meter: str, kept: Points, sent: tuple[float, float] | None, replaced: dict[str, Any], said: str
) -> None:
    await a_machine(service, kept, meter)
    if sent is None:  # set aside before somebody else declared the right one
        aside = await service.post(URL, [reading(48, 3, meter=meter)])
        await service.put(f"{M}/meter-replacements/m-1", swap(24, 110, 0))
    else:
        aside = await service.post(URL, [reading(*sent, meter=meter)])
    id_ = aside["aside"][0]["id"]
    stand = await shown(service)
    as_sent = {m: replaced[m] for m in ("at", "old_value", "new_value")}
    refused = await service.http.post(f"/v1/set-aside/{id_}/accept", json={**WHO, "replaced_meter": as_sent})
    assert (refused.status_code, refused.json()["code"]) == (409, "set_aside.unacceptable")
    assert said in refused.json()["detail"]
    assert await shown(service) == stand
    if sent is None:
        await service.post(f"/v1/set-aside/{id_}/accept", WHO)
        assert await left(service) == 170 - 113


NOTED: list[tuple[dict[str, Any], str | None]] = [
    ({"at": moment(24), "meters": {"bales": 110}}, "at"),  # the day's work with the old dial's last value, at the very moment
    ({"at": moment(24), "meters": {"bales": 0}}, None),
    ({"at": moment(30), "meters": {"bales": 112}}, "at"),
    ({"at": moment(30), "meters": {"bales": 5}}, None),
    ({"on": "2026-07-05", "meters": {"bales": {"value": 112, "unit": "bales"}}}, "at"),
    ({"on": "2026-07-02", "meters": {"bales": 110}}, None),  # the day itself: it may have been before
    ({"meters": {"bales": 112}}, None),  # old history, without a time
]


@pytest.mark.parametrize(("when", "member"), NOTED)
async def test_what_records_note_is_looked_at_too(service: Service, when: dict[str, Any], member: str | None) -> None:
    await a_machine(service, [(0, 100)])
    record = {"task": "belt-check", "result": "skipped", **when}
    of_the_new_dial = member is None and "at" in when  # it runs backward until the replacement is told
    assert (await service.http.put(f"{M}/done/g-2", json=record)).status_code == (422 if of_the_new_dial else 201)
    _, places, detail = await declare(service, swap(24, 110, 0))
    assert places == ([] if member is None else [("question.replacement_contradicts", f"#/{member}")])
    assert (member is None) or "done record `g-2`" in detail
    assert (await service.http.put(f"{M}/done/g-2", json=record)).status_code == (201 if of_the_new_dial else 200)


async def test_a_record_that_runs_backward_is_told_of(service: Service) -> None:
    """A record's value is kept as it is told; where it can't be, its meter's tasks are not known, and say why."""
    await a_machine(service, [(0, 100)])
    await service.put(f"{M}/done/g-2", {"task": "belt-check", "result": "skipped", "at": moment(20), "meters": {"bales": 150}})
    assert (await declare(service, swap(24, 110, 0)))[0] == 201
    answer = await task(service)
    assert (answer["standing"], answer["because"][0]["code"]) == ("unknown", "meter-ran-backward")
