"""Keeping with the client, on both databases: pages, conditions, refusals, and readings in bulk."""

import asyncio
import time
from collections.abc import AsyncIterator, Iterator
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest

from fieldworthy.client import AsyncClient, Client, Conflict, NotFound, PreconditionFailed, Refused, Unavailable
from fieldworthy.client.posted import MOST_ASIDE, Posted
from tests.client.both import Both, Time
from tests.client.real import serving
from tests.doors_app import NOW
from tests.faults.harness import RULEBOOK

BEGINNING = NOW - timedelta(days=300)


@pytest.fixture
def url(address: str) -> Iterator[str]:
    """A service with the rulebook `faults` and the machine `m`."""
    with serving(address) as url, Client(url) as service:
        service.put_draft("faults", RULEBOOK)
        service.publish("faults")
        service.put_machine("m", {"rulebook": "faults"})
        yield url


def reading(n: int, machine: str = "m", **more: Any) -> Any:
    return {"machine": machine, "meter": "work", "at": BEGINNING + timedelta(minutes=10 * n), "value": n / 10, **more}


def test_lists_go_over_all_pages(url: str, both: Both) -> None:
    both(url, "post_machines", [{"id": f"n{n:03}", "rulebook": "faults", "site": "north"} for n in range(450)])
    found = both(url, "machines", site="north")
    assert [m["id"] for m in found] == [f"n{n:03}" for n in range(450)]
    both(url, "post_reading_list", [reading(n) for n in range(401)])
    kept = both(url, "readings", "m", meter="work", until=NOW)
    assert [r["value"] for r in kept] == [n / 10 for n in reversed(range(401))]
    both(url, "post_machines", [{"id": f"s{n}", "rulebook": "faults", "site": "south"} for n in range(9)])
    while both(url, "fleet", site="south", limit=1)["stale"]:  # they are computed one after another
        time.sleep(0.05)
    tasks = both(url, "fleet_due", site="south")
    assert len({t["machine"] for t in tasks}) == len(tasks) == 9
    page = both(url, "fleet", site="south", limit=2)
    assert (len(page["items"]), sum(page["counts"].values()), page["machines"]["fit"]) == (2, 9, 9)
    assert both(url, "fleet", site="south", limit=2, after=page["next"])["items"] == tasks[2:4]


def test_what_is_listed_is_of_one_state_of_things(url: str) -> None:
    with Client(url) as service:
        service.done.post("m", [{"id": f"g{n}", "task": "grease", "at": BEGINNING + timedelta(hours=n)} for n in range(250)])
        listed = service.done.of("m")
        first = next(listed)
        service.done.withdraw("m", "g3")
        assert len([first, *listed]) == 250
        assert len(list(service.done.of("m"))) == 249
        assert [s["record"] is None for s in service.done.states("m", "g3")] == [False, True]


def test_a_change_may_be_bound_to_what_was_read(url: str, both: Both) -> None:
    was = both(url, "machine", "m")
    changed = both(url, "put_machine", "m", {"rulebook": "faults", "site": "south"}, if_match=was["etag"])
    assert changed["outcome"] == "changed"
    with pytest.raises(PreconditionFailed) as told:
        both(url, "put_machine", "m", {"rulebook": "faults", "site": "west"}, if_match=was["etag"])
    assert (told.value.status, told.value.code) == (412, "machine.changed")
    with pytest.raises(PreconditionFailed):
        both(url, "put_machine", "m", {"rulebook": "faults"}, if_new=True)
    assert both(url, "machine", "m")["etag"] == changed["etag"]
    record = both(url, "done.put", "m", "g", {"task": "grease", "on": date(2026, 7, 1)}, if_new=True)
    assert both(url, "done.get", "m", "g")["etag"] == record["etag"]
    with pytest.raises(PreconditionFailed):
        both(url, "done.withdraw", "m", "g", if_match='"1"')
    assert both(url, "done.withdraw", "m", "g", if_match=record["etag"]) is None
    draft = both(url, "draft", "faults")
    assert both(url, "put_draft", "faults", RULEBOOK + "# more\n", if_match=draft["etag"])["etag"] != draft["etag"]
    with pytest.raises(PreconditionFailed):
        both(url, "publish", "faults", if_match=draft["etag"])


def test_refusals_say_what_where_and_how_to_mend_it(url: str, both: Both) -> None:
    with pytest.raises(NotFound) as unknown:
        both(url, "machine_due", "n")
    assert unknown.value.code == "machine.unknown"
    with pytest.raises(Refused) as task:
        both(url, "done.put", "m", "g", {"task": "grase", "at": NOW})
    assert (task.value.status, task.value.pointer, task.value.mend) == (422, "#/task", "did you mean `grease`?")
    assert str(task.value) == "#/task: the rulebook declares no task `grase`; did you mean `grease`?"
    with pytest.raises(Refused) as draft:
        both(url, "put_draft", "faults", RULEBOOK.replace("faults", "others"))
    assert draft.value.code == "rulebook.name_differs"
    wrong = RULEBOOK.replace("every 50 h", "evry 50 h").replace("faults", "wrong")
    assert "interval.syntax" in {f["code"] for f in both(url, "put_draft", "wrong", wrong)["findings"]}
    with pytest.raises(Refused) as published:
        both(url, "publish", "wrong")
    assert published.value.findings[0]["code"] == "interval.syntax"
    (aside,) = both(url, "post_reading_list", [reading(1, meter="no such")])["aside"]
    assert both(url, "dismiss", aside["id"], by="p-1", why="of another machine")["settled"]["done"] == "dismissed"
    with pytest.raises(Conflict) as settled:
        both(url, "accept", aside["id"], by="p-1", why="it is right")
    assert settled.value.code == "set_aside.unacceptable"  # there is no such meter


def test_a_version_is_read_as_data_and_as_its_author_wrote_it(url: str, both: Both) -> None:
    document = both(url, "version", "faults", 1)
    assert document["tasks"]["grease"]["interval"] == "every 50 h"
    assert both(url, "version_text", "faults", 1) == RULEBOOK
    assert both(url, "check_rulebook", document)["rulebook"]["digest"] == both(url, "check_rulebook", RULEBOOK)["rulebook"]["digest"]
    again = both(url, "put_draft", "faults", document)
    assert again["rulebook"]["digest"] == both(url, "publish", "faults")["digest"]
    assert [v["version"] for v in both(url, "versions", "faults")] == [1]  # the same, and so not published twice


def test_readings_in_bulk_are_all_accounted_for(url: str, both: Both) -> None:
    readings = [reading(n) for n in range(2500)]
    readings[700:700] = [reading(n) for n in range(300)]  # sent before
    readings.insert(1999, reading(1, "nobody"))
    readings.append({"machine": "m", "meter": "work", "at": BEGINNING + timedelta(days=40), "value": 1})  # it runs backward
    seen: list[Posted] = []
    posted = both(url, "post_readings", iter(readings), progress=seen.append, most=1000)
    assert (posted.sent, posted.kept, posted.same, posted.set_aside) == (2802, 2500, 300, 2)
    assert [(a["index"], a["why"]) for a in posted.aside] == [(1999, "unknown-machine"), (2801, "runs-backward")]
    assert [s.sent for s in seen] == [1000, 2000, 2802]
    assert [len(s.newly_aside) for s in seen] == [0, 1, 1]
    assert seen[-1] == posted
    waiting = both(url, "set_aside")
    assert {a["id"] for a in waiting} == {a["id"] for a in posted.aside}
    again = both(url, "post_readings", readings, most=1000)
    assert (again.kept, again.same, again.set_aside) == (0, 2800, 2)
    assert len(both(url, "readings", "m")) == 2500


def test_a_malformed_reading_refuses_its_post_and_says_where(url: str, both: Both) -> None:
    readings = [reading(n) for n in range(25)]
    readings[17]["value"] = "17"
    with pytest.raises(Refused) as told:
        both(url, "post_readings", readings, most=10)
    assert told.value.pointer == "#/17/value"
    assert str(told.value).startswith("#/17/value: ")
    assert told.value.posted is not None
    assert (told.value.posted.sent, told.value.posted.kept) == (10, 10)
    assert len(both(url, "readings", "m")) == 10


async def test_readings_come_from_an_async_source_too(url: str) -> None:
    async def source() -> AsyncIterator[Any]:
        for n in range(50):
            await asyncio.sleep(0)
            yield reading(n)

    async with AsyncClient(url) as service:
        assert (await service.post_readings(source(), most=20)).kept == 50


def test_an_answer_that_is_lost_is_told_again(url: str, both: Both, tmp_path: Path) -> None:
    """The service has kept them and the answer never arrives: sent again, they are told as kept, and are there once."""

    def lose(response: httpx.Response) -> None:
        if response.request.url.path.endswith("/readings") and response.request.method == "POST" and not lost:
            lost.append(response.request.headers["idempotency-key"])
            raise httpx.ReadError("the connection broke")

    async def lose_awaited(response: httpx.Response) -> None:
        lose(response)

    lost: list[str] = []
    sent = [reading(n) for n in range(30)]
    if both.kind == "plain":
        with httpx.Client(event_hooks={"response": [lose]}) as http, Client(url, http=http, sleep=lambda s: None) as service:
            posted = service.post_readings(sent, most=10)
    else:

        async def post() -> Posted:
            async with httpx.AsyncClient(event_hooks={"response": [lose_awaited]}) as http, AsyncClient(url, http=http) as service:
                return await service.post_readings(sent, most=10)

        posted = asyncio.run(post())
    assert len(lost) == 1
    assert (posted.sent, posted.kept, posted.same) == (30, 30, 0)
    assert len(both(url, "readings", "m")) == 30


def test_of_many_set_aside_the_first_are_remembered_and_all_are_counted() -> None:
    told: Any = {"index": 0, "id": "0" * 40, "why": "unit", "text": "", "values": {}, "mend": ""}
    answer: Any = {
        "kept": 0,
        "same": 0,
        "set_aside": 6000,
        "readings": ["set-aside"] * 6000,
        "aside": [{**told, "index": n} for n in range(6000)],
    }
    posted = Posted("r").with_answer(answer).with_answer(answer)
    assert (posted.set_aside, len(posted.aside), len(posted.newly_aside)) == (12_000, MOST_ASIDE, 6000)
    assert [a["index"] for a in (posted.aside[-1], posted.newly_aside[-1])] == [9_999, 11_999]


def test_nobody_there_is_said_with_what_was_done_by_then(both: Both) -> None:
    with pytest.raises(Unavailable) as told:
        both("http://127.0.0.1:9", "post_readings", [reading(1)], time=Time())
    assert told.value.posted is not None
    assert (told.value.posted.sent, told.value.status) == (0, None)
