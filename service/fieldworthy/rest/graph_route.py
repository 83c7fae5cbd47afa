"""The address of the other door: who asks is looked at here as for every route, and what is asked is looked at there."""

from collections.abc import Awaitable, Callable

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response

from fieldworthy.rest.admission import ANY_SCOPE, asker_of, caller_of
from fieldworthy.rest.body import RawRoute
from fieldworthy.rest.described import undescribed
from fieldworthy.usecases.keys import Asker, Caller

PATH = "/graphql"


def graph_router(door: Callable[[Request, Caller, Asker | None], Awaitable[Response]]) -> APIRouter:
    """Its route."""
    router = APIRouter(route_class=RawRoute)

    @router.post(PATH, **undescribed(ANY_SCOPE))
    async def graphql(request: Request) -> Response:
        return await door(request, caller_of(request), asker_of(request.scope))

    return router
