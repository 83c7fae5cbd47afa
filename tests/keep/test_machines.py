"""Machines: put one by one and many at once, each state kept, read as of any moment; changed only from the state that was seen.

Conditional requests by RFC 9110, 13.1 (the table of web standard check values: If-Match compares strongly, If-None-Match weakly).
"""

import asyncio
from importlib.resources import files
from typing import Any

import pytest

from fieldworthy.main import make_app
from fieldworthy.storage.engine import SqlStore, open_engine
from fieldworthy.usecases.only_if import OnlyIf
from fieldworthy.wire import kept_answers as answers
from tests.doors_app import client
from tests.keep.service import Service

NAME = "plover-r5-baler"
BALER = (files("fieldworthy.demo") / "baler.yaml").read_text("utf-8")
M = "/v1/machines/r5-17"
DOCUMENT: dict[str, Any] = {
    "rulebook": NAME,
    "model": "R5",
    "serial": "R5-0417",
    "options": ["net wrap"],
    "site": "north yard",
    "timezone": "Europe/London",
    "day_starts": "05:00",
    "silent_after": 30,
    "in_service": {"on": "2024-03-01", "as": "new", "meters": {"work": 0}},
    "seasons": {"silage": [{"from": "2026-05-12", "to": "2026-09-20"}]},
    "usage": {"work": {"per_day": 9, "unit": "h"}},
    "notice": {"share": 0.1, "days": 7},
    "working_days": ["2026-07-14"],
}


def problem(answer: Any, status: int, code: str) -> Any:
    assert (answer.status_code, answer.json()["code"]) == (status, code), answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    return answer.json()


async def test_a_machine_is_made_changed_and_read_as_it_stood(service: Service) -> None:
    await service.publish(BALER, NAME)
    made = await service.http.put(M, json=DOCUMENT)
    assert (made.status_code, made.headers["etag"]) == (201, '"1"')
    first = made.json()
    answers.MachinePut.model_validate(first)
    assert (first["outcome"], first["revision"], first["document"]) == ("kept", 1, DOCUMENT)
    assert first["rulebook"]["version"] == 1
    service.later(hours=1)
    again = await service.http.put(M, json=dict(reversed(DOCUMENT.items())))
    assert (again.status_code, again.headers["etag"]) == (200, '"1"')
    assert again.json() == {**first, "outcome": "same"}  # nothing changed: not even since when it is known
    changed = await service.http.put(M, json={**DOCUMENT, "site": "south yard"})
    assert (changed.status_code, changed.headers["etag"], changed.json()["outcome"]) == (200, '"2"', "changed")
    now = await service.get(M)
    answers.KeptMachine.model_validate(now)
    assert (now["revision"], now["document"]["site"]) == (2, "south yard")
    before = await service.get(M, params={"as_of": first["known"]})
    assert before == {k: first[k] for k in ("id", "revision", "known", "document")}
    at = await service.http.get(M, params={"as_of": first["known"]})
    assert at.headers["etag"] == '"1"'
    problem(await service.http.get(M, params={"as_of": "2026-07-13T00:00:00Z"}), 404, "machine.not_yet_kept")
    problem(await service.http.get(M, params={"as_of": "2026-07-15T00:00:00Z"}), 422, "question.does_not_fit")
    problem(await service.http.get(M, params={"as_of": "yesterday"}), 422, "request.does_not_fit")


CONDITIONS = [
    # RFC 9110, 13.1.1 and 13.1.2; the state that is there is "2"
    ("PUT", M, {"if-match": '"2"'}, 200),
    ("PUT", M, {"if-match": '"1"'}, 412),
    ("PUT", M, {"if-match": 'W/"2"'}, 412),
    ("PUT", M, {"if-match": '"1", "2"'}, 200),
    ("PUT", M, {"if-match": "*"}, 200),
    ("PUT", M, {"if-none-match": "*"}, 412),
    ("PUT", M, {"if-none-match": '"2"'}, 412),
    ("PUT", M, {"if-none-match": '"1"'}, 200),
    ("PUT", "/v1/machines/new", {"if-match": "*"}, 412),
    ("PUT", "/v1/machines/new", {"if-match": '"1"'}, 412),
    ("PUT", "/v1/machines/new", {"if-none-match": "*"}, 201),
    ("PUT", M, {"if-match": "2"}, 400),
    ("PUT", M, {"if-match": '"2'}, 400),
    ("PUT", M, {"if-match": ""}, 400),
    ("PUT", M, {"if-none-match": '"1" "2"'}, 400),
    ("GET", M, {"if-none-match": '"2"'}, 304),
    ("GET", M, {"if-none-match": 'W/"2"'}, 304),
    ("GET", M, {"if-none-match": '"1", "2"'}, 304),
    ("GET", M, {"if-none-match": "*"}, 304),
    ("GET", M, {"if-none-match": '"1"'}, 200),
    ("GET", M, {"if-match": '"2"'}, 200),
    ("GET", M, {"if-match": '"1"'}, 412),
]


async def test_conditional_requests(service: Service) -> None:
    await service.publish(BALER, NAME)
    await service.put(M, {**DOCUMENT, "site": "a"})
    stands = {**DOCUMENT, "site": "b"}
    await service.put(M, stands)
    for method, path, headers, wanted in CONDITIONS:
        answer = await service.http.request(method, path, headers=headers, json=stands if method == "PUT" else None)
        assert answer.status_code == wanted, (method, path, headers, answer.text)
        if wanted == 412:
            problem(answer, 412, "machine.changed")
        if wanted == 304:
            assert (answer.content, answer.headers["etag"]) == (b"", '"2"')
    assert (await service.get(M))["revision"] == 2


@pytest.mark.parametrize(
    ("a", "b", "strong", "weak"),
    [('W/"1"', '"1"', False, True), ('"1"', '"1"', True, True), ('"2"', '"1"', False, False), ('W/"2"', '"1"', False, False)],
)
def test_tags_compare_as_the_standard_says(a: str, b: str, strong: bool, weak: bool) -> None:
    """RFC 9110, 8.8.3.2; ours are all strong."""
    match = frozenset() if a.startswith("W/") else frozenset({a})
    assert OnlyIf(match=match).matches(b) is strong
    assert OnlyIf(none=frozenset({a.removeprefix("W/")})).names(b) is weak


FAULTS: list[tuple[str, Any, str, str]] = [
    ("rulebook", "plover-r5-bailer", "question.unknown_rulebook", "/rulebook"),
    ("rulebook", "plover-r5-baler@9", "question.unknown_version", "/rulebook"),
    ("rulebook", "Plover R5", "question.reference_malformed", "/rulebook"),
    ("rulebook", "sha256:" + "0" * 64, "question.reference_malformed", "/rulebook"),
    ("rulebook", None, "request.not_a_text", "/rulebook"),
    ("rulebook", "", "request.too_short", "/rulebook"),
    ("rulebook", "x" * 201, "request.too_long", "/rulebook"),
    ("model", "R9", "question.other_machine", ""),
    ("serial", "R5-9999", "question.other_machine", ""),
    ("options", ["net rap"], "question.unknown_option", "/options/0"),
    ("timezone", "Europe/Londn", "question.timezone", "/timezone"),
    ("timezone", "../etc/passwd", "question.timezone", "/timezone"),
    ("day_starts", "24:00", "request.does_not_fit", "/day_starts"),
    *(("silent_after", days, "request.out_of_range", "/silent_after") for days in (0, 366)),
    *(("silent_after", days, "request.not_whole", "/silent_after") for days in (7.5, "7", True)),
    ("in_service", {"on": "2024-02-30"}, "question.date", "/in_service/on"),
    ("in_service", {"on": "2024-02-28", "meters": {"wrk": 0}}, "question.unknown_meter", "/in_service/meters/wrk"),
    ("in_service", {"on": "2024-02-28", "meters": {"work": "5 km"}}, "question.unit", "/in_service/meters/work"),
    ("in_service", {"on": "2024-02-28", "meters": {"work": -1}}, "question.negative", "/in_service/meters/work"),
    ("seasons", {"sileage": []}, "question.unknown_season", "/seasons/sileage"),
    ("seasons", {"silage": [{"from": "2026-06-01", "to": "2026-05-01"}]}, "question.period", "/seasons/silage/0"),
    ("usage", {"work": {"per_day": 9, "unit": "ha"}}, "question.unit", "/usage/work/per_day"),
    ("usage", {"w~/ork": {"per_day": 9}}, "question.unknown_meter", "/usage/w~0~1ork"),
    ("usage", {"work": {"per_day": -1}}, "request.out_of_range", "/usage/work/per_day"),
    ("notice", {"share": 1.5}, "request.out_of_range", "/notice/share"),
    ("working_days", ["2026-13-01"], "question.date", "/working_days/0"),
    ("working_days", ["1066-10-14"], "question.time_far_away", "/working_days/0"),
    ("site", "a\x00b", "request.control_character", "/site"),
    ("site", "x" * 121, "request.too_long", "/site"),
    ("sight", "x", "request.unknown_member", "/sight"),
    ("id", "r5-17", "request.unknown_member", "/id"),
]


def places(answer: Any) -> list[tuple[str, str]]:
    """Code and place of each finding of a problem."""
    assert answer.status_code == 422, answer.text
    assert all(e["mend"] for e in answer.json()["errors"])
    return [(e["code"], e["pointer"]) for e in answer.json()["errors"]]


async def test_a_machine_that_could_not_be_asked_about_is_not_kept(service: Service) -> None:
    await service.publish(BALER, NAME)
    for member, value, code, path in FAULTS:
        wrong = {**DOCUMENT, member: value}
        found = places(await service.http.put(M, json=wrong))
        assert (code, "#" + path) in found, (member, found)
        if member != "id":
            items = [{**DOCUMENT, "id": "good"}, {**wrong, "id": "bad"}]
            found = places(await service.http.post("/v1/machines", json={"items": items}))
            assert (code, "#/items/1" + path) in found, (member, found)
    assert (await service.get("/v1/machines"))["items"] == []  # all or nothing
    problem(await service.http.get(M), 404, "machine.unknown")


async def test_near_names_are_told(service: Service) -> None:
    await service.publish(BALER, NAME)
    wrong = await service.http.put(M, json={"rulebook": "plover-r5-baller"})
    assert "`plover-r5-baler`" in wrong.json()["errors"][0]["mend"]
    await service.put(M, DOCUMENT)
    missing = problem(await service.http.get("/v1/machines/r5-71"), 404, "machine.unknown")
    assert "`r5-17`" in missing["mend"]


IDS = ["a b", "ä-Ö", "50%", "a?b#c", "机器", "x" * 120, "..a", "%2F", "a\\b", "'; drop table machines; --"]
NO_IDS = ["%00", "a%0Ab", "%E2%80%AE", "x" * 121, "...", "%C2%85"]


async def test_ids_are_taken_as_they_are_or_refused(service: Service) -> None:
    from urllib.parse import quote

    await service.publish(BALER, NAME)
    for id in IDS:
        made = await service.put(f"/v1/machines/{quote(id, safe='')}", DOCUMENT)
        assert made["id"] == id
        assert (await service.get(f"/v1/machines/{quote(id, safe='')}"))["id"] == id
        assert (await service.get(f"/v1/machines/{quote(id, safe='')}/done"))["items"] == []
    for id in NO_IDS:
        refused = problem(await service.http.put(f"/v1/machines/{id}", json=DOCUMENT), 422, "request.does_not_fit")
        assert refused["errors"][0]["code"] == "request.id"
        problem(await service.http.get(f"/v1/machines/{id}"), 404, "machine.unknown")
        problem(await service.http.get(f"/v1/machines/{id}/found/x"), 404, "machine.unknown")
        problem(await service.http.get(f"/v1/machines/{id}/due"), 404, "machine.unknown")
    problem(await service.http.put("/v1/machines/a%2Fb", json=DOCUMENT), 404, "address.unknown")  # RFC 3986, 2.2: it parts the path
    for id in ("a/b", ".", "..", "", "a\u0000b", "x" * 121):
        refused = await service.http.post("/v1/machines", json={"items": [{**DOCUMENT, "id": id}]})
        assert refused.status_code == 422, id
        assert refused.json()["errors"][0]["pointer"] == "#/items/0/id"
    listed = [m["id"] for m in (await service.get("/v1/machines", params={"limit": 200}))["items"]]
    assert sorted(listed) == sorted(IDS)


@pytest.mark.both_databases
async def test_many_machines_at_once(service: Service) -> None:
    await service.publish(BALER, NAME)
    items = [{**DOCUMENT, "id": f"m-{i:04}", "site": f"site {i % 3}"} for i in range(1000)]
    first = await service.post("/v1/machines", {"items": items})
    answers.MachinesPut.model_validate(first)
    assert {k: first[k] for k in ("kept", "same", "changed")} == {"kept": 1000, "same": 0, "changed": 0}
    items[5] = {**items[5], "site": "elsewhere"}
    second = await service.post("/v1/machines", {"items": items[:10]})
    assert {k: second[k] for k in ("kept", "same", "changed")} == {"kept": 0, "same": 9, "changed": 1}
    twice = await service.http.post("/v1/machines", json={"items": [items[0], items[1], items[0]]})
    assert [(e["code"], e["pointer"]) for e in twice.json()["errors"]] == [("question.id_twice", "#/items/2/id")]
    more = await service.http.post("/v1/machines", json={"items": [*items, {**DOCUMENT, "id": "m-1000"}]})
    assert (more.status_code, more.json()["errors"][0]["code"]) == (422, "request.too_long")
    seen: list[str] = []
    after: dict[str, str] = {}
    while True:
        page = await service.get("/v1/machines", params={"limit": 150, **after})
        answers.Machines.model_validate(page)
        seen += [m["id"] for m in page["items"]]
        if page["next"] is None:
            break
        after = {"after": page["next"]}
    assert seen == [f"m-{i:04}" for i in range(1000)]
    sites = await service.get("/v1/machines", params={"site": "site 1", "rulebook": NAME, "limit": 3})
    assert [m["id"] for m in sites["items"]] == ["m-0001", "m-0004", "m-0007"]
    assert (await service.get("/v1/machines", params={"rulebook": f"{NAME}@1"}))["items"] == []
    for query in ("after=x", "after=WzFd", "after=W10", "limit=0", "limit=201", "site=", "site=%00", "of=1", "site=a&site=b"):
        problem(await service.http.get(f"/v1/machines?{query}"), 422, "request.does_not_fit")


@pytest.mark.both_databases
async def test_two_who_add_the_same_machine_at_once_add_one(service: Service, address: str) -> None:
    """Two replicas: neither fails, one adds it, and the other finds it there."""
    await service.publish(BALER, NAME)
    other = SqlStore(open_engine(address), lambda: service.now)
    async with client(make_app(other, lambda: service.now, is_open=True)) as second:
        for n in range(8):
            documents = [DOCUMENT, {**DOCUMENT, "site": "other"}] if n % 2 else [DOCUMENT, DOCUMENT]
            one, two = await asyncio.gather(
                service.http.put(f"/v1/machines/m-{n}", json=documents[0]), second.put(f"/v1/machines/m-{n}", json=documents[1])
            )
            assert sorted([one.status_code, two.status_code]) == [200, 201], (one.text, two.text)
            assert sorted([one.json()["revision"], two.json()["revision"]]) == ([1, 2] if n % 2 else [1, 1])
    await other.close()
    assert len((await service.get("/v1/machines"))["items"]) == 8


@pytest.mark.both_databases
async def test_of_two_changes_to_one_state_one_is_made(service: Service, address: str) -> None:
    """RFC 9110, 13.1.1: If-Match is there to prevent the lost update."""
    await service.publish(BALER, NAME)
    await service.put(M, DOCUMENT)
    other = SqlStore(open_engine(address), lambda: service.now)
    async with client(make_app(other, lambda: service.now, is_open=True)) as second:
        for n in range(8):
            tag = f'"{n + 1}"'
            given = await asyncio.gather(
                *(
                    http.put(M, json={**DOCUMENT, "site": f"{who}-{n}"}, headers={"if-match": tag})
                    for who, http in (("a", service.http), ("b", second))
                )
            )
            assert sorted(answer.status_code for answer in given) == [200, 412]
            assert (await service.get(M))["revision"] == n + 2
    await other.close()
