"""What is told of machines: done records, working conditions, occurrences, evidence, findings, deferrals, replaced meters."""

from collections.abc import Mapping
from dataclasses import dataclass

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response

from fieldworthy.core.base.finding import Finding, Refused
from fieldworthy.core.base.micros import micros_text
from fieldworthy.core.base.names import key
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
from fieldworthy.rest.machines import AFTER, ID_SCHEMA, LIMIT, MACHINE_ID, machine_of
from fieldworthy.rest.moments import AS_OF
from fieldworthy.rest.query import read_query
from fieldworthy.usecases.keep_told import KEPT, KeepTold, list_records, read_record, read_states
from fieldworthy.usecases.kept import Kept
from fieldworthy.usecases.keys import KeyScope
from fieldworthy.usecases.once import Keeping
from fieldworthy.usecases.only_if import tag_of
from fieldworthy.usecases.refusals import RecordChanged, RecordUnknown
from fieldworthy.usecases.told_kinds import KINDS, Kind
from fieldworthy.usecases.work_versions import NOTHING_ASKED
from fieldworthy.wire import kept_answers as answers
from fieldworthy.wire import requests
from fieldworthy.wire.cursor import read_place, write_cursor
from fieldworthy.wire.moments import read_as_of
from fieldworthy.wire.parameters import MEND_ID, after_record, is_id, read_limit, read_name, shown
from fieldworthy.wire.questions import clearance_question
from fieldworthy.wire.told_json import record_json, state_json, without_id

TAG = "told"

RECORD_ID = path_parameter("record", "its id, your own", ID_SCHEMA)


@dataclass(frozen=True, slots=True)
class Spoken:
    """How a kind is spoken of. one, many: in operation ids; what: in words; about: what it names."""

    one: str
    many: str
    what: str
    about: str


SPOKEN: Mapping[str, Spoken] = {
    "done": Spoken("Done", "DoneRecords", "done record", "task"),
    "working-conditions": Spoken("WorkingCondition", "WorkingConditions", "working condition", "working condition"),
    "occurrences": Spoken("Occurrence", "Occurrences", "occurrence", "occurrence"),
    "evidence": Spoken("Evidence", "Reports", "report of a fact", "fact"),
    "found": Spoken("Found", "ThingsFound", "thing found", "task"),
    "deferrals": Spoken("Deferral", "Deferrals", "deferral", "task"),
    "meter-replacements": Spoken("MeterReplacement", "MeterReplacements", "replaced meter", "meter"),
}
"""By the part of the address."""

_JUDGED = (
    " With an `at`, its `meters` are judged beside the kept readings: minutes sent as hours, a pace that can't be and a dial that runs "
    "backward are refused (`question.meter_contradicts`). Less than one unit off is rounding; of a meter that counts no time a hundredth "
    "of the value is taken too, and any pace. What is older than all readings is not judged, nor what stands there already."
)
_NOTES = {
    "done": f" One that says its `meters` alone, and no time, is old history: it is put in time by the machine's readings.{_JUDGED}",
    "occurrences": _JUDGED,
    "found": " It is open until it is settled.",
    "meter-replacements": " From `at` on (included) the new dial counts. One that is told already, or that kept readings or records "
    "contradict, is refused (`question.replacement_contradicts`). What waits at `/v1/set-aside` and fits by then is kept.",
}


def told_router(keeping: Keeping) -> APIRouter:
    """The routes."""
    router = APIRouter(route_class=RawRoute)
    keep = KeepTold(keeping.find, lambda told: clearance_question({**NOTHING_ASKED, "evidence": told}).evidence)
    for kind in KINDS.values():
        _write(router, keeping, keep, kind, SPOKEN[kind.path])
        _read(router, keeping, kind, SPOKEN[kind.path])
    return router


def _write(router: APIRouter, keeping: Keeping, keep: KeepTold, kind: Kind, spoken: Spoken) -> None:
    one, many = requests.TOLD[kind.path]

    @router.put(
        f"/v1/machines/{{id}}/{kind.path}/{{record}}",
        **with_created(
            described(
                f"put{spoken.one}",
                TAG,
                KeyScope.RECORD_WORK,
                f"Tell of a {spoken.what}, or correct it",
                "Under an id of your own: the same again changes nothing, and another body is a later state that stands in place of the "
                f"earlier one, which stays.{_NOTES.get(kind.path, '')} Names and times are checked against the machine's rulebook.",
                answers.RecordPut,
                one,
                (*BODY, *ONCE, "machine.unknown", "record.changed", "question.does_not_fit"),
                [MACHINE_ID, RECORD_ID, IF_MATCH, IF_NONE_MATCH, IDEMPOTENCY_KEY],
                headers=ETAG,
            ),
            answers.RecordPut,
        ),
    )
    async def put_record(request: Request) -> Response:
        machine, id = machine_of(request), request.path_params["record"]
        if not is_id(id):
            raise Refused([Finding("request.id", f"`{shown(id)}` can't be the id of a {spoken.what}", MEND_ID)])
        media_type(request, JSON_TYPES)
        body = await request.body()
        told = without_id(one.read(body), id)
        condition = only_if(request)

        async def work(kept: Kept) -> Response:
            put = await keep.put(kept, machine, kind, id, told, condition)
            (entry,), (outcome,) = put.entries, put.outcomes
            answer = {**record_json(entry), "outcome": outcome, "rulebook": put.found.provenance()}
            return json_answer(answer, 201 if outcome == KEPT else 200, {"etag": tag_of(entry.known)})

        return await once(keeping, request, body, work, told.get("by"))

    @router.post(
        f"/v1/machines/{{id}}/{kind.path}",
        **described(
            f"post{spoken.many}",
            TAG,
            KeyScope.RECORD_WORK,
            f"Tell of many {spoken.what}s",
            "Up to 10,000, each with an id of your own: all are kept, or none. What stands there just so is counted and not changed."
            + _NOTES.get(kind.path, ""),
            answers.RecordsPut,
            many,
            (*BODY, *ONCE, "machine.unknown", "question.does_not_fit"),
            [MACHINE_ID, IDEMPOTENCY_KEY],
        ),
    )
    async def post_records(request: Request) -> Response:
        machine = machine_of(request)
        media_type(request, JSON_TYPES)
        body = await request.body()
        items = many.read(body)["items"]

        async def work(kept: Kept) -> Response:
            put = await keep.put_many(kept, machine, kind, items)
            return json_answer({**put.counts(), "rulebook": put.found.provenance()})

        return await once(keeping, request, body, work)

    @router.delete(
        f"/v1/machines/{{id}}/{kind.path}/{{record}}",
        **described(
            f"withdraw{spoken.one}",
            TAG,
            KeyScope.RECORD_WORK,
            f"Withdraw a {spoken.what}",
            "A later state that says that it never was; the earlier ones stay. Once more changes nothing.",
            {},
            None,
            (*ONCE, "machine.unknown", "record.unknown", "record.changed"),
            [MACHINE_ID, RECORD_ID, IF_MATCH, IDEMPOTENCY_KEY],
            status=204,
        ),
    )
    async def withdraw_record(request: Request) -> Response:
        machine, id, condition = machine_of(request), _record_of(request, kind), only_if(request)

        async def work(kept: Kept) -> Response:
            await keep.withdraw(kept, machine, kind, id, condition)
            return Response(status_code=204)

        return await once(keeping, request, b"", work)


def _read(router: APIRouter, keeping: Keeping, kind: Kind, spoken: Spoken) -> None:
    @router.get(
        f"/v1/machines/{{id}}/{kind.path}/{{record}}",
        **with_not_modified(
            described(
                f"get{spoken.one}",
                TAG,
                KeyScope.READ,
                f"A {spoken.what}",
                "As it stands, or as it stood.",
                answers.Record,
                None,
                ("machine.unknown", "record.unknown", "record.changed", "question.does_not_fit", "request.does_not_fit"),
                [MACHINE_ID, RECORD_ID, AS_OF, IF_MATCH, IF_NONE_MATCH_GET],
                headers=ETAG,
            )
        ),
    )
    async def get_record(request: Request) -> Response:
        as_of, condition = read_as_of(read_query(request, ("as_of",))), only_if(request)
        async with keeping.store.look(organisation_of(request), as_of) as kept:
            entry = await read_record(kept, machine_of(request), kind, _record_of(request, kind), as_of)
        tag = tag_of(entry.known)
        if not condition.matches(tag):
            raise RecordChanged(entry.id, micros_text(entry.known))
        return read_answer(condition, tag, record_json(entry))

    @router.get(
        f"/v1/machines/{{id}}/{kind.path}/{{record}}/states",
        **described(
            f"list{spoken.one}States",
            TAG,
            KeyScope.READ,
            f"All states of a {spoken.what}",
            "The oldest first; a state without `record` says that it was withdrawn.",
            answers.RecordStates,
            None,
            ("machine.unknown", "record.unknown", "request.does_not_fit"),
            [MACHINE_ID, RECORD_ID, LIMIT, AFTER],
        ),
    )
    async def list_states(request: Request) -> Response:
        query = read_query(request, ("limit", "after"))
        after, limit = _after_state(query), read_limit(query)
        async with keeping.store.look(organisation_of(request)) as kept:
            states, following = await read_states(kept, machine_of(request), kind, _record_of(request, kind), after, limit)
        return json_answer({"items": [state_json(s) for s in states], "next": None if following is None else write_cursor([following])})

    @router.get(
        f"/v1/machines/{{id}}/{kind.path}",
        **described(
            f"list{spoken.many}",
            TAG,
            KeyScope.READ,
            f"The {spoken.what}s of a machine",
            "What happened last first, a page at a time. What was withdrawn is left out.",
            answers.Records,
            None,
            ("machine.unknown", "machine.not_yet_kept", "question.does_not_fit", "request.does_not_fit"),
            [
                MACHINE_ID,
                AS_OF,
                query_parameter("about", f"those of this {spoken.about}", text_schema()),
                LIMIT,
                AFTER,
            ],
        ),
    )
    async def list_all(request: Request) -> Response:
        query = read_query(request, ("limit", "after", "as_of", "about"))
        before, as_of, about, limit = after_record(query), read_as_of(query), read_name(query, "about", 120), read_limit(query)
        async with keeping.store.look(organisation_of(request), as_of) as kept:
            page = await list_records(kept, machine_of(request), kind, limit, before, as_of, None if about is None else key(about))
        following = None if page.next is None else write_cursor(page.next)
        return json_answer({"items": [record_json(e) for e in page.entries], "next": following, "as_of": micros_text(page.as_of)})


def _record_of(request: Request, kind: Kind) -> str:
    """The record's id of the path. Raises RecordUnknown where none can have it."""
    id: str = request.path_params["record"]
    if not is_id(id):
        raise RecordUnknown(request.path_params["id"], kind.path, id)
    return id


def _after_state(query: Mapping[str, str]) -> int | None:
    place = read_place(query, int)
    return None if place is None else int(place[0])
