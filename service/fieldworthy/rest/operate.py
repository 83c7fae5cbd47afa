"""For operators and readers: health, readiness, the contract, its page, and a page for every problem."""

import re
from collections.abc import Mapping
from html import escape
from importlib.resources import files

from fastapi import APIRouter, FastAPI
from starlette.requests import Request
from starlette.responses import Response

from fieldworthy.rest.admission import ANYBODY
from fieldworthy.rest.answers import json_answer
from fieldworthy.rest.body import Declined, RawRoute
from fieldworthy.rest.described import described, undescribed
from fieldworthy.rest.headers import STRICT
from fieldworthy.rest.metrics import TEXT, Metrics
from fieldworthy.rest.readiness import Readiness
from fieldworthy.usecases.keys import KeyScope
from fieldworthy.wire import shelf_answers as answers
from fieldworthy.wire.catalogue import KINDS
from fieldworthy.wire.problems import problem

TAG = "operate"

# The page's library comes from a package that carries it, so that the page asks nothing of the network.
_LIBRARY = files("fastapi_offline") / "static"
_FILES = {
    "swagger-ui-bundle.js": (_LIBRARY, "text/javascript; charset=utf-8"),
    "swagger-ui.css": (_LIBRARY, "text/css; charset=utf-8"),
    "docs.js": (files("fieldworthy.rest") / "static", "text/javascript; charset=utf-8"),
}
_PUBLIC = {"cache-control": "no-cache"}  # the same for everybody, and of this release
_DOCS = {
    **_PUBLIC,
    "content-security-policy": "script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; " + STRICT,
}

_PAGE = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1"><title>{title}</title>
{head}</head><body>{body}</body></html>
"""


def operate_router(app: FastAPI, ready: Readiness, metrics: Metrics | None) -> APIRouter:
    """The routes beside the service's work. metrics: None where whoever may ask here may not be told of all organisations together."""
    router = APIRouter(route_class=RawRoute)

    @router.get(
        "/healthz", **described("getHealth", TAG, ANYBODY, "Does the process run", "Answers as long as the process runs.", answers.Health)
    )
    async def healthz(request: Request) -> Response:
        return json_answer({"status": "ok"})

    @router.get(
        "/readyz",
        **described(
            "getReadiness",
            TAG,
            ANYBODY,
            "Can it answer",
            "Answers 200 where the store can be read with this release's schema, and the keys of a tokens' issuer were had, if there is "
            "one; else 503, and `detail` says what is in the way. 503 too from when the process is told to stop until it has ended.",
            answers.Health,
            None,
            ("service.unavailable",),
        ),
    )
    async def readyz(request: Request) -> Response:
        hindrance = await ready()
        if hindrance is not None:
            raise Declined(problem("service.unavailable", hindrance), {"retry-after": "5"})
        return json_answer({"status": "ok"})

    if metrics is not None:

        @router.get("/metrics", **undescribed(KeyScope.ADMINISTER))
        async def told(request: Request) -> Response:
            return Response(await metrics(), 200, media_type=TEXT)

    @router.get("/openapi.json", **undescribed())
    async def contract(request: Request) -> Response:
        return json_answer(app.openapi(), headers=_PUBLIC)

    @router.get("/docs", **undescribed())
    async def docs(request: Request) -> Response:
        head = '<link rel="icon" href="data:,"><link rel="stylesheet" href="docs/swagger-ui.css">'
        body = '<div id="page"></div><script src="docs/swagger-ui-bundle.js"></script><script src="docs/docs.js"></script>'
        return _html(_PAGE.format(title="Fieldworthy: the interface", head=head, body=body), _DOCS)

    @router.get("/docs/{file}", **undescribed())
    async def docs_file(request: Request) -> Response:
        name = request.path_params["file"]
        if name not in _FILES:
            raise Declined(problem("address.unknown", "there is no such file", "see /docs"))
        folder, kind = _FILES[name]
        return Response((folder / name).read_bytes(), 200, {"cache-control": "public, max-age=3600"}, kind)

    @router.get("/problems", **undescribed())
    async def problems(request: Request) -> Response:
        rows = "".join(f'<li><a href="problems/{k.code}">{k.code}</a> ({k.status}): {escape(k.title)}</li>' for k in KINDS.values())
        return _html(_PAGE.format(title="Problems", head="", body=f"<main><h1>Problems</h1><ul>{rows}</ul></main>"))

    @router.get("/problems/{code}", **undescribed())
    async def problem_page(request: Request) -> Response:
        kind = KINDS.get(request.path_params["code"])
        if kind is None:
            raise Declined(problem("address.unknown", "there is no such problem", "see /problems for all of them"))
        said = f"<p><code>{kind.code}</code>, status {kind.status}</p><p>{_prose(kind.means)}</p><p>{_prose(kind.mend)}</p>"
        body = f"<main><h1>{escape(kind.title)}</h1>{said}</main>"
        return _html(_PAGE.format(title=escape(kind.title), head="", body=body))

    return router


def _prose(text: str) -> str:
    """A sentence of the catalogue, what stands in backticks as code."""
    return re.sub(r"`([^`]+)`", r"<code>\1</code>", escape(text))


def _html(text: str, headers: Mapping[str, str] = _PUBLIC) -> Response:
    return Response(text, 200, dict(headers), "text/html; charset=utf-8")
