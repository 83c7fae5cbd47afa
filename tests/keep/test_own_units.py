"""A number without a unit stands for its meter's own, for ever: what would change that unit is refused, on both databases."""

import asyncio
from typing import Any

import pytest
from sqlalchemy import event

from fieldworthy.main import make_app
from fieldworthy.storage.engine import SqlStore, open_engine
from tests.doors_app import client, publish
from tests.keep.service import Service

M = "/v1/machines/m-1"
TASKS = "tasks: {grease: {title: Grease it, kind: lubricate, interval: every 12 months}}\noccurrences: {belt fitted: {}}\n"
AT = "2026-07-13T06:00:00Z"


def book(name: str = "plain", **meters: str) -> str:
    declared = "\n".join(f"  {meter.replace('_', ' ')}: {{unit: {unit}}}" for meter, unit in meters.items())
    return f"rulebook: {name}\ntitle: A plain one\n{TASKS}" + (f"meters:\n{declared}\n" if meters else "")


async def published(http: Any, text: str, name: str = "plain") -> Any:
    """The answer to a publication of a text that has no errors."""
    put = await http.put(f"/v1/rulebooks/{name}/draft", content=text.encode(), headers={"content-type": "application/yaml"})
    assert put.status_code == 200, put.text
    return await http.post(f"/v1/rulebooks/{name}/publish")


def refused(answer: Any, *places: str) -> Any:
    assert (answer.status_code, answer.json()["code"]) == (409, "rulebook.meter_unit_changed"), answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    assert [e["pointer"] for e in answer.json()["errors"]] == [f"#{place}" for place in places]
    assert all((e["mend"], e["line"], e["column"]) for e in answer.json()["errors"])
    return answer.json()


VERSIONS: list[tuple[str, list[dict[str, str]], tuple[str, ...]]] = [
    # name, the meters of one version after the other, what the last one is refused for
    ("another unit of time", [{"work": "h"}, {"work": "min"}], ("/meters/work/unit",)),
    ("another dimension", [{"bales": "bales"}, {"bales": "ha"}], ("/meters/bales/unit",)),
    ("another spelling", [{"work": "h"}, {"work": "hours"}], ()),
    ("its UCUM code", [{"cut": "acre"}, {"cut": '"[acr_us]"'}], ()),
    ("the name in other letters", [{"work_drum": "h"}, {"Work_Drum": "min"}], ("/meters/Work Drum/unit",)),
    ("dropped, and back in another unit", [{"work": "h"}, {"drum": "h"}, {"work": "min"}], ("/meters/work/unit",)),
    ("dropped, and back as it was", [{"work": "h"}, {}, {"work": "h"}], ()),
    ("long gone, and back in another unit", [{"work": "h"}, {}, {"drum": "h"}, {"work": "min"}], ("/meters/work/unit",)),
    ("one under a new name", [{"work": "h"}, {"work_minutes": "min"}], ()),
    ("two at once", [{"work": "h", "cut": "ha"}, {"cut": "acre", "work": "min"}], ("/meters/cut/unit", "/meters/work/unit")),
    ("the first one", [{"work": "min"}], ()),
]


async def test_a_version_that_changes_a_meters_own_unit(service: Service) -> None:
    """Where a number of it is kept it is refused; where none is, or all have their unit, nothing hangs on it."""
    for n, (name, versions, places) in enumerate(VERSIONS):
        for kept in ("nothing", "named", "bare"):
            called, id_ = f"{kept}-{n}", f"m-{kept}-{n}"
            for version in versions[:-1]:
                assert (await published(service.http, book(called, **version), called)).status_code == 200
                if kept == "nothing" or version is not versions[0]:
                    continue
                await service.put(f"/v1/machines/{id_}", {"rulebook": called})
                for meter, unit in version.items():
                    said = {"machine": id_, "meter": meter.replace("_", " "), "value": 100, "at": AT}
                    sent = await service.post("/v1/readings", [said if kept == "bare" else {**said, "unit": unit}])
                    assert sent["readings"] == ["kept"]
            answer = await published(service.http, book(called, **versions[-1]), called)
            if kept == "bare" and places:
                refused(answer, *(place.replace(" ", "%20") for place in places))
                stand = (await service.get(f"/v1/rulebooks/{called}/versions"))["items"]
                assert [v["version"] for v in stand] == list(range(len(versions) - 1, 0, -1))
                again = await published(service.http, book(called, **versions[-2]), called)
                assert again.json()["version"] == len(versions) - 1  # the way back
            else:
                assert (answer.status_code, answer.json()["version"]) == (200, len(versions)), (name, kept, answer.text)


async def test_what_a_refusal_says(service: Service) -> None:
    await published(service.http, book(work="h"))
    await service.put(M, {"rulebook": "plain"})
    await tell(service, "readings", {"value": 100})
    told = refused(await published(service.http, book(work="min")), "/meters/work/unit")
    what = "when readings were kept without a unit"
    assert told["detail"] == f"`work` would count min, and of the machine `m-1` it counted h by `plain@1` {what}"
    assert told["mend"] == "let it count h, or declare a meter that counts min under another name"
    assert (told["errors"][0]["line"], told["errors"][0]["column"]) == (6, 16)


async def test_a_draft_may_say_what_it_likes(service: Service) -> None:
    """It is read by nobody until it is published."""
    await published(service.http, book(work="h"))
    for text in (book(work="min"), book(work="h")):
        put = await service.http.put("/v1/rulebooks/plain/draft", content=text.encode(), headers={"content-type": "application/yaml"})
        assert put.status_code == 200
    assert (await service.http.post("/v1/rulebooks/plain/publish")).json()["version"] == 1


@pytest.mark.both_databases
async def test_a_reading_beside_a_publication_waits_for_it_or_stands_against_it(service: Service, address: str) -> None:
    """A bare reading that was kept before another unit is published stands against it, and one after it is in that unit."""
    other = SqlStore(open_engine(address), lambda: service.now)
    async with client(make_app(other, lambda: service.now, is_open=True)) as second:
        for n in range(4):
            name = f"plain-{n}"
            await publish(service.http, name, book(name, work="h"))
            await service.put(f"/v1/machines/r-{n}", {"rulebook": name})
            given, sent = await asyncio.gather(
                published(second, book(name, work="min"), name),
                service.http.post("/v1/readings", json=[{"machine": f"r-{n}", "meter": "work", "value": 100, "at": AT}]),
            )
            assert (sent.status_code, sent.json()["readings"]) == (200, ["kept"])
            [shown] = (await service.get(f"/v1/machines/r-{n}/readings"))["items"]
            if given.status_code == 200:
                assert shown["unit"] == "min"
                assert shown["kept_at"] >= given.json()["published_at"]
            else:
                refused(given, "/meters/work/unit")
                assert shown["unit"] == "h"
    await other.close()


# --- machines that go over to another rulebook ------------------------------------------------------------------------------------


async def two_books(service: Service, here: dict[str, str] | None = None, there: dict[str, str] | None = None) -> None:
    assert (await published(service.http, book("here", **(here or {"work": "h"})), "here")).status_code == 200
    assert (await published(service.http, book("there", **(there or {"work": "min"})), "there")).status_code == 200


async def tell(service: Service, kind: str, body: Any) -> None:
    """Keeps one thing of the machine: of `readings` a reading, else a record of that kind."""
    if kind == "readings":
        answer = await service.post("/v1/readings", [{"machine": "m-1", "meter": "work", "at": AT, **body}])
        assert answer["readings"] == ["kept"], answer
    elif kind == "set-aside":
        answer = await service.post("/v1/readings", [{"machine": "m-1", "meter": "work", "at": "2026-07-15T06:00:00Z", **body}])
        assert answer["readings"] == ["set-aside"], answer
    else:
        await service.put(f"{M}/{kind}/x-1", body)


KEPT: list[tuple[str, str, dict[str, Any], bool]] = [
    # name, what is told, its body, whether it stands for the meter's own unit
    ("a reading", "readings", {"value": 100}, True),
    ("a reading with its unit", "readings", {"value": 100, "unit": "h"}, False),
    ("a reading of the new unit", "readings", {"value": 6000, "unit": "min"}, False),
    ("a reading of 0", "readings", {"value": 0}, False),
    ("a reading that waits", "set-aside", {"value": 100}, True),
    ("a reading that waits, with its unit", "set-aside", {"value": 100, "unit": "h"}, False),
    ("a done record", "done", {"task": "grease", "at": AT, "meters": {"WORK": 100}}, True),
    ("a done record with its unit", "done", {"task": "grease", "at": AT, "meters": {"work": "100 h"}}, False),
    ("one as value and unit", "done", {"task": "grease", "at": AT, "meters": {"work": {"value": 100, "unit": "h"}}}, False),
    ("old history", "done", {"task": "grease", "meters": {"work": 100}}, True),
    ("a done record without meters", "done", {"task": "grease", "at": AT}, False),
    ("an occurrence", "occurrences", {"occurrence": "belt fitted", "at": AT, "meters": {"work": 100}}, True),
    ("a replaced meter", "meter-replacements", {"meter": "work", "at": AT, "old_value": 100, "new_value": 0}, True),
    ("one with its unit", "meter-replacements", {"meter": "work", "at": AT, "old_value": 100, "new_value": 0, "unit": "h"}, False),
]


@pytest.mark.parametrize(("name", "kind", "body", "bare"), KEPT, ids=[case[0] for case in KEPT])
async def test_a_machine_that_has_numbers_of_a_meter_stays_with_its_unit(
    service: Service, name: str, kind: str, body: dict[str, Any], bare: bool
) -> None:
    await two_books(service)
    await service.put(M, {"rulebook": "here"})
    await tell(service, kind, body)
    answer = await service.http.put(M, json={"rulebook": "there"})
    many = await service.http.post(
        "/v1/machines", json={"items": [{"id": "m-0", "rulebook": "here"}, {"id": "m-1", "rulebook": "there@1"}]}
    )
    if not bare:
        assert answer.status_code == 200, answer.text
        assert many.status_code == 200
        return
    assert [(e["code"], e["pointer"]) for e in answer.json()["errors"]] == [("question.other_unit_kept", "#/rulebook")]
    assert answer.json()["detail"].startswith("`work` counts min by `there`, and counted h by `here@1` when ")
    assert answer.json()["mend"] == "name a rulebook in which `work` counts h; a meter that counts min needs another name"
    assert [(e["code"], e["pointer"]) for e in many.json()["errors"]] == [("question.other_unit_kept", "#/items/1/rulebook")]
    assert (await service.get(M))["document"] == {"rulebook": "here"}
    assert [m["id"] for m in (await service.get("/v1/machines"))["items"]] == ["m-1"]


async def test_where_nothing_speaks_against_it_a_machine_goes_over(service: Service) -> None:
    await two_books(service, {"work": "h", "drum": "h"}, {"work": "hours", "bales": "bales"})
    await service.put(M, {"rulebook": "here"})
    await tell(service, "readings", {"value": 100})
    await tell(service, "done", {"task": "grease", "at": AT, "meters": {"drum": 100}})  # which `there` does not declare
    for reference in ("there", "here@1", "there@1", "here"):
        assert (await service.put(M, {"rulebook": reference}))["outcome"] == "changed"
    await service.http.delete(f"{M}/done/x-1")


async def test_by_a_roundabout_way_too(service: Service) -> None:
    """Over a rulebook that does not declare the meter: what was told before still stands for the unit of then."""
    await two_books(service)
    await published(service.http, book("between"), "between")
    await service.put(M, {"rulebook": "here@1"})
    await tell(service, "readings", {"value": 100})
    await service.put(M, {"rulebook": "between"})
    answer = await service.http.put(M, json={"rulebook": "there"})
    assert [e["code"] for e in answer.json()["errors"]] == ["question.other_unit_kept"]
    told = refused(await published(service.http, book("between", work="min", drum="h"), "between"), "/meters/work/unit")
    assert told["detail"] == (
        "`work` would count min, and of the machine `m-1` it counted h by `here@1` when readings were kept without a unit"
    )
    assert (await published(service.http, book("between", work="h"), "between")).status_code == 200
    due = await service.get(f"{M}/due", params={"now": "2026-07-14T06:00:00Z"})
    assert due["left_out"] == []


def statements_of(store: SqlStore) -> list[str]:
    """What this store's connections ask the database from now on: what goes straight through the driver too."""
    asked: list[str] = []

    def listen(connection: Any, _: Any) -> None:
        if store.engine.dialect.name == "postgresql":
            connection.driver_connection.add_query_logger(lambda query: asked.append(query.query))
        else:
            connection.run_async(lambda raw: raw.set_trace_callback(asked.append))

    event.listen(store.engine.sync_engine, "connect", listen)
    return asked


@pytest.mark.both_databases
async def test_many_machines_are_asked_together(service: Service, address: str) -> None:
    """However many follow: a publication takes the same statements, for all else that would be kept waits for its end."""
    await published(service.http, book("here", work="h"), "here")
    other = SqlStore(open_engine(address), lambda: service.now)
    asked = statements_of(other)
    taken: dict[tuple[str, int], int] = {}
    async with client(make_app(other, lambda: service.now, is_open=True)) as second:
        for first in ("here", "own"):
            for many in (1, 2, 9):  # at first a driver asks for what it needs to know of types
                own = f"{first}-{many}"
                await published(service.http, book(own), own)
                ids = [f"{own}-{n}" for n in range(many)]
                for rulebook in (own if first == "own" else "here", own):
                    await service.post("/v1/machines", {"items": [{"id": id, "rulebook": rulebook, "site": rulebook} for id in ids]})
                    if rulebook == "here":
                        told = [{"machine": id, "meter": "work", "value": 100, "unit": "h", "at": AT} for id in ids]
                        assert set((await service.post("/v1/readings", told))["readings"]) == {"kept"}
                    for id in ids:
                        await service.put(f"/v1/machines/{id}", {"rulebook": rulebook, "site": "another"})
                asked.clear()
                answer = await published(second, book(own, work="min"), own)
                assert (answer.status_code, answer.json()["version"]) == (200, 2), answer.text
                taken[first, many] = len(asked)
    await other.close()
    assert taken["here", 2] == taken["here", 9]
    assert 0 < taken["own", 2] == taken["own", 9] < taken["here", 9]  # who was never elsewhere is not asked for what is kept


@pytest.mark.parametrize(("name", "kind", "body", "bare"), KEPT, ids=[case[0] for case in KEPT])
async def test_a_version_with_a_new_meter_and_what_its_machines_have_of_it(
    service: Service, name: str, kind: str, body: dict[str, Any], bare: bool
) -> None:
    """Among machines that have nothing of it."""
    await two_books(service, there={"drum": "h"})
    for n in range(3):
        await service.put(f"/v1/machines/m-{n}", {"rulebook": "here"})
    await tell(service, kind, body)
    for n in range(3):
        await service.put(f"/v1/machines/m-{n}", {"rulebook": "there"})
    answer = await published(service.http, book("there", drum="h", work="min"), "there")
    if not bare:
        assert answer.status_code == 200, answer.text
        return
    detail = refused(answer, "/meters/work/unit")["detail"]
    assert detail.startswith("`work` would count min, and of the machine `m-1` it counted h by `here@1` when "), detail


async def test_a_version_with_a_new_meter_while_work_is_open(service: Service) -> None:
    await two_books(service, there={"drum": "h"})
    await service.put(M, {"rulebook": "here"})
    opened = await service.http.post(f"{M}/open-work", json={"work": "w-1", "task": "grease", "by": "p-1"})
    assert opened.status_code < 300, opened.text
    await service.put(M, {"rulebook": "there"})
    answer = await published(service.http, book("there", drum="h", work="min"), "there")
    assert refused(answer, "/meters/work/unit")["detail"].endswith("it counted h by `here@1` when the work `w-1` was opened")


async def test_a_meter_that_was_dropped_where_the_machine_goes(service: Service) -> None:
    """No version of `there` that is in force declares it; one of before did, and the next one may again, in that unit."""
    await two_books(service)
    await published(service.http, book("there"), "there")
    await service.put(M, {"rulebook": "here"})
    await tell(service, "readings", {"value": 100})
    answer = await service.http.put(M, json={"rulebook": "there"})
    assert [e["code"] for e in answer.json()["errors"]] == ["question.other_unit_kept"]
    assert (await service.put(M, {"rulebook": "there@2"}))["outcome"] == "changed"  # pinned, it never comes to count it


async def test_a_number_of_the_document_itself(service: Service) -> None:
    await two_books(service)
    own = {"in_service": {"on": "2024-03-01", "meters": {"work": 5}}, "usage": {"work": {"per_day": 9}}}
    await service.put(M, {"rulebook": "here", **own})
    answer = await service.http.put(M, json={"rulebook": "there", **own})
    assert [(e["code"], e["pointer"]) for e in answer.json()["errors"]] == [
        ("question.unit_needed", "#/in_service/meters/work"),
        ("question.unit_needed", "#/usage/work/per_day"),
    ]
    for said in (
        {"in_service": {"on": "2024-03-01", "meters": {"work": "5 h"}}, "usage": {"work": {"per_day": 9, "unit": "h"}}},
        {"in_service": {"on": "2024-03-01", "meters": {"work": 300}}},  # another number is meant for the new unit
        {"in_service": {"on": "2024-03-01", "meters": {"work": 0}}},
        {},
    ):
        await service.put(M, {"rulebook": "here", **own})
        assert (await service.put(M, {"rulebook": "there", **said}))["outcome"] == "changed"
        await service.put(M, {"rulebook": "here"})
    nothing = {"in_service": {"on": "2024-03-01", "meters": {"work": 0}}}  # 0 is 0 in any unit
    await service.put(M, {"rulebook": "here", **nothing})
    await service.put(M, {"rulebook": "there", **nothing})


async def test_while_work_is_open(service: Service) -> None:
    """Its record will be told in the units of the version that it was opened under."""
    await two_books(service)
    await service.put(M, {"rulebook": "here"})
    opened = await service.http.post(f"{M}/open-work", json={"work": "w-1", "task": "grease", "by": "p-1"})
    assert opened.status_code < 300, opened.text
    answer = await service.http.put(M, json={"rulebook": "there"})
    assert [(e["code"], e["pointer"]) for e in answer.json()["errors"]] == [("question.other_unit_kept", "#/rulebook")]
    assert answer.json()["detail"].endswith("when the work `w-1` was opened")


@pytest.mark.both_databases
async def test_a_reading_beside_the_change_waits_for_it_or_stands_against_it(service: Service, address: str) -> None:
    """Whichever comes first: never is a reading kept that was sent in one unit, and read in the other."""
    await two_books(service)
    other = SqlStore(open_engine(address), lambda: service.now)
    async with client(make_app(other, lambda: service.now, is_open=True)) as second:
        for n in range(6):
            await service.put(f"/v1/machines/r-{n}", {"rulebook": "here"})
            moved, sent = await asyncio.gather(
                service.http.put(f"/v1/machines/r-{n}", json={"rulebook": "there"}),
                second.post("/v1/readings", json=[{"machine": f"r-{n}", "meter": "work", "value": 100, "at": AT}]),
            )
            assert sent.status_code == 200
            if sent.json()["readings"] == ["kept"]:
                known = (await service.get(f"/v1/machines/r-{n}"))["document"]["rulebook"]
                assert known == ("there" if moved.status_code == 200 else "here")
    await other.close()
