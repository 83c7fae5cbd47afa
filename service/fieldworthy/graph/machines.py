"""Machines: who they are, where they stand, and whose rules they are kept by."""

from typing import Annotated, Any

import orjson
import strawberry

from fieldworthy.core.base.finding import Finding, Refused
from fieldworthy.graph import due, readings
from fieldworthy.graph.context import Info
from fieldworthy.graph.fields import field, mutation
from fieldworthy.graph.inputs import Given, input_of
from fieldworthy.graph.pages import AFTER, FIRST, PAGE, connection_of, first_of, page, query_of
from fieldworthy.graph.repeats import ONCE, Key, once
from fieldworthy.graph.scalars import Date, DateTime
from fieldworthy.graph.shapes import make_type, member, members_of, type_of
from fieldworthy.graph.words import nullable
from fieldworthy.usecases.keep_machines import KeepMachines, KeptDocument, list_machines, read_machine
from fieldworthy.usecases.kept import Kept
from fieldworthy.usecases.only_if import ALWAYS, ANY, OnlyIf, tag_of
from fieldworthy.usecases.refusals import MachineTaken, MachineUnknown
from fieldworthy.wire import closed, kept_answers, requests
from fieldworthy.wire.cursor import write_cursor
from fieldworthy.wire.kept_json import counted_json, machine_json
from fieldworthy.wire.moments import read_as_of
from fieldworthy.wire.parameters import MEND_ID, is_id, read_after_id, read_name, shown

DOCUMENT = input_of(requests.KEPT_MACHINE)
MANY = input_of(requests.KEPT_MACHINES)

AS_OF = "as it was known at that moment; absent: as it is known now"
IF_REVISION = "only where its document is at this revision; 0: only where there is none yet"

_OF_DOCUMENT = {
    "rulebook": (str, "whose rules it is kept by: `name` (its newest) or `name@3`"),
    "model": (nullable(str), None),
    "serial": (nullable(str), None),
    "options": (nullable(list[str]), "options fitted; null: not said"),
    "site": (nullable(str), None),
    "timezone": (nullable(str), None),
    "dayStarts": (nullable(str), "site's clock, `05:00`"),
    "workingDays": (nullable(list[Date]), None),
}
_KEYS = {"dayStarts": "day_starts", "workingDays": "working_days"}


def machine_type(more: Any = ()) -> Any:
    """The type of a machine. more: fields over what is kept of it."""
    plain = [member(name, annotation, said, _KEYS.get(name)) for name, (annotation, said) in _OF_DOCUMENT.items()]
    about = "A machine that is kept. revision: of its document, from 1. A member of the document that is null is not known."
    return make_type("Machine", [*members_of(kept_answers.KeptMachine), *plain, *more], about)


MACHINE = machine_type([*due.OF_MACHINE, *readings.OF_MACHINE])
MACHINES = connection_of(MACHINE, "Machine", "A page of machines, in the order of their ids.")
PUT = make_type(
    "MachinePut",
    [
        member("machine", MACHINE),
        *[each for each in members_of(kept_answers.MachinePut) if each.graphql_name in ("outcome",)],
        member("checkedBy", type_of(closed.Provenance), "the version that the document was checked against", "rulebook"),
    ],
    "What came of a put.",
)


def machine_node(document: KeptDocument) -> dict[str, Any]:
    """A machine as data."""
    told = machine_json(document, orjson.loads)
    return {**told["document"], **told}


@field("getMachine", MACHINE, "A machine, as it stands or as it stood.")
async def machine(info: Info, id: str, as_of: Annotated[DateTime | None, strawberry.argument(description=AS_OF)] = None) -> Any:
    moment = read_as_of(query_of(as_of=as_of))
    if not is_id(id):
        raise MachineUnknown(id)
    async with info.context.asked.keeping.store.look(info.context.organisation, moment) as kept:
        return machine_node(await read_machine(kept, id, moment))


@field("listMachines", MACHINES, "The machines that are kept, in the order of their ids.")
async def machines(
    info: Info,
    first: Annotated[int, strawberry.argument(description=FIRST)] = PAGE,
    after: Annotated[str | None, strawberry.argument(description=AFTER)] = None,
    site: Annotated[str | None, strawberry.argument(description="those of this site")] = None,
    rulebook: Annotated[str | None, strawberry.argument(description="those that name their rulebook just so, `name` or `name@3`")] = None,
) -> Any:
    limit, query = first_of(first), query_of(after=after, site=site, rulebook=rulebook)
    behind, of_site, by = read_after_id(query), read_name(query, "site", 120), read_name(query, "rulebook", 200)
    async with info.context.asked.keeping.store.look(info.context.organisation) as kept:
        items, following = await list_machines(kept, behind, max(limit, 1), of_site, by)
    shown_items = items[:limit]
    more = following is not None or len(shown_items) < len(items)
    return page([machine_node(each) for each in shown_items], [write_cursor([each.id]) for each in shown_items], more)


@mutation(
    "putMachine",
    PUT,
    "Creates a machine or changes it; each state stays, and can be read `asOf` its time. The same document again changes nothing.",
    DOCUMENT,
    ("question.does_not_fit", "machine.changed", "machine.taken", *ONCE),
)
async def put_machine(
    info: Info,
    id: Annotated[str, strawberry.argument(description="the machine's id, your own")],
    input: Annotated[Given, strawberry.argument(graphql_type=DOCUMENT.type)],
    if_revision: Annotated[int | None, strawberry.argument(description=IF_REVISION)] = None,
    key: Key = None,
) -> Any:
    if not is_id(id):
        raise Refused([Finding("request.id", f"`{shown(id)}` can't be the id of a machine", MEND_ID)])
    document = DOCUMENT.read(input)

    async def work(kept: Kept) -> dict[str, Any]:
        put = await KeepMachines(info.context.asked.keeping.find).put(kept, id, document, only_if(if_revision))
        return {"machine": machine_node(put.document), "outcome": put.outcome, "rulebook": put.found.provenance()}

    given = {"id": id, "input": document, "if_revision": if_revision}
    try:
        return await once(info, key, given, work)
    except MachineTaken:  # somebody else added it at the same moment: now it is there, and is changed or the same
        return await once(info, key, given, work)


@mutation(
    "postMachines",
    type_of(kept_answers.MachinesPut),
    "Keeps up to 1,000 machines, each with an id of your own: all are kept, or none. What is there just so is counted and not changed.",
    MANY,
    ("question.does_not_fit", "machine.taken", *ONCE),
)
async def post_machines(info: Info, input: Annotated[Given, strawberry.argument(graphql_type=MANY.type)], key: Key = None) -> Any:
    items = MANY.read(input)["items"]

    async def work(kept: Kept) -> dict[str, Any]:
        return counted_json(await KeepMachines(info.context.asked.keeping.find).put_many(kept, items))

    try:
        return await once(info, key, {"items": items}, work)
    except MachineTaken:  # somebody else added one at the same moment
        return await once(info, key, {"items": items}, work)


def only_if(revision: int | None) -> OnlyIf:
    """The state that a change is meant for."""
    if revision is None:
        return ALWAYS
    return OnlyIf(none=frozenset({ANY})) if revision == 0 else OnlyIf(match=frozenset({tag_of(revision)}))


QUERIES = [machine, machines]
MUTATIONS = [put_machine, post_machines]
