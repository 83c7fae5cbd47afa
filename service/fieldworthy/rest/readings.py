"""Readings: many at once, those that were set aside, and what is kept of a machine."""

from collections.abc import Awaitable, Callable, Mapping

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response

from fieldworthy.rest.admission import caller_of
from fieldworthy.rest.answers import JSON, json_answer
from fieldworthy.rest.batch import LINES_TYPES
from fieldworthy.rest.body import JSON_TYPES, RawRoute, media_type
from fieldworthy.rest.described import BODY, CODED, described, header_parameter, path_parameter, query_parameter, ref, text_schema
from fieldworthy.rest.forms import ACCEPT, CSV_CONTENT, PARQUET_CONTENT, VARIES, VARY, form_of
from fieldworthy.rest.keeping import IDEMPOTENCY_KEY, ONCE, once, organisation_of
from fieldworthy.rest.machines import MACHINE_ID, machine_of
from fieldworthy.rest.query import read_query
from fieldworthy.rest.tables import Tables, refuse_pages
from fieldworthy.rest.unpack import unpacked
from fieldworthy.usecases.aside_words import WHY
from fieldworthy.usecases.keep_readings import Intake, keep_readings
from fieldworthy.usecases.kept import Kept
from fieldworthy.usecases.kept_readings import ACCEPTED, DISMISSED
from fieldworthy.usecases.keys import KeyScope
from fieldworthy.usecases.limits import MAX_PAGE, MAX_READINGS, MAX_READINGS_BYTES
from fieldworthy.usecases.list_readings import Asked, list_readings
from fieldworthy.usecases.once import Keeping
from fieldworthy.usecases.settle_readings import settle
from fieldworthy.wire import readings_answers as answers
from fieldworthy.wire import requests
from fieldworthy.wire.cursor import CURSOR_SCHEMA, read_place, write_cursor
from fieldworthy.wire.moments import read_moment
from fieldworthy.wire.parameters import one_of, read_name, whole_number
from fieldworthy.wire.parquet import PARQUET
from fieldworthy.wire.readings import read_readings
from fieldworthy.wire.readings_json import aside_json, intake_json, kept_page_json, settlement_of
from fieldworthy.wire.tables import CSV

TAG = "readings"
PATH = "/v1/readings"

_LIMIT = query_parameter("limit", "items at most", {"type": "integer", "format": "int32", "minimum": 1, "maximum": MAX_PAGE, "default": 50})
_AFTER = query_parameter("after", "`next` of the page before", {**CURSOR_SCHEMA, "maxLength": 500})
_MOMENT = {"type": "string", "format": "date-time", "maxLength": 40}
_ASIDE_ID = path_parameter("id", "the reading's id", {"type": "string", "pattern": "^[0-9a-f]{40}$", "maxLength": 40})
_MEND_SHORTLY = "whoever has a key with the scope `read` finds it, and what is amiss, at /v1/set-aside"
_ENCODING = header_parameter("Content-Encoding", "`gzip` or `zstd` where the body is packed", CODED)


def readings_router(keeping: Keeping, tables: Tables) -> APIRouter:
    """The routes."""
    router = APIRouter(route_class=RawRoute)

    @router.post(
        PATH,
        **described(
            "keepReadings",
            TAG,
            KeyScope.POST_READINGS,
            "Many readings of many machines",
            f'An array, `{{"readings": […]}}`, or JSON Lines, at most {MAX_READINGS:,} and {MAX_READINGS_BYTES:,} bytes after unpacking; '
            "in any order, and twice over if need be. A mistake in the form of any refuses all, and nothing is kept. What is well formed "
            "is answered one by one: kept, the same as what is kept, or set aside and why; what was set aside waits at `/v1/set-aside` "
            "for somebody to accept or dismiss it. A reading is set aside that runs backward; that moves more than an hour an hour (an "
            "hour and a hundredth of the time more may be, because a dial may show whole hours and clocks differ); that looks like "
            "minutes or seconds sent as hours; that is still to come; of an unknown machine or meter; in a unit that does not fit; at "
            "odds with another of its moment; or out of range. One that was dismissed stays so (`dismissed`), and one that was accepted as "
            "something else stays that (`accepted-as`): neither waits. A key without the scope `read` is told the reasons, and nothing "
            "of what is kept: of what was set aside neither `id` nor `values`.",
            answers.ReadingsAnswer,
            {
                "application/json": {"schema": {"oneOf": [ref("SentReadings"), ref("ReadingsIn")]}},
                LINES_TYPES[0]: {
                    "schema": {"type": "string", "maxLength": MAX_READINGS_BYTES, "description": "JSON Lines of SentReadingIn"}
                },
            },
            (*BODY, *ONCE, "request.too_large"),
            [IDEMPOTENCY_KEY, _ENCODING],
        ),
    )
    async def post_readings(request: Request) -> Response:
        kind = media_type(request, (*JSON_TYPES, *LINES_TYPES), packed=True)
        body = await unpacked(request, MAX_READINGS_BYTES)
        sent = read_readings(body, kind in LINES_TYPES)

        async def work(kept: Kept) -> tuple[Intake, Response]:
            return await keep_readings(kept, keeping.find, sent, lambda it: (it, json_answer(intake_json(it, caller_of(request)))))

        return await take_in(keeping, request, body, work)

    @router.get(
        "/v1/set-aside",
        **described(
            "listSetAside",
            TAG,
            KeyScope.READ,
            "Readings that were set aside",
            "Those that wait (`settled=no`, the oldest first), or those that were settled, in that order.",
            answers.AsidePage,
            None,
            ("request.does_not_fit",),
            [
                _LIMIT,
                _AFTER,
                query_parameter("machine", "of this machine alone", text_schema()),
                query_parameter("why", "for this reason alone", {"type": "string", "enum": list(WHY)}),
                query_parameter("settled", "absent: `no`", {"type": "string", "enum": ["yes", "no"]}),
            ],
        ),
    )
    async def list_set_aside(request: Request) -> Response:
        query = read_query(request, ("limit", "after", "machine", "why", "settled"))
        limit = _limit(query)
        settled = one_of("settled", query.get("settled", "no"), ("yes", "no")) == "yes"
        why = one_of("why", query["why"], WHY) if "why" in query else None
        after = read_place(query, int, int, str)
        async with keeping.store.look(organisation_of(request)) as kept:
            found = await kept.aside.page(limit + 1, settled, after, read_name(query, "machine", 120), why)
        last = found[limit - 1] if len(found) > limit else None
        more = None if last is None else write_cursor([last.settled or 0, last.known, last.key])
        return json_answer({"items": [aside_json(item) for item in found[:limit]], "next": more})

    @router.post(
        "/v1/set-aside/{id}/accept",
        **described(
            "acceptSetAside",
            TAG,
            KeyScope.RECORD_WORK,
            "Accept a reading that was set aside",
            "It is kept, and every answer is as if it had been kept at first. What is kept and contradicts it is withdrawn, and told. "
            "With `as` another value or unit is kept in its place (minutes that were sent as hours); with `replaced_meter` the meter was "
            "replaced before it, and nothing is withdrawn; a replacement that was told just so before counts once. What waits of the same "
            "meter is judged again, and what fits by then is kept too: `also_kept`. What was dismissed, or kept meanwhile, can still be "
            "accepted; how it was settled before is then in `earlier`. The same once more changes nothing.",
            answers.AsideItem,
            requests.ACCEPT,
            (*BODY, *ONCE, "set_aside.unknown", "set_aside.settled", "set_aside.unacceptable"),
            [_ASIDE_ID, IDEMPOTENCY_KEY],
        ),
    )
    async def accept(request: Request) -> Response:
        return await _settled(request, ACCEPTED)

    @router.post(
        "/v1/set-aside/{id}/dismiss",
        **described(
            "dismissSetAside",
            TAG,
            KeyScope.RECORD_WORK,
            "Dismiss a reading that was set aside",
            "It is not kept, and waits no longer; sent again, it stays dismissed, even where it would fit by then. The same once more "
            "changes nothing.",
            answers.AsideItem,
            requests.DISMISS,
            (*BODY, *ONCE, "set_aside.unknown", "set_aside.settled"),
            [_ASIDE_ID, IDEMPOTENCY_KEY],
        ),
    )
    async def dismiss(request: Request) -> Response:
        return await _settled(request, DISMISSED)

    async def _settled(request: Request, deed: str) -> Response:
        media_type(request, JSON_TYPES)
        body = await request.body()
        settlement = settlement_of(deed, (requests.ACCEPT if deed == ACCEPTED else requests.DISMISS).read(body))

        async def work(kept: Kept) -> Response:
            return json_answer(aside_json(await settle(kept, keeping.find, request.path_params["id"], settlement)))

        return await once(keeping, request, body, work, settlement.by)

    @router.get(
        "/v1/machines/{id}/readings",
        **described(
            "listReadings",
            TAG,
            KeyScope.READ,
            "What is kept of a machine's meters",
            "The newest first, as they were sent. `Accept` chooses a table of all of them in place of a page, the oldest first: see "
            "`GET /v1/machines/{id}/readings.csv`.",
            {JSON: {"schema": ref(answers.KeptReadingsPage.__name__)}, **CSV_CONTENT, **PARQUET_CONTENT},
            None,
            ("machine.unknown", "request.does_not_fit", "address.not_acceptable"),
            [
                ACCEPT,
                MACHINE_ID,
                _LIMIT,
                _AFTER,
                query_parameter("meter", "of this meter alone", text_schema()),
                query_parameter("from", "nothing earlier", _MOMENT),
                query_parameter("to", "nothing from then on", _MOMENT),
                query_parameter("as_of", "what was known at that moment; absent: all that is known", _MOMENT),
            ],
            headers=VARY,
        ),
    )
    async def list_kept_readings(request: Request) -> Response:
        form = form_of(request, (JSON, CSV, PARQUET))
        query = read_query(request, ("limit", "after", "meter", "from", "to", "as_of"))
        if form != JSON:
            refuse_pages(query, ("limit", "after", "as_of"))
            return await tables.readings(request, form, query, machine_of(request))
        first, until, as_of = (read_moment(name, query[name]) if name in query else None for name in ("from", "to", "as_of"))
        asked = Asked(read_name(query, "meter", 120), first, until, read_place(query, int, int), as_of)
        async with keeping.store.look(organisation_of(request)) as kept:
            page = await list_readings(kept, keeping.find, machine_of(request), asked, _limit(query))
        return json_answer(kept_page_json(page), headers=VARIES)

    return router


async def take_in(keeping: Keeping, request: Request, body: bytes, work: Callable[[Kept], Awaitable[tuple[Intake, Response]]]) -> Response:
    """`once`, and counts what became of the readings: after it is committed, and not where the answer is one that was given before."""
    done: list[Intake] = []

    async def noted(kept: Kept) -> Response:
        intake, answer = await work(kept)
        done.append(intake)
        return answer

    answer = await once(keeping, request, body, noted)
    for intake in done:
        intake.count(keeping.tally)
    return answer


def _limit(query: Mapping[str, str]) -> int:
    return whole_number("limit", query["limit"], 1, MAX_PAGE) if "limit" in query else 50
