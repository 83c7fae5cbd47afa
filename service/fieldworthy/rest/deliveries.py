"""Deliveries: what went to whom, what is undelivered, and sending that again. For keys that administer."""

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response

from fieldworthy.core.base.micros import micros_of
from fieldworthy.rest.answers import json_answer
from fieldworthy.rest.body import JSON_TYPES, RawRoute, media_type
from fieldworthy.rest.described import BODY, described, path_parameter, query_parameter
from fieldworthy.rest.keeping import IDEMPOTENCY_KEY, ONCE, once, organisation_of
from fieldworthy.rest.listeners import ID_TEXT, TAG
from fieldworthy.rest.machines import AFTER, LIMIT
from fieldworthy.rest.moments import MOMENT
from fieldworthy.rest.query import read_query
from fieldworthy.usecases.deliveries import STATES, WantedDeliveries
from fieldworthy.usecases.keep_listeners import KeepListeners, read_delivery
from fieldworthy.usecases.kept import Kept
from fieldworthy.usecases.keys import KeyScope
from fieldworthy.usecases.once import Keeping
from fieldworthy.wire import listener_answers as answers
from fieldworthy.wire import requests
from fieldworthy.wire.cursor import read_place, write_cursor
from fieldworthy.wire.heard_json import attempt_json, delivery_json
from fieldworthy.wire.moments import read_moment
from fieldworthy.wire.parameters import one_of, read_limit, read_name
from fieldworthy.wire.scalars import instant

DELIVERY_ID = path_parameter("id", "the delivery's id, as lists give it", {**ID_TEXT, "maxLength": 200})


def deliveries_router(keeping: Keeping, keep: KeepListeners) -> APIRouter:
    """The routes."""
    router = APIRouter(route_class=RawRoute)

    @router.get(
        "/v1/deliveries",
        **described(
            "listDeliveries",
            TAG,
            KeyScope.ADMINISTER,
            "What went to whom",
            "The newest event first, a page at a time: what waits, what was delivered, what was given up and is kept, and what was dropped "
            "because its listener was turned off or removed.",
            answers.Deliveries,
            None,
            ("request.does_not_fit",),
            [
                query_parameter("listener", "to this one, by its id", ID_TEXT),
                query_parameter("state", "those that are so", {"type": "string", "enum": list(STATES)}),
                query_parameter("machine", "of events about this machine", ID_TEXT),
                query_parameter("from", "of events of that time and later", MOMENT),
                query_parameter("to", "of events before that time", MOMENT),
                LIMIT,
                AFTER,
            ],
        ),
    )
    async def list_deliveries(request: Request) -> Response:
        query = read_query(request, ("listener", "state", "machine", "from", "to", "limit", "after"))
        first, until = (read_moment(name, query[name]) if name in query else None for name in ("from", "to"))
        listener, machine = (read_name(query, name, 120) for name in ("listener", "machine"))
        state = one_of("state", query["state"], STATES) if "state" in query else None
        place, limit = read_place(query, int, int), read_limit(query)
        before = None if place is None else (place[0], place[1])
        async with keeping.store.look(organisation_of(request)) as kept:
            found = await kept.deliveries.page(WantedDeliveries(listener, state, machine, first, until), before, limit + 1)
        more = write_cursor(list(found[limit - 1].place)) if len(found) > limit else None
        return json_answer({"items": [delivery_json(each) for each in found[:limit]], "next": more})

    @router.get(
        "/v1/deliveries/{id}",
        **described(
            "getDelivery",
            TAG,
            KeyScope.ADMINISTER,
            "What became of one delivery",
            "With each attempt: when, how long it took, what was answered, and what was the matter.",
            answers.DeliveryWithAttempts,
            None,
            ("delivery.unknown",),
            [DELIVERY_ID],
        ),
    )
    async def get_delivery(request: Request) -> Response:
        async with keeping.store.look(organisation_of(request)) as kept:
            found, tried = await read_delivery(kept, request.path_params["id"])
        return json_answer({"delivery": delivery_json(found), "attempts": [attempt_json(each) for each in tried]})

    @router.post(
        "/v1/deliveries/again",
        **described(
            "sendAgain",
            TAG,
            KeyScope.ADMINISTER,
            "Send once more what stayed undelivered",
            "Of one listener, by the events' own time. Each keeps its id, so a receiver that has one already knows it. What is sent again "
            "may come behind later events of its machine.",
            answers.SentAgain,
            requests.AGAIN,
            (*BODY, *ONCE, "listener.unknown", "listener.not_on"),
            [IDEMPOTENCY_KEY],
        ),
    )
    async def send_again(request: Request) -> Response:
        media_type(request, JSON_TYPES)
        body = await request.body()
        told = requests.AGAIN.read(body)
        first, until = (micros_of(instant(told[name], f"/{name}")) if name in told else None for name in ("from", "to"))

        async def work(kept: Kept) -> Response:
            return json_answer({"again": await keep.again(kept, told["listener"], first, until)})

        return await once(keeping, request, body, work)

    return router
