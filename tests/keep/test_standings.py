"""The standings of the fleet: what is kept ready is what each machine's own answer says, in order, filtered, and computed anew in time."""

import asyncio
import json
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import pytest

from fieldworthy.core.base.micros import HOUR, micros_of, micros_text
from fieldworthy.rest.fleet import writing
from fieldworthy.storage.engine import SqlStore, open_engine
from fieldworthy.usecases.announce import NOTHING_TOLD, Made
from fieldworthy.usecases.asking import Finder
from fieldworthy.usecases.database_limits import DatabaseLimits
from fieldworthy.usecases.find_rulebook import FindRulebook, FindRulebooks, Found, RulebookSource
from fieldworthy.usecases.kept import HOME
from fieldworthy.usecases.kept_standings import FITNESS, URGENCY, Computed, Row, Scope, Wanted
from fieldworthy.usecases.standings import AT_A_REQUEST, AT_ONCE, AskFleet, Recompute
from fieldworthy.wire.fleet_answers import FleetAnswer, KeptDueAnswer
from tests.keep.histories import publish, put_machine, read, tell
from tests.keep.service import Service

BOOK: dict[str, Any] = {
    "rulebook": "combine",
    "title": "A machine of the tests",
    "meters": {"engine": {"unit": "h", "default": True}},
    "tasks": {
        "oil": {"title": "Change the oil", "kind": "replace", "interval": "every 250 h, within 10 % late", "skill": "workshop"},
        "grease": {"title": "Grease", "kind": "lubricate", "interval": "every 50 h, within 5 h late"},
        "look": {"title": "Look around", "kind": "inspect", "interval": "weekly"},
        "belt": {"title": "Check the belt", "kind": "inspect", "interval": "every 3 months", "skill": "specialist"},
    },
}


def ago(service: Service, hours: float) -> str:
    return (service.now - timedelta(hours=hours)).isoformat()


async def machine(service: Service, id_: str, shows: int, done_at: int = 1000, site: str | None = None, rulebook: str = "combine") -> None:
    """A machine whose tasks were done ten days ago at `done_at` hours, and whose meter shows `shows` now."""
    await put_machine(service, id_, {"rulebook": rulebook, "site": site, "timezone": "Europe/London"})
    told = [("done", t, {"task": t, "at": ago(service, 240), "meters": {"engine": done_at}}, t) for t in BOOK["tasks"]]
    await tell(service, id_, told)
    await show(service, id_, shows)


async def show(service: Service, id_: str, hours: float) -> None:
    """One more reading."""
    await read(service, id_, [("engine", micros_of(service.now) - HOUR, round(hours * 10**6), None)])


@pytest.fixture
async def fleet(service: Service) -> Service:
    await publish(service, BOOK)
    service.later(minutes=1)
    for id_, shows, site in (("c-3", 1010, "north"), ("c-1", 1300, "south"), ("c-2", 1052, "north"), ("c-4", 1010, "south")):
        service.later(seconds=1)
        await machine(service, id_, shows, site=site)
    service.later(minutes=1)
    return service


async def every(service: Service, limit: int = 50, **filters: str) -> list[dict[str, Any]]:
    """All items of all pages."""
    items: list[dict[str, Any]] = []
    after: dict[str, str] = {}
    while True:
        page = await service.get("/v1/due", params={**filters, "limit": str(limit), **after})
        FleetAnswer.model_validate(page)
        items += page["items"]
        if page["next"] is None:
            assert sum(page["counts"].values()) == len(items)
            return items
        assert len(page["items"]) == limit
        after = {"after": page["next"]}


async def test_an_empty_store_is_an_empty_list(service: Service) -> None:
    none = dict.fromkeys(URGENCY, 0)
    machines = dict.fromkeys(FITNESS, 0)
    assert await service.get("/v1/due") == {
        "items": [],
        "next": None,
        "computed_at": None,
        "stale": 0,
        "counts": none,
        "machines": machines,
        "not_fit": [],
        "problems": [],
        "thinned_before": None,
    }


async def test_each_item_is_what_the_machines_own_answer_says(fleet: Service) -> None:
    items = await every(fleet)
    assert len(items) == 16
    for id_ in ("c-1", "c-2", "c-3", "c-4"):
        mine = [item for item in items if item["machine"] == id_]
        own = await fleet.get(f"/v1/machines/{id_}/due", params={"now": mine[0]["computed_at"], "as_of": mine[0]["as_of"]})
        KeptDueAnswer.model_validate(own)
        head = ("machine", "site", "rulebook", "computed_at", "as_of", "fit")
        assert [{k: v for k, v in item.items() if k not in head} for item in mine] == own["tasks"]
        assert {json.dumps(item["rulebook"]) for item in mine} == {json.dumps(own["rulebook"])}
        assert {(item["as_of"], item["fit"]) for item in mine} == {(own["as_of"], own["fit"]["fit"])}


async def test_the_most_urgent_come_first_then_the_share_used_then_machine_and_task(fleet: Service) -> None:
    items = await every(fleet)
    order = [(URGENCY.index(i["standing"]), -(i["used"] or 0), i["machine"], i["task"]) for i in items]
    assert order == sorted(order)
    assert [i["machine"] for i in items if i["task"] == "look"] == ["c-1", "c-2", "c-3", "c-4"]  # used alike


@pytest.mark.both_databases
async def test_pages_go_on_where_the_one_before_ended(fleet: Service) -> None:
    whole = await every(fleet)
    for limit in (1, 3, 16):
        assert await every(fleet, limit) == whole, limit


FILTERS: list[tuple[dict[str, str], Any]] = [
    ({"standing": "overdue"}, lambda i: i["standing"] == "overdue"),
    ({"standing": "overdue,due"}, lambda i: i["standing"] in ("overdue", "due")),
    ({"standing": "unknown"}, lambda i: False),
    ({"kind": "inspect"}, lambda i: i["kind"] == "inspect"),
    ({"skill": "workshop"}, lambda i: i["task"] == "oil"),
    ({"site": "north"}, lambda i: i["machine"] in ("c-2", "c-3")),
    ({"site": "nowhere"}, lambda i: False),
    ({"machine": "c-1"}, lambda i: i["machine"] == "c-1"),
    ({"rulebook": "combine"}, lambda i: True),
    ({"rulebook": "combine@1"}, lambda i: True),
    ({"rulebook": "combine@2"}, lambda i: False),
    ({"rulebook": "comb"}, lambda i: False),
    ({"before": "2026-07-15"}, lambda i: i["task"] == "look"),
    ({"before": "2027-01-01"}, lambda i: i["task"] in ("look", "belt")),
    ({"site": "south", "kind": "inspect", "standing": "clear"}, lambda i: i["site"] == "south" and i["task"] == "belt"),
]


@pytest.mark.both_databases
async def test_filters(fleet: Service) -> None:
    all_items = await every(fleet)
    found = {str(filters): await every(fleet, **filters) for filters, _ in FILTERS}
    assert found == {str(filters): [item for item in all_items if meant(item)] for filters, meant in FILTERS}


REFUSED = [
    "standing=late",
    "kind=paint",
    "skill=none",
    "before=2026-02-30",
    "before=14.7.2026",
    "rulebook=?",
    "limit=0",
    "limit=1001",
    "after=x",
    "after=WzFd",
    "after=%22",
    "colour=red",
    "fit=broken",
    "fit=fit,",
    "as_of=yesterday",
    "as_of=2026-07-14T06:00:00",
]


async def test_a_query_that_can_not_be_read_is_refused(service: Service) -> None:
    answers = {query: await service.http.get(f"/v1/due?{query}") for query in REFUSED}
    assert {query: answer.text for query, answer in answers.items() if answer.status_code != 422} == {}
    assert all(answer.json()["mend"] for answer in answers.values())


MACHINE_REFUSED = [
    ("now=yesterday", 422, "request.does_not_fit"),
    ("now=2026-07-14T06:00:00+01:00", 422, "request.does_not_fit"),  # its `+` means a blank: the problem says so
    ("as_of=2026-02-30T06:00:00Z", 422, "request.does_not_fit"),
    ("as_of=0001-01-01T00:00:00%2B01:00", 422, "request.does_not_fit"),
    ("as_of=2026-07-14T08:00:00Z", 422, "question.does_not_fit"),  # it lies ahead
    ("as_of=2026-07-14T05:00:00Z", 404, "machine.not_yet_kept"),
    ("now=1899-01-01T00:00:00Z", 422, "question.does_not_fit"),
    ("tasks=oil,paint", 422, "question.does_not_fit"),
    (f"tasks=oil,{'o' * 121}", 422, "request.does_not_fit"),
    ("notice_share=2", 422, "request.does_not_fit"),
    ("notice_days=-1", 422, "request.does_not_fit"),
    ("notice=1", 422, "request.does_not_fit"),
]


async def test_a_question_about_a_machine_that_can_not_be_answered_is_refused(fleet: Service) -> None:
    for query, status, code in MACHINE_REFUSED:
        answer = await fleet.http.get(f"/v1/machines/c-1/due?{query}")
        assert (answer.status_code, answer.json()["code"]) == (status, code), query
    unknown = await fleet.http.get("/v1/machines/c-9/due")
    assert (unknown.status_code, unknown.json()["code"]) == (404, "machine.unknown")


async def computed_at(service: Service) -> dict[str, str]:
    return {item["machine"]: item["computed_at"] for item in await every(service)}


async def test_a_reading_has_one_machine_computed_anew(fleet: Service) -> None:
    before = await computed_at(fleet)
    fleet.later(minutes=5)
    await show(fleet, "c-3", 1060)
    items = await every(fleet, machine="c-3")
    assert {(i["task"], i["standing"]) for i in items} >= {("grease", "overdue")}
    after = await computed_at(fleet)
    assert {id_ for id_ in after if after[id_] != before[id_]} == {"c-3"}
    assert (await fleet.get("/v1/due"))["computed_at"] == min(before.values())


async def test_all_are_computed_anew_when_their_day_is_over(fleet: Service) -> None:
    before = await computed_at(fleet)
    fleet.now = datetime.fromisoformat("2026-07-14T23:59:59+01:00")  # what a clock's tolerance lets in early was not told here
    assert await computed_at(fleet) == before
    fleet.now = datetime.fromisoformat("2026-07-15T00:00:00+01:00")  # in London, where they stand
    assert set((await computed_at(fleet)).values()) == {"2026-07-14T23:00:00Z"}


async def test_what_was_told_for_later_has_it_computed_when_it_comes_to_hold(fleet: Service) -> None:
    later = fleet.now + timedelta(hours=3)
    await tell(fleet, "c-1", [("done", "tomorrow", {"task": "grease", "at": later.isoformat(), "meters": {"engine": 1300}}, "grease")])
    assert [i["standing"] for i in await every(fleet, machine="c-1") if i["task"] == "grease"] == ["overdue"]
    fleet.now = later
    assert [i["standing"] for i in await every(fleet, machine="c-1") if i["task"] == "grease"] == ["clear"]


async def test_a_newer_version_has_all_computed_anew_that_follow_the_name(fleet: Service) -> None:
    await machine(fleet, "c-5", 1010, rulebook="combine@1")
    await every(fleet)
    fleet.later(minutes=5)
    tasks = {**BOOK["tasks"], "grease": {**BOOK["tasks"]["grease"], "interval": "every 8 h"}}
    await publish(fleet, {**BOOK, "tasks": tasks})
    items = await every(fleet)
    assert {(i["machine"], i["rulebook"]["version"]) for i in items} == {(f"c-{n}", 1 if n == 5 else 2) for n in range(1, 6)}
    assert {i["machine"] for i in items if i["task"] == "grease" and i["rule"] == "every 8 h"} == {"c-1", "c-2", "c-3", "c-4"}


async def test_a_machine_whose_question_is_refused_is_a_problem_and_the_others_are_answered(fleet: Service) -> None:
    await publish(fleet, {**BOOK, "rulebook": "baler", "applies_to": {"models": ["R5"]}})
    await put_machine(fleet, "b-1", {"rulebook": "baler", "model": "H7"})
    await put_machine(fleet, "b-2", {"rulebook": "gone"})
    fleet.later(seconds=1)
    page = await fleet.get("/v1/due")
    FleetAnswer.model_validate(page)
    assert [(p["machine"], p["problem"]["code"]) for p in page["problems"]] == [
        ("b-1", "question.does_not_fit"),
        ("b-2", "rulebook.unknown"),
    ]
    assert len(page["items"]) == 16
    assert page["stale"] == 0
    asked = await fleet.http.get("/v1/machines/b-1/due")
    assert asked.json() == page["problems"][0]["problem"]
    await put_machine(fleet, "b-1", {"rulebook": "baler", "model": "R5"})
    await publish(fleet, {**BOOK, "rulebook": "gone"})
    assert (await fleet.get("/v1/due"))["problems"] == []
    assert len(await every(fleet)) == 24


async def test_a_fault_of_our_own_with_one_machine_leaves_the_others_answered(fleet: Service) -> None:
    await publish(fleet, {**BOOK, "rulebook": "baler"})
    await put_machine(fleet, "b-1", {"rulebook": "baler"})
    find = FindRulebook(fleet.store)

    async def finding(source: RulebookSource) -> Found:
        if source == "baler@1":
            raise ZeroDivisionError
        return await find(source)

    class Finding:
        def of(self, organisation: int) -> Finder:
            return finding

    assert await Recompute(fleet.store, Finding(), writing())(HOME, 100) == 5
    page = await fleet.get("/v1/due")
    FleetAnswer.model_validate(page)
    assert [(p["machine"], p["problem"]["code"]) for p in page["problems"]] == [("b-1", "service.failed")]
    assert len(page["items"]) == 16


@pytest.mark.both_databases
async def test_while_nothing_can_be_written_what_there_is_is_answered_and_called_stale(fleet: Service, address: str) -> None:
    before = await every(fleet)
    fleet.later(minutes=5)
    await show(fleet, "c-3", 1060)
    short = SqlStore(open_engine(address, DatabaseLimits(lock=1)), lambda: fleet.now, 1)
    find = FindRulebooks(short)
    ask = AskFleet(short, Recompute(short, find, writing()))
    async with fleet.store.keep(HOME) as kept:  # somebody holds the machine, and on SQLite the whole database, for long
        await kept.machines.lock(["c-3"])
        found = await ask(HOME, Wanted(), None, 50)
    assert (found.summary.stale, len(found.items)) == (1, len(before))
    found = await ask(HOME, Wanted(), None, 50)
    assert found.summary.stale == 0
    await short.close()


@pytest.mark.both_databases
async def test_of_a_large_fleet_a_request_computes_a_few_and_says_what_is_stale(service: Service) -> None:
    await publish(service, BOOK)
    service.later(minutes=1)
    many = AT_A_REQUEST + AT_ONCE + 1
    for n in range(many):
        await put_machine(service, f"c-{n:02}", {"rulebook": "combine"})
    first = await service.get("/v1/due")
    assert first["stale"] == many - AT_A_REQUEST
    assert sum(first["counts"].values()) == 4 * AT_A_REQUEST
    recompute = Recompute(service.store, FindRulebooks(service.store), writing())
    assert await recompute(HOME, 1000) == many - AT_A_REQUEST
    assert await recompute(HOME, 1000) == 0
    whole = await service.get("/v1/due")
    assert (whole["stale"], sum(whole["counts"].values())) == (0, 4 * many)


@pytest.mark.both_databases
async def test_beside_the_requests_all_is_computed_as_long_as_the_service_runs(service: Service) -> None:
    await publish(service, BOOK)
    service.later(minutes=1)
    many = AT_A_REQUEST + AT_ONCE + 1
    for n in range(many):
        await put_machine(service, f"c-{n:02}", {"rulebook": "combine"})
    async with service.app.router.lifespan_context(service.app):
        for _ in range(600):
            async with service.store.look(HOME) as kept:
                if not (await kept.standings.summary(await kept.moment(), Scope())).stale:
                    break
            await asyncio.sleep(0.05)
        assert (await service.get("/v1/due"))["stale"] == 0
    assert not [task for task in asyncio.all_tasks() if "refresh" in repr(task)]  # it ended with the service


async def test_several_may_compute_at_once_and_the_newest_stays(fleet: Service) -> None:
    others = [Recompute(fleet.store, FindRulebooks(fleet.store), writing()) for _ in range(4)]
    for hours in (1301, 1302, 1303):
        fleet.later(seconds=1)
        await show(fleet, "c-1", hours)
        await asyncio.gather(*(one(HOME, 100) for one in others))
    (item,) = [i for i in await every(fleet, machine="c-1") if i["task"] == "oil"]
    assert item["remaining"]["meters"]["engine"]["value"] == -53


def made(**changes: Any) -> Made:
    usual = Computed(machine=1, at=100, known=50, as_of=50, until=10**18, rulebook="combine", version=2, digest="d")
    found = replace(usual, **changes)
    return Made(found, [Row(1, "c-1", "oil", 1, -1.0, "replace", None, None, json.dumps({"at": found.at, "known": found.known}))])


OLDER = [
    ("of what was known before", {"known": 49, "at": 200}, False),
    ("by an older version", {"version": 1, "at": 200}, False),
    ("of what is known since, by an older version", {"known": 51, "version": 1, "at": 200}, True),  # the machine went back to it
    ("of an earlier moment", {"at": 99}, False),
    ("of a later moment", {"at": 101}, True),
    ("of what is known since", {"known": 51, "at": 90}, True),
    ("by a newer version", {"version": 3, "at": 90}, True),
    ("by another rulebook, known later", {"known": 51, "rulebook": "other", "version": 1}, True),
]


@pytest.mark.parametrize(("changes", "stays"), [o[1:] for o in OLDER], ids=[o[0] for o in OLDER])
async def test_what_was_read_earlier_never_takes_the_place_of_what_was_read_later(
    service: Service, changes: dict[str, Any], stays: bool
) -> None:
    await put_machine(service, "c-1", {"rulebook": "combine"})
    async with service.store.keep(HOME) as kept:
        assert await kept.standings.put([made()]) == 1
    async with service.store.keep(HOME) as kept:
        assert await kept.standings.put([made(**changes)]) == int(stays)
    async with service.store.look(HOME) as kept:
        there = await kept.standings.computed([1])
    assert there[1][1] == replace((made(**changes) if stays else made()).computed, announced=NOTHING_TOLD)


async def test_the_day_ends_where_the_machine_says_so(service: Service) -> None:
    await publish(service, BOOK)
    await put_machine(service, "c-1", {"rulebook": "combine", "timezone": "Europe/London", "day_starts": "05:00"})
    await service.get("/v1/due")
    async with service.store.look(HOME) as kept:
        there = await kept.standings.computed([1])
    assert micros_text(there[1][1].until) == "2026-07-15T04:00:00Z"  # nothing was told for later: not a clock's tolerance before it
