"""Versions that organisations let each other read."""

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response

from fieldworthy.core.base.finding import Finding, Refused
from fieldworthy.rest.admission import caller_of
from fieldworthy.rest.answers import json_answer
from fieldworthy.rest.body import RawRoute
from fieldworthy.rest.described import described, header_parameter, path_parameter
from fieldworthy.rest.keeping import organisation_of
from fieldworthy.rest.machines import AFTER, ID_SCHEMA, LIMIT
from fieldworthy.rest.query import read_query
from fieldworthy.rest.rulebooks import DOCUMENT, NAME, YAML_TEXT, known_name
from fieldworthy.rest.shelf import VERSION, WRITTEN, version_of, written, written_as
from fieldworthy.usecases.all_uses import AllUses
from fieldworthy.usecases.keys import KeyScope
from fieldworthy.usecases.refusals import RulebookUnknown
from fieldworthy.wire import shelf_answers as answers
from fieldworthy.wire.cursor import write_cursor
from fieldworthy.wire.parameters import MEND_ID, is_id, read_limit, shown
from fieldworthy.wire.shelf_json import read_shared_place, shared_json

TAG = "rulebooks"

ONE = "/v1/rulebooks/{name}/versions/{version}/readers/{reader}"
READER = path_parameter("reader", "the organisation's name", ID_SCHEMA)
OWNER = path_parameter("organisation", "whose it is, by name", ID_SCHEMA)
UNKNOWN = ("rulebook.unknown", "rulebook.version_unknown")


def sharing_router(uses: AllUses) -> APIRouter:
    """The routes."""
    router = APIRouter(route_class=RawRoute)

    @router.put(
        ONE,
        **described(
            "shareVersion",
            TAG,
            KeyScope.WRITE_RULEBOOKS,
            "Let another organisation read a version",
            "It finds the version at `/v1/shared-rulebooks`, and may ask by its digest. To keep machines by it, it publishes it as its "
            "own. Whether there is an organisation of that name is not told: where there is none yet, it may read once there is.",
            {},
            None,
            (*UNKNOWN, "request.does_not_fit"),
            [NAME, VERSION, READER],
            status=204,
        ),
    )
    async def share_version(request: Request) -> Response:
        reader = _reader(request)
        share = uses.of(organisation_of(request)).share.share
        await share(known_name(request), version_of(request), reader, caller_of(request).actor)
        return Response(status_code=204)

    @router.delete(
        ONE,
        **described(
            "unshareVersion",
            TAG,
            KeyScope.WRITE_RULEBOOKS,
            "Let an organisation read a version no longer",
            "What it has read it knows, and what it published as its own stays. Done once more it changes nothing.",
            {},
            None,
            (*UNKNOWN, "request.does_not_fit"),
            [NAME, VERSION, READER],
            status=204,
        ),
    )
    async def unshare_version(request: Request) -> Response:
        unshare = uses.of(organisation_of(request)).share.unshare
        await unshare(known_name(request), version_of(request), _reader(request), caller_of(request).actor)
        return Response(status_code=204)

    @router.get(
        "/v1/rulebooks/{name}/versions/{version}/readers",
        **described(
            "listReaders",
            TAG,
            KeyScope.READ,
            "Who may read a version",
            "The organisations that it is shared with, by name.",
            answers.ReadersAnswer,
            None,
            UNKNOWN,
            [NAME, VERSION],
        ),
    )
    async def list_readers(request: Request) -> Response:
        return json_answer({"items": list(await uses.of(organisation_of(request)).share.readers(known_name(request), version_of(request)))})

    @router.get(
        "/v1/shared-rulebooks",
        **described(
            "listSharedRulebooks",
            TAG,
            KeyScope.READ,
            "What other organisations share",
            "In the order of organisation, name and version, a page at a time.",
            answers.SharedAnswer,
            None,
            ("request.does_not_fit",),
            [LIMIT, AFTER],
        ),
    )
    async def list_shared(request: Request) -> Response:
        query = read_query(request, ("limit", "after"))
        items, following = await uses.of(organisation_of(request)).shared.list(read_shared_place(query), read_limit(query))
        told = [shared_json(item) for item in items]
        return json_answer({"items": told, "next": None if following is None else write_cursor(following)})

    @router.get(
        "/v1/shared-rulebooks/{organisation}/{name}/versions/{version}",
        **described(
            "getSharedVersion",
            TAG,
            KeyScope.READ,
            "One version that another organisation shares",
            "As `GET /v1/rulebooks/{name}/versions/{version}` gives one of your own. What is not shared is not found, whatever there is.",
            {"application/json": {"schema": DOCUMENT}, "application/yaml": YAML_TEXT},
            None,
            ("rulebook.unknown", "address.not_acceptable"),
            [OWNER, NAME, VERSION, header_parameter("Accept", "`application/json` or `application/yaml`", most=1000)],
            headers=WRITTEN,
        ),
    )
    async def get_shared(request: Request) -> Response:
        kind, organisation = written_as(request), request.path_params["organisation"]
        if not is_id(organisation):
            raise RulebookUnknown(f"{organisation}/{known_name(request)}")
        found = await uses.of(organisation_of(request)).shared.version(organisation, known_name(request), version_of(request))
        return written(found, kind, "private, no-cache")  # it may be taken back

    return router


def _reader(request: Request) -> str:
    reader: str = request.path_params["reader"]
    if not is_id(reader):
        raise Refused([Finding("request.id", f"`{shown(reader)}` can't be the name of an organisation", MEND_ID)])
    return reader
