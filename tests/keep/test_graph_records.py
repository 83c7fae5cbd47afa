"""What is told of a machine, through GraphQL: the same store, the same states, the same refusals as through REST."""

import json
from typing import Any

import pytest

from fieldworthy.graph.inputs import input_of
from fieldworthy.graph.shapes import type_of
from fieldworthy.graph.table import TOLD as NAMES
from fieldworthy.wire import kept_answers, requests
from tests.graph_door import as_input, as_rest, ask, data, everything
from tests.keep.service import Service
from tests.keep.test_told import TOLD, M, a_baler

RECORD, PUT = type_of(kept_answers.Record), type_of(kept_answers.RecordPut)
REFUSAL = "... on Refusal { code status errors { code pointer } }"

OTHERWISE = {
    "working-conditions": {"from": "2026-06-01T06:00:00Z", "to": "2026-06-02T06:00:00Z"},
    "meter-replacements": {"at": "2026-03-01T10:00:00Z", "old_value": 50},
}
"""What is said otherwise in a second one, where no two can stand side by side that say the same."""


def names(kind: str) -> tuple[str, str, str]:
    """The query field of one, of many, and the name in mutations."""
    one, many = NAMES[kind]
    return one[:1].lower() + one[1:], many[:1].lower() + many[1:], one


async def put(service: Service, kind: str, id: str, told: Any, **more: Any) -> Any:
    _, _, one = names(kind)
    shape = input_of(requests.TOLD[kind][0], leave=("id",))
    query = (
        f"mutation ($input: {shape.thing.name}!, $id: String!, $key: String, $known: DateTime, $none: Boolean! = false) "
        f'{{ put{one}(machine: "r5-17", id: $id, input: $input, idempotencyKey: $key, ifKnown: $known, ifNone: $none) '
        f"{{ __typename ... on RecordPut {everything(PUT)} {REFUSAL} }} }}"
    )
    return (await data(service.http, query, input=as_input(shape.thing, told), id=id, **more))[f"put{one}"]


@pytest.mark.parametrize("kind", TOLD)
async def test_a_record_told_here_is_the_one_that_rest_gives(service: Service, kind: str) -> None:
    await a_baler(service)
    told, corrected, about = TOLD[kind]
    field, fields, one = names(kind)
    made = await put(service, kind, "a-1", told)
    assert (made["__typename"], made["outcome"]) == ("RecordPut", "kept")
    assert await service.get(f"{M}/{kind}/a-1") == {"id": "a-1", "known": made["known"], "record": told}
    assert (await put(service, kind, "a-1", told))["outcome"] == "same"
    service.later(hours=1)
    there = await put(service, kind, "a-1", corrected, none=True)
    assert (there["__typename"], there["code"], there["status"]) == ("Refusal", "record.changed", 412)
    assert (await put(service, kind, "a-1", corrected, known=made["known"]))["outcome"] == "corrected"
    await service.put(f"{M}/{kind}/b-1", {**told, **OTHERWISE.get(kind, {})})

    asked = (
        f'{{ one: {field}(machine: "r5-17", id: "a-1") {everything(RECORD)} '
        f'many: {fields}(machine: "r5-17", first: 1) {{ asOf pageInfo {{ hasNextPage endCursor }} edges {{ node {everything(RECORD)} }} }} '
        f'about: {fields}(machine: "r5-17", about: {json.dumps(about)}) {{ edges {{ node {{ id }} }} }} '
        f'states: {field}States(machine: "r5-17", id: "a-1") {{ edges {{ node {{ known superseded record }} }} }} }}'
    )
    got = await data(service.http, asked)
    assert as_rest(RECORD, got["one"]) == await service.get(f"{M}/{kind}/a-1")
    first = await service.get(f"{M}/{kind}", params={"limit": 1})
    assert as_rest(RECORD, [edge["node"] for edge in got["many"]["edges"]]) == first["items"]
    assert (got["many"]["asOf"], got["many"]["pageInfo"]) == (first["as_of"], {"hasNextPage": True, "endCursor": first["next"]})
    assert {edge["node"]["id"] for edge in got["about"]["edges"]} == {i["id"] for i in (await service.get(f"{M}/{kind}"))["items"]}
    states = [edge["node"] for edge in got["states"]["edges"]]
    assert states == (await service.get(f"{M}/{kind}/a-1/states"))["items"]

    withdraw = f'mutation {{ withdraw{one}(machine: "r5-17", id: "b-1") {{ __typename ... on RecordWithdrawn {{ id }} {REFUSAL} }} }}'
    assert (await data(service.http, withdraw))[f"withdraw{one}"] == {"__typename": "RecordWithdrawn", "id": "b-1"}
    assert (await service.http.get(f"{M}/{kind}/b-1")).status_code == 404
    gone = await ask(service.http, f'{{ {field}(machine: "r5-17", id: "b-1") {{ id }} }}')
    assert gone["errors"][0]["extensions"]["code"] == "record.unknown"


@pytest.mark.parametrize("kind", TOLD)
async def test_many_are_told_at_once_or_none(service: Service, kind: str) -> None:
    await a_baler(service)
    many, shape = NAMES[kind][1], input_of(requests.TOLD[kind][1])
    query = (
        f'mutation ($input: {shape.thing.name}!) {{ post{many}(machine: "r5-17", input: $input) '
        f"{{ __typename ... on RecordsPut {{ kept same corrected }} {REFUSAL} }} }}"
    )
    good = {"items": [{"id": "a-1", **TOLD[kind][0]}]}
    counts = (await data(service.http, query, input=as_input(shape.thing, good)))[f"post{many}"]
    assert counts == {"__typename": "RecordsPut", "kept": 1, "same": 0, "corrected": 0}
    again = (await data(service.http, query, input=as_input(shape.thing, good)))[f"post{many}"]
    assert again["same"] == 1
    named = {"done": "task", "working-conditions": "condition", "occurrences": "occurrence", "evidence": "fact", "found": "task"}
    member = named.get(kind, "meter" if kind == "meter-replacements" else "task")
    wrong = {"items": [{"id": "a-2", **TOLD[kind][0]}, {"id": "a-3", **TOLD[kind][0], member: "no such name"}]}
    refused = (await data(service.http, query, input=as_input(shape.thing, wrong)))[f"post{many}"]
    by_rest = (await service.http.post(f"{M}/{kind}", json=wrong)).json()
    assert (refused["__typename"], refused["code"]) == ("Refusal", by_rest["code"])
    assert [e["code"] for e in refused["errors"]] == [e["code"] for e in by_rest["errors"]]
    assert all(e["pointer"].startswith("#/input/items/1") for e in refused["errors"])
    assert (await service.http.get(f"{M}/{kind}/a-2")).status_code == 404


async def test_a_record_with_a_key_is_told_once(service: Service) -> None:
    await a_baler(service)
    first = await put(service, "done", "a-1", TOLD["done"][0], key="k-1")
    assert await put(service, "done", "a-1", TOLD["done"][0], key="k-1") == first
    other = await put(service, "done", "a-2", TOLD["done"][0], key="k-1")
    assert (other["__typename"], other["code"]) == ("Refusal", "request.key_reused")
