"""Machines: who they are, where they stand, and whose rules they are kept by."""

from collections.abc import Awaitable, Callable

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response

from fieldworthy.core.base.finding import Finding, Refused
from fieldworthy.rest.answers import json_answer
from fieldworthy.rest.body import JSON_TYPES, RawRoute, media_type
from fieldworthy.rest.conditions import (
    ETAG,
    IF_MATCH,
    IF_NONE_MATCH,
    IF_NONE_MATCH_GET,
    only_if,
    read_answer,
    with_created,
    with_not_modified,
)
from fieldworthy.rest.described import BODY, described, path_parameter, query_parameter, text_schema
from fieldworthy.rest.keeping import IDEMPOTENCY_KEY, ONCE, once, organisation_of
from fieldworthy.rest.moments import AS_OF
from fieldworthy.rest.query import read_query
from fieldworthy.usecases.keep_machines import KEPT, KeepMachines, list_machines, read_machine
from fieldworthy.usecases.kept import Kept
from fieldworthy.usecases.keys import KeyScope
from fieldworthy.usecases.limits import MAX_PAGE
from fieldworthy.usecases.once import Keeping
from fieldworthy.usecases.only_if import tag_of
from fieldworthy.usecases.refusals import MachineChanged, MachineTaken, MachineUnknown
from fieldworthy.wire import kept_answers as answers
from fieldworthy.wire import requests
from fieldworthy.wire.cursor import CURSOR_SCHEMA, write_cursor
from fieldworthy.wire.kept_json import counted_json, machine_json, machine_put_json
from fieldworthy.wire.kept_shapes import ID_PATTERN
from fieldworthy.wire.moments import read_as_of
from fieldworthy.wire.parameters import MEND_ID, is_id, read_after_id, read_limit, read_name, shown

TAG = "machines"


ID_SCHEMA = text_schema(pattern=ID_PATTERN)
MACHINE_ID = path_parameter("id", "the machine's id, your own", ID_SCHEMA)
LIMIT = query_parameter("limit", "items at most", {"type": "integer", "format": "int32", "minimum": 1, "maximum": MAX_PAGE, "default": 50})
AFTER = query_parameter("after", "where to go on: `next` of the page before", CURSOR_SCHEMA)


def machines_router(keeping: Keeping) -> APIRouter:
    """The routes."""
    router = APIRouter(route_class=RawRoute)
    keep = KeepMachines(keeping.find)

    @router.put(
        "/v1/machines/{id}",
        **with_created(
            described(
                "putMachine",
                TAG,
                KeyScope.ADMINISTER,
                "Keep a machine",
                "Creates it (201) or changes it (200); each state stays, and can be read `as_of` its time. The same document again changes "
                "nothing. It is checked against its rulebook, so that what is due on it can always be asked. Where a number without a unit "
                "is kept of a meter, the rulebook can't be changed for one by which that meter counts otherwise.",
                answers.MachinePut,
                requests.KEPT_MACHINE,
                (*BODY, *ONCE, "question.does_not_fit", "machine.changed", "machine.taken"),
                [MACHINE_ID, IF_MATCH, IF_NONE_MATCH, IDEMPOTENCY_KEY],
                headers=ETAG,
            ),
            answers.MachinePut,
        ),
    )
    async def put_machine(request: Request) -> Response:
        id = request.path_params["id"]
        if not is_id(id):
            raise Refused([Finding("request.id", f"`{shown(id)}` can't be the id of a machine", MEND_ID)])
        media_type(request, JSON_TYPES)
        body = await request.body()
        document = requests.KEPT_MACHINE.read(body)
        condition = only_if(request)

        async def work(kept: Kept) -> Response:
            put = await keep.put(kept, id, document, condition)
            return json_answer(machine_put_json(put), 201 if put.outcome == KEPT else 200, {"etag": tag_of(put.document.revision)})

        return await _again(lambda: once(keeping, request, body, work))

    @router.get(
        "/v1/machines/{id}",
        **with_not_modified(
            described(
                "getMachine",
                TAG,
                KeyScope.READ,
                "A machine's document",
                "As it stands, or as it stood.",
                answers.KeptMachine,
                None,
                ("machine.unknown", "machine.not_yet_kept", "machine.changed", "question.does_not_fit", "request.does_not_fit"),
                [MACHINE_ID, AS_OF, IF_MATCH, IF_NONE_MATCH_GET],
                headers=ETAG,
            )
        ),
    )
    async def get_machine(request: Request) -> Response:
        as_of, condition = read_as_of(read_query(request, ("as_of",))), only_if(request)
        async with keeping.store.look(organisation_of(request), as_of) as kept:
            found = await read_machine(kept, machine_of(request), as_of)
        tag = tag_of(found.revision)
        if not condition.matches(tag):
            raise MachineChanged(found.id, found.revision)
        return read_answer(condition, tag, machine_json(found))

    @router.get(
        "/v1/machines",
        **described(
            "listMachines",
            TAG,
            KeyScope.READ,
            "The machines that are kept",
            "In the order of their ids, a page at a time.",
            answers.Machines,
            None,
            ("request.does_not_fit",),
            [
                query_parameter("site", "those of this site", text_schema()),
                query_parameter("rulebook", "those that name their rulebook just so, `name` or `name@3`", text_schema(200)),
                LIMIT,
                AFTER,
            ],
        ),
    )
    async def get_machines(request: Request) -> Response:
        query = read_query(request, ("limit", "after", "site", "rulebook"))
        after = read_after_id(query)
        site, rulebook = (read_name(query, name, most) for name, most in (("site", 120), ("rulebook", 200)))
        async with keeping.store.look(organisation_of(request)) as kept:
            items, following = await list_machines(kept, after, read_limit(query), site, rulebook)
        return json_answer({"items": [machine_json(m) for m in items], "next": None if following is None else write_cursor([following])})

    @router.post(
        "/v1/machines",
        **described(
            "postMachines",
            TAG,
            KeyScope.ADMINISTER,
            "Keep many machines",
            "Up to 1,000, each with an id of your own: all are kept, or none. What is there just so is counted and not changed.",
            answers.MachinesPut,
            requests.KEPT_MACHINES,
            (*BODY, *ONCE, "question.does_not_fit", "machine.taken"),
            [IDEMPOTENCY_KEY],
        ),
    )
    async def post_machines(request: Request) -> Response:
        media_type(request, JSON_TYPES)
        body = await request.body()
        items = requests.KEPT_MACHINES.read(body)["items"]

        async def work(kept: Kept) -> Response:
            return json_answer(counted_json(await keep.put_many(kept, items)))

        return await _again(lambda: once(keeping, request, body, work))

    return router


def machine_of(request: Request) -> str:
    """The machine's id of the path. Raises MachineUnknown where no machine can have it."""
    id: str = request.path_params["id"]
    if not is_id(id):
        raise MachineUnknown(id)
    return id


async def _again(put: Callable[[], Awaitable[Response]]) -> Response:
    """Once more where somebody else added the same machine at the same moment: now it is there, and is changed or the same."""
    try:
        return await put()
    except MachineTaken:
        return await put()
