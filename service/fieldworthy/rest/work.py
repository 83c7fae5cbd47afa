"""Open work: asked and opened in one transaction, so that two phones can't both be granted what excludes the other."""

from collections.abc import Awaitable, Callable, Mapping
from typing import Any

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response

from fieldworthy.core.base.finding import Finding, Refused
from fieldworthy.core.base.micros import micros_text
from fieldworthy.rest.answers import json_answer
from fieldworthy.rest.body import JSON_TYPES, RawRoute, media_type
from fieldworthy.rest.described import BODY, described, path_parameter, query_parameter
from fieldworthy.rest.keeping import IDEMPOTENCY_KEY, ONCE, once, organisation_of
from fieldworthy.rest.machines import AFTER, ID_SCHEMA, LIMIT, machine_of
from fieldworthy.rest.moments import AS_OF
from fieldworthy.rest.query import read_query
from fieldworthy.usecases.kept import Kept
from fieldworthy.usecases.keys import KeyScope
from fieldworthy.usecases.once import Keeping
from fieldworthy.usecases.open_work import SetScene, find_work
from fieldworthy.usecases.work_deeds import WorkDeeds
from fieldworthy.usecases.work_lists import Listed, list_locks, list_work
from fieldworthy.usecases.work_versions import Questions
from fieldworthy.wire import requests
from fieldworthy.wire import work_answers as answers
from fieldworthy.wire.cursor import write_cursor
from fieldworthy.wire.moments import read_as_of
from fieldworthy.wire.parameters import MEND_ID, after_record, is_id, read_limit, shown, whole_number
from fieldworthy.wire.questions import clearance_question, procedure_question
from fieldworthy.wire.reading import Shape
from fieldworthy.wire.work_json import moment_of, opened_json, overtaken_json, said_json, stepped_json, work_json

TAG = "open work"

MACHINE_ID = path_parameter("id", "the machine's id", ID_SCHEMA)
WORK_ID = path_parameter("work", "the work's id", ID_SCHEMA)
STEP = path_parameter("step", "counted from 1", {"type": "integer", "format": "int32", "minimum": 1, "maximum": 10_000})
ASKED = ("machine.unknown", "rulebook.unknown", "rulebook.version_unknown", "question.does_not_fit", *BODY)
IN_HAND = (*ASKED, *ONCE, "work.unknown", "work.closed", "work.of_another")

LISTING = ("machine.unknown", "machine.not_yet_kept", "question.does_not_fit", "request.does_not_fit")

_YES_NO = {"type": "string", "enum": ["yes", "no"]}
CLOSED = query_parameter("closed", "absent: `no`", _YES_NO)
TAKEN_OFF = query_parameter("taken_off", "absent: `no`", _YES_NO)

_PEOPLE = " The machine's handbook, local rules and trained people come first."
_RECORD = ("meters", "points", "found", "measured", "used")


def work_router(keeping: Keeping) -> APIRouter:
    """The routes."""
    router = APIRouter(route_class=RawRoute)
    scene = SetScene(keeping.find, Questions(clearance_question, procedure_question))
    deeds = WorkDeeds(scene)

    async def deed(request: Request, shape: Shape[Any], work: Callable[[Kept, str, Any], Awaitable[Response]]) -> Response:
        """One deed on one machine, done once."""
        media_type(request, JSON_TYPES)
        body = await request.body()
        given = shape.read(body)
        return await once(keeping, request, body, lambda kept: work(kept, request.path_params["id"], given), given.get("by"))

    @router.post(
        "/v1/machines/{id}/clearance",
        **described(
            "askKeptClearance",
            TAG,
            KeyScope.READ,
            "May this start now on this machine",
            "By the evidence, the open work and the locks that are kept of the machine, and those that come with the request. Nothing is "
            "opened and nothing is kept." + _PEOPLE,
            answers.KeptClearanceAnswer,
            requests.KEPT_CLEARANCE,
            ASKED,
            [MACHINE_ID],
        ),
    )
    async def ask_kept_clearance(request: Request) -> Response:
        media_type(request, JSON_TYPES)
        given = requests.KEPT_CLEARANCE.read(await request.body())
        as_of, now = moment_of(given, "as_of"), moment_of(given, "now")
        with keeping.tally.evaluating("clearance"):
            async with keeping.store.look(organisation_of(request), as_of) as kept:
                answered, seen = await deeds.ask(kept, request.path_params["id"], given, as_of, now if now is not None else as_of)
        changed = overtaken_json(seen.overtaken())
        return json_answer({**answered.to_json(), "as_of": micros_text(seen.known), "overtaken": changed})

    @router.post(
        "/v1/machines/{id}/open-work",
        **described(
            "openWork",
            TAG,
            KeyScope.RECORD_WORK,
            "Open work on a machine",
            "Asks whether the task may start, and opens the work where it may, in one transaction: of two who ask at once for what "
            "excludes the other, one is granted. Where it may not start, the answer says what stands against it, and nothing is opened."
            + _PEOPLE,
            answers.OpenAnswer,
            requests.OPEN_WORK,
            (*ASKED, *ONCE, "work.taken", "work.of_another", "record.taken"),
            [MACHINE_ID, IDEMPOTENCY_KEY],
        ),
    )
    async def open_work(request: Request) -> Response:
        async def work(kept: Kept, id: str, given: Any) -> Response:
            if not is_id(given["work"]):
                raise Refused([Finding("request.id", f"`{shown(given['work'])}` can't be the id of work", MEND_ID, path="/work")])
            return json_answer(opened_json(await deeds.open(kept, id, given["work"], given["task"], given)))

        return await deed(request, requests.OPEN_WORK, work)

    @router.get(
        "/v1/machines/{id}/open-work",
        **described(
            "listOpenWork",
            TAG,
            KeyScope.READ,
            "The work of a machine",
            "What is open, or what was closed (`closed=yes`); what was opened last first, a page at a time.",
            answers.OpenWorkAnswer,
            None,
            LISTING,
            [MACHINE_ID, CLOSED, AS_OF, LIMIT, AFTER],
        ),
    )
    async def list_open_work(request: Request) -> Response:
        query = read_query(request, ("limit", "after", "as_of", "closed"))
        limit, before, as_of, closed = read_limit(query), after_record(query), read_as_of(query), _yes(query, "closed")
        async with keeping.store.look(organisation_of(request), as_of) as kept:
            return _listed(await list_work(kept, machine_of(request), closed, limit, before, as_of), work_json)

    @router.get(
        "/v1/machines/{id}/open-work/{work}",
        **described(
            "getWork",
            TAG,
            KeyScope.READ,
            "One piece of work",
            "Open or closed.",
            answers.WorkAnswer,
            None,
            ("machine.unknown", "work.unknown"),
            [MACHINE_ID, WORK_ID],
        ),
    )
    async def get_work(request: Request) -> Response:
        async with keeping.store.look(organisation_of(request)) as kept:
            found = await find_work(kept, await scene(kept, request.path_params["id"]), request.path_params["work"])
        return json_answer({"work": work_json(found)})

    @router.post(
        "/v1/machines/{id}/open-work/{work}/steps/{step}",
        **described(
            "beginStep",
            TAG,
            KeyScope.RECORD_WORK,
            "Begin a step",
            "Asks whether the next step may start, and begins it where it may, in one transaction. The step before it, if it was begun, is "
            "taken to be done." + _PEOPLE,
            answers.StepAnswer,
            requests.STEP,
            (*IN_HAND, "work.step_out_of_order"),
            [MACHINE_ID, WORK_ID, STEP, IDEMPOTENCY_KEY],
        ),
    )
    async def begin_step(request: Request) -> Response:
        async def work(kept: Kept, id: str, given: Any) -> Response:
            return json_answer(stepped_json(await deeds.begin(kept, id, request.path_params["work"], _step(request), given)))

        return await deed(request, requests.STEP, work)

    @router.post(
        "/v1/machines/{id}/open-work/{work}/steps/{step}/done",
        **described(
            "finishStep",
            TAG,
            KeyScope.RECORD_WORK,
            "Say that a step is done",
            "The answer says what comes next, and whether it may start.",
            answers.StepAnswer,
            requests.STEP,
            (*IN_HAND, "work.step_out_of_order"),
            [MACHINE_ID, WORK_ID, STEP, IDEMPOTENCY_KEY],
        ),
    )
    async def finish_step(request: Request) -> Response:
        async def work(kept: Kept, id: str, given: Any) -> Response:
            return json_answer(stepped_json(await deeds.finish(kept, id, request.path_params["work"], _step(request), given)))

        return await deed(request, requests.STEP, work)

    @router.post(
        "/v1/machines/{id}/open-work/{work}/hand-over",
        **described(
            "handOverWork",
            TAG,
            KeyScope.RECORD_WORK,
            "Hand work over",
            "From whoever has it in hand to another, with who decided it and why; to whoever has it already, nothing changes. `from` says "
            "whom it is taken from: where it is in other hands by now, it stays there (where it may have come back to them meanwhile, an "
            "`Idempotency-Key` tells a repeat). Not while a step is begun: whoever began it says first that it is done, for only they know "
            "where it stands.",
            answers.WorkAnswer,
            requests.HAND_OVER,
            (*IN_HAND, "work.step_begun"),
            [MACHINE_ID, WORK_ID, IDEMPOTENCY_KEY],
        ),
    )
    async def hand_over(request: Request) -> Response:
        async def work(kept: Kept, id: str, given: Any) -> Response:
            done = await deeds.hand_over(kept, id, request.path_params["work"], given)
            return json_answer({"work": work_json(done.work)})

        return await deed(request, requests.HAND_OVER, work)

    @router.post(
        "/v1/machines/{id}/open-work/{work}/close",
        **described(
            "closeWork",
            TAG,
            KeyScope.RECORD_WORK,
            "Close work",
            "What it holds ends, and a done record of the same id is kept. What the steps changed must be put back first, or `leave` says "
            "why it stays. Its `meters` are judged as those of done records are (`question.meter_contradicts`). The same once more changes "
            "nothing; what is to be said otherwise later is a correction of the done record.",
            answers.CloseAnswer,
            requests.CLOSE,
            (*IN_HAND, "work.step_out_of_order", "record.taken"),
            [MACHINE_ID, WORK_ID, IDEMPOTENCY_KEY],
        ),
    )
    async def close_work(request: Request) -> Response:
        async def work(kept: Kept, id: str, given: Any) -> Response:
            told = {**given, "record": {member: given[member] for member in _RECORD if member in given}}
            done = await deeds.close(kept, id, request.path_params["work"], told)
            return json_answer({"closed": done.done, "work": work_json(done.work), "procedure": said_json(done)})

        return await deed(request, requests.CLOSE, work)

    @router.get(
        "/v1/machines/{id}/locks",
        **described(
            "listLocks",
            TAG,
            KeyScope.READ,
            "The locks and covers of a machine",
            "Those that are on, or those that were taken off since they were last put on (`taken_off=yes`); what was put on last first, a "
            "page at a time.",
            answers.LocksAnswer,
            None,
            LISTING,
            [MACHINE_ID, TAKEN_OFF, AS_OF, LIMIT, AFTER],
        ),
    )
    async def locks(request: Request) -> Response:
        query = read_query(request, ("limit", "after", "as_of", "taken_off"))
        limit, before, as_of, off = read_limit(query), after_record(query), read_as_of(query), _yes(query, "taken_off")
        async with keeping.store.look(organisation_of(request), as_of) as kept:
            return _listed(await list_locks(kept, machine_of(request), off, limit, before, as_of), dict)

    @router.post(
        "/v1/machines/{id}/put-on",
        **described(
            "putOn",
            TAG,
            KeyScope.RECORD_WORK,
            "Say that a lock or cover was put on",
            "It stays until whoever put it on (or whom it was handed over to) takes it off. Said again as it was put on, it stays where it "
            "is.",
            answers.PutOnAnswer,
            requests.PUT_ON,
            (*ASKED, *ONCE, "work.of_another"),
            [MACHINE_ID, IDEMPOTENCY_KEY],
        ),
    )
    async def put_on(request: Request) -> Response:
        async def work(kept: Kept, id: str, given: Any) -> Response:
            return json_answer({"new": await deeds.put_on(kept, id, given)})

        return await deed(request, requests.PUT_ON, work)

    @router.post(
        "/v1/machines/{id}/taken-off",
        **described(
            "takeOff",
            TAG,
            KeyScope.RECORD_WORK,
            "Say that a lock or cover was taken off",
            "Only whoever has it in hand takes it off.",
            {},
            requests.TAKEN_OFF,
            (*ASKED, *ONCE, "work.of_another"),
            [MACHINE_ID, IDEMPOTENCY_KEY],
            status=204,
        ),
    )
    async def taken_off(request: Request) -> Response:
        async def work(kept: Kept, id: str, given: Any) -> Response:
            await deeds.take_off(kept, id, given["fact"], given["by"])
            return Response(status_code=204)

        return await deed(request, requests.TAKEN_OFF, work)

    return router


def _yes(query: Mapping[str, str], name: str) -> bool:
    given = query.get(name, "no")
    if given not in ("yes", "no"):
        message = f"`{shown(given)}` is not a value that `{name}` can have"
        raise Refused([Finding("request.parameter", message, "give `yes` or `no`")])
    return given == "yes"


def _listed(page: Listed[Any], shown_as: Callable[[Any], Any]) -> Response:
    following = None if page.next is None else write_cursor(page.next)
    return json_answer({"items": [shown_as(item) for item in page.items], "next": following, "as_of": micros_text(page.as_of)})


def _step(request: Request) -> int:
    return whole_number("step", request.path_params["step"], 1, 10_000)
