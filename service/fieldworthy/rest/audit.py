"""The audit trail, for who administers an organisation. It is read; no route changes it."""

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response

from fieldworthy.rest.answers import json_answer
from fieldworthy.rest.body import RawRoute
from fieldworthy.rest.described import described, query_parameter, text_schema
from fieldworthy.rest.keeping import organisation_of
from fieldworthy.rest.machines import AFTER, LIMIT
from fieldworthy.rest.moments import MOMENT
from fieldworthy.rest.query import read_query
from fieldworthy.usecases.audit import NOTED, Looked
from fieldworthy.usecases.keys import KeyScope
from fieldworthy.usecases.once import Keeping
from fieldworthy.usecases.tokens import MOST_SUBJECT
from fieldworthy.wire import audit_answers as answers
from fieldworthy.wire.cursor import read_place, write_cursor
from fieldworthy.wire.heard_json import change_json
from fieldworthy.wire.moments import read_moment
from fieldworthy.wire.parameters import one_of, read_limit, read_name

TAG = "audit"

_MOST_ID = 300
_NAME = text_schema(_MOST_ID)
_WHO = {**_NAME, "maxLength": MOST_SUBJECT}


def audit_router(keeping: Keeping) -> APIRouter:
    """The route."""
    router = APIRouter(route_class=RawRoute)

    @router.get(
        "/v1/audit",
        **described(
            "listAudit",
            TAG,
            KeyScope.ADMINISTER,
            "Who changed what, and when",
            "The newest change first, a page at a time. Each is written with the change itself, and nothing changes or deletes it. A post "
            "of readings is one line with its counts; what changed nothing has none.",
            answers.AuditPage,
            None,
            ("request.does_not_fit",),
            [
                query_parameter("from", "nothing earlier", MOMENT),
                query_parameter("to", "nothing from then on", MOMENT),
                query_parameter("who", "by this key (its id), this token's subject, or this person as requests name them", _WHO),
                query_parameter("kind", "of things of this kind", {"type": "string", "enum": sorted(NOTED)}),
                query_parameter("id", "of the thing of this id, or of the machine of this id and all that belongs to it", _NAME),
                LIMIT,
                AFTER,
            ],
        ),
    )
    async def list_audit(request: Request) -> Response:
        query = read_query(request, ("from", "to", "who", "kind", "id", "limit", "after"))
        first, until = (read_moment(name, query[name]) if name in query else None for name in ("from", "to"))
        who, id = (read_name(query, name, most) for name, most in (("who", MOST_SUBJECT), ("id", _MOST_ID)))
        looked = Looked(first, until, who, one_of("kind", query["kind"], NOTED) if "kind" in query else None, id)
        before, limit = read_place(query, int), read_limit(query)
        async with keeping.store.look(organisation_of(request)) as kept:
            found = await kept.trail.page(looked, None if before is None else before[0], limit + 1)
        more = write_cursor([found[limit - 1].n]) if len(found) > limit else None
        return json_answer({"items": [change_json(change) for change in found[:limit]], "next": more})

    return router
