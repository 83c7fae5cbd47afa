"""Machines through the GraphQL door: the same store, the same refusals, once-only mutations, pages by the connection specification."""

from typing import Any

import pytest

from tests.graph_door import ask, data
from tests.keep.service import Service
from tests.keep.test_machines import BALER, DOCUMENT, NAME, M

INPUT: dict[str, Any] = {
    "rulebook": NAME,
    "model": "R5",
    "serial": "R5-0417",
    "options": ["net wrap"],
    "site": "north yard",
    "timezone": "Europe/London",
    "dayStarts": "05:00",
    "inService": {"on": "2024-03-01", "as": "new", "meters": [{"meter": "work", "value": 0}]},
    "seasons": [{"season": "silage", "days": [{"from": "2026-05-12", "to": "2026-09-20"}]}],
    "usage": [{"meter": "work", "perDay": 9, "unit": "h"}],
    "notice": {"share": 0.1, "days": 7},
    "silentAfter": 30,
    "workingDays": ["2026-07-14"],
}
PUT = """mutation ($id: String!, $input: KeptMachineInput!, $key: String, $revision: Int) {
  putMachine(id: $id, input: $input, idempotencyKey: $key, ifRevision: $revision) {
    __typename
    ... on MachinePut { outcome checkedBy { name version } machine { id revision known document site dayStarts workingDays } }
    ... on Refusal { code status mend errors { code pointer } }
  }
}"""


async def put(service: Service, id: str = "r5-17", **more: Any) -> dict[str, Any]:
    told: dict[str, Any] = (await data(service.http, PUT, **{"id": id, "input": INPUT, **more}))["putMachine"]
    return told


async def test_a_machine_put_here_is_the_one_that_rest_puts(service: Service) -> None:
    await service.publish(BALER, NAME)
    made = await put(service)
    assert (made["__typename"], made["outcome"], made["checkedBy"]) == ("MachinePut", "kept", {"name": NAME, "version": 1})
    told = await service.get(M)
    assert told["document"] == made["machine"]["document"] == DOCUMENT
    assert {k: made["machine"][k] for k in ("id", "revision", "known")} == {k: told[k] for k in ("id", "revision", "known")}
    assert (made["machine"]["site"], made["machine"]["dayStarts"], made["machine"]["workingDays"]) == (
        "north yard",
        "05:00",
        ["2026-07-14"],
    )
    assert (await put(service))["outcome"] == "same"
    assert (await service.http.put(M, json=DOCUMENT)).json()["outcome"] == "same"
    service.later(hours=1)
    assert (await put(service, input={**INPUT, "site": "south yard"}))["outcome"] == "changed"
    query = 'query ($asOf: DateTime) { machine(id: "r5-17", asOf: $asOf) { site revision } }'
    assert (await data(service.http, query))["machine"] == {"site": "south yard", "revision": 2}
    assert (await data(service.http, query, asOf="2026-07-14T06:30:00Z"))["machine"] == {"site": "north yard", "revision": 1}


async def test_refusals_that_can_be_acted_on_are_data(service: Service) -> None:
    await service.publish(BALER, NAME)
    wrong = await put(service, input={**INPUT, "usage": [{"meter": "wrok", "perDay": 9}], "rulebook": NAME})
    assert (wrong["__typename"], wrong["code"], wrong["status"]) == ("Refusal", "question.does_not_fit", 422)
    assert wrong["errors"][0]["pointer"].startswith("#/input/usage/0")
    await put(service)
    there = await put(service, revision=0)
    assert (there["__typename"], there["code"], there["status"]) == ("Refusal", "machine.changed", 412)
    assert (await put(service, revision=1))["outcome"] == "same"


async def test_a_mutation_with_a_key_is_done_once(service: Service) -> None:
    await service.publish(BALER, NAME)
    first = await put(service, key="k-1")
    assert await put(service, key="k-1") == first  # `kept` again, not `same`
    other = await put(service, key="k-1", input={**INPUT, "site": "south yard"})
    assert (other["__typename"], other["code"]) == ("Refusal", "request.key_reused")
    assert (await service.get(M))["document"]["site"] == "north yard"


async def test_what_is_refused_elsewhere_is_an_error_with_the_same_problem(service: Service) -> None:
    answer = await ask(service.http, '{ machine(id: "nobody") { id } machines { edges { node { id } } } }')
    (error,) = answer["errors"]
    rest = (await service.http.get("/v1/machines/nobody")).json()
    assert (error["message"], error["path"]) == (rest["detail"], ["machine"])
    said = {"mend": "list them (`machines`), or put it (`putMachine`)"}
    assert error["extensions"] == {**{k: rest[k] for k in ("code", "status", "type", "title", "errors")}, **said}
    assert answer["data"] == {"machine": None, "machines": {"edges": []}}  # the other field is answered all the same


@pytest.mark.parametrize(
    ("arguments", "ids", "more"),
    [
        ("first: 2", ["a", "b"], True),
        ('first: 2, after: "b"', ["c", "d"], True),
        ("first: 10", ["a", "b", "c", "d", "e"], False),
        ("first: 5", ["a", "b", "c", "d", "e"], False),
        ("first: 0", [], True),
        ('first: 2, site: "yard 2"', ["b"], False),
    ],
)
async def test_pages_follow_the_connection_specification(service: Service, arguments: str, ids: list[str], more: bool) -> None:
    """Source: GraphQL Cursor Connections Specification, its algorithm by `first` and `after` (rows of web standard 9)."""
    await service.publish(BALER, NAME)
    sites = {id: f"yard {1 + n % 4}" for n, id in enumerate("abcde")}
    await service.post("/v1/machines", {"items": [{"id": id, "rulebook": NAME, "site": site} for id, site in sites.items()]})
    query = "{ machines%s { edges { cursor node { id } } pageInfo { hasNextPage hasPreviousPage startCursor endCursor } } }"
    cursors = {e["node"]["id"]: e["cursor"] for e in (await data(service.http, query % ""))["machines"]["edges"]}
    asked = arguments.replace('after: "b"', f'after: "{cursors["b"]}"')
    page = (await data(service.http, query % f"({asked})"))["machines"]
    assert [edge["node"]["id"] for edge in page["edges"]] == ids
    ends = [cursors[ids[0]], cursors[ids[-1]]] if ids else [None, None]
    assert page["pageInfo"] == {"hasNextPage": more, "hasPreviousPage": False, "startCursor": ends[0], "endCursor": ends[1]}


@pytest.mark.parametrize("arguments", ["first: -1", "first: 201", 'after: "?"', 'after: "WzFd"', 'site: ""'])
async def test_a_page_that_cannot_be_is_refused(service: Service, arguments: str) -> None:
    (error,) = (await ask(service.http, f"{{ machines({arguments}) {{ edges {{ cursor }} }} }}"))["errors"]
    assert error["extensions"]["code"] == "request.does_not_fit"
    assert error["extensions"]["errors"][0]["code"] == "request.parameter"
