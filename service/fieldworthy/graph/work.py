"""Open work: asked and opened in one transaction, so that two phones can't both be granted what excludes the other."""

from collections.abc import Awaitable, Callable, Sequence
from typing import Annotated, Any

import strawberry

from fieldworthy.core.base.finding import Finding, Refused
from fieldworthy.core.base.micros import micros_text
from fieldworthy.graph.context import Info
from fieldworthy.graph.fields import field, mutation
from fieldworthy.graph.inputs import Given, Input, input_of
from fieldworthy.graph.pages import PAGE, connection_of, first_of, page, query_of
from fieldworthy.graph.records import After, AsOf, First, Machine, machine_of
from fieldworthy.graph.repeats import ONCE, Key, once
from fieldworthy.graph.scalars import DateTime
from fieldworthy.graph.shapes import make_type, member, type_of
from fieldworthy.usecases.kept import Kept
from fieldworthy.usecases.open_work import find_work
from fieldworthy.usecases.work_deeds import Deed
from fieldworthy.usecases.work_lists import Listed, list_locks, list_work
from fieldworthy.wire import requests, work_answers
from fieldworthy.wire.cursor import write_cursor
from fieldworthy.wire.moments import read_as_of
from fieldworthy.wire.parameters import MEND_ID, after_record, is_id, shown, whole_number
from fieldworthy.wire.work_json import moment_of, opened_json, overtaken_json, said_json, stepped_json, work_json

_PEOPLE = " The machine's handbook, local rules and trained people come first."
_AS_OF = [member("asOf", DateTime, None, "as_of")]
WORKS = connection_of(
    type_of(work_answers.Work),
    "Work",
    "A page of a machine's work, what was opened last first. asOf: with it the other pages are of the same state of things.",
    _AS_OF,
)
LOCKS = connection_of(
    type_of(work_answers.Lock),
    "Lock",
    "A page of locks and covers, what was put on last first. asOf: with it the other pages are of the same state of things.",
    _AS_OF,
)
TAKEN = make_type("LockTakenOff", [member("fact", str), member("by", str)], "A lock or cover that is off.")

CLEARANCE, OPEN, STEP = input_of(requests.KEPT_CLEARANCE), input_of(requests.OPEN_WORK), input_of(requests.STEP)
CLOSE, HAND_OVER = input_of(requests.CLOSE), input_of(requests.HAND_OVER)
PUT_ON, TAKEN_OFF = input_of(requests.PUT_ON), input_of(requests.TAKEN_OFF)

ASKED = ("machine.unknown", "rulebook.unknown", "rulebook.version_unknown", "question.does_not_fit", *ONCE)
IN_HAND = (*ASKED, "work.unknown", "work.closed", "work.of_another")
_RECORD = ("meters", "points", "found", "measured", "used")

WorkId = Annotated[str, strawberry.argument(description="the work's id")]
StepNumber = Annotated[int, strawberry.argument(description="counted from 1")]
Closed = Annotated[bool, strawberry.argument(description="those that were closed, and not those that are open")]
Off = Annotated[bool, strawberry.argument(description="those that were taken off, and not those that are on")]


@field(
    "askKeptClearance",
    type_of(work_answers.KeptClearanceAnswer),
    "May this start now on this machine, by the evidence, the open work and the locks that are kept of it, and those that come along. "
    "Nothing is opened and nothing is kept." + _PEOPLE,
    CLEARANCE,
)
async def kept_clearance(info: Info, machine: Machine, input: Annotated[Given, strawberry.argument(graphql_type=CLEARANCE.type)]) -> Any:
    given, asked = CLEARANCE.read(input), info.context.asked
    as_of, now = moment_of(given, "as_of"), moment_of(given, "now")
    with asked.keeping.tally.evaluating("clearance"):
        async with asked.keeping.store.look(info.context.organisation, as_of) as kept:
            answered, seen = await asked.deeds.ask(kept, machine, given, as_of, now if now is not None else as_of)
    return {**answered.to_json(), "as_of": micros_text(seen.known), "overtaken": overtaken_json(seen.overtaken())}


@field("listOpenWork", WORKS, "The work of a machine: what is open, or what was closed; what was opened last first.")
async def open_work(
    info: Info, machine: Machine, closed: Closed = False, first: First = PAGE, after: After = None, as_of: AsOf = None
) -> Any:
    query = query_of(after=after, as_of=as_of)
    limit, before, moment = first_of(first), after_record(query), read_as_of(query)
    async with info.context.asked.keeping.store.look(info.context.organisation, moment) as kept:
        found = await list_work(kept, machine_of(machine), closed, max(limit, 1), before, moment)
    return _listed(found, [work_json(each) for each in found.items], limit)


@field("listLocks", LOCKS, "The locks and covers of a machine, what was put on last first.")
async def locks(info: Info, machine: Machine, taken_off: Off = False, first: First = PAGE, after: After = None, as_of: AsOf = None) -> Any:
    query = query_of(after=after, as_of=as_of)
    limit, before, moment = first_of(first), after_record(query), read_as_of(query)
    async with info.context.asked.keeping.store.look(info.context.organisation, moment) as kept:
        found = await list_locks(kept, machine_of(machine), taken_off, max(limit, 1), before, moment)
    return _listed(found, found.items, limit)


@field("getWork", type_of(work_answers.Work), "One piece of work, open or closed.")
async def work(info: Info, machine: Machine, work: WorkId) -> Any:
    async with info.context.asked.keeping.store.look(info.context.organisation) as kept:
        return work_json(await find_work(kept, await info.context.asked.scene(kept, machine), work))


async def _deed(
    info: Info, key: str | None, takes: Input, input: Given, about: dict[str, Any], do: Callable[[Kept, Any], Awaitable[dict[str, Any]]]
) -> dict[str, Any]:
    """One deed on one machine, done once. about: the other arguments."""
    given = takes.read(input)
    return await once(info, key, {**about, "input": given}, lambda kept: do(kept, given), given.get("by"))


OfStep = Callable[[Kept, str, str, int, Any], Awaitable[Deed]]


async def _step(info: Info, key: str | None, input: Given, machine: str, work: str, step: int, deed: OfStep) -> dict[str, Any]:
    """A step is begun, or said to be done. Raises Refused for the number of a step that no task has."""
    number = whole_number("step", str(step), 1, 10_000)

    async def do(kept: Kept, given: Any) -> dict[str, Any]:
        return stepped_json(await deed(kept, machine, work, number, given))

    return await _deed(info, key, STEP, input, {"machine": machine, "work": work, "step": step}, do)


@mutation(
    "openWork",
    type_of(work_answers.OpenAnswer),
    "Asks whether the task may start, and opens the work where it may, in one transaction: of two who ask at once for what excludes the "
    "other, one is granted. Where it may not start, the answer says what stands against it, and nothing is opened." + _PEOPLE,
    OPEN,
    (*ASKED, "work.taken", "work.of_another", "record.taken"),
)
async def open_(info: Info, machine: Machine, input: Annotated[Given, strawberry.argument(graphql_type=OPEN.type)], key: Key = None) -> Any:
    async def do(kept: Kept, given: Any) -> dict[str, Any]:
        if not is_id(given["work"]):
            raise Refused([Finding("request.id", f"`{shown(given['work'])}` can't be the id of work", MEND_ID, path="/work")])
        return opened_json(await info.context.asked.deeds.open(kept, machine, given["work"], given["task"], given))

    return await _deed(info, key, OPEN, input, {"machine": machine}, do)


@mutation(
    "beginStep",
    type_of(work_answers.StepAnswer),
    "Asks whether the next step may start, and begins it where it may, in one transaction. The step before it, if it was begun, is taken "
    "to be done." + _PEOPLE,
    STEP,
    (*IN_HAND, "work.step_out_of_order"),
)
async def begin_step(
    info: Info,
    machine: Machine,
    work: WorkId,
    step: StepNumber,
    input: Annotated[Given, strawberry.argument(graphql_type=STEP.type)],
    key: Key = None,
) -> Any:
    return await _step(info, key, input, machine, work, step, info.context.asked.deeds.begin)


@mutation(
    "finishStep",
    type_of(work_answers.StepAnswer),
    "Says that a step is done. The answer says what comes next, and whether it may start." + _PEOPLE,
    STEP,
    (*IN_HAND, "work.step_out_of_order"),
)
async def finish_step(
    info: Info,
    machine: Machine,
    work: WorkId,
    step: StepNumber,
    input: Annotated[Given, strawberry.argument(graphql_type=STEP.type)],
    key: Key = None,
) -> Any:
    return await _step(info, key, input, machine, work, step, info.context.asked.deeds.finish)


@mutation(
    "handOverWork",
    type_of(work_answers.WorkAnswer),
    "Hands work over from whoever has it in hand to another, with who decided it and why. Not while a step is begun: whoever began it says "
    "first that it is done, for only they know where it stands.",
    HAND_OVER,
    (*IN_HAND, "work.step_begun"),
)
async def hand_over_work(
    info: Info,
    machine: Machine,
    work: WorkId,
    input: Annotated[Given, strawberry.argument(graphql_type=HAND_OVER.type)],
    key: Key = None,
) -> Any:
    async def do(kept: Kept, given: Any) -> dict[str, Any]:
        done = await info.context.asked.deeds.hand_over(kept, machine, work, given)
        return {"work": work_json(done.work)}

    return await _deed(info, key, HAND_OVER, input, {"machine": machine, "work": work}, do)


@mutation(
    "closeWork",
    type_of(work_answers.CloseAnswer),
    "Closes work: what it holds ends, and a done record of the same id is kept. What the steps changed must be put back first, or `leave` "
    "says why it stays. The same once more changes nothing.",
    CLOSE,
    (*IN_HAND, "work.step_out_of_order", "record.taken"),
)
async def close_work(
    info: Info,
    machine: Machine,
    work: WorkId,
    input: Annotated[Given, strawberry.argument(graphql_type=CLOSE.type)],
    key: Key = None,
) -> Any:
    async def do(kept: Kept, given: Any) -> dict[str, Any]:
        told = {**given, "record": {each: given[each] for each in _RECORD if each in given}}
        done = await info.context.asked.deeds.close(kept, machine, work, told)
        return {"closed": done.done, "work": work_json(done.work), "procedure": said_json(done)}

    return await _deed(info, key, CLOSE, input, {"machine": machine, "work": work}, do)


@mutation(
    "putOn",
    type_of(work_answers.PutOnAnswer),
    "Says that a lock or cover was put on. It stays until whoever put it on (or whom it was handed over to) takes it off.",
    PUT_ON,
    (*ASKED, "work.of_another"),
)
async def put_on(
    info: Info, machine: Machine, input: Annotated[Given, strawberry.argument(graphql_type=PUT_ON.type)], key: Key = None
) -> Any:
    async def do(kept: Kept, given: Any) -> dict[str, Any]:
        return {"new": await info.context.asked.deeds.put_on(kept, machine, given)}

    return await _deed(info, key, PUT_ON, input, {"machine": machine}, do)


@mutation(
    "takeOff",
    TAKEN,
    "Says that a lock or cover was taken off. Only whoever has it in hand takes it off.",
    TAKEN_OFF,
    (*ASKED, "work.of_another"),
)
async def take_off(
    info: Info, machine: Machine, input: Annotated[Given, strawberry.argument(graphql_type=TAKEN_OFF.type)], key: Key = None
) -> Any:
    async def do(kept: Kept, given: Any) -> dict[str, Any]:
        await info.context.asked.deeds.take_off(kept, machine, given["fact"], given["by"])
        return {"fact": given["fact"], "by": given["by"]}

    return await _deed(info, key, TAKEN_OFF, input, {"machine": machine}, do)


def _listed(found: Listed[Any], nodes: Sequence[Any], limit: int) -> dict[str, Any]:
    told = page(nodes[:limit], [write_cursor(place) for place in found.places[:limit]], found.next is not None or limit < len(nodes))
    return {**told, "as_of": micros_text(found.as_of)}


QUERIES = [kept_clearance, open_work, locks, work]
MUTATIONS = [open_, begin_step, finish_step, hand_over_work, close_work, put_on, take_off]
