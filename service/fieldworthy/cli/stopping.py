"""How the service runs and ends: what was begun is finished, in order, and nothing new is begun in the end."""

import asyncio
import signal
import socket
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from types import FrameType

import structlog
import uvicorn

from fieldworthy.rest.readiness import Readiness

_TICK = 0.1


class Server(uvicorn.Server):
    """
    uvicorn's, but told to stop it says so at `/readyz` first, and goes on for a while, so that a balancer hears of it before nobody listens
    any more; it ends by itself, so that what comes after it is still done (the original raises the signal once more).

    The second signal ends the process at once, whatever it is at: what was acknowledged is kept, as when it is killed.
    """

    def __init__(self, config: uvicorn.Config, readiness: Readiness, delay: float) -> None:
        """delay: s that it goes on after SIGTERM; after SIGINT, which a person sends, it does not."""
        super().__init__(config)
        self._readiness = readiness
        self._delay = delay

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        before = {told: signal.signal(told, self.handle_exit) for told in (signal.SIGINT, signal.SIGTERM)}
        try:
            yield
        finally:
            for told, handler in before.items():
                signal.signal(told, handler)

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        if self.should_exit:
            signal.signal(sig, signal.SIG_DFL)
            signal.raise_signal(sig)
        if sig == signal.SIGINT:
            self._delay = 0
        self._readiness.stopping = self.should_exit = True

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        log = structlog.get_logger("fieldworthy.serve")
        log.info("stopping", delay=self._delay, open=len(self.server_state.tasks))
        for tick in range(round(self._delay / _TICK)):
            await asyncio.sleep(_TICK)
            await self.on_tick(tick)  # answers still tell the time
        late = [connection for listening in sockets or () for connection in _waiting(listening)]
        for server in self.servers:
            server.close()
        for connection in late:
            await asyncio.get_running_loop().connect_accepted_socket(self._protocol, connection)
        await super().shutdown(sockets)
        log.info("stopped")

    def _protocol(self) -> asyncio.Protocol:
        made: asyncio.Protocol = self.config.http_protocol_class(  # type: ignore[call-arg]  # as uvicorn makes it
            config=self.config, server_state=self.server_state, app_state=self.lifespan.state
        )
        return made


@contextmanager
def told_to_stop(readiness: Readiness) -> Iterator[asyncio.Event]:
    """
    The same for a process that listens to nobody but its operators: set once it is told to stop, which `/readyz` says from then on.

    The running loop's signals are heard as long as the block goes on; the second one ends the process at once.
    """
    loop, stop = asyncio.get_running_loop(), asyncio.Event()

    def heard(told: signal.Signals) -> None:
        if stop.is_set():
            loop.remove_signal_handler(told)
            signal.signal(told, signal.SIG_DFL)
            signal.raise_signal(told)
        readiness.stopping = True
        stop.set()

    for told in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(told, heard, told)
    try:
        yield stop
    finally:
        for told in (signal.SIGINT, signal.SIGTERM):
            loop.remove_signal_handler(told)


def _waiting(listening: socket.socket) -> Iterator[socket.socket]:
    """Connections that callers believe to have, and that nobody has taken yet: where the socket is closed they are cut off."""
    listening.setblocking(False)
    with suppress(OSError):  # there are none left
        while True:
            yield listening.accept()[0]
