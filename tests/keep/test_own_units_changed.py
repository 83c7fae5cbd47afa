"""A meter's own unit where nothing hangs on it: what was published wrongly is changed, and a 0 holds nothing up; on both databases."""

from typing import Any

from tests.keep.service import Service
from tests.keep.test_own_units import AT, M, book, published, refused, tell, two_books


async def test_a_unit_that_was_published_wrongly_is_changed(service: Service) -> None:
    """And only while nothing hangs on it: what machines have that follow the rulebook, or did, one after the other."""
    own = {"in_service": {"on": "2024-03-01", "meters": {"work": 5}}}
    steps: list[tuple[str, list[tuple[str, str, Any]], bool]] = [
        # name, what is done (the machine's document, or what is told of it), whether the unit can still be changed
        ("nobody follows it", [], True),
        ("a reading with its unit", [("document", "wrong", {}), ("readings", "", {"value": 100, "unit": "min"})], True),
        ("a reading of 0", [("document", "wrong", {}), ("readings", "", {"value": 0})], True),
        ("a reading", [("document", "wrong", {}), ("readings", "", {"value": 100})], False),
        ("a reading by one version for ever", [("document", "wrong@1", {}), ("readings", "", {"value": 100})], True),
        ("one that went elsewhere", [("document", "wrong", {}), ("readings", "", {"value": 100}), ("document", "none", {})], False),
        ("one told elsewhere", [("document", "wrong", {}), ("document", "minutes", {}), ("readings", "", {"value": 100})], True),
        ("a number of the document", [("document", "wrong", own)], False),
        ("a done record", [("document", "wrong", {}), ("done", "", {"task": "grease", "at": AT, "meters": {"work": 100}})], False),
        ("work is open", [("document", "wrong", {}), ("work", "", {"work": "w-1", "task": "grease", "by": "p-1"})], False),
    ]
    for n, (name, deeds, free) in enumerate(steps):
        called = f"wrong-{n}"
        for other, meters in ((f"none-{n}", {}), (f"minutes-{n}", {"work": "min"}), (called, {"work": "h"})):
            assert (await published(service.http, book(other, **meters), other)).status_code == 200
        machine = f"/v1/machines/m-{n}"
        for kind, rulebook, body in deeds:
            if kind == "document":
                named, at, version = rulebook.partition("@")
                await service.put(machine, {"rulebook": f"{named}-{n}{at}{version}", **body})
            elif kind == "readings":
                sent = await service.post("/v1/readings", [{"machine": f"m-{n}", "meter": "work", "at": AT, **body}])
                assert sent["readings"] == ["kept"], (name, sent)
            elif kind == "work":
                await service.post(f"{machine}/open-work", body)
            else:
                await service.put(f"{machine}/{kind}/x-1", body)
        before = await service.http.get(f"{machine}/readings")
        due = {"now": "2026-07-14T06:00:00Z"}
        stood = await service.get(f"{machine}/due", params=due) if deeds else None
        service.later(seconds=1)
        answer = await published(service.http, book(called, work="min"), called)
        if not free:
            assert "`work` would count min, and of the machine `m-" in refused(answer, "/meters/work/unit")["detail"], name
            continue
        assert (answer.status_code, answer.json()["version"]) == (200, 2), (name, answer.text)
        if stood is not None:  # what was answered before is answered so for ever
            assert await service.get(f"{machine}/due", params={**due, "as_of": stood["as_of"]}) == stood
        if name == "a reading with its unit":
            assert before.json()["items"][0]["unit"] == "min"
            [shown] = (await service.get(f"{machine}/readings"))["items"]
            assert (shown["value"], shown["unit"]) == (100.0, "min")
    # back again, where a bare number was told by the new version meanwhile
    await service.put("/v1/machines/m-0", {"rulebook": "wrong-0"})
    assert (await service.post("/v1/readings", [{"machine": "m-0", "meter": "work", "value": 9, "at": AT}]))["readings"] == ["kept"]
    refused(await published(service.http, book("wrong-0", work="h"), "wrong-0"), "/meters/work/unit")
    # one that was kept and withdrawn may be kept again: it still stands for the unit of then
    low = (await service.post("/v1/readings", [{"machine": "m-0", "meter": "work", "value": 8, "unit": "min", "at": AT}]))["aside"][0]
    await service.post(f"/v1/set-aside/{low['id']}/accept", {"by": "p-3", "why": "looked at the dial"})
    refused(await published(service.http, book("wrong-0", work="h"), "wrong-0"), "/meters/work/unit")


async def test_a_zero_is_a_zero_in_units_of_one_kind_and_of_no_other(service: Service, address: str) -> None:
    """0 h is 0 min: these differ by a factor. How many hectares there were when an hour counter showed 0 nothing tells."""
    await two_books(service)
    await published(service.http, book("area", work="ha"), "area")
    await service.put(M, {"rulebook": "here"})
    await tell(service, "readings", {"value": 0})
    await tell(service, "done", {"task": "grease", "at": AT, "meters": {"work": 0}})
    answer = await service.http.put(M, json={"rulebook": "area"})
    assert [(e["code"], e["pointer"]) for e in answer.json()["errors"]] == [("question.other_unit_kept", "#/rulebook")]
    assert answer.json()["detail"].endswith("when readings of 0 were kept without a unit")
    assert answer.json()["mend"] == "name a rulebook in which `work` counts h; a meter that counts ha needs another name"
    page = await service.get(f"{M}/readings")
    service.later(minutes=1)
    assert (await service.put(M, {"rulebook": "there"}))["outcome"] == "changed"
    assert (await service.get(f"{M}/readings"))["items"][0]["unit"] == "min"
    then = await service.get(f"{M}/readings", params={"as_of": page["as_of"]})
    assert then["items"] == page["items"]  # in the unit of then
    five = {"machine": "m-1", "meter": "work", "value": 5, "at": "2026-07-13T07:00:00Z"}
    assert (await service.post("/v1/readings", [five]))["kept"] == 1
    answer = await service.http.put(M, json={"rulebook": "here"})  # 5 min are not 5 h
    assert answer.json()["detail"].startswith("`work` counts h by `here`, and counted min by `there@1` when readings were kept")


async def test_a_moment_that_is_kept_in_a_unit_of_before_is_taken(service: Service) -> None:
    """The meter counts an area by now. What was kept as hours stands until somebody says otherwise, and costs no other reading."""
    hours = [f"2026-07-13T{hour:02}:00:00Z" for hour in range(6, 12)]

    def sent(unit: str, *values: float) -> list[dict[str, Any]]:
        return [{"machine": "m-1", "meter": "work", "value": v, "unit": unit, "at": at} for v, at in zip(values, hours, strict=False)]

    for unit in ("h", "ha"):
        await published(service.http, book("wrong", work=unit), "wrong")
        await service.put(M, {"rulebook": "wrong"})
        if unit == "h":
            assert (await service.post("/v1/readings", sent("h", 1, 2, 3)))["kept"] == 3
    answer = await service.post("/v1/readings", sent("ha", 10, 20, 30, 40, 50))
    assert answer["readings"] == ["set-aside"] * 3 + ["kept"] * 2
    assert {aside["why"] for aside in answer["aside"]} == {"contradicts"}
    # what is kept just so is the same, alone and beside others
    assert (await service.post("/v1/readings", sent("hours", 1, 2, 3)))["readings"] == ["same"] * 3
    mixed = [*sent("h", 1), *sent("ha", 0, 0, 0, 40, 50)[3:]]
    assert (await service.post("/v1/readings", mixed))["readings"] == ["same"] * 3
    first, second, third = answer["aside"]
    assert first["text"] == f"10 ha, and for the same moment 1 h at {hours[0]}."
    assert first["values"] == {"other": {"value": 1.0, "unit": "h", "at": hours[0]}}
    settled = await service.post(f"/v1/set-aside/{second['id']}/accept", {"by": "p-3", "why": "hectares were meant"})
    assert settled["settled"]["withdrawn"] == [{"value": 2.0, "unit": "h", "at": hours[1]}]
    at_once = {"by": "p-3", "why": "hectares were meant", "as": {"value": 30, "unit": "ha"}}
    await service.post(f"/v1/set-aside/{third['id']}/accept", at_once)
    shown = (await service.get(f"{M}/readings"))["items"]
    assert [(item["value"], item["unit"]) for item in shown] == [(50.0, "ha"), (40.0, "ha"), (30.0, "ha"), (20.0, "ha"), (1.0, "h")]
    # what was withdrawn comes back to no moment that another reading holds
    await published(service.http, book("wrong", work="h"), "wrong")
    assert (await service.post("/v1/readings", sent("h", 1, 2)))["readings"] == ["same", "set-aside"]
    again = await service.post("/v1/readings", sent("h", *[0.5] * 5, 6))
    assert again["readings"] == ["set-aside"] * 5 + ["kept"]
    await service.post(f"/v1/set-aside/{again['aside'][0]['id']}/accept", {"by": "p-3", "why": "looked at the dial"})
    assert [i["value"] for i in (await service.get(f"{M}/readings"))["items"]] == [6.0, 50.0, 40.0, 30.0, 20.0, 0.5]
