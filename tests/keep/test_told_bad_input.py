"""What can't be kept is refused with its place and a way out; nothing of it stays, and nothing is a fault of the service."""

from typing import Any
from urllib.parse import quote

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.keep.service import Service
from tests.keep.test_machines import places, problem
from tests.keep.test_told import TOLD, M, a_baler

DROP = object()
FAULTS: list[tuple[str, dict[str, Any], str, str]] = [
    # part of the address, members changed in what is told, code, place
    ("done", {"task": "roler-bearing-grease"}, "question.unknown_task", "/task"),
    ("done", {"task": DROP}, "request.missing", ""),
    ("done", {"task": 7}, "request.not_a_text", "/task"),
    ("done", {"task": "x" * 121}, "request.too_long", "/task"),
    ("done", {"at": "2026-07-14T06:03:00Z"}, "question.from_the_future", "/at"),
    ("done", {"at": DROP, "on": "2026-07-15"}, "question.from_the_future", "/on"),
    ("done", {"at": "2026-07-13T18:00:00"}, "time.unreadable", "/at"),
    ("done", {"at": "2026-02-30T18:00:00Z"}, "question.time", "/at"),
    ("done", {"at": "2026-07-13T24:01:00Z"}, "question.time", "/at"),
    ("done", {"at": "1066-10-14T09:00:00Z"}, "question.time_far_away", "/at"),
    ("done", {"at": "9999-12-31T23:59:59Z"}, "question.time_far_away", "/at"),
    ("done", {"at": "0001-01-01T00:00:00+14:00"}, "question.time_far_away", "/at"),
    ("done", {"on": "2026-07-13"}, "question.when", ""),
    ("done", {"at": DROP, "meters": DROP}, "question.when", ""),
    ("done", {"at": DROP, "meters": {}}, "question.when", ""),
    ("done", {"at": DROP, "meters": {"wrk": 1}}, "question.unknown_meter", "/meters/wrk"),
    ("done", {"meters": {"work": -0.1}}, "question.negative", "/meters/work"),
    ("done", {"meters": {"work": 1e16}}, "request.unreadable_value", "/meters/work"),
    ("done", {"meters": {"work": "6 ha"}}, "question.unit", "/meters/work"),
    ("done", {"meters": {f"m{i}": 1 for i in range(51)}}, "request.too_long", "/meters"),
    ("done", {"result": "perhaps"}, "request.unknown_value", "/result"),
    ("done", {"why": "x" * 2001}, "request.too_long", "/why"),
    ("done", {"points": ["x"] * 201}, "request.too_long", "/points"),
    ("done", {"used": [{"part": "PL-9", "amount": "1 g"}]}, "question.unknown_part", "/used/0/part"),
    ("done", {"by": "a\u202eb"}, "request.control_character", "/by"),
    ("done", {"by": ""}, "request.too_short", "/by"),
    ("done", {"whom": "p"}, "request.unknown_member", "/whom"),
    ("done", {"id": "another"}, "request.id", "/id"),
    ("working-conditions", {"condition": "dusts"}, "question.unknown_working_condition", "/condition"),
    ("working-conditions", {"value": "hevy"}, "question.unknown_state", "/value"),
    ("working-conditions", {"from": "2026-07-15T06:00:00Z"}, "question.from_the_future", "/from"),
    ("working-conditions", {"to": "2026-07-09T06:00:00Z"}, "question.period", ""),
    ("working-conditions", {"to": "2026-07-32T06:00:00Z"}, "question.time", "/to"),
    ("working-conditions", {"from": None}, "request.not_a_text", "/from"),
    ("occurrences", {"occurrence": "belt fittd"}, "question.unknown_occurrence", "/occurrence"),
    ("occurrences", {"at": DROP}, "question.when", ""),
    ("occurrences", {"at": DROP, "on": "2026-06-31"}, "question.date", "/on"),
    ("occurrences", {"at": "2026-07-14T06:02:01Z"}, "question.from_the_future", "/at"),
    ("evidence", {"fact": "engin"}, "question.unknown_fact", "/fact"),
    ("evidence", {"value": "halted"}, "question.unknown_state", "/value"),
    ("evidence", {"value": 5}, "question.state_needed", "/value"),
    ("evidence", {"fact": "chain oil pressure", "value": {"value": 5, "unit": "furlong"}}, "amount.unknown_unit", "/value/unit"),
    ("evidence", {"fact": "chain oil pressure", "value": "5 h"}, "question.unit_mismatch", "/value"),
    ("evidence", {"via": "heard"}, "request.unknown_value", "/via"),
    ("evidence", {"at": "2026-07-14T06:02:01Z"}, "question.from_the_future", "/at"),
    ("evidence", {"at": "2026-07-14T05:61:00Z"}, "time.unreadable", "/at"),
    ("evidence", {"at": "9999-12-31T23:59:59Z"}, "question.time_far_away", "/at"),
    ("found", {"what": ""}, "request.too_short", "/what"),
    ("found", {"what": DROP}, "request.missing", ""),
    ("found", {"task": "belt-look"}, "question.unknown_task", "/task"),
    ("found", {"then": "belt-replace"}, "question.unknown_task", "/then"),
    ("found", {"within": "10"}, "question.amount", "/within"),
    ("found", {"within": 10}, "question.amount", "/within"),
    ("found", {"within": "0 h"}, "question.amount", "/within"),
    ("found", {"within": {"value": 5, "unit": "furlong"}}, "question.amount", "/within"),
    ("found", {"then": DROP}, "question.within", ""),
    ("found", {"unfit": "yes"}, "request.not_a_flag", "/unfit"),
    ("found", {"on": "2026-07-14"}, "question.when", ""),
    ("found", {"at": DROP}, "question.when", ""),
    ("found", {"at": DROP, "on": "2026-07-15"}, "question.from_the_future", "/on"),
    ("found", {"at": DROP, "on": "2026-13-01"}, "question.date", "/on"),
    ("found", {"settled": {}}, "request.unknown_member", "/settled"),
    ("deferrals", {"task": "nothing"}, "question.unknown_task", "/task"),
    ("deferrals", {"amount": "6"}, "question.amount", "/amount"),
    ("deferrals", {"amount": "-6 h"}, "question.amount", "/amount"),
    ("deferrals", {"at": "2026-07-14T06:02:01Z"}, "question.from_the_future", "/at"),
    ("deferrals", {"why": DROP}, "request.missing", ""),
    ("meter-replacements", {"meter": "wrk"}, "question.unknown_meter", "/meter"),
    ("meter-replacements", {"old_value": -1}, "question.negative", "/old_value"),
    ("meter-replacements", {"new_value": "0"}, "request.not_a_number", "/new_value"),
    ("meter-replacements", {"unit": "km"}, "question.unit", "/old_value"),
    ("meter-replacements", {"at": "2026-07-14T06:02:01Z"}, "question.from_the_future", "/at"),
]


def changed(path: str, members: dict[str, Any]) -> dict[str, Any]:
    told = {**TOLD[path][0], **members}
    return {member: value for member, value in told.items() if value is not DROP}


async def test_each_fault_has_its_place_and_nothing_is_kept(service: Service) -> None:
    await a_baler(service)
    for path, members, code, place in FAULTS:
        wrong = changed(path, members)
        found = places(await service.http.put(f"{M}/{path}/x", json=wrong))
        assert (code, "#" + place) in found, (path, members, found)
        if "id" not in members:
            items = [{**TOLD[path][0], "id": "good"}, {**wrong, "id": "bad"}]
            found = places(await service.http.post(f"{M}/{path}", json={"items": items}))
            assert (code, "#/items/1" + place) in found, (path, members, found)
    for path in TOLD:
        assert (await service.get(f"{M}/{path}"))["items"] == []


async def test_a_clock_may_be_two_minutes_ahead(service: Service) -> None:
    await a_baler(service)
    for path in TOLD:
        member = "from" if path == "working-conditions" else "at"
        # without meters: of one moment they would contradict what the new dial of the replaced one showed
        body = changed(path, {member: "2026-07-14T06:02:00Z", "to": DROP, "meters": DROP})
        assert (await service.http.put(f"{M}/{path}/x", json=body)).status_code == 201, path


BODIES: list[tuple[bytes, int, str]] = [
    (b"", 400, "body.unreadable"),
    (b"{", 400, "body.unreadable"),
    (b"nul", 400, "body.unreadable"),
    (b'{"task": NaN}', 400, "body.unreadable"),
    (b'{"task": "walk-round", "on": "2026-07-01", "meters": {"work": Infinity}}', 400, "body.unreadable"),
    (b'{"task": "walk-round", "on": "2026-07-01", "meters": {"work": -NaN}}', 400, "body.unreadable"),
    (b"\xff\xfe", 400, "body.unreadable"),
    (b'{"task": "\xed\xa0\x80"}', 400, "body.unreadable"),
    (b'{"task": "\\ud800"}', 400, "body.unreadable"),
    (b"[" * 100_000, 400, "body.unreadable"),
    (b'{"used": ' + b'[{"part": ' * 5_000, 400, "body.unreadable"),
    (b"[]", 422, "request.does_not_fit"),
    (b"null", 422, "request.does_not_fit"),
    (b'"walk-round"', 422, "request.does_not_fit"),
    (b'{"task": "walk-round", "task": "walk-round", "on": "2026-07-01"}', 422, "request.does_not_fit"),
    (b'{"task": "walk-round", "on": "2026-07-01", "meters": {"work": 1.00000000000000001}}', 422, "request.does_not_fit"),
    (b'{"task": "walk-round", "on": "2026-07-01", "meters": {"work": 1e400}}', 422, "request.does_not_fit"),
    (b'{"task": "\\u0000", "on": "2026-07-01"}', 422, "request.does_not_fit"),
    (b'{"why": "' + b"x" * 2_000_000 + b'"}', 413, "body.too_large"),
]


async def test_bodies_that_can_not_be_read(service: Service) -> None:
    await a_baler(service)
    json_ = {"content-type": "application/json"}
    for body, status, code in BODIES:
        problem(await service.http.put(f"{M}/done/x", content=body, headers=json_), status, code)
        if not body:
            continue
        answer = await service.http.post(f"{M}/done", content=b'{"items": [' + body + b"]}", headers=json_)
        assert answer.status_code in (400, 413, 422), (body[:60], answer.text)
        problem(await service.http.put("/v1/machines/x", content=body, headers=json_), status, code)
    for headers in (
        {},
        {"content-type": "text/plain"},
        {**json_, "content-encoding": "gzip"},
        {"content-type": "application/json; charset=latin-1"},
    ):
        problem(await service.http.put(f"{M}/done/x", content=b"{}", headers=headers), 415, "body.media_type")
    for many in ({}, {"items": {}}, {"items": [1]}, {"items": [{"task": "walk-round", "on": "2026-07-01"}]}, {"items": [], "more": 1}):
        problem(await service.http.post(f"{M}/done", json=many), 422, "request.does_not_fit")
    assert (await service.post(f"{M}/done", {"items": []}))["kept"] == 0
    assert (await service.get(f"{M}/done"))["items"] == []


async def test_ids_and_queries_that_are_none(service: Service) -> None:
    await a_baler(service)
    told = TOLD["done"][0]
    for id in ("a b", "50%", "ä/ö".replace("/", "|"), "x" * 120, "q?#", "..x"):
        one = f"{M}/done/{quote(id, safe='')}"
        assert (await service.put(one, told))["id"] == id
        assert [s["record"] for s in (await service.get(f"{one}/states"))["items"]] == [told]
        assert (await service.http.delete(one)).status_code == 204
    for id in ("%00", "a%0Ab", "x" * 121, "...", "%E2%80%AE"):
        refused = problem(await service.http.put(f"{M}/done/{id}", json=told), 422, "request.does_not_fit")
        assert refused["errors"][0]["code"] == "request.id"
        for method, address in (("GET", id), ("GET", f"{id}/states"), ("DELETE", id)):
            problem(await service.http.request(method, f"{M}/done/{address}"), 404, "record.unknown")
    problem(await service.http.get(f"{M}/done/a%2Fb"), 404, "address.unknown")
    problem(await service.http.put("/v1/machines/r5-71/done/x", json=told), 404, "machine.unknown")
    problem(await service.http.post("/v1/machines/r5-71/done", json={"items": []}), 404, "machine.unknown")
    for query in (
        "limit=0",
        "limit=201",
        "limit=1e3",
        "after=%00",
        "after=e30",
        "after=WzEsMl0",
        "after=WzEsMSwxXQ",
        "about=",
        "about=%0A",
    ):
        problem(await service.http.get(f"{M}/done?{query}"), 422, "request.does_not_fit")
    far = "WzE4NDQ2NzQ0MDczNzA5NTUxNjE1LCJ4Il0"  # [18446744073709551615, "x"]: more than a column of the store holds
    problem(await service.http.get(f"{M}/done?after={far}"), 422, "request.does_not_fit")
    for as_of in (
        "2026-07-14",
        "2026-07-14T06:00:00",
        "2026-07-14T06:00:00+01:00",
        "2026-02-30T06:00:00Z",
        "0001-01-01T00:00:00+14:00",
        "%D9%A2",
    ):
        problem(await service.http.get(f"{M}/done?as_of={as_of}"), 422, "request.does_not_fit")
    problem(await service.http.get(f"{M}/done?as_of=2026-07-14T07:00:00Z"), 422, "question.does_not_fit")
    problem(await service.http.get(f"{M}/done?as_of=2026-07-13T07:00:00Z"), 404, "machine.not_yet_kept")


_TEXTS = st.one_of(
    st.text(max_size=20),
    st.sampled_from(
        ["walk-round", "dust", "heavy", "belt fitted", "engine", "stopped", "work", "seen", "6 h", "2026-07-01", "2026-07-01T06:00:00Z"]
    ),
)
_VALUES = st.recursive(
    st.one_of(st.none(), st.booleans(), st.integers(-(10**15), 10**15), st.floats(-1e9, 1e9, width=32), _TEXTS),
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(_TEXTS, inner, max_size=3)),
    max_leaves=8,
)


async def test_whatever_is_told_is_kept_as_it_is_or_refused(service: Service) -> None:
    """Bodies near to right ones, one member of each made anew: 201 and the machine can still be asked, or a problem; never a fault."""
    await a_baler(service)
    bodies: list[tuple[str, dict[str, Any]]] = []

    @given(st.sampled_from(sorted(TOLD)), st.data())
    @settings(max_examples=250, database=None, derandomize=True, suppress_health_check=list(HealthCheck), deadline=None)
    def make(path: str, data: st.DataObject) -> None:
        body = dict(TOLD[path][0])
        member = data.draw(st.sampled_from(sorted(body)))
        like = [told[member] for pair in TOLD.values() for told in pair[:2] if member in told]
        body[member] = data.draw(st.one_of(st.sampled_from(like), _VALUES))
        bodies.append((path, body))

    make()
    kept = 0
    for n, (path, body) in enumerate(bodies):
        answer = await service.http.put(f"{M}/{path}/n-{n}", json=body)
        assert answer.status_code in (201, 400, 422), (path, body, answer.text)
        if answer.status_code == 201:
            kept += 1
            assert (await service.get(f"{M}/{path}/n-{n}"))["record"] == body
            if kept % 10 == 0:
                assert (await service.http.get(f"{M}/due")).status_code == 200, (path, body)
    assert kept >= 20
    assert (await service.http.get(f"{M}/due")).status_code == 200
