"""What is told of a machine: kept, the same again, corrected, withdrawn; each state stays, and any moment can be read again."""

import asyncio
import json
from dataclasses import replace
from importlib.resources import files
from typing import Any

import pytest

from fieldworthy.main import make_app
from fieldworthy.storage.engine import SqlStore, open_engine
from fieldworthy.usecases.kept import HOME
from fieldworthy.usecases.told_kinds import KINDS
from fieldworthy.wire import kept_answers as answers
from tests.doors_app import client
from tests.keep.service import Service
from tests.keep.test_machines import DOCUMENT, problem

NAME = "plover-r5-baler"
BALER = (files("fieldworthy.demo") / "baler.yaml").read_text("utf-8")
M = "/v1/machines/r5-17"

TOLD: dict[str, tuple[dict[str, Any], dict[str, Any], str]] = {
    # part of the address: what is told, its correction, what it speaks of
    "done": (
        {
            "task": "roller-bearing-grease",
            "at": "2026-07-13T18:00:00+01:00",
            "meters": {"work": 640},
            "by": "p-1",
            "used": [{"part": "PL-0400", "amount": "60 g"}],
        },
        {
            "task": "roller-bearing-grease",
            "on": "2026-07-12",
            "meters": {"work": 638.5},
            "result": "partly",
            "why": "rain",
        },
        "roller-bearing-grease",
    ),
    "working-conditions": (
        {"condition": "dust", "value": "heavy", "from": "2026-07-10T06:00:00Z", "to": None},
        {"condition": "dust", "value": "light", "from": "2026-07-10T06:00:00Z", "to": "2026-08-01T00:00:00Z"},
        "dust",
    ),
    "occurrences": (
        {"occurrence": "belt fitted", "at": "2026-06-01T10:00:00Z", "meters": {"work": "600 h"}},
        {"occurrence": "belt fitted", "on": "2026-06-02"},
        "belt fitted",
    ),
    "evidence": (
        {"fact": "engine", "value": "stopped", "at": "2026-07-14T05:59:00Z", "via": "sensor"},
        {"fact": "engine", "value": "running", "at": "2026-07-14T05:59:00Z", "via": "seen", "by": "p-2"},
        "engine",
    ),
    "found": (
        {
            "what": "belt 3 is frayed",
            "at": "2026-07-14T05:00:00Z",
            "task": "belts-look",
            "then": "belts-replace",
            "within": "10 h",
            "unfit": True,
        },
        {"what": "belts 3 and 4 are frayed", "on": "2026-07-14", "task": "belts-look", "by": "p-3"},
        "belts-look",
    ),
    "deferrals": (
        {"task": "roller-bearing-grease", "at": "2026-07-14T05:00:00Z", "by": "foreman", "why": "rain is coming", "amount": "6 h"},
        {
            "task": "roller-bearing-grease",
            "at": "2026-07-14T05:00:00Z",
            "by": "foreman",
            "why": "rain",
            "amount": {"value": 5, "unit": "h"},
        },
        "roller-bearing-grease",
    ),
    "meter-replacements": (
        {"meter": "work", "at": "2025-11-01T10:00:00Z", "old_value": 4102.5, "new_value": 0},
        {"meter": "work", "at": "2025-11-01T10:00:00Z", "old_value": 4100, "new_value": 0.5, "unit": "h"},
        "work",
    ),
}


async def a_baler(service: Service) -> None:
    await service.publish(BALER, NAME)
    await service.put(M, DOCUMENT)


def test_every_kind_is_told_here() -> None:
    assert set(TOLD) == set(KINDS)


async def test_each_kind_is_kept_repeated_corrected_and_withdrawn(service: Service) -> None:
    await a_baler(service)
    for path, (told, correction, about) in TOLD.items():
        one = f"{M}/{path}/their-1"
        problem(await service.http.get(one), 404, "record.unknown")
        problem(await service.http.delete(one), 404, "record.unknown")
        made = await service.http.put(one, json=told)
        assert made.status_code == 201, made.text
        first = made.json()
        answers.RecordPut.model_validate(first)
        assert (first["outcome"], first["record"], first["rulebook"]["version"]) == ("kept", told, 1)
        service.later(minutes=1)
        again = await service.http.put(one, json=told)
        assert (again.status_code, again.json()) == (200, {**first, "outcome": "same"})
        assert again.headers["etag"] == made.headers["etag"]
        corrected = await service.http.put(one, json=correction)
        assert (corrected.status_code, corrected.json()["outcome"]) == (200, "corrected"), corrected.text
        second = corrected.json()
        now = await service.http.get(one)
        answers.Record.model_validate(now.json())
        assert (now.json()["record"], now.headers["etag"]) == (correction, corrected.headers["etag"])
        assert (await service.get(one, params={"as_of": first["known"]}))["record"] == told
        problem(await service.http.get(one, params={"as_of": "2026-07-14T05:59:59Z"}), 404, "record.unknown")
        listed = await service.get(f"{M}/{path}", params={"about": about.upper()})
        answers.Records.model_validate(listed)
        assert [(r["id"], r["record"]) for r in listed["items"]] == [("their-1", correction)]
        assert listed["as_of"] == second["known"]
        assert (await service.get(f"{M}/{path}", params={"about": "other"}))["items"] == []
        service.later(minutes=1)
        for _ in range(2):  # once more changes nothing
            gone = await service.http.delete(one)
            assert (gone.status_code, gone.content) == (204, b"")
        withdrawn = problem(await service.http.get(one), 404, "record.unknown")
        assert "withdrawn at 2026-07-14T06:" in withdrawn["detail"]
        assert (await service.get(f"{M}/{path}"))["items"] == []
        assert (await service.get(f"{M}/{path}", params={"as_of": second["known"]}))["items"] == listed["items"]
        states = await service.get(f"{one}/states")
        answers.RecordStates.model_validate(states)
        assert [s["record"] for s in states["items"]] == [told, correction, None]
        assert [s["superseded"] for s in states["items"]] == [*[s["known"] for s in states["items"][1:]], None]
        back = await service.http.put(one, json=told)
        assert (back.status_code, back.json()["outcome"]) == (201, "kept")
        page = await service.get(f"{one}/states", params={"limit": 3})
        rest = await service.get(f"{one}/states", params={"limit": 3, "after": page["next"]})
        assert ([s["record"] for s in page["items"] + rest["items"]], rest["next"]) == ([told, correction, None, told], None)


@pytest.mark.both_databases
async def test_what_is_due_follows_what_is_told_and_as_of_gives_the_same_bytes(service: Service) -> None:
    await a_baler(service)
    asked = {"now": "2026-07-14T06:00:00Z", "tasks": "roller-bearing-grease"}
    await service.put(f"{M}/done/d-1", {"task": "roller-bearing-grease", "at": "2026-07-01T12:00:00Z", "meters": {"work": 640}})
    await service.put(f"{M}/occurrences/o-1", {"occurrence": "belt fitted", "at": "2026-07-13T12:00:00Z", "meters": {"work": 700}})
    before = await service.http.get(f"{M}/due", params=asked)
    answer = before.json()
    assert answer["tasks"][0]["due_at"]["meters"]["work"]["value"] == 720.0
    service.later(hours=1)
    await service.put(f"{M}/done/d-1", {"task": "roller-bearing-grease", "at": "2026-07-01T12:00:00Z", "meters": {"work": 650}})
    after = await service.get(f"{M}/due", params=asked)
    assert after["tasks"][0]["due_at"]["meters"]["work"]["value"] == 730.0
    again = await service.http.get(f"{M}/due", params={**asked, "as_of": answer["as_of"]})
    assert again.content == before.content
    await service.http.delete(f"{M}/done/d-1")
    assert (await service.get(f"{M}/due", params=asked))["tasks"][0]["due_at"]["meters"]["work"]["value"] == 80.0
    again = await service.http.get(f"{M}/due", params={**asked, "as_of": answer["as_of"]})
    assert again.content == before.content


async def test_old_history_may_say_a_date_only_or_meters_only(service: Service) -> None:
    await a_baler(service)
    items = [
        {"id": "date", "task": "walk-round", "on": "2024-05-01"},
        {"id": "meters", "task": "roller-bearing-grease", "meters": {"work": 80}},
        {"id": "both", "task": "roller-bearing-grease", "on": "2025-05-01", "meters": {"work": 160}},
    ]
    assert (await service.post(f"{M}/done", {"items": items}))["kept"] == 3
    listed = await service.get(f"{M}/done")
    assert [r["id"] for r in listed["items"]] == ["both", "date", "meters"]  # what says no time comes last
    async with service.store.look(HOME) as kept:
        at = {e.id: e.at for e in await kept.entries.of(1, ["done"])}
    assert at["meters"] == 0
    assert at["date"] == 1714536000_000000  # 2024-05-01 at 05:00 in London, where the machine's day begins


@pytest.mark.both_databases
async def test_10_000_records_twice_over_and_one_wrong_one(service: Service) -> None:
    await a_baler(service)
    items = [
        {"id": f"d-{i}", "task": "walk-round", "at": f"2025-{1 + i // 900:02}-{1 + i % 28:02}T{i % 24:02}:00:00Z"} for i in range(10_000)
    ]
    wrong = [*items[:-1], {**items[-1], "task": "walk-around", "meters": {"wrk": 1}}]
    refused = problem(await service.http.post(f"{M}/done", json={"items": wrong}), 422, "question.does_not_fit")
    assert [(e["code"], e["pointer"]) for e in refused["errors"]] == [("question.unknown_task", "#/items/9999/task")]
    assert "`walk-round`" in refused["errors"][0]["mend"]
    assert (await service.get(f"{M}/done"))["items"] == []
    first = await service.post(f"{M}/done", {"items": items})
    answers.RecordsPut.model_validate(first)
    assert (first["kept"], first["same"], first["corrected"]) == (10_000, 0, 0)
    items[7] = {**items[7], "by": "p-1"}
    second = await service.post(f"{M}/done", {"items": items})
    assert (second["kept"], second["same"], second["corrected"]) == (0, 9_999, 1)
    seen: list[str] = []
    after: dict[str, str] = {}
    while True:
        page = await service.get(f"{M}/done", params={"limit": 200, **after})
        seen += [r["id"] for r in page["items"]]
        if page["next"] is None:
            break
        after = {"after": page["next"]}
    assert sorted(seen) == sorted(item["id"] for item in items)
    over = await service.http.post(f"{M}/done", json={"items": [*items, {"id": "x", "task": "walk-round", "on": "2025-01-01"}]})
    assert (over.status_code, over.json()["errors"][0]["code"]) == (422, "request.too_long")


async def test_a_repeat_is_harmless_after_the_rulebook_has_moved_on(service: Service) -> None:
    await a_baler(service)
    told = {"task": "walk-round", "on": "2026-07-01"}
    await service.put(f"{M}/done/d", told)
    await service.publish(BALER.replace("walk-round", "look-round"), NAME)
    again = await service.put(f"{M}/done/d", told)
    assert (again["outcome"], again["rulebook"]["version"]) == ("same", 2)
    problem(await service.http.put(f"{M}/done/d", json={**told, "by": "p-1"}), 422, "question.does_not_fit")
    assert (await service.http.delete(f"{M}/done/d")).status_code == 204


async def test_two_states_of_a_condition_from_one_instant_are_refused(service: Service) -> None:
    """Which of the two holds can't be told; kept, they would leave the machine without an answer."""
    await a_baler(service)
    heavy = {"condition": "dust", "value": "heavy", "from": "2026-07-10T06:00:00Z"}
    await service.put(f"{M}/working-conditions/a", heavy)
    light = {"condition": "Dust", "value": "light", "from": "2026-07-10T07:00:00+01:00"}
    refused = problem(await service.http.put(f"{M}/working-conditions/b", json=light), 422, "question.does_not_fit")
    assert [(e["code"], e["pointer"]) for e in refused["errors"]] == [("question.two_states", "#")]
    many = {"items": [{**light, "id": "x", "from": "2026-07-11T06:00:00Z"}, {**light, "id": "b"}]}
    refused = problem(await service.http.post(f"{M}/working-conditions", json=many), 422, "question.does_not_fit")
    assert [(e["code"], e["pointer"]) for e in refused["errors"]] == [("question.two_states", "#/items/1")]
    await service.put(f"{M}/working-conditions/a", light)  # a correction is no contradiction
    await service.put(f"{M}/working-conditions/b", {**light, "from": "2026-07-10T06:00:01Z", "value": "heavy"})
    assert (await service.http.get(f"{M}/due")).status_code == 200


async def test_what_was_found_stays_open_until_it_is_settled(service: Service) -> None:
    await a_baler(service)
    told, correction, _ = TOLD["found"]
    await service.put(f"{M}/found/f", told)
    async with service.store.keep(HOME) as kept:
        assert [e.id for e in await kept.entries.open(1, "found")] == ["f"]
        (open_,) = await kept.entries.open(1, "found")
        settled = {**json.loads(open_.body), "settled": {"at": "2026-07-14T06:00:00Z", "by": "p-1"}}
        await kept.entries.put(1, [replace(open_, known=open_.known + 1, body=json.dumps(settled), open=False)])
    assert (await service.put(f"{M}/found/f", told))["outcome"] == "same"  # a repeat opens nothing again
    service.later(seconds=1)
    assert (await service.put(f"{M}/found/f", correction))["record"] == {**correction, "settled": settled["settled"]}
    async with service.store.look(HOME) as kept:
        assert await kept.entries.open(1, "found") == []


@pytest.mark.both_databases
async def test_of_two_corrections_at_once_none_is_lost(service: Service, address: str) -> None:
    """Two replicas correct one record at the same moment, again and again: every state is there, in one order."""
    await a_baler(service)
    one = f"{M}/done/d"
    await service.put(one, {"task": "walk-round", "on": "2026-07-01", "by": "nobody"})
    other = SqlStore(open_engine(address), lambda: service.now)
    async with client(make_app(other, lambda: service.now, is_open=True)) as second:
        told = [{"task": "walk-round", "on": "2026-07-01", "by": f"p-{n}"} for n in range(40)]
        given = await asyncio.gather(*((service.http, second)[n % 2].put(one, json=body) for n, body in enumerate(told)))
        assert {answer.status_code for answer in given} == {200}, [answer.text for answer in given]
        states = (await service.get(f"{one}/states"))["items"]
        assert sorted(s["record"]["by"] for s in states) == sorted(["nobody", *(body["by"] for body in told)])
        knowns = [s["known"] for s in states]
        assert len(set(knowns)) == 41
        assert [s["superseded"] for s in states] == [*knowns[1:], None]
        # only if it still is what was seen: RFC 9110, 13.1.1
        tag = (await second.get(one)).headers["etag"]
        tries = [{"task": "walk-round", "on": "2026-07-01", "by": f"q-{n}"} for n in range(10)]
        given = await asyncio.gather(
            *((service.http, second)[n % 2].put(one, json=body, headers={"if-match": tag}) for n, body in enumerate(tries))
        )
        assert sorted(answer.status_code for answer in given) == [200, *[412] * 9]
        problem(next(answer for answer in given if answer.status_code == 412), 412, "record.changed")
    await other.close()


async def test_conditions_hold_for_records_too(service: Service) -> None:
    await a_baler(service)
    one = f"{M}/found/f"
    told, correction, _ = TOLD["found"]
    problem(await service.http.put(one, json=told, headers={"if-match": "*"}), 412, "record.changed")
    made = await service.http.put(one, json=told, headers={"if-none-match": "*"})
    assert made.status_code == 201
    problem(await service.http.put(one, json=correction, headers={"if-none-match": "*"}), 412, "record.changed")
    unchanged = await service.http.get(one, headers={"if-none-match": made.headers["etag"]})
    assert (unchanged.status_code, unchanged.content) == (304, b"")
    corrected = await service.http.put(one, json=correction, headers={"if-match": made.headers["etag"]})
    problem(await service.http.delete(one, headers={"if-match": made.headers["etag"]}), 412, "record.changed")
    assert (await service.http.delete(one, headers={"if-match": corrected.headers["etag"]})).status_code == 204


async def test_evidence_that_is_kept_counts_for_a_clearance_until_it_is_withdrawn(service: Service) -> None:
    await a_baler(service)
    states = {"engine": "stopped", "key": "removed", "tailgate": "closed", "rollers": "still", "side panel": "on", "knife guard": "fitted"}
    for fact, value in {**states, "person": "clear"}.items():
        report = {"fact": fact, "value": value, "at": "2026-07-14T05:59:50Z", "via": "seen", "by": "p-1"}
        await service.put(f"{M}/evidence/{fact}", report)
    asked = {"for": {"task": "roller-bearing-grease"}, "by": "p-1"}
    assert (await service.post(f"{M}/clearance", asked))["clearance"] == "granted"
    assert (await service.http.delete(f"{M}/evidence/engine")).status_code == 204
    withheld = await service.post(f"{M}/clearance", asked)
    assert (withheld["clearance"], [m["fact"] for m in withheld["missing"]]) == ("withheld", ["engine"])
