"""Every operation of the contract through both clients, on both databases: each example is answered as the contract shows it."""

import asyncio
import json
import re
from collections.abc import Callable, Mapping
from typing import Any

import httpx

from fieldworthy.client import Client
from fieldworthy.client.bound import many, one
from fieldworthy.client.listeners import Listening
from fieldworthy.client.open_work import OpenWork
from fieldworthy.client.records import Told
from fieldworthy.rest.examples import EXAMPLES, Example
from tests.client.both import Both
from tests.client.real import serving
from tests.contract import write
from tests.lending import lent_to_home

NOT_OFFERED = {"getHealth", "getReadiness"}
"""What the client has no method for: they are for whoever runs the service."""

Call = tuple[str, tuple[Any, ...], Mapping[str, Any]]


def _conditions(e: Example) -> dict[str, Any]:
    p = e.parameters
    return {
        **({"if_match": p["If-Match"]} if "If-Match" in p else {}),
        **({"if_new": True} if p.get("If-None-Match") == "*" else {}),
        **({"idempotency_key": p["Idempotency-Key"]} if "Idempotency-Key" in p else {}),
    }


def _query(e: Example, *names: str) -> dict[str, str]:
    return {name: e.parameters[name] for name in names if name in e.parameters}


def _shared(e: Example, *names: str) -> tuple[Any, ...]:
    return tuple(int(e.parameters[name]) if name == "version" else e.parameters[name] for name in names)


def _batch(e: Example) -> Call:
    head, *lines = (json.loads(line) for line in e.body.splitlines())
    return "due_batch", (lines,), head["defaults"]


CALLS: Mapping[str, Callable[[Example], Call]] = {
    "askDue": lambda e: ("due", (e.body,), {}),
    "askDueBatch": _batch,
    "askClearance": lambda e: ("clearance", (e.body,), {}),
    "askProcedure": lambda e: ("procedure", (e.body,), {}),
    "askParts": lambda e: ("parts", (e.body,), {}),
    "checkExpression": lambda e: ("check_expression", (e.body,), {}),
    "checkRulebook": lambda e: ("check_rulebook", (e.body,), {}),
    "putDraft": lambda e: ("put_draft", (e.parameters["name"], e.body), _conditions(e)),
    "getDraft": lambda e: ("draft", (e.parameters["name"],), {}),
    "publishRulebook": lambda e: ("publish", (e.parameters["name"],), _conditions(e)),
    "listRulebooks": lambda e: ("rulebooks", (), {}),
    "listVersions": lambda e: ("versions", (e.parameters["name"],), {}),
    "getVersion": lambda e: ("version_text", (e.parameters["name"], int(e.parameters["version"])), {}),
    "getInputs": lambda e: ("inputs", (e.parameters["name"], int(e.parameters["version"])), {}),
    "compareVersions": lambda e: ("compare", (e.parameters["name"], int(e.parameters["from"]), int(e.parameters["to"])), {}),
    "shareVersion": lambda e: ("share", _shared(e, "name", "version", "reader"), {}),
    "unshareVersion": lambda e: ("unshare", _shared(e, "name", "version", "reader"), {}),
    "listReaders": lambda e: ("readers", _shared(e, "name", "version"), {}),
    "listSharedRulebooks": lambda e: ("shared_rulebooks", (), {}),
    "getSharedVersion": lambda e: ("shared_version_text", _shared(e, "organisation", "name", "version"), {}),
    "putMachine": lambda e: ("put_machine", (e.parameters["id"], e.body), _conditions(e)),
    "postMachines": lambda e: ("post_machines", (e.body["items"],), {}),
    "getMachine": lambda e: ("machine", (e.parameters["id"],), {}),
    "listMachines": lambda e: ("machines", (), _query(e, "site", "rulebook")),
    "keepReadings": lambda e: ("post_reading_list", (e.body,), _conditions(e)),
    "keepTelematics": lambda e: ("post_telematics", (e.body,), {}),
    "listReadings": lambda e: ("readings", (e.parameters["id"],), _query(e, "meter")),
    "listSetAside": lambda e: ("set_aside", (), _query(e, "machine")),
    "acceptSetAside": lambda e: ("accept", (e.parameters["id"],), {("read_as" if k == "as" else k): v for k, v in e.body.items()}),
    "dismissSetAside": lambda e: ("dismiss", (e.parameters["id"],), e.body),
    "keepCounters": lambda e: ("post_counters", (e.body,), {}),
    "getMachineDue": lambda e: ("machine_due", (e.parameters["id"],), _query(e, "now")),
    "getFleetDue": lambda e: ("fleet_due", (), _query(e, "standing")),
    "getMachineCalendar": lambda e: ("machine_calendar", (e.parameters["id"],), {}),
    "getSiteCalendar": lambda e: ("site_calendar", (e.parameters["site"],), {}),
    "getFleetCalendar": lambda e: ("fleet_calendar", (), {}),
    "makeFeed": lambda e: ("make_feed", (), e.body),
    "listFeeds": lambda e: ("feeds", (), {}),
    "getFeed": lambda e: ("feed_calendar", (e.parameters["token"],), {}),
    "revokeFeed": lambda e: ("revoke_feed", (e.parameters["id"],), {}),
    "exportDue": lambda e: ("due_table", (), _query(e, "standing")),
    "listFleetReadings": lambda e: ("readings_table", (e.parameters["machine"],), {"first": e.parameters["from"]}),
    "exportReadings": lambda e: ("readings_csv", (), {**_query(e, "meter"), "first": e.parameters["from"]}),
    "exportMachineReadings": lambda e: ("machine_readings_csv", (e.parameters["id"],), _query(e, "meter")),
    "listEvents": lambda e: ("events", (), _query(e, "type", "machine")),
    "listAudit": lambda e: ("audit", (), _query(e, "kind", "id")),
}


LISTENING: Mapping[str, Callable[[Example], Call]] = {
    "postListener": lambda e: ("add", (e.body,), _conditions(e)),
    "listListeners": lambda e: ("all", (), {}),
    "getListener": lambda e: ("get", (e.parameters["id"],), {}),
    "putListener": lambda e: ("put", (e.parameters["id"], e.body), _conditions(e)),
    "deleteListener": lambda e: ("remove", (e.parameters["id"],), {}),
    "rotateSecret": lambda e: ("rotate", (e.parameters["id"],), e.body),
    "testListener": lambda e: ("test", (e.parameters["id"],), {}),
    "listDeliveries": lambda e: ("deliveries", (), _query(e, "listener", "state")),
    "getDelivery": lambda e: ("delivery", (_same_chance(e.parameters["id"]),), {}),
    "sendAgain": lambda e: ("again", (e.body["listener"],), {"first": e.body["from"], "until": e.body["to"]}),
}

_TESTED: dict[str, str] = {}
"""What is chance in the contract's example of a test, and what it was in the last one that was sent."""


def _same_chance(value: Any) -> Any:
    """A part of an example with the ids of the last test in place of its own."""
    text = json.dumps(value)
    for shown, was in _TESTED.items():
        text = text.replace(shown, was)
    return json.loads(text)


WORK = {
    "askKeptClearance": "clearance",
    "openWork": "open",
    "listOpenWork": "of",
    "getWork": "get",
    "beginStep": "begin",
    "finishStep": "finish",
    "handOverWork": "hand_over",
    "closeWork": "close",
    "listLocks": "locks",
    "putOn": "put_on",
    "takeOff": "take_off",
}


def call_of(e: Example) -> Call | None:
    """What of the client does what the example does; None where nothing does."""
    if e.operation in CALLS:
        return CALLS[e.operation](e)
    if e.operation in LISTENING:
        method, args, named = LISTENING[e.operation](e)
        return f"listeners.{method}", args, named
    if e.operation in WORK:
        where: list[Any] = [e.parameters[name] for name in ("id", "work") if name in e.parameters]
        where += [int(e.parameters["step"])] if "step" in e.parameters else []
        return f"open_work.{WORK[e.operation]}", (*where, e.body) if e.body is not None else tuple(where), {}
    if e.operation in NOT_OFFERED:
        return None
    found = re.fullmatch(r"/v1/machines/\{id\}/([a-z-]+)(/\{record\})?(/states)?", e.path)
    assert found is not None, f"{e.operation} is neither offered nor said to be not offered"
    attribute = found[1].replace("-", "_")
    where = [e.parameters["id"]] + ([e.parameters["record"]] if found[2] else [])
    if found[3]:
        return f"{attribute}.states", tuple(where), {}
    if e.method == "GET":
        return f"{attribute}.{'get' if found[2] else 'of'}", tuple(where), {}
    if e.method == "DELETE":
        return f"{attribute}.withdraw", tuple(where), {}
    body = e.body["items"] if e.method == "POST" else e.body
    return f"{attribute}.{e.method.lower()}", (*where, body), _conditions(e)


def shown(e: Example, told: Any) -> Any:
    """The example's answer, as far as the client gives it. told: what the client gave."""
    if e.operation == "askDueBatch":
        lines = [json.loads(line) for line in e.answer.splitlines()]
        assert lines.pop() == {"end": True, "lines": len(lines)}
        return [{**line, "line": line["line"] - 1} for line in lines]  # the client counts questions
    if e.operation == "makeFeed":
        return {**e.answer, "url": re.sub(re.escape(e.answer["path"]) + "$", "", told["url"]) + e.answer["path"]}
    if isinstance(told, list) and told and isinstance(told[0], bytes):
        assert b"".join(told).decode() == e.answer  # in whatever pieces it came
        return told
    if e.operation == "testListener":
        _TESTED[e.answer["event"]] = told["event"]
    if e.operation in ("postListener", "rotateSecret"):  # secrets are chance
        assert re.fullmatch(r"whsec_[A-Za-z0-9+/]{43}=", told["secret"])
        return {**told, **e.answer, "secret": told["secret"]}
    if e.operation in ("testListener", "listDeliveries", "getDelivery"):
        answer = _same_chance(e.answer)
        return answer["items"] if e.operation == "listDeliveries" else answer
    if e.operation == "listEvents":  # their ids are chance
        assert all(re.fullmatch(r"evt_[0-9a-f]{32}", each["id"]) for each in told)
        return [{**item, "id": each["id"]} for item, each in zip(e.answer["items"], told, strict=True)]
    if isinstance(told, list):
        pages = e.answer["items"]
        return pages if e.answer["next"] is None else [*pages, *told[len(pages) :]]
    if isinstance(told, dict) and "etag" in told:
        assert re.fullmatch(r'"\d+"', told["etag"])
        if e.operation == "getDraft":
            return {"text": e.answer, "media_type": "application/yaml", "etag": told["etag"]}
        return {**e.answer, "etag": told["etag"]}
    return e.answer


def test_each_example_is_answered_as_the_contract_shows_it(address: str, both: Both) -> None:
    differing = {}
    asyncio.run(lent_to_home(address))
    with serving(address) as url, httpx.Client(base_url=url, timeout=60) as raw:
        earlier = write.RULEBOOK.replace("every 80 h", "every 100 h").replace("needs: tailgate is closed and engine", "needs: engine")
        raw.put(f"/v1/rulebooks/{write.NAME}/draft", content=earlier, headers={"content-type": "application/yaml"}).raise_for_status()
        raw.post(f"/v1/rulebooks/{write.NAME}/publish").raise_for_status()
        for name, example in EXAMPLES.items():
            call = call_of(example)
            if call is None:
                where, query, headers = write.address({k: getattr(example, k) for k in ("path", "parameters")})
                answer = raw.request(example.method, where, params=query, headers=headers, json=example.body)
                assert answer.status_code == example.status, answer.text
                continue
            method, args, named = call
            told = both(url, method, *args, **named)
            if told != shown(example, told):
                differing[name] = (told, example.answer)
    assert differing == {}


def vars_of(room: type) -> list[tuple[str, Any]]:
    return [(name, getattr(room, name)) for name in dir(room)]


def test_what_is_not_offered_is_named_and_the_table_leaves_no_method_out() -> None:
    offered = {name for name, example in EXAMPLES.items() if call_of(example) is not None}
    assert offered | NOT_OFFERED == set(EXAMPLES)
    used = {call[0].rpartition(".")[2] for example in EXAMPLES.values() if (call := call_of(example)) is not None}
    methods = {name for room in (Client, Told, OpenWork, Listening) for name, method in vars_of(room) if isinstance(method, one | many)}
    assert methods - used == {"version", "shared_version", "fleet", "post_readings", "events_page"}  # of them there are tests of their own
