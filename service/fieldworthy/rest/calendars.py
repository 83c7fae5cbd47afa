"""Calendars: what is due as iCalendar (RFC 5545), for who has a key, and by links that need none."""

import asyncio
from collections import OrderedDict
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from secrets import token_bytes
from typing import Any

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response, StreamingResponse

from fieldworthy.rest.admission import ANYBODY, caller_of
from fieldworthy.rest.answers import json_answer
from fieldworthy.rest.body import JSON_TYPES, Declined, RawRoute, media_type
from fieldworthy.rest.conditions import ETAG, IF_NONE_MATCH_GET, only_if, with_not_modified
from fieldworthy.rest.described import BODY, described, path_parameter, query_parameter, text_schema
from fieldworthy.rest.keeping import IDEMPOTENCY_KEY, SHOWN, once, organisation_of
from fieldworthy.rest.machines import AFTER, LIMIT, MACHINE_ID, machine_of
from fieldworthy.rest.query import read_query
from fieldworthy.rest.quota import tell
from fieldworthy.usecases.calendar import AskCalendar
from fieldworthy.usecases.feeds import Feed, FeedRing, make_feed, revoke_feed
from fieldworthy.usecases.kept import Kept
from fieldworthy.usecases.kept_standings import Scope
from fieldworthy.usecases.key_refusals import QuotaExceeded, TooManyWrongKeys
from fieldworthy.usecases.keys import KeyScope
from fieldworthy.usecases.once import Keeping, Shown
from fieldworthy.usecases.once_refusals import ShownOnce
from fieldworthy.usecases.quotas import Quotas
from fieldworthy.usecases.standings import Recompute
from fieldworthy.usecases.wrong_keys import WrongKeys
from fieldworthy.wire import feed_shapes as answers
from fieldworthy.wire import requests
from fieldworthy.wire.calendar import MEDIA_TYPE, calendar_parts
from fieldworthy.wire.cursor import read_place, write_cursor
from fieldworthy.wire.heard_json import feed_json
from fieldworthy.wire.parameters import read_limit, read_name
from fieldworthy.wire.problems import problem

TAG = "calendars"

_ICS: Mapping[str, Any] = {"text/calendar": {"schema": {"type": "string", "description": "iCalendar (RFC 5545), METHOD:PUBLISH"}}}
_SITE = path_parameter("site", "the site, as machines name it; one with a `/` in its name: `/v1/due.ics?site=`", text_schema())
_TOKEN = path_parameter("token", "the link's own token", {"type": "string", "pattern": "^fwf_[A-Za-z0-9_-]+$", "maxLength": 80})
_FEED_ID = path_parameter("id", "the link's id", {"type": "string", "pattern": "^[a-z2-7]{12}$", "maxLength": 12})
_SHOWN = (
    "One event for a whole day and each task that has a day: on its expected date, else on its due date; what is due or overdue stands on "
    "today, by the site's time zone, until it is done. What is not known gets no date that nobody told: the calendar's description says "
    "how many such tasks there are and where they are listed. `UID` stays the same for ever and in every feed; where the day moves, "
    "`SEQUENCE` grows. Drawn from the standings that are kept ready; the description says when they were computed."
)


MOST_DRAWN = 16_000_000
"""Bytes of calendars that a process keeps as text: two of the largest, or hundreds of a machine."""


class Feeds:
    """Lets in who has a link. quotas: None for none; wrong: how many wrong tokens an address may send, None for any number."""

    def __init__(self, ring: FeedRing, quotas: Quotas | None, wrong: WrongKeys | None) -> None:
        self._ring = ring
        self._quotas = quotas
        self._wrong = wrong

    async def feed(self, request: Request) -> Feed:
        """The link of the address. Raises Declined (404, whatever is wrong with it), TooManyWrongKeys, QuotaExceeded (429)."""
        token = request.path_params["token"].encode()
        address = request.scope["client"][0] if request.scope.get("client") else ""
        wait = 0 if self._wrong is None else self._wrong.wait(address)
        if self._wrong is not None and wait and not self._ring.knows(token):
            raise TooManyWrongKeys(self._wrong.most, wait)
        found = await self._ring.feed(token)
        if found is None:
            if self._wrong is not None:
                self._wrong.note(address)
            raise Declined(problem("address.unknown", "there is nothing at this address", "ask whoever gave you the link for a new one"))
        if self._quotas is not None:
            await self._spend(request, self._quotas, found)
        return found

    async def _spend(self, request: Request, quotas: Quotas, feed: Feed) -> None:
        try:
            left = await quotas.spend(f"feed {feed.id}")
        except QuotaExceeded as exceeded:
            tell(request.scope, quotas.quota, 0, exceeded.retry_after or 1)
            raise
        tell(request.scope, quotas.quota, left.remaining, left.wait)


class Drawn:
    """
    The newest calendars as text, by their tags, which name an organisation and all that goes into one: who has a link may ask often, and
    a large one takes seconds to write. most: bytes of all together.
    """

    def __init__(self, most: int = MOST_DRAWN) -> None:
        self._most = most
        self._size = 0
        self._texts: OrderedDict[str, bytes] = OrderedDict()

    def get(self, tag: str) -> bytes | None:
        """None where it is not there (any more)."""
        if tag in self._texts:
            self._texts.move_to_end(tag)
        return self._texts.get(tag)

    def keep(self, tag: str, parts: Sequence[bytes]) -> None:
        """Keeps one, and no longer those that were not asked for longest. What alone is more than all may be is not kept."""
        text = b"".join(parts)
        if tag in self._texts or len(text) > self._most:
            return
        self._texts[tag] = text
        self._size += len(text)
        while self._size > self._most:
            self._size -= len(self._texts.popitem(last=False)[1])


def calendars_router(keeping: Keeping, recompute: Recompute, feeds: Feeds, random: Callable[[int], bytes] = token_bytes) -> APIRouter:
    """The routes. random: of which tokens are made."""
    router = APIRouter(route_class=RawRoute)
    ask = AskCalendar(keeping.store, keeping.find, recompute)
    drawn = Drawn()

    async def answered(request: Request, organisation: int, scope: Scope) -> Response:
        condition = only_if(request)
        text: bytes | None = None

        def has(tag: str) -> bool:
            nonlocal text
            text = drawn.get(tag)  # held from here on: it may be gone from there by the time that it is sent
            return text is not None or condition.names(f'"{tag}"')

        calendar = await ask(organisation, scope, has)
        headers = {"etag": f'"{calendar.tag}"'}
        if condition.names(f'"{calendar.tag}"'):
            return Response(status_code=304, headers=headers)
        if text is not None:
            return Response(text, headers=headers, media_type=MEDIA_TYPE)

        async def parts() -> AsyncIterator[bytes]:
            told = []
            for part in calendar_parts(calendar):
                told.append(part)
                yield part
                await asyncio.sleep(0)  # others have their turn
            drawn.keep(calendar.tag, told)

        return StreamingResponse(parts(), headers=headers, media_type=MEDIA_TYPE)

    @router.get(
        "/v1/machines/{id}/due.ics",
        **_calendar("getMachineCalendar", "What is due on a kept machine, as a calendar", _SHOWN, ("machine.unknown",), [MACHINE_ID]),
    )
    async def machine_calendar(request: Request) -> Response:
        read_query(request, ())
        return await answered(request, organisation_of(request), Scope(machine=machine_of(request)))

    @router.get(
        "/v1/sites/{site}/due.ics",
        **_calendar("getSiteCalendar", "What is due at a site, as a calendar", f"Of all machines of that site. {_SHOWN}", (), [_SITE]),
    )
    async def site_calendar(request: Request) -> Response:
        read_query(request, ())
        site = read_name(request.path_params, "site", 120)
        return await answered(request, organisation_of(request), Scope(site))

    @router.get(
        "/v1/due.ics",
        **_calendar(
            "getFleetCalendar",
            "What is due across the fleet, as a calendar",
            f"Of all machines, or of those of one site. {_SHOWN}",
            (),
            [query_parameter("site", "machines of this site", text_schema())],
        ),
    )
    async def fleet_calendar(request: Request) -> Response:
        query = read_query(request, ("site",))
        return await answered(request, organisation_of(request), Scope(read_name(query, "site", 120)))

    @router.post(
        "/v1/feeds",
        **described(
            "makeFeed",
            TAG,
            KeyScope.ADMINISTER,
            "Make a link to a calendar",
            "Of a machine (`machine`), of a site (`site`), or with neither of the whole fleet. Whoever has the link sees what is due there "
            "and needs no key: give each calendar a link of its own, so that one can be revoked alone. `path` is told this once; kept is "
            "only the SHA-256 of its secret, so whoever repeats the request is told which link it made (`request.shown_once`).",
            answers.FeedMade,
            requests.FEED,
            (*BODY, *SHOWN, "machine.unknown", "feed.too_many"),
            [IDEMPOTENCY_KEY],
            status=201,
        ),
    )
    async def make(request: Request) -> Response:
        media_type(request, JSON_TYPES)
        body = await request.body()
        given = requests.FEED.read(body)

        async def work(kept: Kept) -> Shown[Response]:
            feed, token = await make_feed(kept, given.get("machine"), given.get("site"), given.get("name", ""), random)
            answer = json_answer({**feed_json(feed), "path": f"/v1/feeds/{token}.ics"}, 201)
            mend = f"where that answer was lost, DELETE /v1/feeds/{feed.id} revokes it; then make another, with a new `Idempotency-Key`"
            return Shown(answer, ShownOnce("made the link", feed.id, mend))

        return await once(keeping, request, body, work)

    @router.get(
        "/v1/feeds",
        **described(
            "listFeeds",
            TAG,
            KeyScope.ADMINISTER,
            "The links to calendars",
            "In the order in which they were made, a page at a time; those that were revoked too. Tokens are not told.",
            answers.FeedsPage,
            None,
            ("request.does_not_fit",),
            [LIMIT, AFTER],
        ),
    )
    async def list_feeds(request: Request) -> Response:
        query = read_query(request, ("limit", "after"))
        limit, place = read_limit(query), read_place(query, int, str)
        async with keeping.store.look(organisation_of(request)) as kept:
            found = await kept.feeds.page(None if place is None else (place[0], place[1]), limit + 1)
        last = found[limit - 1] if len(found) > limit else None
        more = None if last is None else write_cursor([last.created, last.id])
        return json_answer({"items": [feed_json(feed) for feed in found[:limit]], "next": more})

    @router.get(
        "/v1/feeds/{token}.ics",
        **with_not_modified(
            described(
                "getFeed",
                TAG,
                ANYBODY,
                "The calendar of a link",
                f"Needs no key: the address itself is the secret. One that is wrong, or was revoked, is answered as an address at which "
                f"there is nothing. {_SHOWN}",
                _ICS,
                None,
                ("address.unknown", "key.too_many_wrong", "quota.exceeded"),
                [_TOKEN, IF_NONE_MATCH_GET],
                headers=ETAG,
            )
        ),
    )
    async def get_feed(request: Request) -> Response:
        found = await feeds.feed(request)
        return await answered(request, found.organisation, found.scope)

    @router.delete(
        "/v1/feeds/{id}",
        **described(
            "revokeFeed",
            TAG,
            KeyScope.ADMINISTER,
            "Revoke a link to a calendar",
            "From the next request on there is nothing at its address. Once more changes nothing.",
            answers.FeedItem,
            None,
            ("feed.unknown",),
            [_FEED_ID],
        ),
    )
    async def revoke(request: Request) -> Response:
        async with keeping.store.keep(organisation_of(request), caller_of(request).actor) as kept:
            return json_answer(feed_json(await revoke_feed(kept, request.path_params["id"])))

    return router


def _calendar(
    operation: str, summary: str, description: str, problems: tuple[str, ...], parameters: list[Mapping[str, Any]]
) -> dict[str, Any]:
    """Keyword arguments of a route to a calendar that needs a key."""
    told = (*problems, "request.does_not_fit")
    parameters = [*parameters, IF_NONE_MATCH_GET]
    return with_not_modified(described(operation, TAG, KeyScope.READ, summary, description, _ICS, None, told, parameters, headers=ETAG))
