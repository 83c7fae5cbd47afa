"""Rulebooks: checking, drafts, publishing."""

import asyncio
import re
from typing import Any

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response

from fieldworthy.core.base.finding import Finding, Refused
from fieldworthy.rest.admission import caller_of
from fieldworthy.rest.answers import json_answer
from fieldworthy.rest.body import JSON_TYPES, YAML_TYPES, Declined, RawRoute, media_type
from fieldworthy.rest.conditions import QUOTED
from fieldworthy.rest.described import described, header_parameter, path_parameter
from fieldworthy.rest.keeping import organisation_of
from fieldworthy.usecases.all_uses import AllUses
from fieldworthy.usecases.keys import KeyScope
from fieldworthy.wire import shelf_answers as answers
from fieldworthy.wire.parameters import shown
from fieldworthy.wire.problems import finding_json, problem
from fieldworthy.wire.reading import decode, read_json
from fieldworthy.wire.shelf_json import checked_json, known_name_of, refuse_name, version_json

TAG = "rulebooks"

_TAG = re.compile(r'(?:W/)?"(\d{1,9})"\Z')

NAME = path_parameter("name", "the rulebook's name", {"type": "string", "pattern": "^[a-z0-9][a-z0-9-]{0,79}$", "maxLength": 80})
IF_MATCH = header_parameter(
    "If-Match",
    "the `ETag` of the draft that was read: only that one is replaced or published",
    r'^(\*|(W/)?"[0-9]{1,9}")$',
    example='"1"',
)
IF_NONE_MATCH = header_parameter("If-None-Match", "`*`: only where there is no draft yet", r"^\*$", example="*")
ETAG = {"ETag": {"description": "the draft's revision, in quotes", "schema": {"type": "string", "maxLength": 20, "pattern": QUOTED}}}
YAML_TEXT: dict[str, Any] = {"schema": {"description": "a rulebook in YAML 1.2, at most 1,000,000 bytes; a draft may be anything"}}
ANY_DOCUMENT: dict[str, Any] = {"description": "a rulebook as plain JSON; of anything else it is told why it is none"}
DOCUMENT: dict[str, Any] = {"type": "object", "description": "a rulebook as plain JSON", "additionalProperties": True}


def rulebooks_router(uses: AllUses, kept: asyncio.Event) -> APIRouter:
    """The routes that check, draft and publish. kept: set where a version was published, so that standings are computed by it soon."""
    router = APIRouter(route_class=RawRoute)

    @router.post(
        "/v1/rulebooks/check",
        **described(
            "checkRulebook",
            TAG,
            KeyScope.READ,
            "Every finding of a rulebook, without storing it",
            'The body is the document, YAML or JSON, or `{"document": …}`. A document with errors is answered (200) with its findings; '
            "only the text itself gives findings a line and a column.",
            answers.CheckAnswer,
            {
                "application/yaml": YAML_TEXT,
                "application/json": {"schema": ANY_DOCUMENT},
            },
            ("body.unreadable", "body.too_large", "body.media_type", "request.does_not_fit", "request.too_large"),
        ),
    )
    async def check_rulebook(request: Request) -> Response:
        kind = media_type(request, (*YAML_TYPES, *JSON_TYPES))
        body = await request.body()
        check = uses.of(organisation_of(request)).check
        wrapped = _wrapped(body) if kind in JSON_TYPES else None
        with uses.tally.evaluating("rulebook"):
            if wrapped is None:
                checked = await check(body)
            elif isinstance(wrapped, str):
                checked = await check(wrapped)
            else:
                checked = await check.data(wrapped)
        return json_answer(checked_json(checked))

    @router.put(
        "/v1/rulebooks/{name}/draft",
        **described(
            "putDraft",
            TAG,
            KeyScope.WRITE_RULEBOOKS,
            "Keep a text as the draft",
            "The author's text, comments and order and all. A draft may have errors; the answer lists its findings.",
            answers.DraftAnswer,
            {
                "application/yaml": YAML_TEXT,
                "application/json": {"schema": ANY_DOCUMENT},
            },
            (
                "body.unreadable",
                "body.too_large",
                "body.media_type",
                "request.does_not_fit",
                "request.too_large",
                "rulebook.name_differs",
                "rulebook.draft_changed",
            ),
            [NAME, IF_MATCH, IF_NONE_MATCH],
            headers=ETAG,
        ),
    )
    async def put_draft(request: Request) -> Response:
        name = request.path_params["name"]
        refuse_name(name)
        kind = media_type(request, (*YAML_TYPES, *JSON_TYPES))
        seen = _seen(request)
        put = uses.of(organisation_of(request)).put_draft
        draft, checked = await put(name, decode(await request.body()), kind, seen, caller_of(request).actor)
        answer = {"name": draft.name, "revision": draft.revision, "changed_at": draft.changed_at.isoformat(), **checked_json(checked)}
        return json_answer(answer, 200, {"etag": f'"{draft.revision}"'})

    @router.get(
        "/v1/rulebooks/{name}/draft",
        **described(
            "getDraft",
            TAG,
            KeyScope.READ,
            "The draft's text",
            "The author's text as it was put, in the media type that it was put in.",
            {"application/yaml": YAML_TEXT, "application/json": {"schema": {"description": "as it was put: a draft may be anything"}}},
            None,
            ("rulebook.draft_unknown",),
            [NAME],
            headers=ETAG,
        ),
    )
    async def get_draft(request: Request) -> Response:
        draft = await uses.of(organisation_of(request)).read_draft(known_name(request))
        return Response(draft.text, 200, {"etag": f'"{draft.revision}"'}, _media(draft.media_type))

    @router.post(
        "/v1/rulebooks/{name}/publish",
        **described(
            "publishRulebook",
            TAG,
            KeyScope.WRITE_RULEBOOKS,
            "Publish the draft",
            "The draft becomes the next version, which never changes. It must have no errors. What is the newest version already "
            "is not published twice: that version is the answer. No version counts a meter in another unit than an earlier one: what is "
            "kept without a unit stands for the meter's own.",
            answers.PublishAnswer,
            None,
            (
                "rulebook.draft_unknown",
                "rulebook.draft_changed",
                "rulebook.version_taken",
                "rulebook.meter_unit_changed",
                "rulebook.has_errors",
                "rulebook.name_differs",
                "request.does_not_fit",
            ),
            [NAME, IF_MATCH],
        ),
    )
    async def publish(request: Request) -> Response:
        version, checked = await uses.of(organisation_of(request)).publish(known_name(request), _seen(request), caller_of(request).actor)
        kept.set()
        return json_answer({**version_json(version), "findings": [finding_json(f) for f in checked.findings]})

    return router


def known_name(request: Request) -> str:
    """The path's name. Raises RulebookUnknown where no rulebook can have it."""
    return known_name_of(request.path_params["name"])


def _wrapped(body: bytes) -> Any:
    """The document of `{"document": …}`: a text or an object; None where the body is the document itself."""
    if b'"document"' not in body[:200]:
        return None
    data = read_json(body)
    if not isinstance(data, dict) or "document" not in data or "rulebook" in data:
        return None
    for other in data:
        if other != "document":
            raise Refused(
                [
                    Finding(
                        "request.unknown_member",
                        f"no member is called `{shown(other)}` here",
                        "leave it out; known is `document`",
                        path="/" + other,
                    )
                ]
            )
    if not isinstance(data["document"], dict | str):
        raise Refused([Finding("request.not_an_object", "`document` must be an object or a text", "send the rulebook", path="/document")])
    return data["document"]


def _seen(request: Request) -> int | None:
    """The revision that the sender means to change: of `If-Match`, 0 for `If-None-Match: *`, None where neither is sent."""
    match, none = request.headers.get("if-match"), request.headers.get("if-none-match")
    if none is not None:
        if none.strip() != "*":
            raise Declined(
                problem("request.unreadable", "`If-None-Match` can't be read", "send `*`, or `If-Match` with the draft's `ETag`")
            )
        return 0
    if match is None or match.strip() == "*":
        return None
    found = _TAG.match(match.strip())
    if found is None:
        raise Declined(problem("request.unreadable", "`If-Match` names no draft", 'send the draft\'s `ETag`, as in `"3"`'))
    return int(found[1])


def _media(kind: str) -> str:
    return kind if kind == "application/json" else f"{kind}; charset=utf-8"
