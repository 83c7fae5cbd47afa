"""What the routes over the store share: whose request it is, and work that is done once however often it is asked for."""

import hashlib
import json
import re
from collections.abc import Awaitable, Callable
from dataclasses import replace

from starlette.requests import Request
from starlette.responses import Response

from fieldworthy.rest.admission import caller_of
from fieldworthy.rest.answers import problem_answer
from fieldworthy.rest.body import Declined
from fieldworthy.rest.described import header_parameter
from fieldworthy.usecases.kept import Kept
from fieldworthy.usecases.kept_answers import KeptAnswer
from fieldworthy.usecases.once import Keeping, Once, Shown, done_once
from fieldworthy.usecases.once_refusals import ShownOnce
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


Work = Callable[[Kept], Awaitable[Response | Shown[Response]]]


def organisation_of(request: Request) -> int:
    """Whose request it is: the organisation of its key. While there are no keys: everybody's."""
    return caller_of(request).organisation


async def once(keeping: Keeping, request: Request, body: bytes, work: Work, by: str | None = None) -> Response:
    """
    Does the work in one transaction; with an `Idempotency-Key` only the first time, and gives the same answer again.

    body: what the request says, for telling another request with the same key. by: the person whom the request names, for the audit trail.
    Raises what `done_once` does, Declined (400) for a key that is none.
    """
    caller, key = caller_of(request), _key(request)
    tried = None if key is None else Once(key, _fingerprint(request, body))

    def write(done: Response | ShownOnce) -> KeptAnswer:
        assert tried is not None
        answer = problem_answer(of_refusal(done)) if isinstance(done, ShownOnce) else done
        headers = {name: answer.headers[name] for name in _KEPT_HEADERS if name in answer.headers}
        return KeptAnswer(tried.fingerprint, answer.status_code, headers, bytes(answer.body))

    def read(given: KeptAnswer) -> Response:
        return Response(given.body, given.status, dict(given.headers))

    return await done_once(keeping, caller.organisation, replace(caller.actor, by=by), tried, work, write, read)


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
