"""Listeners: who is told, and of what. For keys that administer."""

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response

from fieldworthy.core.base.micros import micros_text
from fieldworthy.rest.answers import json_answer
from fieldworthy.rest.body import JSON_TYPES, RawRoute, media_type
from fieldworthy.rest.conditions import ETAG, IF_MATCH, only_if
from fieldworthy.rest.described import BODY, described, path_parameter, text_schema
from fieldworthy.rest.keeping import IDEMPOTENCY_KEY, ONCE, SHOWN, once, organisation_of
from fieldworthy.rest.machines import AFTER, LIMIT
from fieldworthy.rest.query import read_query
from fieldworthy.usecases.keep_listeners import USUAL_OVERLAP_HOURS, KeepListeners, read_listener
from fieldworthy.usecases.kept import Kept
from fieldworthy.usecases.keys import KeyScope
from fieldworthy.usecases.listener_refusals import ListenerChanged, ListenerUnknown
from fieldworthy.usecases.once import Keeping, Shown
from fieldworthy.usecases.once_refusals import ShownOnce
from fieldworthy.usecases.only_if import tag_of
from fieldworthy.wire import listener_answers as answers
from fieldworthy.wire import requests
from fieldworthy.wire.cursor import write_cursor
from fieldworthy.wire.heard_json import listener_json
from fieldworthy.wire.parameters import is_id, read_after_id, read_limit

TAG = "listeners"

ID_TEXT = text_schema()
LISTENER_ID = path_parameter("id", "the listener's id", ID_TEXT)
_ONE = "/v1/listeners/{id}"
_ANOTHER = "where that answer was lost, POST /v1/listeners/{}/secret gives it another secret, with a new `Idempotency-Key`"


def listeners_router(keeping: Keeping, keep: KeepListeners) -> APIRouter:
    """The routes."""
    router = APIRouter(route_class=RawRoute)

    @router.post(
        "/v1/listeners",
        **described(
            "postListener",
            TAG,
            KeyScope.ADMINISTER,
            "Make a listener",
            "From now on it is told what it chose: as CloudEvents 1.0, signed as Standard Webhooks has it, to a `url`; or by mail. At "
            "least once, with the same `webhook-id` each time, and what is of one machine in order. The answer shows its secret, which "
            "nothing else does: whoever repeats the request is told that it was made (`request.shown_once`).",
            answers.ListenerMade,
            requests.LISTENER,
            (*BODY, *SHOWN, "listener.does_not_fit", "listener.too_many", "listener.taken"),
            [IDEMPOTENCY_KEY],
            status=201,
        ),
    )
    async def post_listener(request: Request) -> Response:
        media_type(request, JSON_TYPES)
        body = await request.body()
        told = requests.LISTENER.read(body)

        async def work(kept: Kept) -> Response | Shown[Response]:
            made = await keep.add(kept, told)
            secret = None if made.choice.url is None else made.secret
            answer = json_answer({"listener": listener_json(made), "secret": secret}, 201)  # without an `ETag`: so nobody may keep it
            return answer if secret is None else Shown(answer, ShownOnce("made the listener", made.id, _ANOTHER.format(made.id)))

        return await once(keeping, request, body, work)

    @router.get(
        "/v1/listeners",
        **described(
            "listListeners",
            TAG,
            KeyScope.ADMINISTER,
            "Who is told",
            "In the order of their ids, a page at a time, without secrets.",
            answers.Listeners,
            None,
            ("request.does_not_fit",),
            [LIMIT, AFTER],
        ),
    )
    async def list_listeners(request: Request) -> Response:
        query = read_query(request, ("limit", "after"))
        after, limit = read_after_id(query), read_limit(query)
        async with keeping.store.look(organisation_of(request)) as kept:
            found = await kept.listeners.page(after, limit + 1)
        more = write_cursor([found[limit - 1].id]) if len(found) > limit else None
        return json_answer({"items": [listener_json(each) for each in found[:limit]], "next": more})

    @router.get(
        _ONE,
        **described(
            "getListener",
            TAG,
            KeyScope.ADMINISTER,
            "A listener",
            "As it stands, without its secret; and since when its receiver has been failing. `ETag` is of what its owner says of it, for "
            "`If-Match`; how its receiver does changes beside that, so `If-None-Match` is not heeded.",
            answers.ListenerAnswer,
            None,
            ("listener.unknown", "listener.changed"),
            [LISTENER_ID, IF_MATCH],
            headers=ETAG,
        ),
    )
    async def get_listener(request: Request) -> Response:
        condition = only_if(request)
        async with keeping.store.look(organisation_of(request)) as kept:
            found = await read_listener(kept, listener_of(request))
        tag = tag_of(found.revision)
        if not condition.matches(tag):
            raise ListenerChanged(found.id, found.revision)
        return json_answer(listener_json(found), 200, {"etag": tag})

    @router.put(
        _ONE,
        **described(
            "putListener",
            TAG,
            KeyScope.ADMINISTER,
            "Change a listener",
            "The whole of it; what is absent is as in a new one, but `state` stays. Turned `off` it is told nothing, and what waits for it "
            "is dropped; `on` turns it on again, also one whose receiver answered 410: it is told of what happens from then on. What waits "
            "goes to the new address, and what was never tried by the new hours.",
            answers.ListenerAnswer,
            requests.LISTENER_PUT,
            (*BODY, *ONCE, "listener.unknown", "listener.changed", "listener.does_not_fit"),
            [LISTENER_ID, IF_MATCH, IDEMPOTENCY_KEY],
            headers=ETAG,
        ),
    )
    async def put_listener(request: Request) -> Response:
        media_type(request, JSON_TYPES)
        id, condition, body = listener_of(request), only_if(request), await request.body()
        told = requests.LISTENER_PUT.read(body)

        async def work(kept: Kept) -> Response:
            changed = await keep.change(kept, id, told, condition)
            return json_answer(listener_json(changed), 200, {"etag": tag_of(changed.revision)})

        return await once(keeping, request, body, work)

    @router.delete(
        _ONE,
        **described(
            "deleteListener",
            TAG,
            KeyScope.ADMINISTER,
            "Remove a listener",
            "What waits for it is dropped, and its secrets and its address are forgotten; what became of its deliveries can still be read.",
            {},
            None,
            (*ONCE, "listener.unknown", "listener.changed"),
            [LISTENER_ID, IF_MATCH, IDEMPOTENCY_KEY],
            status=204,
        ),
    )
    async def delete_listener(request: Request) -> Response:
        id, condition = listener_of(request), only_if(request)

        async def work(kept: Kept) -> Response:
            await keep.remove(kept, id, condition)
            return Response(status_code=204)

        return await once(keeping, request, b"", work)

    @router.post(
        _ONE + "/secret",
        **described(
            "rotateSecret",
            TAG,
            KeyScope.ADMINISTER,
            "Give a listener a new secret",
            "The answer shows it, which nothing else does. For `overlap_hours` each delivery carries a signature of either, so that the "
            "receiver can change over without a gap; with 0 the earlier one ends at once. Two secrets sign at most: rotated once more in "
            "that time, the one from before both ends. So send an `Idempotency-Key`: a repeat makes no third one, and is "
            "told so (`request.shown_once`).",
            answers.SecretRotated,
            requests.ROTATE,
            (*BODY, *SHOWN, "listener.unknown", "listener.no_secret"),
            [LISTENER_ID, IDEMPOTENCY_KEY],
        ),
    )
    async def rotate_secret(request: Request) -> Response:
        media_type(request, JSON_TYPES)
        id, body = listener_of(request), await request.body()
        hours = requests.ROTATE.read(body).get("overlap_hours", USUAL_OVERLAP_HOURS)

        async def work(kept: Kept) -> Shown[Response]:
            rotated = await keep.rotate(kept, id, hours)
            assert rotated.secret_before_until is not None
            answer = json_answer({"secret": rotated.secret, "before_until": micros_text(rotated.secret_before_until)})
            return Shown(answer, ShownOnce("gave a new secret to the listener", id, _ANOTHER.format(id)))

        return await once(keeping, request, body, work)

    @router.post(
        _ONE + "/test",
        **described(
            "testListener",
            TAG,
            KeyScope.ADMINISTER,
            "Send a listener a test",
            "An event of the type `fieldworthy.listener.test`, whatever it chose, ahead of quiet hours and digests; ten an hour at most.",
            answers.TestSent,
            None,
            (*ONCE, "listener.unknown", "listener.not_on", "listener.tests_too_many"),
            [LISTENER_ID, IDEMPOTENCY_KEY],
            status=202,
        ),
    )
    async def test_listener(request: Request) -> Response:
        id = listener_of(request)

        async def work(kept: Kept) -> Response:
            sent = await keep.test(kept, id)
            return json_answer({"event": sent.event, "delivery": sent.delivery}, 202)

        return await once(keeping, request, b"", work)

    return router


def listener_of(request: Request) -> str:
    """The id in the address. Raises ListenerUnknown for what can't be one."""
    id: str = request.path_params["id"]
    if not is_id(id):
        raise ListenerUnknown(id)
    return id
