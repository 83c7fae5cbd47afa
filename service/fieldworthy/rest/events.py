"""What was told: the events of an organisation, for whoever asks for them in place of being told."""

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
from fieldworthy.usecases.events import TYPES, WantedEvents
from fieldworthy.usecases.keys import KeyScope
from fieldworthy.usecases.once import Keeping
from fieldworthy.wire.cursor import read_place, write_cursor
from fieldworthy.wire.event_answers import EventsPage
from fieldworthy.wire.moments import read_moment
from fieldworthy.wire.parameters import one_of, read_limit, read_name

TAG = "events"


def events_router(keeping: Keeping) -> APIRouter:
    """The route."""
    router = APIRouter(route_class=RawRoute)

    @router.get(
        "/v1/events",
        **described(
            "listEvents",
            TAG,
            KeyScope.READ,
            "What happened: standings that changed, work done, readings set aside, rulebooks published",
            "The oldest event first, a page at a time, each a CloudEvent. They are in the order in which they were kept, and none comes "
            "later in front of one that was listed: who goes on from `resume` misses none.",
            EventsPage,
            None,
            ("request.does_not_fit",),
            [
                query_parameter("type", "of this type", {"type": "string", "enum": list(TYPES)}),
                query_parameter("machine", "about the machine of this id", text_schema()),
                query_parameter("from", "nothing earlier", MOMENT),
                query_parameter("to", "nothing from then on", MOMENT),
                LIMIT,
                AFTER,
            ],
        ),
    )
    async def list_events(request: Request) -> Response:
        query = read_query(request, ("type", "machine", "from", "to", "limit", "after"))
        first, until = (read_moment(name, query[name]) if name in query else None for name in ("from", "to"))
        type = one_of("type", query["type"], TYPES) if "type" in query else None
        wanted = WantedEvents(type, read_name(query, "machine", 120), first, until)
        after, limit = read_place(query, int), read_limit(query)
        begin = 0 if after is None else after[0]
        async with keeping.store.look(organisation_of(request)) as kept:
            found = await kept.events.page(wanted, begin, limit + 1)
        shown = found[:limit]
        last = shown[-1].n if shown else begin
        resume = write_cursor([last]) if last else None
        more = resume if len(found) > limit else None
        return json_answer({"items": [event.to_json() for event in shown], "next": more, "resume": resume})

    return router
