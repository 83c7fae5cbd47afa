"""The door: a request in, an answer of GraphQL out."""

from collections.abc import Awaitable, Callable

import orjson
import strawberry
from starlette.requests import Request
from starlette.responses import Response

from fieldworthy.graph.context import Asked, Context
from fieldworthy.usecases.keys import Asker, Caller

Door = Callable[[Request, Caller, Asker | None], Awaitable[Response]]


def graphql_door(schema: strawberry.Schema, asked: Asked) -> Door:
    """What answers a request of a caller who was let in."""

    async def answer(request: Request, caller: Caller, asker: Asker | None) -> Response:
        sent = orjson.loads(await request.body())
        result = await schema.execute(
            sent["query"], sent.get("variables"), Context(asked, caller, asker), operation_name=sent.get("operationName")
        )
        told: dict[str, object] = {"data": result.data}
        if result.errors:
            told["errors"] = [error.formatted for error in result.errors]
        return Response(orjson.dumps(told), 200, media_type="application/json")

    return answer
