"""Open work through GraphQL: what is asked, opened, begun, handed over and closed here is what REST tells, and the other way round."""

from typing import Any

import pytest

from fieldworthy.graph import work
from fieldworthy.graph.inputs import Input
from fieldworthy.graph.shapes import type_of
from fieldworthy.wire import work_answers
from tests.graph_door import as_input, as_rest, ask, data, everything
from tests.keep.service import Service
from tests.keep.test_open_work import M, a_baler, at_rest, seen

WORK = type_of(work_answers.Work)
REFUSAL = "... on Refusal { code status errors { code pointer } }"


async def deed(service: Service, name: str, takes: Input, answer: Any, given: dict[str, Any], about: str = "") -> Any:
    """One mutation on the machine; about: more arguments."""
    called = answer.__strawberry_definition__.name
    query = (
        f'mutation ($input: {takes.thing.name}!) {{ {name}(machine: "r5-17", {about} input: $input) '
        f"{{ __typename ... on {called} {everything(answer)} {REFUSAL} }} }}"
    )
    return (await data(service.http, query, input=as_input(takes.thing, given)))[name]


async def open_here(service: Service, id: str = "w-1", **more: Any) -> Any:
    given = {"work": id, "task": "roller-bearing-grease", "by": "p-1", "evidence": at_rest(service.now), **more}
    return await deed(service, "openWork", work.OPEN, type_of(work_answers.OpenAnswer), given)


async def test_work_goes_its_way_through_this_door(service: Service) -> None:
    await a_baler(service)
    withheld = await open_here(service, evidence=[])
    assert (withheld["opened"], withheld["work"]) == (False, None)
    by_rest = await service.post(f"{M}/open-work", {"work": "w-1", "task": "roller-bearing-grease", "by": "p-1"})
    assert as_rest(type_of(work_answers.OpenAnswer), {k: v for k, v in withheld.items() if k != "__typename"}) == by_rest
    opened = await open_here(service)
    assert (opened["opened"], opened["clearance"]["clearance"]) == (True, "granted")

    told = everything(WORK)
    listed = f'{{ work(machine: "r5-17", work: "w-1") {told} openWork(machine: "r5-17") {{ asOf edges {{ node {told} }} }} }}'
    got = await data(service.http, listed)
    rest = await service.get(f"{M}/open-work")
    assert as_rest(WORK, [edge["node"] for edge in got["openWork"]["edges"]]) == rest["items"]
    assert got["openWork"]["asOf"] == rest["as_of"]
    assert as_rest(WORK, got["work"]) == (await service.get(f"{M}/open-work/w-1"))["work"]

    taken = await open_here(service, by="p-2", evidence=at_rest(service.now, "p-2"))
    assert (taken["__typename"], taken["code"]) == ("Refusal", "work.taken")
    step = await deed(
        service,
        "beginStep",
        work.STEP,
        type_of(work_answers.StepAnswer),
        {"by": "p-1", "evidence": at_rest(service.now)},
        'work: "w-1", step: 1,',
    )
    assert step["so"]
    assert as_rest(WORK, step["work"]) == (await service.get(f"{M}/open-work/w-1"))["work"]
    begun = await deed(
        service, "handOverWork", work.HAND_OVER, type_of(work_answers.WorkAnswer), {"to": "p-2", "by": "p-3", "why": "late"}, 'work: "w-1",'
    )
    assert (begun["__typename"], begun["code"]) == ("Refusal", "work.step_begun")
    done = await deed(service, "finishStep", work.STEP, type_of(work_answers.StepAnswer), {"by": "p-1"}, 'work: "w-1", step: 1,')
    assert done["so"]
    over = await deed(
        service, "handOverWork", work.HAND_OVER, type_of(work_answers.WorkAnswer), {"to": "p-2", "by": "p-3", "why": "late"}, 'work: "w-1",'
    )
    assert over["work"]["by"] == "p-2"
    close = {"by": "p-2", "result": "not possible", "why": "rain", "leave": "as it is"}
    closed = await deed(service, "closeWork", work.CLOSE, type_of(work_answers.CloseAnswer), close, 'work: "w-1",')
    assert closed["closed"]
    assert (await service.get(f"{M}/done/w-1"))["record"]["result"] == "not possible"
    again = await data(service.http, '{ openWork(machine: "r5-17", closed: true) { edges { node { work closed { why leave } } } } }')
    assert [edge["node"] for edge in again["openWork"]["edges"]] == [{"work": "w-1", "closed": {"why": "rain", "leave": "as it is"}}]


async def test_a_question_by_what_is_kept_is_answered_as_by_rest(service: Service) -> None:
    await a_baler(service)
    await open_here(service)
    answer = type_of(work_answers.KeptClearanceAnswer)
    for given in (
        {"for": {"action": "put key in"}, "by": "p-2", "evidence": at_rest(service.now, "p-2")},
        {"for": {"task": "roller-bearing-grease", "step": 1}, "evidence": seen(service.now, engine="running")},
        {"for": {"needs": "engine is stopped"}},
    ):
        query = f'query ($input: {work.CLEARANCE.thing.name}!) {{ keptClearance(machine: "r5-17", input: $input) {everything(answer)} }}'
        got = await data(service.http, query, input=as_input(work.CLEARANCE.thing, given))
        assert as_rest(answer, got["keptClearance"]) == await service.post(f"{M}/clearance", given)


async def test_locks_are_put_on_and_taken_off_by_their_own_people(service: Service) -> None:
    await a_baler(service)
    lock = {"fact": "tailgate lock", "state": "engaged", "by": "p-1"}
    put = await deed(service, "putOn", work.PUT_ON, type_of(work_answers.PutOnAnswer), lock)
    if put["__typename"] == "Refusal":
        pytest.fail(str(put))
    assert put["new"]
    told = everything(type_of(work_answers.Lock))
    listed = f'query ($off: Boolean! = false) {{ locks(machine: "r5-17", takenOff: $off) {{ edges {{ node {told} }} }} }}'
    got = await data(service.http, listed)
    assert as_rest(type_of(work_answers.Lock), [e["node"] for e in got["locks"]["edges"]]) == (await service.get(f"{M}/locks"))["items"]
    another = await deed(service, "takeOff", work.TAKEN_OFF, work.TAKEN, {"fact": "tailgate lock", "by": "p-2"})
    assert (another["__typename"], another["code"]) == ("Refusal", "work.of_another")
    own = await deed(service, "takeOff", work.TAKEN_OFF, work.TAKEN, {"fact": "tailgate lock", "by": "p-1"})
    assert own == {"__typename": "LockTakenOff", "fact": "tailgate lock", "by": "p-1"}
    gone = await data(service.http, listed, off=True)
    assert [edge["node"]["takenOff"]["by"] for edge in gone["locks"]["edges"]] == ["p-1"]


async def test_what_is_not_there_is_an_error_with_the_code_of_rest(service: Service) -> None:
    await a_baler(service)
    told = await ask(service.http, '{ a: work(machine: "r5-17", work: "none") { work } b: work(machine: "none", work: "none") { work } }')
    assert [each["extensions"]["code"] for each in sorted(told["errors"], key=lambda each: each["path"])] == [
        "work.unknown",
        "machine.unknown",
    ]
