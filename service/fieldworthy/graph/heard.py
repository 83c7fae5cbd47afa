"""What happened, who is told of it and what became of that, who changed what, and links to calendars."""

from collections.abc import Callable, Sequence
from typing import Annotated, Any, TypeVar

import orjson
import strawberry

from fieldworthy.core.base.micros import micros_of, micros_text
from fieldworthy.graph.context import Info
from fieldworthy.graph.fields import field, mutation
from fieldworthy.graph.inputs import Given, input_of
from fieldworthy.graph.machines import IF_REVISION, only_if
from fieldworthy.graph.pages import PAGE, connection_of, first_of, page, query_of
from fieldworthy.graph.records import After, First
from fieldworthy.graph.repeats import ONCE, SHOWN, Answer, Key, once
from fieldworthy.graph.scalars import DateTime
from fieldworthy.graph.shapes import make_type, member, type_of
from fieldworthy.graph.words import nullable
from fieldworthy.usecases.audit import NOTED, Looked
from fieldworthy.usecases.deliveries import STATES, WantedDeliveries
from fieldworthy.usecases.events import TYPES, WantedEvents
from fieldworthy.usecases.feeds import make_feed, revoke_feed
from fieldworthy.usecases.keep_listeners import USUAL_OVERLAP_HOURS, read_delivery, read_listener
from fieldworthy.usecases.kept import Kept
from fieldworthy.usecases.listener_refusals import ListenerUnknown
from fieldworthy.usecases.once import Shown
from fieldworthy.usecases.once_refusals import ShownOnce
from fieldworthy.usecases.tokens import MOST_SUBJECT
from fieldworthy.wire import audit_answers, event_answers, feed_shapes, listener_answers, requests
from fieldworthy.wire.cursor import read_place, write_cursor
from fieldworthy.wire.heard_json import attempt_json, change_json, delivery_json, feed_json, listener_json
from fieldworthy.wire.moments import read_moment
from fieldworthy.wire.parameters import is_id, one_of, read_after_id, read_name
from fieldworthy.wire.scalars import instant

Item = TypeVar("Item")

EVENTS = connection_of(
    type_of(event_answers.CloudEvent),
    "Event",
    "A page of events, the oldest first. resume: as `after` it gives what comes later, null while there was none at all.",
    [member("resume", nullable(str))],
)
AUDIT = connection_of(type_of(audit_answers.AuditLine), "Audit", "A page of the trail, the newest change first.")
LISTENERS = connection_of(type_of(listener_answers.ListenerAnswer), "Listener", "A page of listeners, in the order of their ids.")
DELIVERIES = connection_of(type_of(listener_answers.DeliveryAnswer), "Delivery", "A page of deliveries, the newest event first.")
FEEDS = connection_of(type_of(feed_shapes.FeedItem), "Feed", "A page of links, in the order in which they were made.")
REMOVED = make_type("ListenerRemoved", [member("id", str)], "A listener that is no more.")

POST, PUT = input_of(requests.LISTENER), input_of(requests.LISTENER_PUT)
ROTATE, AGAIN, FEED = input_of(requests.ROTATE), input_of(requests.AGAIN), input_of(requests.FEED)

From = Annotated[DateTime | None, strawberry.argument(name="from", description="nothing earlier")]
To = Annotated[DateTime | None, strawberry.argument(name="to", description="nothing from then on")]
Type = Annotated[str | None, strawberry.argument(description="of this type")]
Machine = Annotated[str | None, strawberry.argument(description="about the machine of this id")]
Id = Annotated[str, strawberry.argument(description="its id")]
IfRevision = Annotated[int | None, strawberry.argument(description=IF_REVISION)]
_MOST_ID = 300
_ANOTHER = "where that answer was lost, `rotateSecret` gives it another secret, with a new `idempotencyKey`"


def _between(first: str | None, until: str | None) -> tuple[int | None, int | None]:
    return (
        None if first is None else read_moment("from", first),
        None if until is None else read_moment("to", until),
    )


def _paged(
    found: Sequence[Item], limit: int, node: Callable[[Item], dict[str, Any]], place: Callable[[Item], Sequence[Any]]
) -> dict[str, Any]:
    """A page of these, of which one more than it may hold was read."""
    items = found[:limit]
    return page([node(each) for each in items], [write_cursor(list(place(each))) for each in items], len(found) > limit)


@field(
    "listEvents",
    EVENTS,
    "What happened, the oldest first, each a CloudEvent, in the order in which they were kept: who goes on from `resume` misses none.",
)
async def events(
    info: Info, type: Type = None, machine: Machine = None, begin: From = None, end: To = None, first: First = PAGE, after: After = None
) -> Any:
    query = query_of(machine=machine, after=after)
    since, until = _between(begin, end)
    kind = None if type is None else one_of("type", type, TYPES)
    wanted = WantedEvents(kind, read_name(query, "machine", 120), since, until)
    place, limit = read_place(query, int), first_of(first)
    behind = 0 if place is None else place[0]
    async with info.context.asked.keeping.store.look(info.context.organisation) as kept:
        found = await kept.events.page(wanted, behind, limit + 1)
    last = found[:limit][-1].n if found[:limit] else behind
    told = _paged(found, limit, lambda each: each.to_json(), lambda each: [each.n])
    return {**told, "resume": write_cursor([last]) if last else None}


@field("listAudit", AUDIT, "Who changed what, and when, the newest change first. Nothing changes or deletes a line of it.")
async def audit(
    info: Info,
    begin: From = None,
    end: To = None,
    who: Annotated[str | None, strawberry.argument(description="by this key (its id), this token's subject, or this person")] = None,
    kind: Annotated[str | None, strawberry.argument(description="of things of this kind")] = None,
    id: Annotated[str | None, strawberry.argument(description="of this thing, or of this machine and all that belongs to it")] = None,
    first: First = PAGE,
    after: After = None,
) -> Any:
    query = query_of(who=who, id=id, after=after)
    since, until = _between(begin, end)
    by, of = read_name(query, "who", MOST_SUBJECT), read_name(query, "id", _MOST_ID)
    looked = Looked(since, until, by, None if kind is None else one_of("kind", kind, NOTED), of)
    before, limit = read_place(query, int), first_of(first)
    async with info.context.asked.keeping.store.look(info.context.organisation) as kept:
        found = await kept.trail.page(looked, None if before is None else before[0], limit + 1)
    return _paged(found, limit, lambda each: change_json(each, orjson.loads), lambda each: [each.n])


@field("listListeners", LISTENERS, "Who is told, without secrets.")
async def listeners(info: Info, first: First = PAGE, after: After = None) -> Any:
    behind, limit = read_after_id(query_of(after=after)), first_of(first)
    async with info.context.asked.keeping.store.look(info.context.organisation) as kept:
        found = await kept.listeners.page(behind, limit + 1)
    return _paged(found, limit, listener_json, lambda each: [each.id])


@field("getListener", type_of(listener_answers.ListenerAnswer), "A listener, without its secret.")
async def listener(info: Info, id: Id) -> Any:
    async with info.context.asked.keeping.store.look(info.context.organisation) as kept:
        return listener_json(await read_listener(kept, _listener(id)))


@mutation(
    "postListener",
    type_of(listener_answers.ListenerMade),
    "Makes a listener, which is told from now on what it chose. The answer shows its secret, which nothing else does: whoever repeats it "
    "is told that it was made (`request.shown_once`).",
    POST,
    (*SHOWN, "listener.does_not_fit", "listener.too_many", "listener.taken"),
)
async def post_listener(info: Info, input: Annotated[Given, strawberry.argument(graphql_type=POST.type)], key: Key = None) -> Any:
    told = POST.read(input)

    async def work(kept: Kept) -> Answer | Shown[Answer]:
        made = await info.context.asked.listening.add(kept, told)
        if made.choice.url is None:
            return {"listener": listener_json(made), "secret": None}  # nosec B105  # by mail there is none
        return Shown({"listener": listener_json(made), "secret": made.secret}, ShownOnce("made the listener", made.id, _ANOTHER))

    return await once(info, key, {"input": told}, work)


@mutation(
    "putListener",
    type_of(listener_answers.ListenerAnswer),
    "Changes a listener: the whole of it; what is absent is as in a new one, but `state` stays.",
    PUT,
    (*ONCE, "listener.unknown", "listener.changed", "listener.does_not_fit"),
)
async def put_listener(
    info: Info,
    id: Id,
    input: Annotated[Given, strawberry.argument(graphql_type=PUT.type)],
    if_revision: IfRevision = None,
    key: Key = None,
) -> Any:
    told, condition = PUT.read(input), only_if(if_revision)

    async def work(kept: Kept) -> dict[str, Any]:
        return listener_json(await info.context.asked.listening.change(kept, _listener(id), told, condition))

    return await once(info, key, {"id": id, "input": told, "if_revision": if_revision}, work)


@mutation(
    "deleteListener",
    REMOVED,
    "Removes a listener: what waits for it is dropped, and its secrets are forgotten.",
    data=(*ONCE, "listener.unknown", "listener.changed"),
)
async def delete_listener(info: Info, id: Id, if_revision: IfRevision = None, key: Key = None) -> Any:
    condition = only_if(if_revision)

    async def work(kept: Kept) -> dict[str, Any]:
        await info.context.asked.listening.remove(kept, _listener(id), condition)
        return {"id": id}

    return await once(info, key, {"id": id, "if_revision": if_revision}, work)


@mutation(
    "rotateSecret",
    type_of(listener_answers.SecretRotated),
    "Gives a listener a new secret, which nothing else shows. For `overlapHours` each delivery carries a signature of either.",
    ROTATE,
    (*SHOWN, "listener.unknown", "listener.no_secret"),
)
async def rotate_secret(info: Info, id: Id, input: Annotated[Given, strawberry.argument(graphql_type=ROTATE.type)], key: Key = None) -> Any:
    hours = ROTATE.read(input).get("overlap_hours", USUAL_OVERLAP_HOURS)

    async def work(kept: Kept) -> Shown[Answer]:
        rotated = await info.context.asked.listening.rotate(kept, _listener(id), hours)
        assert rotated.secret_before_until is not None
        answer = {"secret": rotated.secret, "before_until": micros_text(rotated.secret_before_until)}
        return Shown(answer, ShownOnce("gave a new secret to the listener", id, _ANOTHER))

    return await once(info, key, {"id": id, "hours": hours}, work)


@mutation(
    "testListener",
    type_of(listener_answers.TestSent),
    "Sends a listener a test, whatever it chose, ahead of quiet hours and digests; ten an hour at most.",
    data=(*ONCE, "listener.unknown", "listener.not_on", "listener.tests_too_many"),
)
async def send_test(info: Info, id: Id, key: Key = None) -> Any:
    async def work(kept: Kept) -> dict[str, Any]:
        sent = await info.context.asked.listening.test(kept, _listener(id))
        return {"event": sent.event, "delivery": sent.delivery}

    return await once(info, key, {"id": id}, work)


@field("listDeliveries", DELIVERIES, "What went to whom: what waits, was delivered, was given up and is kept, and was dropped.")
async def deliveries(
    info: Info,
    listener: Annotated[str | None, strawberry.argument(description="to this one, by its id")] = None,
    state: Annotated[str | None, strawberry.argument(description="those that are so")] = None,
    machine: Machine = None,
    begin: From = None,
    end: To = None,
    first: First = PAGE,
    after: After = None,
) -> Any:
    query = query_of(listener=listener, machine=machine, after=after)
    since, until = _between(begin, end)
    to, about = (read_name(query, name, 120) for name in ("listener", "machine"))
    so = None if state is None else one_of("state", state, STATES)
    place, limit = read_place(query, int, int), first_of(first)
    before = None if place is None else (place[0], place[1])
    async with info.context.asked.keeping.store.look(info.context.organisation) as kept:
        found = await kept.deliveries.page(WantedDeliveries(to, so, about, since, until), before, limit + 1)
    return _paged(found, limit, delivery_json, lambda each: each.place)


@field("getDelivery", type_of(listener_answers.DeliveryWithAttempts), "What became of one delivery, with each attempt.")
async def delivery(info: Info, id: Id) -> Any:
    async with info.context.asked.keeping.store.look(info.context.organisation) as kept:
        found, tried = await read_delivery(kept, id)
    return {"delivery": delivery_json(found), "attempts": [attempt_json(each) for each in tried]}


@mutation(
    "sendAgain",
    type_of(listener_answers.SentAgain),
    "Sends once more what stayed undelivered to one listener, by the events' own time.",
    AGAIN,
    (*ONCE, "listener.unknown", "listener.not_on"),
)
async def send_again(info: Info, input: Annotated[Given, strawberry.argument(graphql_type=AGAIN.type)], key: Key = None) -> Any:
    told = AGAIN.read(input)
    since, until = (micros_of(instant(told[name], f"/{name}")) if name in told else None for name in ("from", "to"))

    async def work(kept: Kept) -> dict[str, Any]:
        return {"again": await info.context.asked.listening.again(kept, told["listener"], since, until)}

    return await once(info, key, {"input": told}, work)


@mutation(
    "makeFeed",
    type_of(feed_shapes.FeedMade),
    "Makes a link to a calendar: of a machine, of a site, or with neither of the whole fleet. `path` is told this once, and whoever has it "
    "needs no key; whoever repeats it is told which link it made (`request.shown_once`).",
    FEED,
    (*SHOWN, "machine.unknown", "feed.too_many"),
)
async def make(info: Info, input: Annotated[Given, strawberry.argument(graphql_type=FEED.type)], key: Key = None) -> Any:
    given = FEED.read(input)

    async def work(kept: Kept) -> Shown[Answer]:
        feed, token = await make_feed(kept, given.get("machine"), given.get("site"), given.get("name", ""), info.context.asked.random)
        mend = "where that answer was lost, `revokeFeed` revokes it; then make another, with a new `idempotencyKey`"
        return Shown({**feed_json(feed), "path": f"/v1/feeds/{token}.ics"}, ShownOnce("made the link", feed.id, mend))

    return await once(info, key, {"input": given}, work)


@field("listFeeds", FEEDS, "The links to calendars; those that were revoked too. Tokens are not told.")
async def feeds(info: Info, first: First = PAGE, after: After = None) -> Any:
    limit, place = first_of(first), read_place(query_of(after=after), int, str)
    async with info.context.asked.keeping.store.look(info.context.organisation) as kept:
        found = await kept.feeds.page(None if place is None else (place[0], place[1]), limit + 1)
    return _paged(found, limit, feed_json, lambda each: [each.created, each.id])


@mutation(
    "revokeFeed",
    type_of(feed_shapes.FeedItem),
    "Revokes a link to a calendar: from the next request on there is nothing at its address. Once more changes nothing.",
    data=("feed.unknown",),
)
async def revoke(info: Info, id: Id) -> Any:
    async with info.context.asked.keeping.store.keep(info.context.organisation, info.context.caller.actor) as kept:
        return feed_json(await revoke_feed(kept, id))


def _listener(id: str) -> str:
    """A listener's id. Raises ListenerUnknown for what can be none."""
    if not is_id(id):
        raise ListenerUnknown(id)
    return id


QUERIES = [events, audit, listeners, listener, deliveries, delivery, feeds]
MUTATIONS = [post_listener, put_listener, delete_listener, rotate_secret, send_test, send_again, make, revoke]
