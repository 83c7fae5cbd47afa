"""Where a page goes on, in each list of what is kept: whatever is sent as `after` is a place of that list, or is refused."""

import base64
import json
from typing import Any

import pytest

from tests.keep.histories import publish, put_machine
from tests.keep.service import Service

pytestmark = pytest.mark.both_databases

BOOK: dict[str, Any] = {
    "rulebook": "baler",
    "title": "A machine of the tests",
    "meters": {"work": {"unit": "h", "default": True}},
    "tasks": {"grease": {"title": "Grease", "kind": "lubricate", "interval": "every 80 h"}},
}
LISTS = {
    "machines": ("/v1/machines", ["b-1"]),
    "due": ("/v1/due", [0, -1.5, "b-1", "grease"]),
    "set-aside": ("/v1/set-aside", [1, 1, "0" * 40]),
    "set-aside, settled": ("/v1/set-aside?settled=yes", [1, 1, "0" * 40]),
    "readings": ("/v1/machines/b-1/readings", [1, 1]),
    "done": ("/v1/machines/b-1/done", [1, "d-1"]),
    "found": ("/v1/machines/b-1/found", [1, "d-1"]),
    "states": ("/v1/machines/b-1/done/d-1/states", [1]),
    "open-work": ("/v1/machines/b-1/open-work", [1, "w-1"]),
    "locks": ("/v1/machines/b-1/locks", [1, "w-1"]),
}
OTHERS: dict[type, list[str]] = {
    int: ["true", "null", '"1"', "1.5", "[]", str(2**63), str(-(2**63) - 1), "1e400", "NaN"],
    float: ["false", "null", '"1"', "{}", "1e400", "Infinity", "1" * 400],
    str: ['"\\u0000"', '"b\\u0000"', '"\\ud800"', "true", "1", "null", "[]"],
}


def cursor(text: str) -> str:
    return base64.urlsafe_b64encode(text.encode()).decode().rstrip("=")


async def test_after_is_a_place_of_its_list_or_is_refused(service: Service) -> None:
    await publish(service, BOOK)
    await put_machine(service, "b-1", {"rulebook": "baler"})
    await service.put("/v1/machines/b-1/done/d-1", {"task": "grease", "on": "2026-07-01"})
    for address, place in LISTS.values():
        address += "&after=" if "?" in address else "?after="
        fits = await service.http.get(address + cursor(json.dumps(place)))
        assert fits.status_code == 200, fits.text
        texts = ["[]", "{}", "null", "[", json.dumps([*place, 1]), json.dumps(place[:-1])]
        for i, value in enumerate(place):
            each = [json.dumps(v) for v in place]
            texts += [f"[{','.join([*each[:i], other, *each[i + 1 :]])}]" for other in OTHERS[type(value)]]
        for after in (*map(cursor, texts), "%00", "%F0%9F%9A%9C", "=", "x"):
            answer = await service.http.get(address + after)
            assert (answer.status_code, answer.json().get("code")) == (422, "request.does_not_fit"), (after, answer.text)
            assert "`next`" in answer.text


NARROWED = (
    *("/v1/rulebooks?after=", "/v1/set-aside?machine=", "/v1/machines/b-1/readings?meter=", "/v1/readings.csv?meter="),
    *("/v1/machines?site=", "/v1/due?machine=", "/v1/deliveries?listener=", "/v1/events?machine=", "/v1/audit?who="),
)


async def test_what_a_list_is_narrowed_by_is_a_name_or_is_refused(service: Service) -> None:
    await publish(service, BOOK)
    await put_machine(service, "b-1", {"rulebook": "baler"})
    for address in NARROWED:
        assert (await service.http.get(f"{address}work")).status_code == 200, address
        for name in ("", "%00", "a%0Ab", "%E2%80%AE", "x" * 1001):
            answer = await service.http.get(address + name)
            assert (answer.status_code, answer.json().get("code")) == (422, "request.does_not_fit"), (address, name, answer.text)
    unknown = await service.http.get("/v1/machines/%00/readings")
    assert (unknown.status_code, unknown.json()["code"]) == (404, "machine.unknown")
    unmade = await service.http.delete("/v1/feeds/%00")
    assert (unmade.status_code, unmade.json()["code"]) == (404, "feed.unknown")
