"""Where the second door stands among the routes: its address, and the files of its page. What it answers is made elsewhere."""

from collections.abc import Awaitable, Callable

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response

from fieldworthy.rest.body import Declined, RawRoute
from fieldworthy.rest.described import undescribed
from fieldworthy.wire.problems import problem

PATH = "/graphql"


def graphql_router(answer: Callable[[Request], Awaitable[Response]], file: Callable[[str], Response | None] | None) -> APIRouter:
    """answer: looks at the key itself, for its page needs none; file: of the page, by name, None where there is no page."""
    router = APIRouter(route_class=RawRoute)

    @router.api_route(PATH, methods=["GET", "POST"], **undescribed())
    async def graphql(request: Request) -> Response:
        return await answer(request)

    if file is not None:

        @router.get(f"{PATH}/{{file}}", **undescribed())
        async def page_file(request: Request) -> Response:
            found = file(request.path_params["file"])
            if found is None:
                raise Declined(problem("address.unknown", "there is no such file", f"see {PATH} in a browser"))
            return found

    return router
