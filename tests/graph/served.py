"""An app behind a real socket, in a thread of this process."""

import asyncio
import threading
import time
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, contextmanager

import uvicorn
from starlette.types import ASGIApp


@contextmanager
def served(app: ASGIApp) -> Iterator[str]:
    """Where it is."""
    server = uvicorn.Server(
        uvicorn.Config(
            app, port=0, log_level="warning", access_log=False, ws="websockets-sansio", ws_per_message_deflate=False, lifespan="off"
        )
    )
    thread = threading.Thread(target=lambda: asyncio.run(server.serve()))
    thread.start()
    try:
        while not server.started:
            if not thread.is_alive():
                raise RuntimeError("the service does not start")
            time.sleep(0.01)
        yield f"http://127.0.0.1:{server.servers[0].sockets[0].getsockname()[1]}"
    finally:
        server.should_exit = True
        thread.join()


@asynccontextmanager
async def served_here(app: ASGIApp) -> AsyncIterator[str]:
    """Where it is; in this very loop, for apps whose store belongs to it."""
    server = uvicorn.Server(
        uvicorn.Config(
            app,
            port=0,
            log_level="warning",
            access_log=False,
            ws="websockets-sansio",
            ws_per_message_deflate=False,
            lifespan="off",
            timeout_graceful_shutdown=5,
        )
    )
    server.install_signal_handlers = lambda: None  # type: ignore[attr-defined]  # they are the tests' own
    task = asyncio.create_task(server.serve())
    try:
        while not server.started:  # noqa: ASYNC110  # it says so in no other way
            await asyncio.sleep(0.01)
        yield f"http://127.0.0.1:{server.servers[0].sockets[0].getsockname()[1]}"
    finally:
        server.should_exit = True
        await task
