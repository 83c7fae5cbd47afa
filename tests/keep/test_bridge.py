"""A telematics bridge's key posts and nothing else: what it is told of its own posts holds nothing of what is kept.

OWASP API Security Top 10 (2023): API3, broken object property level authorization. What its answers can't but tell is whether a reading is
kept, the same, or set aside and for which reason: so who guesses a machine's id or a value can try it, by a post that stays to be seen.
"""

import json
from collections.abc import AsyncIterator
from typing import Any

import httpx
import pytest

from fieldworthy.usecases.aside_words import SAYS, WHY
from fieldworthy.usecases.keep_keys import create_key
from fieldworthy.usecases.keys import KeyScope
from tests.doors_app import publish
from tests.keep.service import Service, running

pytestmark = pytest.mark.parametrize("address", ["sqlite"], indirect=True)

RULEBOOK = """\
rulebook: kept-rules
title: Rules
meters: {hidden hours: {unit: h, default: true}}
tasks:
  look: {title: Look, kind: inspect, interval: every 50 h}
"""
AT = "2026-07-13T06:00:00Z"
KEPT = ("kept-one", "kept-rules", "hidden", "712.4", "p-boss", "for my own reasons", "13.5")


def reading(machine: str, meter: str, value: float, at: str = AT, **more: str) -> dict[str, Any]:
    return {"machine": machine, "meter": meter, "value": value, "at": at, **more}


class Two:
    """One organisation's service, asked with a key that may do all, and with the bridge's."""

    def __init__(self, service: Service, full: str, bridge: str) -> None:
        self.service, self.full, self.bridge = service, full, bridge

    async def post(self, path: str, body: Any, key: str, **headers: str) -> httpx.Response:
        return await self.service.http.post(path, json=body, headers={"authorization": f"Bearer {key}", **headers})


@pytest.fixture
async def two(address: str) -> AsyncIterator[Two]:
    async with running(address, is_open=False) as service:
        full, bridge = [
            (await create_key(service.store, "Nine Oxen", "a test", scopes)).text for scopes in (list(KeyScope), [KeyScope.POST_READINGS])
        ]
        service.http.headers = httpx.Headers({"authorization": f"Bearer {full}"})
        await publish(service.http, "kept-rules", RULEBOOK)
        await service.put("/v1/machines/kept-one", {"rulebook": "kept-rules", "serial": "S-1"})
        for value in (712.4, 13.5):  # the second runs backward
            await service.post("/v1/readings", [reading("kept-one", "hidden hours", value, AT if value > 100 else "2026-07-13T09:00:00Z")])
        (waiting,) = (await service.get("/v1/set-aside"))["items"]
        await service.post(f"/v1/set-aside/{waiting['id']}/dismiss", {"by": "p-boss", "why": "for my own reasons"})
        yield Two(service, full, bridge)


POSTS = [
    ("unknown-machine", reading("kept-on", "hidden hours", 713)),
    ("unknown-meter", reading("kept-one", "hours", 713)),
    ("runs-backward", reading("kept-one", "hidden hours", 1, "2026-07-13T10:00:00Z")),
    ("impossible-pace", reading("kept-one", "hidden hours", 9000, "2026-07-13T10:00:00Z")),
    ("looks-like-minutes", reading("kept-one", "hidden hours", 42750, "2026-07-13T10:00:00Z")),
    ("contradicts", reading("kept-one", "hidden hours", 5)),
    ("from-the-future", reading("kept-one", "hidden hours", 713, "2026-08-13T06:00:00Z")),
    ("other-unit", reading("kept-one", "hidden hours", 713, unit="ha")),
    ("out-of-range", reading("kept-one", "hidden hours", -1)),
    ("dismissed", reading("kept-one", "hidden hours", 13.5, "2026-07-13T09:00:00Z")),
]


async def test_what_was_set_aside_tells_the_reason_and_nothing_of_what_is_kept(two: Two) -> None:
    for why, sent in POSTS:
        others = [word for word in KEPT if word not in json.dumps(sent)]
        (wide,) = (await two.post("/v1/readings", [sent], two.full)).json()["aside"]
        answer = await two.post("/v1/readings", [sent], two.bridge)
        (told,) = answer.json()["aside"]
        assert told["why"] == wide["why"] == why
        assert (told["index"], told["id"], told["values"], told["text"]) == (0, None, {}, f"{SAYS[why]}.")
        assert not [word for word in others if word in answer.text], why
    assert {why for why, _ in POSTS} >= set(WHY) - {"looks-like-seconds"}


def document(hours: float, **header: str) -> dict[str, Any]:
    return {
        "Equipment": [
            {
                "EquipmentHeader": header,
                "CumulativeOperatingHours": {"Hour": hours, "datetime": "2026-07-13T10:00:00Z"},
            }
        ]
    }


@pytest.mark.parametrize("way", ["CumulativeOperatingHours=hidden hours", ""])
async def test_a_document_tells_not_which_machine_has_a_serial_number(two: Two, way: str) -> None:
    path = f"/v1/readings/iso15143-3?{way}"
    wide = (await two.post(path, document(713, SerialNumber="S-1"), two.full)).json()
    assert [each["machine"] for each in wide["read"]] == ["kept-one"], wide
    told = (await two.post(path, document(1, SerialNumber="S-1"), two.bridge)).json()
    (read,) = told["read"]
    assert (read["machine"], read["meter"]) == ("S-1", way.partition("=")[2] or "CumulativeOperatingHours")
    assert told["set_aside"] == 1
    assert "kept-one" not in json.dumps(told)
    broken = document(1, SerialNumber="S-1")
    del broken["Equipment"][0]["CumulativeOperatingHours"]["datetime"]
    for key, machine in ((two.full, "kept-one"), (two.bridge, "S-1")):
        assert [each["machine"] for each in (await two.post(path, broken, key)).json()["left_out"]] == [machine]


async def test_counters_too(two: Two) -> None:
    counter = {"spn": 247, "bytes": "AA 00 00 00", "machine": "kept-one", "meter": "hidden hours", "at": "2026-07-13T10:00:00Z"}
    answer = await two.post("/v1/readings/counters", {"readings": [counter]}, two.bridge)
    assert (answer.json()["set_aside"], answer.json()["aside"][0]["values"]) == (1, {}), answer.text
    assert "712.4" not in answer.text


async def test_the_answer_that_another_key_had_is_not_given_to_the_bridge(two: Two) -> None:
    once = {"idempotency-key": "a-try"}
    sent = [reading("kept-one", "hidden hours", 5)]
    wide = await two.post("/v1/readings", sent, two.full, **once)
    assert "712.4" in wide.text
    assert (await two.post("/v1/readings", sent, two.full, **once)).content == wide.content
    refused = await two.post("/v1/readings", sent, two.bridge, **once)
    assert (refused.status_code, refused.json()["code"]) == (422, "request.key_reused")
    assert "712.4" not in refused.text
