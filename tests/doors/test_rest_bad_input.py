"""Bad input of every kind is answered in short time by a clear refusal, or by findings: never by a failure of the service."""

import json
from collections.abc import AsyncIterator
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from time import process_time
from typing import Any

import httpx
import pytest
import pytest_asyncio

from tests.doors_app import client, make_test_app

APP = make_test_app()
NOW = "2026-07-14T06:00:00Z"
BOOK: dict[str, Any] = {
    "rulebook": "b",
    "title": "B",
    "meters": {"engine": {"unit": "h", "default": True}},
    "occurrences": {"wheel fitted": {}},
    "working_conditions": {"dust": ["light", "heavy"]},
    "facts": {"engine": {"states": ["stopped", "running"], "known_by": ["seen"], "good_for": "2 min"}},
    "tasks": {
        "oil": {"title": "Oil", "kind": "replace", "interval": "every 100 h", "may_defer": "10 % at most 8 h"},
        "filter": {"title": "Filter", "kind": "clean", "interval": "every 50 h; when dust is heavy, every 10 h"},
        "stop": {"title": "Stop", "kind": "clean", "needs": "engine is stopped"},
    },
}


@pytest_asyncio.fixture
async def http() -> AsyncIterator[httpx.AsyncClient]:
    async with client(APP) as http:
        yield http


async def due(http: httpx.AsyncClient, now: str = NOW, **machine: Any) -> httpx.Response:
    return await http.post("/v1/due", json={"rulebook": BOOK, "now": now, "machine": machine})


def refused(response: httpx.Response, pointer: str, says: str) -> None:
    """It is a problem whose first error has this place and these words."""
    body = response.json()
    assert response.status_code == body["status"] == 422, body
    assert (body["errors"][0]["pointer"], says in body["errors"][0]["detail"]) == (pointer, True), body["errors"][0]
    assert body["errors"][0]["mend"]


@pytest.mark.parametrize(
    "number", ["9" * 20, "9" * 1900, "0." + "0" * 20 + "1", "1" * 16, "\u0661\u0662", "\N{FULLWIDTH DIGIT ONE}", "1e400"], ids=ascii
)
@pytest.mark.parametrize("text", ["every {} h", "every 10 h, within {} %", "every 10 h, within 10 % at most {} h", "every {} years"])
async def test_numbers_that_no_interval_can_have(http: httpx.AsyncClient, text: str, number: str) -> None:
    response = await http.post("/v1/expressions/check", json={"interval": text.format(number)})
    assert response.status_code == 200, response.text
    assert [f["code"] for f in response.json()["findings"]] == ["interval.odd_number"]


@pytest.mark.parametrize("amount", [5, 0, -5, 1e15, 1e-9, "5", "-5 h", "0 h", "\u0665 h", {"value": -1, "unit": "days"}], ids=str)
async def test_a_deferral_needs_an_amount_above_zero_with_a_unit(http: httpx.AsyncClient, amount: Any) -> None:
    deferral = {"task": "oil", "at": "2026-07-13T00:00:00Z", "by": "x", "why": "y", "amount": amount}
    refused(await due(http, deferrals=[deferral]), "#/machine/deferrals/0/amount", "amount")


@pytest.mark.parametrize("zone", ["localtime", "posixrules", "Factory", "right/UTC", "posix/UTC", "../UTC", "UTC\u200b", "."])
async def test_a_zone_is_a_place_and_not_the_servers_own_choice(http: httpx.AsyncClient, zone: str) -> None:
    refused(await due(http, timezone=zone), "#/machine/timezone", "is no time zone")


async def test_a_record_has_one_time(http: httpx.AsyncClient) -> None:
    record = {"task": "oil", "at": "2026-07-13T00:00:00Z", "on": "2026-07-13"}
    refused(await due(http, done=[record]), "#/machine/done/0", "`at` and `on` are both given")


@pytest.mark.parametrize(
    ("now", "says"),
    [
        ("2026-07-14T23:59:60Z", "there is no time"),
        ("2026-02-29T00:00:00Z", "there is no time"),
        ("2026-07-14T24:00:00Z", "there is no time"),
        ("2026-07-14T06:00:00+24:00", "there is no time"),
        ("9999-12-31T23:59:59Z", "out of the calendar"),
        ("0001-01-01T00:00:00+23:59", "out of the calendar"),
    ],
)
async def test_times_that_there_are_not(http: httpx.AsyncClient, now: str, says: str) -> None:
    refused(await due(http, now=now), "#/now", says)


async def test_small_letters_of_a_time_are_read(http: httpx.AsyncClient) -> None:  # RFC 3339, section 5.6, the first note
    assert (await due(http, now=NOW.lower())).status_code == 200


@pytest.mark.parametrize("now", ["9999-12-31T23:59:59Z", "9999-12-31T23:59:59-23:59", "0001-01-01T00:00:00+23:59", "2999-01-01T00:00:00Z"])
async def test_clearance_keeps_to_the_same_calendar(http: httpx.AsyncClient, now: str) -> None:
    evidence = [{"fact": "engine", "value": "stopped", "at": NOW, "via": "seen"}]
    asked = {"rulebook": BOOK, "now": now, "machine": {}, "for": {"task": "stop"}, "evidence": evidence}
    refused(await http.post("/v1/clearance", json=asked), "#/now", "out of the calendar")


@pytest.mark.parametrize(
    "body", [rb'{"document":{},"\ud800":1}', rb'{"document":"\udfff"}', rb'{"document":{"\ud800\u0041":1}}'], ids=["name", "text", "inside"]
)
async def test_half_of_a_surrogate_pair_is_no_text(http: httpx.AsyncClient, body: bytes) -> None:
    response = await http.post("/v1/rulebooks/check", content=body, headers={"content-type": "application/json"})
    assert (response.status_code, response.json()["code"]) == (400, "body.unreadable")
    assert "half of a surrogate pair" in response.json()["detail"]


async def test_half_of_a_surrogate_pair_in_a_document_is_a_finding(http: httpx.AsyncClient) -> None:
    body = rb'{"rulebook":"t","title":"\ud800"}'
    response = await http.post("/v1/rulebooks/check", content=body, headers={"content-type": "application/json"})
    assert [(f["code"], f["path"]) for f in response.json()["findings"]] == [("document.control_character", "/title")]


async def test_a_bad_reference_does_not_end_a_batch(http: httpx.AsyncClient) -> None:
    body = rb'{"ref":"\ud800","machine":{}}' + b"\n" + json.dumps({"rulebook": BOOK, "now": NOW, "machine": {}}).encode()
    response = await http.post("/v1/due/batch", content=body, headers={"content-type": "application/jsonl"})
    first, second, end = map(json.loads, response.content.splitlines())
    assert (first["ref"], first["problem"]["code"], "tasks" in second, end) == (None, "body.unreadable", True, {"end": True, "lines": 2})


MANY: list[tuple[str, dict[str, Any]]] = [
    ("unknown tasks", {"done": [{"task": f"oil{i}", "at": NOW} for i in range(20_000)]}),
    ("members", {"done": [{"x": 1}] * 40_000}),
    ("meters", {"readings": [{"meter": f"engin{i}", "value": 1, "at": NOW} for i in range(10_000)]}),
]


@pytest.mark.parametrize(("what", "machine"), MANY, ids=[what for what, _ in MANY])
async def test_thousands_of_faults_are_told_in_short(http: httpx.AsyncClient, what: str, machine: dict[str, Any]) -> None:
    began = process_time()
    response = await due(http, **machine)
    assert response.status_code == 422
    assert 1 < len(response.json()["errors"]) <= 500
    assert len(response.content) < 200_000
    assert process_time() - began < 3  # it took twenty before


def clock(minutes: int) -> str:
    return (datetime(2026, 1, 1, tzinfo=UTC) + timedelta(minutes=minutes)).isoformat()


async def test_thousands_of_stretches_are_computed_in_short(http: httpx.AsyncClient) -> None:
    told = [
        {"condition": "dust", "value": ["heavy", "light"][i % 2], "from": clock(10 * i), "to": clock(200_000 - 10 * i)}
        for i in range(10_000)
    ]
    began = process_time()
    start = {"on": "2025-01-01", "as": "new", "meters": {"engine": 0}}
    reading = {"meter": "engine", "value": 30, "at": "2026-07-14T05:00:00Z"}
    response = await due(http, in_service=start, meters=[reading], working_conditions=told)
    assert response.status_code == 200, response.text
    assert process_time() - began < 3  # it took twelve before


NAMES = [f"t{i:05}" for i in range(1900)]


@pytest.mark.parametrize(
    "task",
    [
        {"covers": ["u00000"]},
        {"uses": [{"part": "Q-00000", "amount": "1 each"}]},
        {"interval": " or ".join(f"every wheel fitedd {c}" for c in "abcd")},
    ],
    ids=["covers", "uses", "interval"],
)
async def test_a_rulebook_wrong_in_every_task_is_told_in_short(http: httpx.AsyncClient, task: dict[str, Any]) -> None:
    tasks = {name: {"title": "X", "kind": "clean", **task} for name in NAMES}
    parts = {f"P-{i:05}": {"title": "X", "unit": "each"} for i in range(1900)}
    began = process_time()
    response = await http.post("/v1/rulebooks/check", json={**BOOK, "tasks": tasks, "parts": parts})
    findings = response.json()["findings"]
    assert sum(f["severity"] == "error" for f in findings) == 201
    assert "rulebook.more_errors" in {f["code"] for f in findings}
    assert process_time() - began < 4  # it took more than fifteen before


async def test_more_warnings_than_are_told_refuse_nothing(http: httpx.AsyncClient) -> None:
    letters = "abcdefghijkl"
    facts = {
        f"fact {a}{b}{c}": {"states": ["a", "b"], "known_by": ["seen"], "good_for": "1 h"}
        for a in letters
        for b in letters
        for c in letters
    }
    tasks = {name: {"title": "X", "kind": "clean"} for name in NAMES}
    response = await http.post("/v1/rulebooks/check", json={"rulebook": "b", "title": "B", "facts": facts, "tasks": tasks})
    findings = response.json()["findings"]
    assert response.json()["rulebook"]["name"] == "b"
    assert (len(findings), findings[-1]["code"]) == (3000, "rulebook.more_warnings")


async def test_equal_numbers_that_would_be_rounded_have_a_place_each(http: httpx.AsyncClient) -> None:
    body = b'{"interval": "daily",\n "vocabulary": {"meters": {"a": 1e400,\n "b": "1e400", "c": [1e400]}}}'
    response = await http.post("/v1/expressions/check", content=body, headers={"content-type": "application/json"})
    told = [(e["pointer"], e["line"], e["column"]) for e in response.json()["errors"]]
    assert told == [("#/vocabulary/meters/a", 2, 33), ("#/vocabulary/meters/c/0", 3, 22)]


async def test_a_caller_that_sends_all_before_it_listens_hears_that_it_is_too_much() -> None:
    taken: list[int] = []
    chunks = [b" " * 100_000] * 50

    async def receive() -> dict[str, Any]:
        taken.append(1)
        return {"type": "http.request", "body": chunks[len(taken) - 1], "more_body": len(taken) < len(chunks)}

    sent: list[Any] = []

    async def send(message: Any) -> None:
        sent.append(message)

    headers = [(b"content-length", b"5000000"), (b"content-type", b"application/json")]
    scope = {"type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "scheme": "http", "query_string": b"", "method": "POST"}
    await APP({**scope, "path": "/v1/due", "raw_path": b"/v1/due", "headers": headers}, receive, send)
    assert (len(taken), sent[0]["status"]) == (50, 413)
    taken.clear()
    await APP({**scope, "path": "/v1/due", "raw_path": b"/v1/due", "headers": [*headers, (b"expect", b"100-continue")]}, receive, send)
    assert taken == []  # who asks first is not made to send


# --- safety: clearance, procedures, and rulebooks with many actions, hazards and steps ---------------------------------------


def seen(fact: str, value: Any, **more: Any) -> dict[str, Any]:
    return {"fact": fact, "value": value, "at": "2026-07-14T05:59:50Z", "via": "seen", **more}


STATES = {"known_by": ["seen"], "good_for": "1 h"}
SAFETY: dict[str, Any] = {
    "rulebook": "s",
    "title": "S",
    "facts": {
        "engine": {"states": ["stopped", "running"], **STATES},
        "lock": {"states": ["released", "engaged"], **STATES},
        "heat": {"unit": "degC", "known_by": ["sensor", "seen"], "good_for": "1 h"},
    },
    "actions": {"start engine": {"makes": "engine is running"}, "release lock": {"makes": "lock is released"}},
    "tasks": {
        "clean": {"title": "C", "kind": "clean", "holds": "engine is stopped", "steps": [{"do": "first"}, {"do": "second"}]},
        "look": {"title": "L", "kind": "inspect", "needs": "heat < 50 degC"},
    },
}


async def may(http: httpx.AsyncClient, for_: dict[str, Any], book: Any = SAFETY, **more: Any) -> httpx.Response:
    asked = {"rulebook": book, "now": NOW, "machine": {}, "for": for_, "evidence": [seen("engine", "stopped"), seen("lock", "engaged")]}
    return await http.post("/v1/clearance", json={**asked, **more})


async def check(http: httpx.AsyncClient, **more: Any) -> list[tuple[str, str]]:
    response = await http.post("/v1/rulebooks/check", json={**SAFETY, **more})
    assert response.status_code == 200, response.text
    return [(f["code"], f["path"]) for f in response.json()["findings"] if f["severity"] == "error"]


LETTERS = "bcfghjklmp"
CHAIN = [f"p{a}{b}{c}" for a in LETTERS for b in LETTERS for c in LETTERS]


@pytest.mark.parametrize("times", [1, 2])
async def test_a_thousand_procedures_inside_each_other_are_refused(http: httpx.AsyncClient, times: int) -> None:
    inner = dict(pairwise(CHAIN))
    procedures = {name: [{"follow": inner[name]}] * times if name in inner else [{"do": "x"}] for name in CHAIN}
    found = await check(http, procedures=procedures)  # it overflowed the stack before
    assert ("procedure.too_deep", f"/procedures/{CHAIN[-21]}") in found
    assert {code for code, _ in found} <= {"procedure.too_deep", "procedure.too_many_steps"}


async def test_an_unreadable_step_does_not_shift_the_places_of_those_after_it(http: httpx.AsyncClient) -> None:
    task = {"title": "T", "kind": "clean", "steps": [None, {"do": "x", "wait": "1 min"}, "strat engine"]}
    assert await check(http, tasks={"t": task}) == [
        ("rulebook.wrong_type", "/tasks/t/steps/0"),
        ("rulebook.step", "/tasks/t/steps/1"),
        ("procedure.unknown_action", "/tasks/t/steps/2"),
    ]


async def test_a_fact_of_hundreds_of_states_is_refused(http: httpx.AsyncClient) -> None:
    facts = {**SAFETY["facts"], "gear": {"states": [f"g{i}" for i in range(101)], **STATES}}
    assert await check(http, facts=facts) == [("rulebook.too_many_states", "/facts/gear/states")]
    facts["gear"]["states"].pop()
    assert await check(http, facts=facts) == []


async def test_a_thousand_works_open_on_long_tasks_are_answered_in_short(http: httpx.AsyncClient) -> None:
    deep = CHAIN[:18]
    procedures: dict[str, Any] = {name: [{"follow": after}] for name, after in pairwise(deep)}
    procedures[deep[-1]] = [{"do": "x", "holds": "lock is engaged"}] * 500
    tasks = {**SAFETY["tasks"], "long": {"title": "L", "kind": "clean", "steps": [{"follow": deep[0]}]}}
    book = {**SAFETY, "procedures": procedures, "tasks": tasks}
    works = [{"work": f"w{i}", "task": "long", "step": i % 500 + 1, "by": f"p{i}"} for i in range(1000)]
    began = process_time()
    response = await may(http, {"action": "release lock"}, book, open_work=works)
    assert response.status_code == 200, response.text
    assert len(response.json()["blocked_by"]) == 1000
    assert process_time() - began < 3  # it took fifty before


async def test_thousands_of_contradicting_reports_are_told_in_short(http: httpx.AsyncClient) -> None:
    response = await may(http, {"task": "look"}, evidence=[seen("heat", n) for n in range(9000)])
    (missing,) = response.json()["missing"]
    assert (missing["why"], len(missing["text"]) < 200, "8,996 more values" in missing["text"]) == ("contradictory", True, True)


@pytest.mark.parametrize("blank", ["\u00a0", "\u200b", "\u2003\u2060"], ids=ascii)
async def test_a_hand_over_says_something_that_can_be_seen(http: httpx.AsyncClient, blank: str) -> None:
    for member in ("to", "by", "why"):
        over = {"to": "p-2", "by": "p-1", "why": "shift end", member: blank}
        lock = {"fact": "lock", "state": "engaged", "by": "p-1", "hand_over": over}
        response = await may(http, {"action": "release lock"}, by="p-2", put_on=[lock])
        refused(response, f"#/put_on/0/hand_over/{member}", "is not said")
    refused(await may(http, {"action": "release lock"}, by=blank), "#/by", "not said who asks")


@pytest.mark.parametrize(
    ("put_on_by", "asks", "clearance"),
    [
        ("Jose\u0301", "Jos\u00e9", "granted"),  # the same name, composed otherwise (Unicode NFD and NFC)
        ("p-4 ", "p-4", "granted"),
        ("P-4", "p-4", "withheld"),  # ids may differ in case alone
        ("p-4\u200b", "p-4", "withheld"),
    ],
)
async def test_whose_a_lock_is_does_not_hang_on_how_the_name_was_typed(
    http: httpx.AsyncClient, put_on_by: str, asks: str, clearance: str
) -> None:
    lock = {"fact": "lock", "state": "engaged", "by": put_on_by}
    response = await may(http, {"action": "release lock"}, by=asks, put_on=[lock])
    assert response.json()["clearance"] == clearance, response.text


@pytest.mark.parametrize("odd", ["\u202eclean", "cle\u2066an", "clean\u2028", "cle\x00an"], ids=ascii)
async def test_names_turn_no_line_around(http: httpx.AsyncClient, odd: str) -> None:
    refused(await may(http, {"task": odd}), "#/for/task", "control character, U+")


@pytest.mark.parametrize(
    ("member", "sent", "pointer", "says", "mend"),
    [
        ("evidence", [None], "#/evidence/0", "entry 1 of `evidence` must be an object", "write {…}"),
        ("evidence", [seen("heat", None)], "#/evidence/0/value", "`null` is not a value", "write a state, or"),
        ("open_work", {}, "#/open_work", "must be a list", "write […]"),
        ("put_on", [{"fact": "lock", "state": "engaged", "by": ""}], "#/put_on/0/by", "`by` is empty", "give at least one character"),
        ("evidence", [seen("heat", "hot")], "#/evidence/0/value", "none that can be read", "as in `10 degC`"),
        (
            "evidence",
            [seen("heat", {"value": "5", "unit": "degC"})],
            "#/evidence/0/value/value",
            "`value` must be a number",
            "without quotes",
        ),
        ("evidence", [seen("heat", -273.16)], "#/evidence/0/value", "below absolute zero", "is broken"),  # 0 K is -273.15 degC (SI)
        ("evidence", [seen("heat", "-0.01 K")], "#/evidence/0/value", "below absolute zero", "is broken"),
    ],
    ids=str,
)
async def test_wrong_types_are_told_with_their_place(
    http: httpx.AsyncClient, member: str, sent: Any, pointer: str, says: str, mend: str
) -> None:
    response = await may(http, {"task": "look"}, **{member: sent})
    refused(response, pointer, says)
    assert mend in response.json()["errors"][0]["mend"]


async def test_the_coldest_that_can_be_is_taken(http: httpx.AsyncClient) -> None:
    response = await may(http, {"task": "look"}, evidence=[seen("heat", -273.15)])
    assert response.json()["clearance"] == "granted", response.text


DONE = {"step": 1, "at": "2026-07-14T05:00:00Z"}


@pytest.mark.parametrize(
    ("sent", "pointer", "says"),
    [
        ({"done": [{**DONE, "step": 2}, DONE]}, "#/done/0/step", "step 2 is named where step 1 belongs"),
        ({"done": [DONE, DONE]}, "#/done/1/step", "step 1 is named where step 2 belongs"),
        ({"done": [{**DONE, "at": "9999-12-31T23:59:59Z"}]}, "#/done/0/at", "later than now"),
        ({"done": [DONE], "begun": "0001-01-01T00:00:00+23:59"}, "#/begun", "earlier than the step before it"),
        ({"done": [DONE, {**DONE, "step": 2}], "begun": NOW}, "#/begun", "every step is done"),
        ({"done": [{**DONE, "step": n} for n in range(1, 502)]}, "#/done", "longer than 500 entries"),
        ({"begun": None}, "#/begun", "must be a text"),
        ({"task": "look"}, "#/task", "one piece of work without steps"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
async def test_odd_runs_of_a_procedure_are_refused(http: httpx.AsyncClient, sent: dict[str, Any], pointer: str, says: str) -> None:
    response = await http.post("/v1/procedure", json={"rulebook": SAFETY, "now": NOW, "machine": {}, "task": "clean", **sent})
    refused(response, pointer, says)


async def test_a_body_nested_without_end_is_told_as_that(http: httpx.AsyncClient) -> None:
    response = await http.post("/v1/procedure", content=b"[" * 200_000, headers={"content-type": "application/json"})
    assert (response.status_code, "nested too deep" in response.json()["detail"]) == (400, True)
