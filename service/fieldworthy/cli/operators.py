"""The door for whoever runs the service: `/metrics` of all organisations together, on an address of its own, where others need not get."""

import asyncio
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

import uvicorn
from starlette.types import Receive, Scope, Send

from fieldworthy.cli.connection import Connection
from fieldworthy.rest.answers import json_answer, problem_answer
from fieldworthy.rest.headers import Headers
from fieldworthy.rest.metrics import TEXT, Metrics
from fieldworthy.rest.readiness import Readiness
from fieldworthy.wire.problems import problem

MOST_CONNECTIONS = 50


class Operators:
    """ASGI app: `/metrics`, and `/healthz` and `/readyz` beside it, for a process that has no other door."""

    def __init__(self, metrics: Metrics, readiness: Readiness) -> None:
        self._metrics = metrics
        self._readiness = readiness

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            return
        await (await self._answer(scope["method"], scope["path"]))(scope, receive, send)

    async def _answer(self, method: str, path: str) -> Any:
        if path not in ("/metrics", "/healthz", "/readyz"):
            return problem_answer(problem("address.unknown", "there is nothing at this address", "ask for /metrics, /healthz or /readyz"))
        if method not in ("GET", "HEAD"):
            told = problem("address.method_not_allowed", f"`{path}` does not take this method", "use one of GET, HEAD")
            return problem_answer(told, {"allow": "GET, HEAD"})
        if path == "/metrics":
            from starlette.responses import Response

            return Response(await self._metrics(), 200, media_type=TEXT)
        hindrance = await self._readiness() if path == "/readyz" else None
        if hindrance is None:
            return json_answer({"status": "ok"})
        return problem_answer(problem("service.unavailable", hindrance), {"retry-after": "5"})


class _Server(uvicorn.Server):
    """Ends when its block does, and hears no signals: they are the service's own."""

    @staticmethod
    def capture_signals() -> Any:
        from contextlib import nullcontext

        return nullcontext()


class _Few(Connection):
    most = MOST_CONNECTIONS


@asynccontextmanager
async def operators(app: Operators, listening: socket.socket | None) -> AsyncIterator[None]:
    """Answers operators until the block ends. listening: None for nowhere."""
    if listening is None:
        yield
        return
    config = uvicorn.Config(
        Headers(app),
        log_config=None,
        access_log=False,
        server_header=False,
        proxy_headers=False,
        http=_Few,
        ws="none",
        lifespan="off",
        timeout_graceful_shutdown=1,
    )
    server = _Server(config)
    running = asyncio.create_task(server.serve(sockets=[listening]))
    try:
        yield
    finally:
        server.should_exit = True
        await running
