"""`If-Match` and `If-None-Match` (RFC 9110, 13.1), and answers to a GET under them."""

import re
from collections.abc import Mapping
from typing import Any

from pydantic import BaseModel
from starlette.requests import Request
from starlette.responses import Response

from fieldworthy.rest.answers import json_answer
from fieldworthy.rest.body import Declined
from fieldworthy.rest.described import header_parameter, ref
from fieldworthy.usecases.only_if import ANY, OnlyIf
from fieldworthy.wire.problems import problem

QUOTED = '^(W/)?"[!#-~]*"$'
"""An `ETag`."""
TAGS = r'^(\*|(W/)?"[!#-~]*"([ \t]*,[ \t]*(W/)?"[!#-~]*")*)$'
"""`ETag`s with commas between them, or any."""

IF_MATCH = header_parameter(
    "If-Match", "`ETag`s of the state that is meant, or `*` for any: another one is not changed", TAGS, example='"1"'
)
IF_NONE_MATCH = header_parameter("If-None-Match", "`*`: only where there is nothing yet", TAGS, example="*")
IF_NONE_MATCH_GET = header_parameter(
    "If-None-Match", "`ETag`s of states that are known already: of those only 304 is answered", TAGS, example='"1"'
)
ETAG = {"ETag": {"description": "of this state, in quotes", "schema": {"type": "string", "maxLength": 40, "pattern": QUOTED}}}

_TAG = re.compile(r'(?P<weak>W/)?(?P<tag>"[\x21\x23-\x7e\x80-\xff]*")')
_SEPARATOR = re.compile(r"[ \t]*(?:,[ \t]*)+|\Z")
_MOST = 100


def only_if(request: Request) -> OnlyIf:
    """What the request's headers say. Raises Declined (400) for one that can't be read."""
    return OnlyIf(_tags(request, "if-match", strong=True), _tags(request, "if-none-match", strong=False))


def _tags(request: Request, name: str, strong: bool) -> frozenset[str] | None:
    lines = request.headers.getlist(name)
    if not lines:
        return None
    text = ", ".join(lines).strip(" \t,")
    if text == ANY:
        return frozenset({ANY})
    found: set[str] = set()
    place = seen = 0
    while (tag := _TAG.match(text, place)) is not None and (end := _SEPARATOR.match(text, tag.end())) is not None and seen < _MOST:
        if not (strong and tag["weak"]):
            found.add(tag["tag"])
        place, seen = end.end(), seen + 1
        if place == len(text):
            return frozenset(found)
    shown = {"if-match": "If-Match", "if-none-match": "If-None-Match"}[name]
    raise Declined(problem("request.unreadable", f"`{shown}` can't be read", 'send an `ETag` as it was given, as in `"3"`, or `*`'))


def read_answer(condition: OnlyIf, tag: str, data: Any) -> Response:
    """The answer to a GET: 304 where the sender has it already. `If-Match` was looked at before."""
    if condition.names(tag):
        return Response(status_code=304, headers={"etag": tag})
    return json_answer(data, 200, {"etag": tag})


def with_not_modified(kwargs: dict[str, Any]) -> dict[str, Any]:
    """A described GET that may answer 304."""
    responses = {**kwargs["responses"], 304: {"description": "The sender has this state already", "headers": ETAG}}
    return {**kwargs, "responses": responses}


def with_created(kwargs: dict[str, Any], answer: type[BaseModel], headers: Mapping[str, Any] = ETAG) -> dict[str, Any]:
    """A described PUT that may answer 201."""
    created = {
        "description": "It is new; the same answer",
        "content": {"application/json": {"schema": ref(answer.__name__)}},
        "headers": dict(headers),
    }
    return {**kwargs, "responses": {**kwargs["responses"], 201: created}}
