"""Calendars: what is due as iCalendar (RFC 5545), for who has a key, and by links that need none."""

import asyncio
from collections.abc import AsyncIterator, Callable, Mapping
from secrets import token_bytes
from typing import Any

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response, StreamingResponse

from fieldworthy.rest.admission import ANYBODY, caller_of
from fieldworthy.rest.answers import json_answer
from fieldworthy.rest.body import JSON_TYPES, Declined, RawRoute, media_type
from fieldworthy.rest.conditions import ETAG, IF_NONE_MATCH_GET, only_if, with_not_modified
from fieldworthy.rest.described import BODY, described, path_parameter, query_parameter
from fieldworthy.rest.keeping import organisation_of
from fieldworthy.rest.machines import AFTER, LIMIT, MACHINE_ID, machine_of
from fieldworthy.rest.query import read_query
from fieldworthy.rest.quota import tell
from fieldworthy.usecases.calendar import AskCalendar
from fieldworthy.usecases.feeds import Feed, FeedRing, make_feed, revoke_feed
from fieldworthy.usecases.kept_standings import Scope
from fieldworthy.usecases.key_refusals import QuotaExceeded, TooManyWrongKeys
from fieldworthy.usecases.keys import KeyScope
from fieldworthy.usecases.once import Keeping
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
_TEXT = {"type": "string", "minLength": 1, "maxLength": 120}
_SITE = path_parameter("site", "the site, as machines name it; one with a `/` in its name: `/v1/due.ics?site=`", _TEXT)
_TOKEN = path_parameter("token", "the link's own token", {"type": "string", "pattern": "^fwf_[A-Za-z0-9_-]+$", "maxLength": 80})
_FEED_ID = path_parameter("id", "the link's id", {"type": "string", "pattern": "^[a-z2-7]{12}$", "maxLength": 12})
_SHOWN = (
    "One event for a whole day and each task that has a day: on its expected date, else on its due date; what is due or overdue stands on "
    "today, by the site's time zone, until it is done. What is not known gets no date that nobody told: the calendar's description says "
    "how many such tasks there are and where they are listed. `UID` stays the same for ever and in every feed; where the day moves, "
    "`SEQUENCE` grows. Drawn from the standings that are kept ready; the description says when they were computed."
)


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


def calendars_router(keeping: Keeping, recompute: Recompute, feeds: Feeds, random: Callable[[int], bytes] = token_bytes) -> APIRouter:
    """The routes. random: of which tokens are made."""
    router = APIRouter(route_class=RawRoute)
    ask = AskCalendar(keeping.store, keeping.find, recompute)

    async def answered(request: Request, organisation: int, scope: Scope) -> Response:
        condition = only_if(request)
        calendar = await ask(organisation, scope, lambda tag: condition.names(f'"{tag}"'))
        headers = {"etag": f'"{calendar.tag}"'}
        if calendar.events is None:
            return Response(status_code=304, headers=headers)

        async def parts() -> AsyncIterator[bytes]:
            for part in calendar_parts(calendar):
                yield part
                await asyncio.sleep(0)  # others have their turn

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
            [query_parameter("site", "machines of this site", _TEXT)],
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
            "only the SHA-256 of its secret, so no `Idempotency-Key` is heeded here: what is sent twice makes two links.",
            answers.FeedMade,
            requests.FEED,
            (*BODY, "machine.unknown", "feed.too_many"),
            status=201,
        ),
    )
    async def make(request: Request) -> Response:
        media_type(request, JSON_TYPES)
        given = requests.FEED.read(await request.body())
        async with keeping.store.keep(organisation_of(request), caller_of(request).actor) as kept:
            feed, token = await make_feed(kept, given.get("machine"), given.get("site"), given.get("name", ""), random)
        return json_answer({**feed_json(feed), "path": f"/v1/feeds/{token}.ics"}, 201)

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
