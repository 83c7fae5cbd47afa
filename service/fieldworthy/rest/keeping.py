"""What the routes over the store share: whose request it is, and work that is done once however often it is asked for."""

import asyncio
import hashlib
import json
import re
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field, replace

from starlette.requests import Request
from starlette.responses import Response

from fieldworthy.rest.admission import caller_of
from fieldworthy.rest.answers import problem_answer
from fieldworthy.rest.body import Declined
from fieldworthy.rest.described import header_parameter
from fieldworthy.usecases.audit import Actor
from fieldworthy.usecases.find_rulebook import FindRulebooks
from fieldworthy.usecases.kept import KeepStore, Kept
from fieldworthy.usecases.kept_answers import KeptAnswer
from fieldworthy.usecases.once_refusals import ShownOnce
from fieldworthy.usecases.refusals import KeyReused, RequestInFlight
from fieldworthy.usecases.tally import Tally
from fieldworthy.wire.problems import of_refusal, problem

IDEMPOTENCY_KEY = header_parameter(
    "Idempotency-Key",
    "a key of your own, the same for every try of one request: what was done is answered again, and not done again",
    "^[!-~]([ -~]{0,198}[!-~])?$",
    200,
)
ONCE = ("request.in_flight", "request.key_reused")
"""The problems that a route gives which works once."""

SHOWN = (*ONCE, "request.shown_once")
"""The same of one that shows a secret."""

_KEY = re.compile(r"[\x21-\x7e](?:[\x20-\x7e]{0,198}[\x21-\x7e])?\Z")
_CONDITIONS = ("if-match", "if-none-match")
_KEPT_HEADERS = ("content-type", "etag", "location")


@dataclass(frozen=True, slots=True)
class Keeping:
    """
    What the routes over the store ask. kept: set when something was, so that standings are computed soon. tally: what counts what they do;
    in_flight: keys of this process that are worked on.
    """

    store: KeepStore
    find: FindRulebooks
    kept: asyncio.Event = field(default_factory=asyncio.Event)
    tally: Tally = field(default_factory=Tally)
    in_flight: set[tuple[int, str]] = field(default_factory=set)


@dataclass(frozen=True, slots=True)
class Shown:
    """An answer that shows a secret. again: what is kept, and said to whoever repeats the request, in its place: so no secret is kept."""

    answer: Response
    again: ShownOnce


Work = Callable[[Kept], Awaitable[Response | Shown]]


def organisation_of(request: Request) -> int:
    """Whose request it is: the organisation of its key. While there are no keys: everybody's."""
    return caller_of(request).organisation


async def once(keeping: Keeping, request: Request, body: bytes, work: Work, by: str | None = None) -> Response:
    """
    Does the work in one transaction; with an `Idempotency-Key` only the first time, and gives the same answer again.

    body: what the request says, for telling another request with the same key. work: gives the answer; a refusal undoes everything, and
    is not kept: nothing was done, so the same request may be tried again with the same key once its cause is gone. by: the person whom the
    request names, for the audit trail.
    Raises RequestInFlight (409), KeyReused (422), Declined (400) for a key that is none.
    Source: draft-ietf-httpapi-idempotency-key-header-07, 2.6 and 2.7.
    """
    organisation, key, actor = organisation_of(request), _key(request), replace(caller_of(request).actor, by=by)
    if key is None:
        async with keeping.store.keep(organisation, actor) as kept:
            done = await work(kept)
        keeping.kept.set()
        return done.answer if isinstance(done, Shown) else done
    mine = (organisation, key)
    if mine in keeping.in_flight:
        raise RequestInFlight
    keeping.in_flight.add(mine)
    try:
        return await _once(keeping, key, _fingerprint(request, body), organisation, actor, work)
    finally:
        keeping.in_flight.discard(mine)


async def _once(keeping: Keeping, key: str, fingerprint: str, organisation: int, actor: Actor, work: Work) -> Response:
    async with keeping.store.keep(organisation, actor) as kept:
        if not await kept.answers.claim(key):
            raise RequestInFlight
        given = await kept.answers.find(key)
        if given is not None:
            if given.fingerprint != fingerprint:
                raise KeyReused
            return Response(given.body, given.status, dict(given.headers))
        done = await work(kept)
        answer, again = (done.answer, problem_answer(of_refusal(done.again))) if isinstance(done, Shown) else (done, done)
        headers = {name: again.headers[name] for name in _KEPT_HEADERS if name in again.headers}
        await kept.answers.put(key, KeptAnswer(fingerprint, again.status_code, headers, bytes(again.body)), await kept.moment())
    keeping.kept.set()
    return answer


def _key(request: Request) -> str | None:
    all_given = request.headers.getlist("idempotency-key")
    if not all_given:
        return None
    given: str = all_given[0]
    if len(all_given) > 1 or not _KEY.match(given):
        raise Declined(problem("request.unreadable", "`Idempotency-Key` can't be read", "send one, of 1 to 200 visible ASCII characters"))
    return given


def _fingerprint(request: Request, body: bytes) -> str:
    """
    An answer that tells of what is kept is not given again to a key that may not read: to that it is another request. So is one that is
    meant for another state of the thing. Of the path as it was routed, for in an address put together anew `a?` and `a%3F` are the same.
    """
    shortly = "" if caller_of(request).reads else "told shortly "
    only_if = "".join(f"{name}: {value}\n" for name in _CONDITIONS for value in request.headers.getlist(name))
    said = json.dumps([shortly, request.method, request.scope["path"], request.scope["query_string"].decode("latin-1"), only_if])
    return hashlib.sha256(f"{said}\n".encode() + body).hexdigest()
