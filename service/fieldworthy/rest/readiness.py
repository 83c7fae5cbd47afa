"""Whether this process can do its work, for whoever sends requests its way."""

import asyncio
from collections.abc import Awaitable, Callable, Sequence

import structlog

Ready = Callable[[], Awaitable[str | None]]
"""What keeps it from its work, for people and without secrets; None: nothing."""

log = structlog.get_logger("fieldworthy.ready")

WITHIN_SECONDS = 5.0
"""What has not been answered by then is not there."""


class Readiness:
    """Several such questions, asked in order. Whoever asks while it is looked at waits for that look: many who ask cost one."""

    def __init__(self, questions: Sequence[Ready], within: float = WITHIN_SECONDS) -> None:
        """within: s for all of them."""
        self._questions = questions
        self._within = within
        self._looking: asyncio.Task[str | None] | None = None
        self._told: str | None = None
        self.stopping = False
        """Set where the process is told to stop: from then on nothing new is to come its way."""

    async def __call__(self) -> str | None:
        if self.stopping:
            return "the service is stopping"
        if self._looking is None:
            self._looking = asyncio.create_task(self._look())
            self._looking.add_done_callback(self._over)
        return await asyncio.shield(self._looking)

    def _over(self, _: object) -> None:
        self._looking = None

    async def _look(self) -> str | None:
        found = None
        try:
            async with asyncio.timeout(self._within):
                for question in self._questions:
                    found = found or await question()
        except TimeoutError:
            found = f"it was not known after {self._within:g} s whether the service can answer"
        if found != self._told:
            log.warning("not ready", why=found) if found is not None else log.info("ready again")
            self._told = found
        return found
