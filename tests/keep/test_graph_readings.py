"""Readings through GraphQL: what REST answers to the same, and as many statements for a page of machines as for a few."""

from typing import Any

import pytest

from fieldworthy.graph import readings
from fieldworthy.graph.own_words import spoken
from fieldworthy.graph.shapes import type_of
from fieldworthy.wire import readings_answers
from tests.graph_door import as_input, as_rest, data, everything
from tests.keep.service import Service, statements
from tests.keep.test_graph_due import fill

NODE, ITEM = type_of(readings_answers.KeptReading), type_of(readings_answers.AsideItem)
MACHINES = "query ($first: Int) { machines(first: $first) { edges { node { id readings(first: 3) KEPT } } } }"
ASIDE = "{ setAside { edges { node ITEM } pageInfo { hasNextPage } } }"
PUT = """mutation ($input: ReadingsInput!, $key: String) { keepReadings(input: $input, idempotencyKey: $key) {
  __typename ... on ReadingsAnswer { kept same setAside readings aside { index id why } } ... on Refusal { code } } }"""
SENT: list[dict[str, Any]] = [
    {"machine": "r5-00", "meter": "work", "value": 108, "unit": "h", "at": "2026-07-13T18:00:00Z"},
    {"machine": "r5-00", "meter": "work", "value": 90, "unit": "h", "at": "2026-07-13T19:00:00Z"},  # it would run backward
    {"machine": "r5-01", "meter": "wrok", "value": 90, "at": "2026-07-13T19:00:00Z"},  # there is no such meter
]


@pytest.mark.both_databases
async def test_the_readings_of_a_page_of_machines_take_as_many_statements_as_those_of_a_few(service: Service) -> None:
    await fill(service, 20)
    kept = everything(readings.KEPT)
    query = MACHINES.replace("KEPT", kept)
    asked = {}
    for first in (2, 20, 2, 20):
        with statements(service) as noted:
            edges = (await data(service.http, query, first=first))["machines"]["edges"]
        asked[first] = len(noted)
    assert asked[20] == asked[2] < 20
    for edge in edges[:5]:
        rest = await service.get(f"/v1/machines/{edge['node']['id']}/readings", params={"limit": 3})
        told = edge["node"]["readings"]
        assert as_rest(NODE, [each["node"] for each in told["edges"]]) == rest["items"]
        assert (told["pageInfo"]["hasNextPage"], told["pageInfo"]["endCursor"]) == (True, rest["next"])
        assert (told["asOf"], told["thinnedBefore"]) == (rest["as_of"], rest["thinned_before"])
        after = f'{{ machine(id: "{edge["node"]["id"]}") {{ readings(after: "{rest["next"]}", meter: "work") {kept} }} }}'
        more = (await data(service.http, after))["machine"]["readings"]
        others = await service.get(f"/v1/machines/{edge['node']['id']}/readings", params={"after": rest["next"], "meter": "work"})
        assert as_rest(NODE, [each["node"] for each in more["edges"]]) == others["items"]
        assert more["pageInfo"]["hasNextPage"] is False


async def test_readings_are_kept_set_aside_and_settled_as_through_rest(service: Service) -> None:
    await fill(service, 2)
    sent = {"readings": SENT}
    told = (await data(service.http, PUT, input=as_input(readings.READINGS.thing, sent), key="k-1"))["keepReadings"]
    assert (told["kept"], told["setAside"], told["readings"]) == (1, 2, ["kept", "set-aside", "set-aside"])
    again = (await data(service.http, PUT, input=as_input(readings.READINGS.thing, sent), key="k-1"))["keepReadings"]
    assert again == told  # the same answer, and nothing counted twice
    listed = (await data(service.http, ASIDE.replace("ITEM", everything(ITEM))))["setAside"]
    rest = await service.get("/v1/set-aside")
    assert as_rest(ITEM, [edge["node"] for edge in listed["edges"]]) == [{**item, "mend": spoken(item["mend"])} for item in rest["items"]]
    assert {item["why"] for item in rest["items"]} == {"runs-backward", "unknown-meter"}
    backward = next(item["id"] for item in rest["items"] if item["why"] == "runs-backward")
    accept = """mutation ($id: String!) { acceptSetAside(id: $id, input: {by: "p-1", why: "the dial was read wrongly before"}) {
      __typename ... on AsideItem { id settled { done by withdrawn { value unit } } } ... on Refusal { code status } } }"""
    settled = (await data(service.http, accept, id=backward))["acceptSetAside"]
    assert (settled["__typename"], settled["settled"]["done"], settled["settled"]["by"]) == ("AsideItem", "accepted", "p-1")
    assert settled["settled"]["withdrawn"]
    nothing = (await data(service.http, accept, id="0" * 40))["acceptSetAside"]
    assert nothing == {"__typename": "Refusal", "code": "set_aside.unknown", "status": 404}
    other = (await data(service.http, "{ setAside(settled: true) { edges { node { id } } } }"))["setAside"]["edges"]
    assert [edge["node"]["id"] for edge in other] == [backward]
