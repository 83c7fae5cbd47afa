"""GraphQL over HTTP: a request comes in, one answer goes out (the specification's draft of August 2026, and the audits of its servers).

What is wrong before GraphQL begins (no key, another method or media type, too large a body) is a problem, as everywhere in the service;
what is wrong from then on is told in `errors`. Where the newest draft has 422 and 294, the audits and all clients have 400 and 200, and so
has this.
"""

import asyncio
from collections.abc import AsyncGenerator, Awaitable, Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from inspect import isawaitable
from typing import Any

import orjson
from graphql import ExecutionResult, GraphQLError, GraphQLSchema, OperationDefinitionNode, execute, subscribe
from starlette.requests import Request
from starlette.responses import Response

from fieldworthy.core.base.finding import Refused
from fieldworthy.graph.asked import Asked, of_address, of_body
from fieldworthy.graph.cost import Cost, Counted, Weights
from fieldworthy.graph.documents import Documents, Ready, is_mutation, is_subscription
from fieldworthy.graph.executing import ColumnExecutor, is_proved
from fieldworthy.graph.media import ANSWER, LEGACY, chosen, wants_page
from fieldworthy.graph.told import ProblemOf, Turned, turned, untaken, written
from fieldworthy.usecases.key_refusals import Throttled
from fieldworthy.usecases.limits import MAX_QUERY_FIELDS
from fieldworthy.usecases.ports import StoreUnavailable
from fieldworthy.wire.media import JSON_TYPES, Declined, media_type
from fieldworthy.wire.problems import problem
from fieldworthy.wire.reading import Unreadable

PATH = "/graphql"
METHODS = ("GET", "POST")


@dataclass(frozen=True, slots=True)
class Around:
    """
    What is around the door, and not its own.

    admit: lets a request in by its key, whatever scopes that has, and counts it as one; charge: counts it as so many more; context: what
    the schema's resolvers are given; problem_of: what an exception means; page: the answer to a browser, None where there is no page; held:
    how many fields the lists of an answer held that was made with a context.
    """

    admit: Callable[[Request], Awaitable[None]]
    charge: Callable[[Request, int], Awaitable[None]]
    context: Callable[[Request], Any]
    problem_of: ProblemOf
    page: Callable[[], Response] | None = None
    held: Callable[[Any], int] = lambda _context: 0


class Door:
    """One schema, asked over HTTP."""

    def __init__(
        self, schema: GraphQLSchema, around: Around, *, introspection: bool = True, weights: Weights | None = None, columns: bool = True
    ) -> None:
        """weights: of fields that are dearer than others (`cost.Weights`); columns: whether plain members are answered in them."""
        self.documents = Documents(schema, introspection)
        self._schema = schema
        self._around = around
        self._cost = Cost(schema, weights or {})
        self._hides = not introspection
        self._columns = columns and is_proved()
        self._settling: set[asyncio.Future[int]] = set()

    async def __call__(self, request: Request) -> Response:
        """Raises Declined, and whatever the key is refused with."""
        accept = ", ".join(request.headers.getlist("accept"))
        is_get = request.method == "GET"
        if is_get and self._around.page is not None and wants_page(accept) and b"query=" not in request.scope["query_string"]:
            return self._around.page()
        await self._around.admit(request)
        media = chosen(accept)
        if media is None:
            detail = "the answer is JSON, and the `Accept` header takes none"
            raise Declined(problem("address.not_acceptable", detail, f"accept `{ANSWER}` or `{LEGACY}`"))
        if not is_get:
            media_type(request.scope["headers"], JSON_TYPES)
        try:
            asked = of_address(request.scope["query_string"]) if is_get else of_body(await request.body())
        except (Unreadable, Refused) as trouble:
            told = self._around.problem_of(trouble)
            assert told is not None  # both mean a refusal
            return self._errors([untaken(told)], media, 400)
        try:
            return await self._answered(request, asked, media)
        except Turned as trouble:
            return self._errors(trouble.errors, media, 400 if media == ANSWER else 200)

    async def _answered(self, request: Request, asked: Asked, media: str) -> Response:
        ready = self.documents.find(asked)
        operation = ready.operation(asked.operation)
        if request.method == "GET" and is_mutation(operation):
            detail = "a mutation changes something, and a GET does not"
            raise Declined(problem("address.method_not_allowed", detail, "send it by POST"), {"allow": "POST"})
        if is_subscription(operation):
            raise turned("query.needs_a_socket", "a subscription goes on, and this answer ends", nodes=operation)
        counted = self.counted(ready, operation, asked)
        if counted > 1:
            await self._around.charge(request, counted - 1)  # one was counted when it came in
        context = self._around.context(request)
        done, counted = await self._done(request, context, counted, self._executed(context, ready, operation, asked))
        told: dict[str, Any] = {"data": done.data}
        if done.errors:
            told["errors"] = written(done.errors, self._around.problem_of)
        return _json({**told, "extensions": {"cost": {"requests": counted}}}, media, 200)

    async def results(
        self, request: Request, asked: Asked, found: Callable[[OperationDefinitionNode], None]
    ) -> AsyncGenerator[ExecutionResult, None]:
        """
        What a request is answered that may go on: of a subscription result after result, of anything else one. found: told which operation
        it is, once it is read. Raises Turned, and what is raised where the key's quota is used up.
        """
        await self._around.charge(request, 1)  # before it is read: what can't be answered counts too
        ready = self.documents.find(asked)
        operation = ready.operation(asked.operation)
        found(operation)
        counted = self.counted(ready, operation, asked)
        if counted > 1:
            await self._around.charge(request, counted - 1)
        if not is_subscription(operation):
            context = self._around.context(request)
            done, _ = await self._done(request, context, counted, self._executed(context, ready, operation, asked))
            yield done
            return
        begun = subscribe(
            self._schema,
            ready.document,
            context_value=self._around.context(request),
            variable_values=dict(asked.variables),
            operation_name=operation.name.value if operation.name else None,
            hide_suggestions=self._hides or not asked.guesses,
            **self._executor(ready),
        )
        stream = await begun if isawaitable(begun) else begun
        if isinstance(stream, ExecutionResult):
            raise Turned(stream.errors or [])
        try:
            async for result in stream:
                yield result
        finally:
            if isinstance(stream, AsyncGenerator):
                await stream.aclose()

    async def _done(
        self, request: Request, context: Any, counted: int, executed: Awaitable[ExecutionResult]
    ) -> tuple[ExecutionResult, int]:
        """What came of it, and as how many requests it counts by then, also where it is called off half way."""
        try:
            done = await executed
        except asyncio.CancelledError:
            settling = asyncio.ensure_future(self._settled(request, context, counted))  # whoever calls it off does not wait for that
            self._settling.add(settling)
            settling.add_done_callback(self._settling.discard)
            raise
        return done, await self._settled(request, context, counted)

    async def _settled(self, request: Request, context: Any, counted: int) -> int:
        """As how many requests it counts once it is answered: its lists may have held more than was counted before."""
        held = Counted(fields=self._around.held(context), top=1, steered=False).requests
        if held > counted:
            with suppress(Throttled, StoreUnavailable):  # it is done: who has nothing left is told so with the next one
                await self._around.charge(request, held - counted)
        return max(held, counted)

    async def _executed(self, context: Any, ready: Ready, operation: OperationDefinitionNode, asked: Asked) -> ExecutionResult:
        """Raises Turned where nothing was done, for a variable is not of its type."""
        result = execute(
            self._schema,
            ready.document,
            context_value=context,
            variable_values=dict(asked.variables),
            operation_name=operation.name.value if operation.name else None,
            hide_suggestions=self._hides or not asked.guesses,
            **self._executor(ready),
        )
        done: ExecutionResult = await result if isawaitable(result) else result
        if done.data is None and done.errors and all(each.path is None for each in done.errors):
            raise Turned(done.errors)
        return done

    def _executor(self, ready: Ready) -> dict[str, Any]:
        """Which one, and what it is given."""
        return {"executor_class": ColumnExecutor, "selections": ready.selections} if self._columns else {}

    def counted(self, ready: Ready, operation: OperationDefinitionNode, asked: Asked) -> int:
        """As how many requests it counts. Raises Turned where it asks for too much at once."""
        name = operation.name.value if operation.name else None
        counted = ready.counted.get(name)
        if counted is None:
            counted = self._cost.of(operation, ready.fragments, asked.variables)
            if not counted.steered:
                ready.counted[name] = counted
        if counted.fields > MAX_QUERY_FIELDS:
            detail = f"the answer may hold more than {MAX_QUERY_FIELDS:,} fields, by the sizes of its pages"
            raise turned("query.too_dear", detail, nodes=operation)
        return counted.requests

    def _errors(self, errors: Sequence[GraphQLError], media: str, status: int) -> Response:
        return _json({"errors": written(errors, self._around.problem_of)}, media, status)


def _json(told: Any, media: str, status: int) -> Response:
    return Response(orjson.dumps(told, default=str), status, {"vary": "accept, authorization"}, f"{media}; charset=utf-8")
