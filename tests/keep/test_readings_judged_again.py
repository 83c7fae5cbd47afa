"""What waits is judged again where something changed beside it, and what was settled stays so when it is sent again; on both databases.

That an accepted reading counts as if it had been kept at first is the store's own promise, and so is checked against a second machine that
was told so at first.
"""

import random
from typing import Any

import pytest

from fieldworthy.usecases import judge_again
from tests.keep.readings_at_work import BOOK, URL, machines, moment, reading, shown, whys
from tests.keep.service import Service
from tests.keep.test_readings_settle import ASIDE, WHO, refused, set_aside, set_aside_after

BALES = "  belt-check: {title: Check the belts, kind: inspect, interval: every 80 bales}\n"
NOW = "2026-07-14T06:00:00Z"


async def listed(service: Service, **query: Any) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = (await service.get(ASIDE, params={"limit": 200, **query}))["items"]
    return found


async def item(service: Service, key: str) -> dict[str, Any]:
    everything = [*await listed(service), *await listed(service, settled="yes")]
    return next(each for each in everything if each["id"] == key)


async def test_what_the_wrong_one_kept_out_is_kept_with_the_first_that_is_accepted(service: Service) -> None:
    await machines(service, "r5-17")
    sent = [reading(100, 100), reading(110, 105, "h"), reading(120, 109, meter="WORK")]
    ids = await set_aside_after_many(service, [reading(0, 9000)], sent)
    [low] = await set_aside(service, reading(105, 90))
    before = (await service.get("/v1/machines/r5-17/readings"))["as_of"]
    service.later(minutes=1)
    accepted = await service.post(f"{ASIDE}/{ids[0]}/accept", WHO)
    assert accepted["settled"]["withdrawn_in_all"] == 1
    assert (accepted["settled"]["also_kept"], accepted["settled"]["also_kept_in_all"]) == (ids[1:], 2)  # however their meter was written
    page = await service.get("/v1/machines/r5-17/readings")
    assert len({i["kept_at"] for i in page["items"]}) == 1  # one moment from which on all of it is known
    assert await shown(service) == [(100, 100), (110, 105), (120, 109)]
    assert await shown(service, as_of=before) == [(0, 9000)]
    [waits] = await listed(service)
    assert (waits["id"], waits["text"].partition(":")[0]) == (low, "90 h is below an earlier one, 100 h at 2026-07-05T10")  # not 9000
    done = [(await item(service, key))["settled"] for key in ids[1:]]
    assert [(d["done"], d["by"], d["at"]) for d in done] == [("kept", None, accepted["settled"]["at"])] * 2
    assert await service.post(f"{ASIDE}/{ids[0]}/accept", WHO) == accepted
    # whoever has a list of all of them may go on with it, and what is kept does not change
    second = await service.post(f"{ASIDE}/{ids[1]}/accept", WHO)
    assert (second["settled"]["done"], second["settled"]["also_kept"], second["settled"]["withdrawn"]) == ("accepted", [], [])
    assert [(e["done"], e["by"]) for e in second["earlier"]] == [("kept", None)]
    assert (await service.get("/v1/machines/r5-17/readings"))["as_of"] == page["as_of"]
    assert await refused(service, f"{ASIDE}/{ids[2]}/dismiss", WHO) == (409, "set_aside.settled")


async def set_aside_after_many(service: Service, kept: list[dict[str, Any]], sent: list[dict[str, Any]]) -> list[str]:
    assert set(whys(await service.post(URL, kept))) == {"kept"}
    return await set_aside(service, *sent)


async def test_only_the_meter_and_machine_of_the_accepted_one_is_judged_again(service: Service) -> None:
    await machines(service, "r5-17", "r5-18")
    other = await set_aside(service, reading(50, 1, machine="r5-19"), reading(60, 2, machine="r5-19"))
    future, same = await set_aside(service, reading(24 * 14, 1), reading(50, 70, "km"))
    [first] = await set_aside_after_many(service, [reading(0, 900), reading(0, 900, meter="bales")], [reading(10, 70)])
    bales = await set_aside(service, reading(20, 80, meter="bales"))
    await machines(service, "r5-19")
    service.later(days=2)
    await service.post(f"{ASIDE}/{first}/accept", WHO)
    waiting = {i["id"] for i in await listed(service)}
    assert waiting == {future, same, *other, *bales}  # a clock that was ahead is not set right by another reading
    accepted = await service.post(f"{ASIDE}/{other[1]}/accept", WHO)
    assert accepted["settled"]["also_kept"] == [other[0]]  # their machine was not known: nothing else was wrong with them


async def test_what_a_replaced_meter_explains_is_kept_once_it_is_told(service: Service) -> None:
    await machines(service, "r5-17")
    new = await set_aside_after_many(service, [reading(0, 4100)], [reading(30, 5.5), reading(40, 9), reading(50, 3)])
    body = {"meter": "Work", "at": moment(20), "old_value": 4102.5, "new_value": 6}
    url = "/v1/machines/r5-17/meter-replacements/m-1"
    service.later(minutes=1)
    told = await service.put(url, body)
    assert await shown(service) == [(0, 4100), (40, 9)]  # the new dial began at 6: so 5.5 can't be
    kept = (await service.get("/v1/machines/r5-17/readings"))["items"]
    assert kept[0]["kept_at"] == told["known"]
    assert {i["id"]: i["values"]["before"]["value"] for i in await listed(service)} == {new[0]: 6.0, new[2]: 9.0}
    await service.put(url, {**body, "new_value": 0})  # a correction
    assert await shown(service) == [(0, 4100), (30, 5.5), (40, 9)]
    assert [(i["id"], i["why"]) for i in await listed(service)] == [(new[2], "runs-backward")]


async def test_a_withdrawn_replacement_lets_in_what_it_kept_out(service: Service) -> None:
    await machines(service, "r5-17", "r5-18")
    for name in ("r5-17", "r5-18"):
        await service.post(URL, [reading(0, 4100, machine=name)])
    body = {"meter": "work", "at": moment(20), "old_value": 4102.5, "new_value": 0}
    await service.put("/v1/machines/r5-17/meter-replacements/m-1", body)
    ids = await set_aside(service, reading(60, 4115), reading(70, 4116))
    bales = await service.put("/v1/machines/r5-17/meter-replacements/m-2", {**body, "meter": "bales"})
    assert [i["id"] for i in await listed(service)] == sorted(ids)  # that one was of another meter
    assert bales["outcome"] == "kept"
    service.later(minutes=1)
    assert (await service.http.delete("/v1/machines/r5-17/meter-replacements/m-1")).status_code == 204
    assert await shown(service) == [(0, 4100), (60, 4115), (70, 4116)]
    assert await listed(service) == []
    # a correction of which meter it was counts for the one it was told of and for the other
    await service.post(URL, [reading(0, 4100, meter="bales", machine="r5-18")])
    wrong = "/v1/machines/r5-18/meter-replacements/m-1"
    await service.put(wrong, body)
    waiting = [reading(60, 4115, machine="r5-18"), reading(60, 7, meter="bales", machine="r5-18")]
    await set_aside(service, *waiting)
    await service.put(wrong, {**body, "meter": "bales"})
    assert await listed(service) == []
    assert whys(await service.post(URL, waiting)) == ["same", "same"]


async def test_what_was_dismissed_stays_dismissed_when_it_fits(service: Service) -> None:
    await machines(service, "r5-17")
    late, low, nobody, meter = await set_aside_after_many(
        service,
        [reading(0, 500)],
        [reading(24 * 14, 510), reading(100, 90), reading(0, 1, machine="r5-99"), reading(0, 1, "h", meter="wrok")],
    )
    for key in (late, low, nobody, meter):
        await service.post(f"{ASIDE}/{key}/dismiss", {**WHO, "why": "of another machine"})
    when = (await item(service, low))["settled"]["at"]
    [other] = await set_aside(service, reading(50, 80))
    service.later(days=3)
    accepted = await service.post(f"{ASIDE}/{other}/accept", WHO)  # 500 is withdrawn: 90 would fit, and so would 510 by now
    assert accepted["settled"]["also_kept"] == []
    sent = [reading(24 * 14, 510), reading(100, 90), reading(100, 90), reading(110, 91), reading(0, 1, machine="r5-99")]
    again = await service.post(URL, [*sent, reading(0, 1, "h", meter="WROK"), reading(100, 89)])
    assert whys(again) == ["dismissed"] * 3 + ["kept", "dismissed", "dismissed", "kept"]  # it has no part in what else is judged
    told = again["aside"][1]
    assert (told["id"], told["text"]) == (low, f"it was dismissed by `p-3` at {when}: of another machine")
    assert told["values"] == {"by": "p-3", "why": "of another machine", "at": when}
    assert f"accept it at {ASIDE}/{low}/accept with `as`, its value and its unit" in told["mend"]
    assert again["aside"][-1]["mend"].endswith(f"accept it at {ASIDE}/{meter}/accept")
    assert await listed(service) == []
    assert await shown(service) == [(50, 80), (100, 89), (110, 91)]
    # it was right after all
    assert await refused(service, f"{ASIDE}/{late}/accept", WHO) == (409, "set_aside.unacceptable")
    as_sent = {"value": 510, "unit": "h"}
    after_all = await service.post(f"{ASIDE}/{late}/accept", {**WHO, "by": "p-4", "as": as_sent})
    assert (after_all["settled"]["done"], after_all["settled"]["by"]) == ("accepted", "p-4")
    assert [(e["done"], e["by"], e["why"]) for e in after_all["earlier"]] == [("dismissed", "p-3", "of another machine")]
    assert whys(await service.post(URL, [reading(24 * 14, 510)])) == ["same"]
    assert await refused(service, f"{ASIDE}/{late}/dismiss", {**WHO, "why": "of another machine"}) == (409, "set_aside.settled")


async def test_what_is_kept_just_so_is_the_same_also_where_it_was_dismissed(service: Service) -> None:
    await machines(service, "r5-17")
    [low] = await set_aside_after(service, [reading(0, 500)], reading(100, 90))
    await service.post(f"{ASIDE}/{low}/dismiss", WHO)
    [named] = await set_aside(service, reading(100, 90, "h"))  # said with its unit it is another reading
    await service.post(f"{ASIDE}/{named}/accept", WHO)
    assert whys(await service.post(URL, [reading(100, 90), reading(100, 91)])) == ["same", "contradicts"]


async def test_one_that_waits_is_listed_for_the_reason_that_there_is_now(service: Service) -> None:
    [key] = await set_aside(service, reading(100, 50))
    since = (await item(service, key))["set_aside_at"]
    await machines(service, "r5-17")
    service.later(minutes=1)
    await service.post(URL, [reading(0, 500)])
    assert whys(await service.post(URL, [reading(100, 50)])) == ["runs-backward"]
    assert await listed(service, why="unknown-machine") == []
    [waits] = await listed(service, why="runs-backward")
    assert (waits["id"], waits["set_aside_at"], waits["values"]["before"]["value"]) == (key, since, 500.0)
    assert waits["earlier"] == []


@pytest.mark.parametrize("done", ["kept", "accepted"])
async def test_what_was_settled_and_withdrawn_waits_again_once_it_is_sent_again(service: Service, done: str) -> None:
    [key] = await set_aside(service, reading(100, 50))
    await machines(service, "r5-17")
    if done == "kept":
        assert whys(await service.post(URL, [reading(100, 50)])) == ["kept"]
    else:
        await service.post(f"{ASIDE}/{key}/accept", WHO)
    [other] = await set_aside(service, reading(100, 60))
    await service.post(f"{ASIDE}/{other}/accept", {**WHO, "by": "p-4"})
    assert (await item(service, key))["settled"]["done"] == done
    service.later(minutes=1)
    for _ in range(2):
        assert whys(await service.post(URL, [reading(100, 50)])) == ["contradicts"]
        [waits] = await listed(service)
        assert (waits["id"], waits["why"], waits["settled"]) == (key, "contradicts", None)
        assert waits["set_aside_at"] == "2026-07-14T06:01:00Z"
        assert [(e["done"], e["by"]) for e in waits["earlier"]] == [(done, None if done == "kept" else "p-3")]
    accepted = await service.post(f"{ASIDE}/{key}/accept", {**WHO, "by": "p-5"})
    assert accepted["settled"]["withdrawn"] == [{"value": 60.0, "unit": "h", "at": moment(100)}]
    assert len(accepted["earlier"]) == 1
    assert await shown(service) == [(100, 50)]


async def test_one_replacement_told_with_several_readings_counts_once(service: Service) -> None:
    await machines(service, "r5-17")
    await service.put("/v1/machines/r5-17/done/g-1", {"task": "roller-bearing-grease", "at": moment(-1), "meters": {"work": 4100}})
    ids = await set_aside_after_many(service, [reading(0, 4100)], [reading(30, 5), reading(40, 9), reading(25, 6)])
    replaced = {"at": moment(20), "old_value": 4102, "new_value": 0}
    for key in ids[:2]:
        await service.post(f"{ASIDE}/{key}/accept", {**WHO, "replaced_meter": replaced})
    assert len((await service.get("/v1/machines/r5-17/meter-replacements"))["items"]) == 1
    [task] = (await service.get("/v1/machines/r5-17/due", params={"now": NOW}))["tasks"]
    assert task["remaining"]["meters"]["work"] == {"value": 80.0 - 2 - 9, "unit": "h"}
    other = {**WHO, "replaced_meter": {**replaced, "old_value": 4103}}  # two of one instant: which?
    assert await refused(service, f"{ASIDE}/{ids[2]}/accept", other) == (409, "set_aside.unacceptable")
    late = {**WHO, "replaced_meter": {**replaced, "at": "2026-07-14T06:02:01Z"}}  # a clock may be 2 minutes ahead
    answer = await service.http.post(f"{ASIDE}/{ids[2]}/accept", json=late)
    assert (answer.status_code, answer.json()["code"]) == (409, "set_aside.unacceptable")
    assert "2026-07-14T06:02:01Z is still to come" in answer.json()["detail"]
    # with the same one it is taken as it would be without: what contradicts it stays, and it is refused
    assert await refused(service, f"{ASIDE}/{ids[2]}/accept", {**WHO, "replaced_meter": replaced}) == (409, "set_aside.unacceptable")
    assert await shown(service) == [(0, 4100), (30, 5), (40, 9)]


@pytest.mark.parametrize("replaced", [False, True], ids=["a wrong one", "a replaced meter"])
async def test_accepted_in_any_order_all_is_as_if_it_had_been_kept_at_first(service: Service, replaced: bool) -> None:
    """One machine learns the truth by acceptances, in an order drawn by lot; another was told it at first."""
    lot = random.Random(17)
    settled = 0
    await service.publish(BOOK + BALES, "plover-r5-baler")
    for _ in range(6):
        learns, knows = (f"m-{lot.randrange(10**9)}" for _ in range(2))
        for name in (learns, knows):
            await service.put(f"/v1/machines/{name}", {"rulebook": "plover-r5-baler", "timezone": "Europe/London"})
            done = {"task": "belt-check", "at": moment(-1), "meters": {"bales": 4000}}
            await service.put(f"/v1/machines/{name}/done/b-1", done)
        moments = sorted(lot.sample(range(20, 200), 7))
        first = 0 if replaced else 4000
        counts = sorted(first + lot.randrange(60) for _ in moments)
        truth = [(at, float(count)) for at, count in zip(moments, counts, strict=True)]
        kept, swap = [(lot.randrange(200), float(lot.randrange(4000, 4080)))], None
        if replaced:
            kept, swap = [(0, 4001.0), (8, 4010.0)], {"at": moment(10), "old_value": 4012, "new_value": 0}
        kept = [(at, value) for at, value in kept if at not in moments]

        def of(name: str, points: list[tuple[int, float]]) -> list[dict[str, Any]]:
            return [reading(at, value, machine=name, meter="bales") for at, value in points]

        if swap is not None:
            await service.post(URL, of(knows, kept))
            await service.put(f"/v1/machines/{knows}/meter-replacements/m-1", {**swap, "meter": "bales"})
        assert set(whys(await service.post(URL, of(knows, truth)))) == {"kept"}
        await service.post(URL, of(knows, kept))  # a wrong one is set aside, where it does not fit by chance

        await service.post(URL, of(learns, kept))
        shuffled = lot.sample(truth, len(truth))
        aside = [
            *(await service.post(URL, of(learns, shuffled[:4])))["aside"],
            *(await service.post(URL, of(learns, shuffled[4:])))["aside"],
        ]
        for told in lot.sample(aside, len(aside)):
            await service.post(f"{ASIDE}/{told['id']}/accept", WHO if swap is None else {**WHO, "replaced_meter": swap})
            assert await shown(service, learns) == await shown(service, knows)  # after the first of them as after the last
        settled += len(aside)
        assert set(whys(await service.post(URL, of(learns, truth)))) == {"same"}
        due = [(await service.get(f"/v1/machines/{name}/due", params={"now": NOW})) for name in (learns, knows)]
        assert due[0]["tasks"] == due[1]["tasks"]
        assert (due[0]["left_out"], await listed(service, machine=learns)) == (due[1]["left_out"], [])
    assert settled > 12  # by lot, and far from none


async def test_however_many_wait_all_that_fit_are_kept_and_few_are_told_one_by_one(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(judge_again, "MOST_TOLD_ANEW", 1)
    await machines(service, "r5-17")
    ids = await set_aside_after_many(service, [reading(0, 9000)], [reading(10 + n, 100 + n / 2) for n in range(150)])
    low = await set_aside(service, reading(20.5, 50), reading(21.5, 51))
    accepted = (await service.post(f"{ASIDE}/{ids[0]}/accept", WHO))["settled"]
    assert (accepted["also_kept"], accepted["also_kept_in_all"]) == (ids[1:101], 149)
    assert len(await shown(service)) == 150
    texts = {i["id"]: i["text"] for i in await listed(service)}
    assert list(map(texts.__contains__, low)) == [True, True]
    assert "an earlier one, 105 h" in texts[low[0]]
    assert "an earlier one, 9000 h" in texts[low[1]]  # for the reason that it had
    assert whys(await service.post(URL, [reading(21.5, 51)])) == ["runs-backward"]
    assert "an earlier one, 105.5 h" in (await item(service, low[1]))["text"]
