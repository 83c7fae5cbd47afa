"""An app behind a real socket, in a thread of this process."""

import asyncio
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

import uvicorn
from starlette.types import ASGIApp


@contextmanager
def served(app: ASGIApp) -> Iterator[str]:
    """Where it is."""
    server = uvicorn.Server(uvicorn.Config(app, port=0, log_level="warning", access_log=False))
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
