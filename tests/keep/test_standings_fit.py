"""Machines that must not work, across the fleet; and the fleet as of an earlier moment."""

from datetime import timedelta
from typing import Any

import pytest

from fieldworthy.core.base.micros import HOUR, micros_of, micros_text
from fieldworthy.usecases import fleet_as_of
from fieldworthy.wire.fleet_answers import FleetAnswer
from tests.keep.histories import publish, put_machine, read, tell
from tests.keep.service import Service

BOOK: dict[str, Any] = {
    "rulebook": "combine",
    "title": "A machine of the tests",
    "meters": {"engine": {"unit": "h", "default": True}},
    "tasks": {
        "oil": {"title": "Change the oil", "kind": "replace", "interval": "every 250 h", "skill": "workshop"},
        "look": {"title": "Look around", "kind": "inspect", "interval": "weekly", "if_found": {"a crack": {"unfit": True}}},
    },
}
LATER: dict[str, Any] = {**BOOK, "tasks": {"oil": BOOK["tasks"]["oil"]}}


async def look(service: Service, machine: str, id_: str, found: str | None) -> None:
    at = (service.now - timedelta(hours=1)).isoformat()
    told = {"task": "look", "at": at} | ({} if found is None else {"found": found})
    await tell(service, machine, [("done", id_, told, "look")])


@pytest.fixture
async def fleet(service: Service) -> Service:
    """c-1 fit, c-2 and c-4 unfit, c-3 of a rulebook that nobody published."""
    await publish(service, BOOK)
    for i, (id_, site, found) in enumerate([("c-1", "north", None), ("c-2", "north", "a crack"), ("c-4", "south", "A Crack")]):
        service.later(minutes=1)
        await put_machine(service, id_, {"rulebook": "combine", "site": site})
        await read(service, id_, [("engine", micros_of(service.now) - HOUR, (300 + 10 * i) * 10**6, None)])
        await look(service, id_, "1", found)
    await put_machine(service, "c-3", {"rulebook": "nowhere"})
    service.later(minutes=1)
    return service


async def asked(service: Service, **query: str) -> Any:
    page = await service.get("/v1/due", params=query)
    FleetAnswer.model_validate(page)
    return page


def not_fit(page: Any) -> list[tuple[str, str, list[str]]]:
    return [(each["machine"], each["fit"], [reason["code"] for reason in each["because"]]) for each in page["not_fit"]]


async def test_machines_that_must_not_work_are_named_whatever_is_filtered_by(fleet: Service) -> None:
    for query in ({}, {"kind": "replace"}, {"standing": "overdue"}, {"limit": "1"}):
        page = await asked(fleet, **query)
        assert not_fit(page) == [("c-2", "unfit", ["unfit"]), ("c-4", "unfit", ["unfit"])]
        assert page["machines"] == {"unfit": 2, "unknown": 0, "fit": 1}
        assert [problem["machine"] for problem in page["problems"]] == ["c-3"]
    south = await asked(fleet, site="south")
    assert (not_fit(south), south["machines"]) == ([("c-4", "unfit", ["unfit"])], {"unfit": 1, "unknown": 0, "fit": 0})


FITS = [("unfit", ["c-2", "c-4"]), ("fit", ["c-1"]), ("unknown", []), ("fit,unfit", ["c-1", "c-2", "c-4"])]


async def test_the_tasks_of_machines_that_are_so(fleet: Service) -> None:
    for fit, machines in FITS:
        page = await asked(fleet, fit=fit)
        assert sorted({item["machine"] for item in page["items"]}) == machines
        assert all(item["fit"] in fit.split(",") for item in page["items"])
        assert sum(page["counts"].values()) == len(page["items"]) == 2 * len(machines)


async def test_it_is_fit_again_once_nothing_is_found_and_a_version_without_the_word_leaves_it_unknown(fleet: Service) -> None:
    fleet.later(hours=1)
    await look(fleet, "c-2", "2", None)
    assert not_fit(await asked(fleet)) == [("c-4", "unfit", ["unfit"])]
    assert [item["machine"] for item in (await asked(fleet, fit="unfit", kind="inspect"))["items"]] == ["c-4"]
    await publish(fleet, LATER)
    page = await asked(fleet)
    assert (not_fit(page), page["machines"]) == ([("c-4", "unknown", ["found-not-read"])], {"unfit": 0, "unknown": 1, "fit": 2})


async def lived(fleet: Service) -> tuple[str, Any]:
    """A moment, and what the fleet's answer was then; after it everything changes."""
    now = micros_text(micros_of(fleet.now))
    then = await asked(fleet)
    fleet.later(hours=5)
    await look(fleet, "c-2", "2", None)
    await read(fleet, "c-1", [("engine", micros_of(fleet.now) - HOUR, 900 * 10**6, None)])
    await put_machine(fleet, "c-5", {"rulebook": "combine"})
    await put_machine(fleet, "c-4", {"rulebook": "combine", "site": "north"})
    await publish(fleet, LATER)
    return now, then


def of_any_time(page: Any) -> Any:
    """A page without the moment of its computing, which a page as of a moment gives as that moment."""
    items = [{k: v for k, v in item.items() if k != "computed_at"} for item in page["items"]]
    unfit = [{k: v for k, v in each.items() if k != "computed_at"} for each in page["not_fit"]]
    return {**page, "items": items, "not_fit": unfit, "computed_at": None}


async def test_as_of_a_moment_the_fleet_stands_as_it_stood_then_to_the_byte(fleet: Service) -> None:
    now, then = await lived(fleet)
    first = await fleet.http.get("/v1/due", params={"as_of": now})
    assert of_any_time(first.json()) == of_any_time(then)
    assert first.json()["computed_at"] == now
    fleet.later(hours=30)
    assert (await fleet.http.get("/v1/due", params={"as_of": now})).content == first.content
    assert of_any_time(await asked(fleet)) != of_any_time(then)


QUERIES: list[dict[str, str]] = [
    {"site": "south"},
    {"site": "north", "fit": "unfit"},
    {"rulebook": "combine"},
    {"rulebook": "combine@1"},
    {"rulebook": "combine@2"},
    {"machine": "c-2"},
    {"machine": "c-9"},
    {"kind": "inspect", "standing": "clear"},
    {"skill": "workshop"},
    {"before": "2026-07-30"},
    {"fit": "fit,unfit"},
]


async def test_as_of_a_moment_it_is_filtered_in_the_same_way(fleet: Service) -> None:
    then = [await asked(fleet, **query) for query in QUERIES]
    now, _ = await lived(fleet)
    for query, page in zip(QUERIES, then, strict=True):
        assert of_any_time(await asked(fleet, as_of=now, **query)) == of_any_time(page), query


async def test_as_of_a_moment_pages_go_on_where_the_one_before_ended(fleet: Service) -> None:
    now, then = await lived(fleet)
    for limit in (1, 4, 6):
        items: list[Any] = []
        after: dict[str, str] = {}
        while True:
            page = await asked(fleet, as_of=now, limit=str(limit), **after)
            items += of_any_time(page)["items"]
            if page["next"] is None:
                break
            assert len(page["items"]) == limit
            after = {"after": page["next"]}
        assert items == of_any_time(then)["items"]


async def test_before_anything_was_kept_there_was_nothing(fleet: Service) -> None:
    page = await asked(fleet, as_of="2026-01-01T00:00:00Z")
    assert (page["items"], page["computed_at"], page["machines"]) == ([], None, {"unfit": 0, "unknown": 0, "fit": 0})


async def test_what_lies_ahead_and_too_many_machines_are_refused(fleet: Service, monkeypatch: pytest.MonkeyPatch) -> None:
    ahead = await fleet.http.get("/v1/due", params={"as_of": micros_text(micros_of(fleet.now + timedelta(hours=1)))})
    assert (ahead.status_code, ahead.json()["errors"][0]["code"]) == (422, "question.as_of")
    monkeypatch.setattr(fleet_as_of, "MOST_AS_OF", 3)
    now = micros_text(micros_of(fleet.now))
    many = await fleet.http.get("/v1/due", params={"as_of": now})
    assert (many.status_code, many.json()["errors"][0]["mend"][:11]) == (422, "name a `sit")
    assert (await fleet.http.get("/v1/due", params={"as_of": now, "site": "south"})).status_code == 200
