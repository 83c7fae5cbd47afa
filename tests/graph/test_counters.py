"""Counters of 32 bits through GraphQL, as through REST: what a bus sends for "not available" spoils no other reading of the same post.

Source: SAE J1939-71, counters of four bytes: 0xFAFFFFFF is the largest, as AgIsoStack-plus-plus has it too
(`isobus_speed_distance_messages.hpp`); all ones where it is not available.
"""

from typing import Any

from tests.graph_door import data
from tests.keep.service import running

PUT = """mutation ($input: CountersInput!) { keepCounters(input: $input) {
  __typename ... on TelematicsAnswer { kept setAside leftOut { code: why } } ... on Refusal { code } } }"""
LITERAL = """mutation { keepCounters(input: {readings: [
  {machine: "m", meter: "work", at: "2026-07-14T05:00:00Z", spn: 247, raw: RAW}]}) { __typename } }"""


async def test_a_raw_number_has_all_of_its_32_bits(address: str) -> None:
    counter: dict[str, Any] = {"machine": "m", "meter": "work", "at": "2026-07-14T05:00:00Z", "spn": 247}
    async with running(address) as service:
        for raw in (2**31 - 1, 2**31, 0xFAFFFFFF, 2**32 - 1):
            sent = {"readings": [{**counter, "raw": raw}, {**counter, "raw": 6000}]}
            rest = await service.post("/v1/readings/counters", sent)
            told = (await data(service.http, PUT, input=sent))["keepCounters"]
            assert (told["kept"], told["setAside"]) == (rest["kept"], rest["set_aside"])
            assert told["leftOut"] == [{"code": each["why"]} for each in rest["left_out"]]
            written = (await data(service.http, LITERAL.replace("RAW", str(raw))))["keepCounters"]
            assert written["__typename"] == "TelematicsAnswer"
