"""What is due by what is kept, through the GraphQL door: the answers of REST, and no statement more for a page than for a few machines."""

from typing import Any

import pytest

from fieldworthy.graph import due
from fieldworthy.graph.shapes import type_of
from fieldworthy.wire import fleet_answers
from tests.graph_door import as_rest, ask, data, everything
from tests.keep.service import Service, statements
from tests.keep.test_machines import BALER, DOCUMENT, NAME

KEPT = type_of(fleet_answers.KeptDueAnswer)
MACHINES = "query ($first: Int) { machines(first: $first) { edges { node { id due %s } } } }"
LEAN = "{ now fit { fit } tasks { task standing used decidedBy expected { date } } }"
LEANEST = "{ tasks { task standing } }"
FLEET = """query ($first: Int, $after: String, $standing: [Standing!], $kind: TaskKind, $asOf: DateTime, $before: Date) {
  fleetDue(first: $first, after: $after, standing: $standing, kind: $kind, asOf: $asOf, before: $before) %s
}"""


async def fill(service: Service, many: int) -> None:
    """So many machines with what is told of them: readings, done records, and one that was replaced."""
    await service.publish(BALER, NAME)
    await service.post("/v1/machines", {"items": [{**DOCUMENT, "id": f"r5-{n:02}", "serial": f"R5-{417 + n:04}"} for n in range(many)]})
    readings = [
        {"machine": f"r5-{n:02}", "meter": "work", "value": 100 + 7 * n + day, "unit": "h", "at": f"2026-07-{day + 10}T06:00:00Z"}
        for n in range(many)
        for day in range(4)
    ]
    await service.post("/v1/readings", {"readings": readings})
    for n in range(0, many, 3):
        done = {"task": "roller-bearing-grease", "at": "2026-07-12T06:00:00Z", "meters": {"work": 102 + 7 * n}}
        await service.put(f"/v1/machines/r5-{n:02}/done/d-1", done)


@pytest.mark.both_databases
async def test_a_page_of_machines_with_their_tasks_takes_as_many_statements_as_a_few(service: Service) -> None:
    await fill(service, 100)
    asked = {}
    for first, tasks in ((2, LEAN), (20, LEAN), (2, LEAN), (20, LEAN), (100, LEANEST)):  # twice: the first time the rulebook is read
        with statements(service) as noted:
            told = (await data(service.http, MACHINES % tasks, first=first))["machines"]["edges"]
        assert len(told) == first
        assert all(edge["node"]["due"]["tasks"] for edge in told)
        asked[first] = len(noted)
    assert asked[100] == asked[20] == asked[2] < 20
    for edge in (await data(service.http, MACHINES % everything(KEPT), first=3))["machines"]["edges"]:
        rest = await service.get(f"/v1/machines/{edge['node']['id']}/due")
        assert as_rest(KEPT, edge["node"]["due"]) == rest
        assert fleet_answers.KeptDueAnswer.model_validate(rest).tasks


async def test_the_same_can_be_asked_of_earlier_and_of_some_tasks(service: Service) -> None:
    await fill(service, 3)
    some = 'now: "2026-07-20T06:00:00Z", noticeShare: 0.5, noticeDays: 3, tasks: ["roller-bearing-grease"]'
    query = '{ machine(id: "r5-01") { now: due(SOME) %s then: due(asOf: "2026-07-14T06:00:00Z") %s } }'.replace("SOME", some)
    told = (await data(service.http, query % (everything(KEPT), everything(KEPT))))["machine"]
    now = await service.get(
        "/v1/machines/r5-01/due",
        params={"now": "2026-07-20T06:00:00Z", "notice_share": 0.5, "notice_days": 3, "tasks": "roller-bearing-grease"},
    )
    then = await service.get("/v1/machines/r5-01/due", params={"as_of": "2026-07-14T06:00:00Z"})
    assert (as_rest(KEPT, told["now"]), as_rest(KEPT, told["then"])) == (now, then)


async def test_one_machine_that_cannot_be_answered_takes_nothing_from_the_others(service: Service) -> None:
    await fill(service, 2)
    answer = await ask(service.http, '{ machines { edges { node { id due(tasks: ["no-such-task"]) { now } } } } }')
    assert [edge["node"]["due"] for edge in answer["data"]["machines"]["edges"]] == [None, None]
    rest = (await service.http.get("/v1/machines/r5-00/due", params={"tasks": "no-such-task"})).json()
    assert answer["errors"][0]["extensions"] == {k: rest[k] for k in ("code", "status", "type", "title", "mend", "errors")}
    assert answer["errors"][0]["path"] == ["machines", "edges", 0, "node", "due"]


@pytest.mark.parametrize(
    "asked",
    [{}, {"standing": ["overdue", "due"]}, {"kind": "lubricate"}, {"asOf": "2026-07-14T06:00:00Z"}, {"before": "2026-07-20"}],
    ids=str,
)
async def test_the_fleets_list_is_that_of_rest_page_by_page(service: Service, asked: dict[str, Any]) -> None:
    await fill(service, 3)
    rest_query = {"as_of" if name == "asOf" else name: ",".join(v) if isinstance(v, list) else v for name, v in asked.items()}
    after = rest_after = None
    node = type_of(fleet_answers.FleetTask)
    for _ in range(30):
        page = (await data(service.http, FLEET % everything(due.FLEET), first=7, after=after, **asked))["fleetDue"]
        rest = await service.get("/v1/due", params={"limit": 7, **rest_query, **({"after": rest_after} if rest_after else {})})
        assert as_rest(node, [edge["node"] for edge in page["edges"]]) == rest["items"]
        whole = as_rest(due.FLEET, page)
        assert {k: v for k, v in rest.items() if k not in ("items", "next")} == {k: v for k, v in whole.items() if k in rest}
        assert page["pageInfo"]["hasNextPage"] == (rest["next"] is not None)
        after, rest_after = page["pageInfo"]["endCursor"], rest["next"]
        if rest_after is None:
            break
        assert after == rest_after
    else:
        raise AssertionError("no end")


@pytest.mark.parametrize("arguments", ['rulebook: "No"', 'site: ""', "first: 300", 'after: "WzFd"', 'before: "2026-02-30"'])
async def test_a_list_that_cannot_be_is_refused(service: Service, arguments: str) -> None:
    (error,) = (await ask(service.http, f"{{ fleetDue({arguments}) {{ stale }} }}"))["errors"]
    assert error["extensions"]["errors"][0]["code"] == "request.parameter"
