"""The real service behind a real socket, in a thread of this process, its clock standing."""

import asyncio
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial

import uvicorn

from fieldworthy.main import make_app
from fieldworthy.storage.engine import SqlStore, open_engine
from fieldworthy.storage.readiness import hindrance
from tests.chance import Chance
from tests.doors_app import NOW


@contextmanager
def serving(address: str, is_open: bool = True) -> Iterator[str]:
    """Where it is. address: of a migrated database. is_open: without keys."""
    made: list[uvicorn.Server] = []

    async def serve() -> None:
        store = SqlStore(open_engine(address), lambda: NOW)
        app = make_app(store, lambda: NOW, partial(hindrance, store), is_open=is_open, random=Chance())
        config = uvicorn.Config(app, port=0, log_level="warning", access_log=False)
        made.append(uvicorn.Server(config))
        try:
            await made[0].serve()
        finally:
            await store.close()

    thread = threading.Thread(target=lambda: asyncio.run(serve()))
    thread.start()
    try:
        while not (made and made[0].started):
            if not thread.is_alive():
                raise RuntimeError("the service does not start")
            time.sleep(0.01)
        yield f"http://127.0.0.1:{made[0].servers[0].sockets[0].getsockname()[1]}"
    finally:
        if made:
            made[0].should_exit = True
        thread.join()
