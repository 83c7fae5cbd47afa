"""The shelf: names, versions, their texts, what they want to be told, and what differs between two."""

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response

from fieldworthy.rest.answers import json_answer
from fieldworthy.rest.body import Declined, RawRoute, preferred
from fieldworthy.rest.conditions import QUOTED
from fieldworthy.rest.described import described, header_parameter, path_parameter, query_parameter
from fieldworthy.rest.forms import VARY
from fieldworthy.rest.keeping import organisation_of
from fieldworthy.rest.query import read_query
from fieldworthy.rest.rulebooks import DOCUMENT, NAME, YAML_TEXT, known_name
from fieldworthy.usecases.all_uses import AllUses
from fieldworthy.usecases.keys import KeyScope
from fieldworthy.usecases.limits import MAX_PAGE
from fieldworthy.usecases.ports import Published
from fieldworthy.usecases.refusals import RulebookUnknown
from fieldworthy.wire import shelf_answers as answers
from fieldworthy.wire.parameters import whole_number
from fieldworthy.wire.problems import problem
from fieldworthy.wire.shelf_json import compared_json, read_after_name, shelved_json, version_json

TAG = "rulebooks"
_MOST = 2**31 - 1
_NUMBER = {"type": "integer", "format": "int32", "minimum": 1, "maximum": _MOST}
VERSION = path_parameter("version", "the version's number, from 1", _NUMBER)
LIMIT = query_parameter("limit", "items at most", {"type": "integer", "format": "int32", "minimum": 1, "maximum": MAX_PAGE, "default": 50})


def shelf_router(uses: AllUses) -> APIRouter:
    """The routes that read what is kept."""
    router = APIRouter(route_class=RawRoute)

    @router.get(
        "/v1/rulebooks",
        **described(
            "listRulebooks",
            TAG,
            KeyScope.READ,
            "The rulebooks that there are",
            "In the order of their names, a page at a time.",
            answers.RulebooksAnswer,
            None,
            ("request.does_not_fit",),
            [LIMIT, query_parameter("after", "the name to go on after: `next` of the page before", NAME["schema"])],
        ),
    )
    async def list_rulebooks(request: Request) -> Response:
        query = read_query(request, ("limit", "after"))
        items, following = await uses.of(organisation_of(request)).names(read_after_name(query), _limit(query.get("limit")))
        return json_answer({"items": [shelved_json(item) for item in items], "next": following})

    @router.get(
        "/v1/rulebooks/{name}/versions",
        **described(
            "listVersions",
            TAG,
            KeyScope.READ,
            "The published versions of one rulebook",
            "The newest first, a page at a time.",
            answers.VersionsAnswer,
            None,
            ("rulebook.unknown", "request.does_not_fit"),
            [NAME, LIMIT, query_parameter("after", "the version to go on below: `next` of the page before", _NUMBER)],
        ),
    )
    async def list_versions(request: Request) -> Response:
        query = read_query(request, ("limit", "after"))
        below = whole_number("after", query["after"], 1, _MOST) if "after" in query else None
        items, following = await uses.of(organisation_of(request)).versions(known_name(request), below, _limit(query.get("limit")))
        return json_answer({"items": [version_json(item) for item in items], "next": None if following is None else str(following)})

    @router.get(
        "/v1/rulebooks/{name}/versions/{version}",
        **described(
            "getVersion",
            TAG,
            KeyScope.READ,
            "One published version",
            "Its canonical JSON (RFC 8785), which the digest is over; with `Accept: application/yaml` the author's own text, "
            "comments and all.",
            {"application/json": {"schema": DOCUMENT}, "application/yaml": YAML_TEXT},
            None,
            ("rulebook.unknown", "rulebook.version_unknown", "address.not_acceptable"),
            [NAME, VERSION, header_parameter("Accept", "`application/json` or `application/yaml`", most=1000)],
            headers=WRITTEN,
        ),
    )
    async def get_version(request: Request) -> Response:
        kind = written_as(request)
        found = await uses.of(organisation_of(request)).version(known_name(request), version_of(request))
        # private: what a cache in front of the service holds would be given to another organisation too (RFC 9111, 3.5 and 5.2.2.7)
        return written(found, kind, "private, max-age=31536000, immutable")

    @router.get(
        "/v1/rulebooks/{name}/versions/{version}/inputs",
        **described(
            "getInputs",
            TAG,
            KeyScope.READ,
            "What a caller must send",
            "Meters, seasons, occurrences, working conditions and facts, and how much history each task needs; and which tasks are never "
            "open at one time.",
            answers.InputsAnswer,
            None,
            ("rulebook.unknown", "rulebook.version_unknown"),
            [NAME, VERSION],
        ),
    )
    async def get_inputs(request: Request) -> Response:
        return json_answer((await uses.of(organisation_of(request)).inputs(f"{known_name(request)}@{version_of(request)}")).to_json())

    @router.get(
        "/v1/rulebooks/{name}/compare",
        **described(
            "compareVersions",
            TAG,
            KeyScope.READ,
            "What changed from one version to another",
            "Tasks, intervals, needs and parts that were added, removed or changed; and under `safety` what the later version lets "
            "through that the earlier one withheld, and the reverse, each with a state of the machine that shows it.",
            answers.CompareAnswer,
            None,
            ("rulebook.unknown", "rulebook.version_unknown", "request.does_not_fit"),
            [
                NAME,
                query_parameter("from", "the earlier version", _NUMBER, True),
                query_parameter("to", "the later version", _NUMBER, True),
            ],
        ),
    )
    async def compare_versions(request: Request) -> Response:
        query = read_query(request, ("from", "to"), ("from", "to"))
        name = known_name(request)
        first, second = (whole_number(w, query[w], 1, _MOST) for w in ("from", "to"))
        compared = await uses.of(organisation_of(request)).compare(_reference(name, first), _reference(name, second))
        return json_answer(compared_json(compared))

    return router


WRITTEN = {
    "ETag": {"description": "the version's digest, in quotes", "schema": {"type": "string", "maxLength": 80, "pattern": QUOTED}},
    **VARY,
}


def written_as(request: Request) -> str:
    """The media type in which a version is wanted. Raises Declined (406)."""
    kind = preferred(request.headers.get("accept", ""), ("application/json", "application/yaml"))
    if kind is None:
        raise Declined(
            problem("address.not_acceptable", "a version is written as `application/json` or `application/yaml`", "accept one of them")
        )
    return kind


def written(found: Published, kind: str, cache: str) -> Response:
    """A version's canonical document or its author's text. cache: who may keep the answer, and for how long."""
    headers = {"vary": "Accept, Authorization", "cache-control": cache}
    if kind == "application/json":
        return Response(found.document, 200, {**headers, "etag": f'"{found.digest}"'}, kind)
    return Response(found.text, 200, {**headers, "etag": f'"{found.digest}.text"'}, "application/yaml; charset=utf-8")


def _reference(name: str, version: int) -> str:
    return f"{name}@{version}"


def _limit(text: str | None) -> int:
    return 50 if text is None else whole_number("limit", text, 1, MAX_PAGE)


def version_of(request: Request) -> int:
    """The path's version. Raises RulebookUnknown for what can be none."""
    text: str = request.path_params["version"]
    if not (text.isascii() and text.isdigit() and len(text) <= 9 and text[0] != "0"):
        raise RulebookUnknown(f"{request.path_params['name']}@{text}")
    return int(text)
