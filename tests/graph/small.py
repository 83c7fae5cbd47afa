"""A small schema of its own behind the door, for what the door does with any schema."""

from asyncio import Event
from collections.abc import AsyncIterator
from enum import Enum
from functools import cache
from typing import Any

import strawberry
from fastapi import FastAPI
from graphql import GraphQLSchema
from starlette.requests import Request

from fieldworthy.core.base.finding import Finding, Refused
from fieldworthy.graph.description import Schema
from fieldworthy.graph.door import Around, Door
from fieldworthy.graph.explorer import file, page
from fieldworthy.graph.socket import Patience, SocketAround, Sockets
from fieldworthy.rest.admission import charge
from fieldworthy.rest.graphql import admit_once, admit_socket, from_here, graphql_router, graphql_socket, look_again
from fieldworthy.rest.sockets import begin_operation, end_operation, id_of_socket
from fieldworthy.usecases.refusals import RulebookUnknown
from fieldworthy.wire.troubles import problem_of
from tests.doors_app import make_test_app

SECRET = "the words of a fault"


@strawberry.enum
class Season(Enum):
    SPRING = "spring"


@strawberry.type
class Leaf:
    name: str
    size: int

    @strawberry.field
    def leaf(self) -> "Leaf":
        return self


@strawberry.type
class Edge:
    node: Leaf
    cursor: str


@strawberry.type
class Connection:
    edges: list[Edge]


@strawberry.type
class Query:
    @strawberry.field
    def leaf(self, name: str = "ash") -> Leaf:
        return Leaf(name=name, size=1)

    @strawberry.field
    async def leaves(self, first: int = 20) -> Connection:
        return Connection(edges=[Edge(node=Leaf(name=str(n), size=n), cursor=str(n)) for n in range(min(first, 3))])

    @strawberry.field
    def heap(self) -> list[Leaf]:
        return [Leaf(name=str(n), size=n) for n in range(3)]

    @strawberry.field
    async def broken(self) -> str | None:
        raise RuntimeError(SECRET)

    @strawberry.field
    def broken_must(self) -> str:
        raise RuntimeError(SECRET)

    @strawberry.field
    def refused(self) -> str | None:
        raise RulebookUnknown("nothing")

    @strawberry.field
    def unfit(self) -> str | None:
        raise Refused([Finding("request.unknown", "`wing` is not known", "leave it out", path="/input/wing")])

    @strawberry.field
    def fallen(self) -> Season | None:
        return SECRET  # type: ignore[return-value]  # a word that the schema lacks

    @strawberry.field
    def seasons(self) -> list[Season | None]:
        return [SECRET, SECRET]  # type: ignore[list-item]

    @strawberry.field
    def many(self) -> int | None:
        return 2**40

    @strawberry.field
    def who(self, info: strawberry.Info) -> int:
        return int(info.context["organisation"])


PUT: list[str] = []
COUNTED: list[int] = []


@strawberry.type
class Mutation:
    @strawberry.mutation
    def put(self, name: str) -> str:
        PUT.append(name)
        return name


@strawberry.type
class Subscription:
    @strawberry.subscription
    async def count(self, to: int) -> AsyncIterator[int]:
        for n in range(to):
            COUNTED.append(n)
            yield n

    @strawberry.subscription
    async def forever(self) -> AsyncIterator[str]:
        try:
            while True:
                yield "x" * 10_000
                COUNTED.append(-1)
        finally:
            COUNTED.append(-2)

    @strawberry.subscription
    async def wait(self) -> AsyncIterator[int]:
        await Event().wait()
        yield 1

    @strawberry.subscription
    async def fails(self) -> AsyncIterator[int]:
        yield 1
        raise RuntimeError(SECRET)


@cache
def small_schema() -> GraphQLSchema:
    return Schema(Query, Mutation, Subscription)._schema


def small_app(introspection: bool = True, patience: Patience | None = None, **options: Any) -> FastAPI:
    """The service with a door to the small schema. options: of `make_test_app`."""
    app = make_test_app(**{"graphql": "off", **options})
    small_door(app, introspection, patience)
    return app


def small_door(app: FastAPI, introspection: bool = True, patience: Patience | None = None) -> None:
    """Gives an app this door; `app.state.door` is it."""

    def context(request: Request) -> dict[str, Any]:
        return {"organisation": request.scope["fieldworthy.caller"].organisation}

    around = Around(admit_once, charge, context, problem_of, page if introspection else None)
    door = Door(small_schema(), around, introspection=introspection, weights={"Leaf.leaf": 2})
    app.state.door = door
    around_socket = SocketAround(admit_socket, look_again, from_here(()), problem_of, id_of_socket, begin_operation, end_operation)
    app.state.sockets = Sockets(door, around_socket, patience)
    app.router.routes.append(graphql_socket(app.state.sockets.answer))
    app.router.routes += graphql_router(door, file if introspection else None).routes
