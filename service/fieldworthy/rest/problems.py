"""Every refusal becomes one shape, and nothing from inside leaves: no exception's text, no class name."""

import re
from collections.abc import Iterable, Mapping
from typing import Any, cast

import structlog
from fastapi import FastAPI
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import Response
from starlette.routing import Match
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from fieldworthy.core.base.finding import Finding, Refused, pointer
from fieldworthy.rest.admission import ASKER, challenge
from fieldworthy.rest.answers import problem_answer
from fieldworthy.rest.body import Declined, RawRoute
from fieldworthy.rest.hiding import answering
from fieldworthy.rest.limits import BodyTooLarge
from fieldworthy.usecases.ports import StoreUnavailable
from fieldworthy.usecases.refusals import Refusal
from fieldworthy.wire import troubles
from fieldworthy.wire.catalogue import BY_STATUS
from fieldworthy.wire.problems import of_findings, problem
from fieldworthy.wire.reading import Unreadable

_VARIABLE = re.compile(r"\{[^}]*\}")
METHODS = ("GET", "POST", "PUT", "PATCH", "DELETE", "OPTIONS")

log = structlog.get_logger("fieldworthy.rest")


def problem_of(trouble: Exception) -> dict[str, Any] | None:
    """The problem of an exception that means a refusal; None for any other."""
    return trouble.problem if isinstance(trouble, Declined) else troubles.problem_of(trouble)


def refused(request: Request, trouble: Exception) -> Response | None:
    """The answer to an exception that means a refusal; None for any other."""
    answer = problem_of(trouble)
    if answer is None:
        return None
    if isinstance(trouble, StoreUnavailable):
        log.warning("the store can't be used", detail=trouble.detail, path=_path(request), cause=_kind(trouble.__cause__))
    return problem_answer(answer, _headers_of(trouble))


def install(app: FastAPI) -> None:
    """Gives the app its handlers."""

    async def refusal(request: Request, trouble: Exception) -> Response:
        answer = refused(request, trouble)
        assert answer is not None  # only such exceptions are registered
        return answer

    async def http(request: Request, trouble: Exception) -> Response:
        error = cast(HTTPException, trouble)
        if error.status_code == 404:
            return problem_answer(problem("address.unknown", f"there is nothing at `{_path(request)}`", "see /docs for what there is"))
        if error.status_code == 405:
            allow = allowed(app, request)
            detail = f"`{_path(request)}` does not take {request.method[:20]}"
            return problem_answer(problem("address.method_not_allowed", detail, f"use one of {allow}"), {"allow": allow})
        kind = BY_STATUS.get(error.status_code, BY_STATUS[400 if error.status_code < 500 else 500])
        return problem_answer(problem(kind.code, kind.means[:1].lower() + kind.means[1:].rstrip("."), status=error.status_code))

    async def query(request: Request, trouble: Exception) -> Response:
        found = [
            Finding(
                "request.parameter",
                f"`{error['loc'][-1]}` in the {error['loc'][0]}: {error['msg'].lower()}",
                "see /docs for what it may be",
                path=pointer(*error["loc"]),
            )
            for error in cast(RequestValidationError, trouble).errors()
        ]
        return problem_answer(of_findings(found))

    for kind in (Declined, Unreadable, Refused, Refusal, StoreUnavailable):
        app.add_exception_handler(kind, refusal)
    app.add_exception_handler(HTTPException, http)
    app.add_exception_handler(RequestValidationError, query)


def _kind(cause: BaseException | None) -> str | None:
    """What was raised, without its words: they may hold values."""
    origin = getattr(cause, "orig", None) or cause
    return None if origin is None else f"{type(origin).__name__} {getattr(origin, 'sqlstate', None) or ''}".strip()


def _headers_of(trouble: Exception) -> Mapping[str, str] | None:
    if isinstance(trouble, StoreUnavailable | Refusal) and trouble.retry_after is not None:
        return {"retry-after": str(trouble.retry_after)}  # RFC 9110, 10.2.3
    if isinstance(trouble, Refusal):
        return challenge(trouble)
    return trouble.headers if isinstance(trouble, Declined) else None


def allowed(app: FastAPI, request: Request) -> str:
    """
    Every method that the request's path takes (RFC 9110, 15.5.6): the framework names only the first route's. Where several templates fit
    the path it is that of the most letters: what `/v1/feeds/{id}` takes says nothing of `/v1/feeds/{token}.ics`.
    """
    scope = {**request.scope, "path_params": {}}
    fits: dict[str, set[str]] = {}
    for route in app.router.routes:
        takes = {m for m in METHODS if route.matches({**scope, "method": m})[0] is Match.FULL}
        if takes:
            fits.setdefault(getattr(route, "path", ""), set()).update(takes)
    closest = max(fits, key=lambda template: len(_VARIABLE.sub("", template)))
    found = [m for m in METHODS if m in fits[closest]]
    return ", ".join(["GET", "HEAD", *found[1:]] if found[:1] == ["GET"] else found)


def _path(request: Request) -> str:
    path = request.url.path
    plain = "".join(c if c.isprintable() else " " for c in path[:120]).replace("`", "'")
    return plain if len(path) <= 120 else plain + "…"


class Guard:
    """ASGI middleware, inside the limits: an unexpected exception is logged and answered as a problem; HEAD is GET without the body."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        answering.set(scope)
        begun = False
        outer, head = scope, scope["method"] == "HEAD"
        if head:
            scope = {**scope, "method": "GET"}

        async def noted(message: Message) -> None:
            nonlocal begun
            begun = True
            if head and message["type"] == "http.response.body":
                message = {**message, "body": b""}
            await send(message)

        try:
            await self.app(scope, receive, noted)
        except BodyTooLarge:
            raise
        except ClientDisconnect:
            return  # the caller left before its body was whole: there is nobody to answer, and no fault of ours
        except Exception:
            log.exception("request failed", method=scope["method"], path=scope["path"][:200])
            if begun:
                raise
            await problem_answer(troubles.failed())(scope, receive, noted)
        finally:
            if head:  # what was found of it is looked at outside of here
                outer.update({name: scope[name] for name in ("route", ASKER) if name in scope})


class Straight:
    """ASGI middleware, the innermost: takes a question of a fixed address to its handler, past the search for a route."""

    def __init__(self, app: ASGIApp, routes: Iterable[RawRoute]) -> None:
        """routes: of what is sent by POST to an address without parameters; the handler of each looks at the key itself."""
        self.app = app
        self._found = {route.path: (route, route.get_route_handler()) for route in routes}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        found = self._found.get(scope["path"]) if scope["type"] == "http" and scope["method"] == "POST" else None
        if found is None or scope.get("root_path"):
            await self.app(scope, receive, send)
            return
        scope["route"], handler = found  # as the search for a route leaves it
        request = Request(scope, receive, send)
        try:
            answer = await handler(request)
        except Exception as trouble:
            told = refused(request, trouble)
            if told is None:
                raise
            answer = told
        await answer(scope, receive, send)
