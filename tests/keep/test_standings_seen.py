"""Whoever has had a 200 sees in the fleet's list what was acknowledged, or is told that it is still to be computed (`stale`).

That is our own promise; it holds for one who writes through one replica and asks another, whoever computes standings at that moment.
"""

import asyncio
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest

from fieldworthy.main import make_app
from fieldworthy.rest.fleet import writing
from fieldworthy.storage.engine import SqlStore, open_engine
from fieldworthy.usecases.asking import Finder
from fieldworthy.usecases.find_rulebook import FindRulebook, FindRulebooks, Found, RulebookSource
from fieldworthy.usecases.kept import HOME
from fieldworthy.usecases.kept_standings import Scope
from fieldworthy.usecases.standings import Recompute
from tests.doors_app import client
from tests.keep.histories import publish
from tests.keep.service import Service

pytestmark = pytest.mark.both_databases

BOOK: dict[str, Any] = {
    "rulebook": "combine",
    "title": "A machine of the tests",
    "meters": {"engine": {"unit": "h", "default": True}},
    "tasks": {"oil": {"title": "Change the oil", "kind": "replace", "interval": "every 1000 h"}},
}
M = "/v1/machines"


async def a_fleet(service: Service, machines: int) -> list[str]:
    """Machines that came into service with nothing on the meter."""
    await publish(service, BOOK)
    service.later(minutes=1)
    ids = [f"c-{n}" for n in range(machines)]
    for id in ids:
        await service.put(f"{M}/{id}", {"rulebook": "combine", "in_service": {"on": "2026-03-01", "as": "new", "meters": {"engine": 0}}})
        await show(service, id, 1)
    return ids


async def show(service: Service, id: str, hours: int) -> None:
    """Posts that the meter shows so many hours, and has it acknowledged; more of them are of later."""
    at = service.now - timedelta(hours=1000 - hours)
    assert (await service.post("/v1/readings", [{"machine": id, "meter": "engine", "at": at.isoformat(), "value": hours}]))["kept"] == 1


def left(page: Any, id: str) -> float | None:
    """The hours that are left until a machine's oil is due, as the list says it."""
    found = [item["remaining"]["meters"]["engine"]["value"] for item in page["items"] if item["machine"] == id]
    return found[0] if found else None


async def test_an_acknowledged_reading_is_seen_by_whoever_asks_another_replica(service: Service, address: str) -> None:
    """Again and again: several post, each asks after each 200, and others compute standings all the time."""
    ids = await a_fleet(service, 3)
    others = [SqlStore(open_engine(address), lambda: service.now) for _ in range(2)]
    busy = True

    async def compute(store: SqlStore) -> None:
        recompute = Recompute(store, FindRulebooks(store), writing())
        while busy:
            await recompute(HOME, 100)
            await asyncio.sleep(0)

    async def post_and_ask(id: str, phone: Any) -> list[tuple[int, float | None, int]]:
        found = []
        for hours in range(2, 14):
            await show(service, id, hours)
            page = (await phone.get("/v1/due")).json()
            found.append((hours, left(page, id), page["stale"]))
        return found

    async with client(make_app(others[0], lambda: service.now, is_open=True)) as phone:
        computing = [asyncio.create_task(compute(store)) for store in (service.store, others[1])]
        try:
            seen = await asyncio.gather(*(post_and_ask(id, phone) for id in ids))
        finally:
            busy = False
            await asyncio.gather(*computing)
        last = (await phone.get("/v1/due")).json()
    missed = [each for of_one in seen for each in of_one if each[1] != 1000 - each[0] and not each[2]]
    assert missed == []
    assert sum(each[1] == 1000 - each[0] for of_one in seen for each in of_one) > 0
    assert (last["stale"], [left(last, id) for id in ids]) == (0, [987, 987, 987])
    for store in others:
        await store.close()


async def test_standings_that_were_read_before_a_reading_never_hide_it(service: Service) -> None:
    """Somebody has read a machine, and writes what they computed of it only after a reading was acknowledged, and after it was seen."""
    await a_fleet(service, 1)
    await show(service, "c-0", 5)
    find, has_read, may_go_on = FindRulebook(service.store), asyncio.Event(), asyncio.Event()

    async def finding(source: RulebookSource) -> Found:
        has_read.set()
        await may_go_on.wait()
        return await find(source)

    class Finding:
        def of(self, organisation: int) -> Finder:
            return finding

    for asks_between in (True, False):
        has_read.clear()
        may_go_on.clear()
        slow = asyncio.create_task(Recompute(service.store, Finding(), writing())(HOME, 1))
        await has_read.wait()
        hours = 20 if asks_between else 30
        await show(service, "c-0", hours)
        between = await service.get("/v1/due") if asks_between else None
        may_go_on.set()
        assert await slow == 1
        assert between is None or (between["stale"], left(between, "c-0")) == (0, 980)
        page = await service.get("/v1/due")
        assert (page["stale"], left(page, "c-0")) == (0, 1000 - hours)
        await show(service, "c-0", hours + 1)  # so that there is something to compute again


async def test_what_is_being_kept_is_not_waited_for_and_is_seen_once_it_is_acknowledged(service: Service, address: str) -> None:
    await a_fleet(service, 1)
    assert left(await service.get("/v1/due"), "c-0") == 999
    other = SqlStore(open_engine(address), lambda: service.now)
    async with client(make_app(other, lambda: service.now, is_open=True)) as phone:
        async with service.store.keep(HOME) as kept:
            machine = (await kept.machines.lock(["c-0"]))["c-0"]
            await kept.machines.touch([machine], machine.known + 1)
            page = (await asyncio.wait_for(phone.get("/v1/due"), 10)).json()
            assert (page["stale"], left(page, "c-0")) == (0, 999)
        async with other.look(HOME) as seen:
            assert (await seen.standings.stale(await seen.moment(), 10)) == [machine.key]
    await other.close()


async def _newer_version(service: Service) -> None:
    await publish(service, {**BOOK, "tasks": {"oil": {**BOOK["tasks"]["oil"], "interval": "every 500 h"}}})


async def _to_another_rulebook(service: Service) -> None:
    await publish(service, {**BOOK, "rulebook": "baler"})
    await service.put(f"{M}/c-0", {"rulebook": "baler"})


async def _to_a_named_version(service: Service) -> None:
    await _newer_version(service)
    await service.get("/v1/due")
    await service.put(f"{M}/c-0", {"rulebook": "combine@1"})


async def _away(service: Service) -> None:
    await publish(service, {**BOOK, "rulebook": "baler"})
    for id in ("c-0", "c-1"):
        await service.put(f"{M}/{id}", {"rulebook": "baler"})


# what is acknowledged, the filter that is asked by next, and the machines that it shows
MOVED: list[tuple[str, Callable[[Service], Any], str, list[str]]] = [
    ("a newer version", _newer_version, "combine@2", ["c-0", "c-1"]),
    ("a newer version, by the one before", _newer_version, "combine@1", []),
    ("another rulebook", _to_another_rulebook, "baler", ["c-0"]),
    ("another rulebook, by its version", _to_another_rulebook, "baler@1", ["c-0"]),
    ("another rulebook, by that of before", _to_another_rulebook, "combine", ["c-1"]),
    ("an earlier version", _to_a_named_version, "combine@1", ["c-0"]),
    ("all are gone", _away, "combine", []),
]


@pytest.mark.parametrize(("tell", "asked", "shows"), [each[1:] for each in MOVED], ids=[each[0] for each in MOVED])
async def test_a_machine_is_listed_by_the_rulebook_that_it_has_now(
    service: Service, tell: Callable[[Service], Any], asked: str, shows: list[str]
) -> None:
    """Though what is kept ready of it was computed by another: the filter finds it, and counts it."""
    await a_fleet(service, 2)
    await service.get("/v1/due")
    service.later(seconds=5)
    await tell(service)
    page = await service.get("/v1/due", params={"rulebook": asked})
    assert (page["stale"], page["problems"]) == (0, [])
    assert sorted(item["machine"] for item in page["items"]) == shows
    assert (sum(page["counts"].values()), sum(page["machines"].values())) == (len(shows), len(shows))
    assert (page["computed_at"] is None) is (shows == [])
    whole = await service.get("/v1/due")
    assert sorted(item["machine"] for item in whole["items"] if item["rulebook"]["name"] == asked.partition("@")[0]) >= shows


async def test_while_nothing_can_be_computed_a_machine_that_came_is_stale_and_one_that_left_too(service: Service) -> None:
    await a_fleet(service, 2)
    await service.get("/v1/due")
    service.later(seconds=5)
    await _to_another_rulebook(service)
    async with service.store.look(HOME) as kept:
        now = await kept.moment()
        told = {name: await kept.standings.summary(now, Scope(rulebook=name)) for name in ("baler", "baler@1", "baler@2", "combine", "x")}
    assert {name: (each.stale, sum(each.counts)) for name, each in told.items()} == {
        "baler": (1, 0),
        "baler@1": (1, 0),
        "baler@2": (1, 0),
        "combine": (1, 2),
        "x": (0, 0),
    }


async def test_a_published_version_is_computed_by_at_once(service: Service, monkeypatch: pytest.MonkeyPatch) -> None:
    """As what is kept of a machine: it is not left to the next look for what is stale, which here comes in an hour."""
    monkeypatch.setattr("fieldworthy.rest.refreshing.LOOKS_EVERY", 3600.0)
    monkeypatch.setattr("fieldworthy.rest.refreshing.AT_LEAST", 0.05)

    async def by(version: int) -> None:
        async with asyncio.timeout(30):
            while True:
                async with service.store.look(HOME) as kept:
                    made = [one[-1] for one in await kept.standings.made_of(Scope())]
                if made == [version]:
                    return
                await asyncio.sleep(0.02)

    await a_fleet(service, 1)
    async with service.app.router.lifespan_context(service.app):
        await by(1)
        await asyncio.sleep(0.1)
        draft = {**BOOK, "title": "Another title"}
        await service.put("/v1/rulebooks/combine/draft", draft)
        await service.post("/v1/rulebooks/combine/publish", None)
        await by(2)
