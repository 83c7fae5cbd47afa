"""A meter was replaced and nobody told: what a foreman does then, call by call, and what is taken for wrong.

That a dial never runs backward and an hour meter counts no more than an hour an hour is a common practice of the trade and has no source.
What was told late must count as if it had been told at first: that is the store's own promise, held against a second machine.
"""

from typing import Any

import pytest

from tests.keep.readings_at_work import URL, moment, reading, shown, whys
from tests.keep.service import Service
from tests.keep.test_replaced_meters import BALES, BOOK, WHO, M, Points, a_machine, declare, left, swap
from tests.postgres import BOTH

ASIDE = "/v1/set-aside"

one_database = pytest.mark.parametrize("address", ["sqlite"], indirect=True)
both = pytest.mark.parametrize("address", BOTH, indirect=True)


def of(points: Points, meter: str = "bales", machine: str = "r5-17") -> list[dict[str, Any]]:
    return [reading(at, value, meter=meter, machine=machine) for at, value in points]


async def waiting(service: Service) -> list[str]:
    return [item["id"] for item in (await service.get(ASIDE, params={"limit": 200}))["items"]]


LATE: list[tuple[str, str, Points, Points, dict[str, Any], bool]] = [
    # name, meter, what was kept, what then waited (by itself or in a bulk post), what is declared, whether it is taken
    ("the new dial's wait", "bales", [(0, 100), (240, 105)], [(48, 5), (72, 10), (200, 90)], swap(24, 102, 0), True),
    ("hours, too", "work", [(0, 100), (240, 112)], [(48, 5), (72, 10), (200, 90)], swap(24, 102, 0, "work"), True),
    ("the first of the new dial waits", "bales", [(0, 100), (48, 105)], [(24, 0)], swap(24, 102, 0), True),
    ("one that waits is below what the new one began with", "bales", [(0, 100), (240, 105)], [(48, 5)], swap(24, 102, 7), False),
    ("one that waits is of before", "bales", [(0, 100), (240, 105)], [(12, 5)], swap(24, 102, 0), False),
    ("one that waits came after the first that was kept", "bales", [(0, 100), (48, 105)], [(72, 5)], swap(24, 102, 0), False),
    ("and is of the next dial", "bales", [(0, 100), (240, 105)], [(230, 5)], swap(24, 102, 0), True),
]


@one_database
@pytest.mark.parametrize(("name", "meter", "kept", "aside", "declared", "taken"), LATE, ids=[case[0] for case in LATE])
async def test_what_waits_tells_of_the_new_dial(
    service: Service, name: str, meter: str, kept: Points, aside: Points, declared: dict[str, Any], taken: bool
) -> None:
    await a_machine(service, kept, meter)
    assert {*whys(await service.post(URL, of(aside, meter)))} == {"runs-backward"}
    status, places, _ = await declare(service, declared)
    assert (status, places) == ((201, []) if taken else (422, [("question.replacement_contradicts", "#/at")]))
    if taken:
        assert await shown(service) == sorted([*kept, *aside])
        assert await waiting(service) == []
        assert await left(service, "belt-check" if meter == "bales" else "roller-bearing-grease") == 170 - 102 - kept[-1][1]


@one_database
async def test_the_refusal_says_which_reading_and_which_call_and_that_settles_it(service: Service) -> None:
    """A wrong reading on the old dial, another on the new one: what the refusal names is done, and then all is as it was."""
    await a_machine(service, [(0, 100), (10, 150), (60, 9000)])
    new: Points = [(48, 5), (72, 11), (96, 20)]
    assert set(whys(await service.post(URL, of(new)))) == {"runs-backward"}  # a bulk post
    answer = await service.http.put(f"{M}/meter-replacements/m-1", json=swap(24, 110, 0))
    assert "the reading of 150 bales at 2026-07-01T16:00:00Z is before it, and above 110 bales" in answer.json()["detail"]
    mend = answer.json()["errors"][0]["mend"]
    assert "if the reading of 2026-07-01T16:00:00Z is wrong, send the right one for that moment to /v1/readings" in mend
    assert "its ID stands in that answer and in /v1/set-aside?machine=r5-17" in mend
    [right] = (await service.post(URL, of([(10, 104)])))["aside"]
    await service.post(f"{ASIDE}/{right['id']}/accept", WHO)
    assert (await declare(service, swap(24, 110, 0)))[0] == 201
    assert await shown(service) == [(0, 100), (10, 104), (48, 5), (60, 9000)]  # only somebody can tell that 9000 is wrong
    [low] = [each["id"] for each in (await service.get(ASIDE))["items"] if each["value"] == 11.0]
    done = await service.post(f"{ASIDE}/{low}/accept", WHO)
    assert [each["value"] for each in done["settled"]["withdrawn"]] == [9000.0]
    assert await shown(service) == [(0, 100), (10, 104), *new]
    assert await left(service) == 170 - 110 - 20


@one_database
async def test_hours_that_a_wrong_one_keeps_out_and_the_way_that_is_named(service: Service) -> None:
    await a_machine(service, [(0, 100), (60, 140)], "work")  # 140 was another machine's
    new: Points = [(48, 5), (72, 11), (96, 20)]
    assert set(whys(await service.post(URL, of(new, "work")))) == {"runs-backward"}
    answer = await service.http.put(f"{M}/meter-replacements/m-1", json=swap(24, 110, 0, "work"))
    assert "the reading of 140 h at 2026-07-03T18:00:00Z is after it" in answer.json()["detail"]
    mend = answer.json()["errors"][0]["mend"]
    [key] = {key for key in await waiting(service) if f"{ASIDE}/{key}/accept, without `replaced_meter`" in mend}
    at_once = await service.http.post(
        f"{ASIDE}/{key}/accept", json={**WHO, "replaced_meter": {"at": moment(24), "old_value": 110, "new_value": 0}}
    )
    assert (at_once.status_code, "without `replaced_meter`" in at_once.json()["mend"]) == (409, True)
    await service.post(f"{ASIDE}/{key}/accept", WHO)
    assert await shown(service) == [(48, 5), (72, 11), (96, 20)]  # so far no dial shows both 100 and these
    as_of = (await service.get(f"{M}/readings"))["as_of"]
    service.later(minutes=1)
    assert (await declare(service, swap(24, 110, 0, "work")))[0] == 201
    assert await shown(service) == [(0, 100), (48, 5), (72, 11), (96, 20)]  # 100 is the old dial's, and was never wrong
    assert await shown(service, as_of=as_of) == [(48, 5), (72, 11), (96, 20)]  # as it was known then
    assert await left(service, "roller-bearing-grease") == 170 - 110 - 20
    assert await waiting(service) == []
    assert whys(await service.post(URL, of([(0, 100), (60, 140), *new], "work"))) == ["same", "runs-backward", "same", "same", "same"]


@both
async def test_what_a_withdrawn_reading_was_withdrawn_for_is_judged_anew(service: Service) -> None:
    """One accepts a wrong one, another the right one: all is as if the wrong one had never been, on a machine that was never told of it."""
    await a_machine(service, [(10, 110), (20, 120), (40, 140)])
    await service.put("/v1/machines/r5-18", {"rulebook": "plover-r5-baler", "timezone": "Europe/London"})
    sent = [*of([(10, 110), (20, 120), (40, 140)]), *of([(15, 130)]), *of([(60, 90)])]
    for each in sent:
        await service.post(URL, [{**each, "machine": "r5-18"}])
    [late] = (await service.post(URL, of([(15, 130)])))["aside"]
    [low] = (await service.post(URL, of([(30, 50)])))["aside"]
    accepted = await service.post(f"{ASIDE}/{low['id']}/accept", WHO)
    assert accepted["settled"]["withdrawn_in_all"] == 2
    assert await shown(service) == [(30, 50), (40, 140)]
    states = [((await service.get(f"{M}/readings"))["as_of"], await shown(service))]
    service.later(minutes=1)
    await service.post(URL, of([(60, 90)]))
    [right] = (await service.post(URL, of([(30, 130)])))["aside"]
    assert (await service.post(f"{ASIDE}/{right['id']}/accept", WHO))["settled"]["withdrawn"] == [
        {"value": 50.0, "unit": "bales", "at": moment(30)}
    ]
    assert await shown(service) == [(10, 110), (20, 120), (30, 130), (40, 140)]
    assert late["id"] in await waiting(service)  # what was kept at first stands, and 130 runs backward beside it as it did then
    assert [item["id"] for item in (await service.get(ASIDE, params={"machine": "r5-17"}))["items"] if item["value"] == 50.0] == []
    assert await shown(service, "r5-18") == [(10, 110), (20, 120), (40, 140)]
    for as_of, then in states:
        assert await shown(service, as_of=as_of) == then
    # and once more the other way: what is back is withdrawn again, and is known to have been
    [low2] = (await service.post(URL, of([(35, 100)])))["aside"]
    await service.post(f"{ASIDE}/{low2['id']}/accept", WHO)
    assert await shown(service) == [(30, 50), (35, 100), (40, 140)]  # nothing is against 50 but 130, which is wrong too


@one_database
async def test_one_that_was_withdrawn_and_dismissed_since_stays_away(service: Service) -> None:
    await a_machine(service, [(10, 110), (20, 120)])
    [low] = (await service.post(URL, of([(30, 50)])))["aside"]
    await service.post(f"{ASIDE}/{low['id']}/accept", WHO)
    [again] = (await service.post(URL, of([(20, 120)])))["aside"]
    await service.post(f"{ASIDE}/{again['id']}/dismiss", WHO)
    assert (await declare(service, swap(25, 121, 0)))[0] == 201
    assert await shown(service) == [(10, 110), (30, 50)]


FAR: list[tuple[str, dict[str, Any], Points, dict[str, Any], str | None]] = [
    # name, what was told, what was kept, what is declared, what is said (None: it is taken)
    ("after a reading", {}, [(0, 100)], swap(24, 126, 0, "work"), "the reading of 100 h at 2026-07-01T06:00:00Z is before it"),
    ("within the tolerance of readings", {}, [(0, 100)], swap(24, 125, 0, "work"), None),
    ("after a record", {"at": moment(-1)}, [], swap(24, 900, 0, "work"), "the value of 90 h at 2026-07-01T05:00:00Z, of the done record"),
    ("of which people round", {"at": moment(-1)}, [], swap(24, 117, 0, "work"), None),
    ("after a day", {"on": "2026-06-30"}, [], swap(24, 900, 0, "work"), "of the done record `g-1`"),
    ("on the day itself it may be the new one's", {"on": "2026-07-02"}, [], swap(24, 900, 0, "work"), None),
    ("after it went into service", {"in_service": 80}, [], swap(24, 900, 0, "work"), "of `in_service` of the machine's document"),
    ("into service years ago", {"in_service": 80, "since": "2024-03-01"}, [], swap(24, 900, 0, "work"), None),
    ("bales grow at any pace", {"at": moment(-1), "meter": "bales"}, [], swap(24, 90_000, 0), None),
    ("nothing is known", {}, [], swap(24, 90_000, 0, "work"), None),
]


@one_database
async def test_an_old_dial_that_can_not_have_counted_so_far_is_refused(service: Service) -> None:
    await service.publish(BOOK + BALES, "plover-r5-baler")
    for n, (name, told, kept, declared, said) in enumerate(FAR):
        machine = f"/v1/machines/m-{n}"
        document: dict[str, Any] = {"rulebook": "plover-r5-baler", "timezone": "Europe/London"}
        if "in_service" in told:
            on = told.get("since", "2026-06-29")
            document["in_service"] = {"on": on, "as": "used", "meters": {"work": told["in_service"]}}
        await service.put(machine, document)
        if "at" in told or "on" in told:
            when = {k: v for k, v in told.items() if k in ("at", "on")}
            record = {"task": "belt-check", "result": "skipped", "meters": {told.get("meter", "work"): 90}, **when}
            await service.put(f"{machine}/done/g-1", record)
        if kept:
            assert whys(await service.post(URL, of(kept, "work", f"m-{n}"))) == ["kept"] * len(kept)
        answer = await service.http.put(f"{machine}/meter-replacements/m-1", json=declared)
        if said is None:
            assert answer.status_code == 201, (name, answer.text)
        else:
            assert (answer.status_code, answer.json()["errors"][0]["pointer"]) == (422, "#/old_value"), (name, answer.text)
            assert said in answer.json()["detail"]
            assert "what the old dial showed last" in answer.json()["errors"][0]["mend"]


@one_database
@pytest.mark.both_databases
async def test_a_correction_never_puts_readings_of_two_dials_on_one(service: Service) -> None:
    await a_machine(service, [(0, 100), (20, 108)])
    await service.put(f"{M}/meter-replacements/m-1", swap(24, 110, 0))
    assert whys(await service.post(URL, of([(48, 5), (72, 10), (96, 15)]))) == ["kept"] * 3
    before = await left(service)
    for at, said in (
        (60, "the reading of 5 bales at 2026-07-03T06:00:00Z would be of one dial with that of 108 bales at 2026-07-02T02:00:00Z"),
        (80, "the reading of 5 bales at 2026-07-03T06:00:00Z would be of one dial with that of 108 bales at 2026-07-02T02:00:00Z"),
        (10, "the reading of 5 bales at 2026-07-03T06:00:00Z would be of one dial with that of 108 bales at 2026-07-02T02:00:00Z"),
    ):
        answer = await service.http.put(f"{M}/meter-replacements/m-1", json=swap(at, 110, 0))
        assert answer.status_code == 422, (at, answer.text)
        assert answer.json()["errors"][0]["pointer"] == "#/at"
        assert said in answer.json()["detail"]
        assert answer.json()["errors"][0]["mend"].startswith(
            "say an `at` after 2026-07-02T02:00:00Z and before 2026-07-03T06:00:00Z, where that is when it was replaced; "
        )
        assert await left(service) == before
    for at in (30, 47, 21):  # anywhere between the two
        assert (await declare(service, swap(at, 110, 0)))[0] == 200, at
    # a later one was wrong too: readings that ran backward before are nobody's fault of now
    await service.http.delete(f"{M}/meter-replacements/m-1")
    assert (await declare(service, swap(100, 20, 0), "m-2"))[0] == 201
    assert (await declare(service, swap(101, 20, 0), "m-2"))[0] == 200


@one_database
async def test_what_was_accepted_with_a_reading_may_be_put_by_itself_too(service: Service) -> None:
    """The phone accepts, the office puts the same: it counts once, under the office's id, and a repeat of either changes nothing."""
    await a_machine(service, [(0, 100)])
    [low] = (await service.post(URL, of([(48, 5)])))["aside"]
    accept = {**WHO, "replaced_meter": {"at": moment(24), "old_value": 110, "new_value": 0}}
    first = await service.post(f"{ASIDE}/{low['id']}/accept", accept)
    as_of, before = (await service.get(f"{M}/readings"))["as_of"], await left(service)
    assert (await declare(service, swap(24, 111, 0)))[1] == [("question.replacement_contradicts", "#/at")]  # another one is none
    service.later(minutes=1)
    assert [(await declare(service, swap(24, 110, 0)))[0] for _ in range(2)] == [201, 200]
    assert await service.post(f"{ASIDE}/{low['id']}/accept", accept) == first
    assert [item["id"] for item in (await service.get(f"{M}/meter-replacements"))["items"]] == ["m-1"]
    assert len((await service.get(f"{M}/meter-replacements", params={"as_of": as_of}))["items"]) == 1
    assert await left(service) == before == 170 - 115
    assert (await declare(service, swap(24, 108, 0)))[0] == 200  # and it is corrected as any other
    assert await left(service) == 170 - 113
    assert (await declare(service, swap(24, 108, 0), "m-2"))[0] == 422  # two ids of one's own are two
