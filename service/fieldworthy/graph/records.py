"""What is told of machines: done records, working conditions, occurrences, evidence, findings, deferrals, replaced meters."""

from collections.abc import Sequence
from typing import Annotated, Any

import orjson
import strawberry
from strawberry.types.field import StrawberryField

from fieldworthy.core.base.finding import Finding, Refused
from fieldworthy.core.base.micros import micros_text
from fieldworthy.core.base.names import key as key_form
from fieldworthy.graph.context import Info
from fieldworthy.graph.fields import field, mutation
from fieldworthy.graph.inputs import Given, input_of
from fieldworthy.graph.pages import AFTER, FIRST, PAGE, connection_of, first_of, page, query_of
from fieldworthy.graph.repeats import ONCE, Key, once
from fieldworthy.graph.scalars import DateTime
from fieldworthy.graph.shapes import make_type, member, type_of
from fieldworthy.graph.table import TOLD
from fieldworthy.usecases.keep_told import list_records, read_record, read_states
from fieldworthy.usecases.kept import Kept
from fieldworthy.usecases.only_if import ALWAYS, ANY, OnlyIf, tag_of
from fieldworthy.usecases.refusals import MachineUnknown, RecordUnknown
from fieldworthy.usecases.told_kinds import KINDS, Kind
from fieldworthy.wire import kept_answers, requests
from fieldworthy.wire.cursor import read_place, write_cursor
from fieldworthy.wire.moments import read_as_of, read_moment
from fieldworthy.wire.parameters import MEND_ID, after_record, is_id, read_name, shown
from fieldworthy.wire.told_json import record_json, state_json

AS_OF = "as it was known at that moment; absent: as it is known now"
RECORDS = connection_of(
    type_of(kept_answers.Record),
    "Record",
    "A page of what was told, what happened last first. asOf: with it the other pages are of the same state of things.",
    [member("asOf", DateTime, None, "as_of")],
)
STATES = connection_of(type_of(kept_answers.RecordState), "RecordState", "A page of a record's states, the oldest first.")
WITHDRAWN = make_type("RecordWithdrawn", [member("id", str)], "A record that says from now on that it never was; its states stay.")

Machine = Annotated[str, strawberry.argument(description="the machine's id")]
Id = Annotated[str, strawberry.argument(description="its id, your own")]
First = Annotated[int, strawberry.argument(description=FIRST)]
After = Annotated[str | None, strawberry.argument(description=AFTER)]
AsOf = Annotated[DateTime | None, strawberry.argument(description=AS_OF)]
About = Annotated[str | None, strawberry.argument(description="those that speak of this task, condition, occurrence, fact or meter")]
IfKnown = Annotated[DateTime | None, strawberry.argument(description="only where the state that stands is `known` since just then")]
IfNone = Annotated[bool, strawberry.argument(description="only where there is none yet")]

PUT_DATA = (*ONCE, "machine.unknown", "record.changed", "question.does_not_fit")
_WORDS = {
    "done": "done record",
    "working-conditions": "working condition",
    "occurrences": "occurrence",
    "evidence": "report of a fact",
    "found": "thing found",
    "deferrals": "deferral",
    "meter-replacements": "replaced meter",
}


def machine_of(id: str) -> str:
    """A machine's id. Raises MachineUnknown for what can be none."""
    if not is_id(id):
        raise MachineUnknown(id)
    return id


def _condition(if_known: str | None, if_none: bool) -> OnlyIf:
    """The state that a change is meant for. Raises Refused."""
    if if_none:
        return OnlyIf(none=frozenset({ANY}))
    return ALWAYS if if_known is None else OnlyIf(match=frozenset({tag_of(read_moment("if_known", if_known))}))


def _record(machine: str, kind: Kind, id: str) -> str:
    if not is_id(id):
        raise RecordUnknown(machine, kind.path, id)
    return id


def _reading(kind: Kind) -> Sequence[StrawberryField]:
    one, many = TOLD[kind.path]
    what = _WORDS[kind.path]

    @field(f"get{one}", type_of(kept_answers.Record), f"A {what}, as it stands, or as it stood.")
    async def record(info: Info, machine: Machine, id: Id, as_of: AsOf = None) -> Any:
        moment = read_as_of(query_of(as_of=as_of))
        async with info.context.asked.keeping.store.look(info.context.organisation, moment) as kept:
            found = await read_record(kept, machine_of(machine), kind, _record(machine, kind, id), moment)
        return record_json(found, orjson.loads)

    @field(f"list{one}States", STATES, f"All states of a {what}, the oldest first; one without `record` says that it was withdrawn.")
    async def states(info: Info, machine: Machine, id: Id, first: First = PAGE, after: After = None) -> Any:
        limit, place = first_of(first), read_place(query_of(after=after), int)
        async with info.context.asked.keeping.store.look(info.context.organisation) as kept:
            found, following = await read_states(
                kept, machine_of(machine), kind, _record(machine, kind, id), None if place is None else int(place[0]), max(limit, 1)
            )
        shown_ones = found[:limit]
        more = following is not None or len(shown_ones) < len(found)
        return page([state_json(s, orjson.loads) for s in shown_ones], [write_cursor([s.known]) for s in shown_ones], more)

    @field(f"list{many}", RECORDS, f"The {what}s of a machine, what happened last first. What was withdrawn is left out.")
    async def records(
        info: Info, machine: Machine, first: First = PAGE, after: After = None, as_of: AsOf = None, about: About = None
    ) -> Any:
        query = query_of(after=after, as_of=as_of, about=about)
        limit, before, moment, of = first_of(first), after_record(query), read_as_of(query), read_name(query, "about", 120)
        async with info.context.asked.keeping.store.look(info.context.organisation, moment) as kept:
            found = await list_records(kept, machine_of(machine), kind, max(limit, 1), before, moment, None if of is None else key_form(of))
        entries = found.entries[:limit]
        more = found.next is not None or len(entries) < len(found.entries)
        told = page([record_json(e, orjson.loads) for e in entries], [write_cursor([e.at, e.id]) for e in entries], more)
        return {**told, "as_of": micros_text(found.as_of)}

    return record, states, records


def _writing(kind: Kind) -> Sequence[StrawberryField]:
    one, many = TOLD[kind.path]
    what = _WORDS[kind.path]
    single, several = requests.TOLD[kind.path]
    takes_one, takes_many = input_of(single, leave=("id",)), input_of(several)

    @mutation(
        f"put{one}",
        type_of(kept_answers.RecordPut),
        f"Tells of a {what}, or corrects it: the same again changes nothing, and another is a later state that stands in place of the "
        "earlier one, which stays.",
        takes_one,
        PUT_DATA,
    )
    async def put(
        info: Info,
        machine: Machine,
        id: Id,
        input: Annotated[Given, strawberry.argument(graphql_type=takes_one.type)],
        if_known: IfKnown = None,
        if_none: IfNone = False,
        key: Key = None,
    ) -> Any:
        if not is_id(id):
            raise Refused([Finding("request.id", f"`{shown(id)}` can't be the id of a {what}", MEND_ID)])
        told, condition = takes_one.read(input), _condition(if_known, if_none)

        async def work(kept: Kept) -> dict[str, Any]:
            made = await info.context.asked.tell.put(kept, machine_of(machine), kind, id, told, condition)
            (entry,), (outcome,) = made.entries, made.outcomes
            return {**record_json(entry, orjson.loads), "outcome": outcome, "rulebook": made.found.provenance()}

        given = {"machine": machine, "id": id, "input": told, "if_known": if_known, "if_none": if_none}
        return await once(info, key, given, work, told.get("by"))

    @mutation(
        f"post{many}",
        type_of(kept_answers.RecordsPut),
        f"Tells of many {what}s, each with an id of your own: all are kept, or none.",
        takes_many,
        PUT_DATA,
    )
    async def post(
        info: Info, machine: Machine, input: Annotated[Given, strawberry.argument(graphql_type=takes_many.type)], key: Key = None
    ) -> Any:
        items = takes_many.read(input)["items"]

        async def work(kept: Kept) -> dict[str, Any]:
            made = await info.context.asked.tell.put_many(kept, machine_of(machine), kind, items)
            return {**made.counts(), "rulebook": made.found.provenance()}

        return await once(info, key, {"machine": machine, "items": items}, work)

    @mutation(
        f"withdraw{one}",
        WITHDRAWN,
        f"Withdraws a {what}: a later state says that it never was, and the earlier ones stay. Once more changes nothing.",
        data=(*ONCE, "machine.unknown", "record.unknown", "record.changed"),
    )
    async def withdraw(info: Info, machine: Machine, id: Id, if_known: IfKnown = None, key: Key = None) -> Any:
        condition = _condition(if_known, False)

        async def work(kept: Kept) -> dict[str, Any]:
            await info.context.asked.tell.withdraw(kept, machine_of(machine), kind, _record(machine, kind, id), condition)
            return {"id": id}

        return await once(info, key, {"machine": machine, "id": id, "if_known": if_known}, work)

    return put, post, withdraw


QUERIES = [each for kind in KINDS.values() for each in _reading(kind)]
MUTATIONS = [each for kind in KINDS.values() for each in _writing(kind)]
