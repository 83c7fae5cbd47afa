"""What is remembered of an operation over a socket until it has ended, for whoever runs the service: of what was sent its name alone."""

from collections.abc import Iterable
from time import perf_counter
from typing import Any

from graphql import OperationDefinitionNode

from fieldworthy.usecases.tally import CANCELLED, DONE, FAILED, REFUSED, UNREAD

REQUEST_ID = "requestId"
"""How what is sent calls the id of an operation, or of a connection."""

_OURS = 500
"""From this status on it is no mistake of who asks."""


class Operated:
    """
    One operation. id: told in the log and in its errors; kind: `query`, `mutation`, `subscription`, UNREAD where it could not be read;
    name: as its document says; results, errors: how many were sent; begun: by `perf_counter`.
    """

    def __init__(self, id: str) -> None:
        self.id = id
        self.begun = perf_counter()
        self.kind = UNREAD
        self.name: str | None = None
        self.results = self.errors = 0
        self.has_ended = False
        self._worst = 0

    def read(self, operation: OperationDefinitionNode) -> None:
        """Which one it is was found."""
        self.kind = operation.operation.value
        self.name = operation.name.value if operation.name else None

    def marked(self, errors: Iterable[Any]) -> list[Any]:
        """Errors as they are sent: with the id by which whoever runs the service finds them in the log."""
        marked = [{**each, "extensions": {**each["extensions"], REQUEST_ID: self.id}} for each in errors]
        self.errors += len(marked)
        self._worst = max([self._worst, *(each["extensions"].get("status", 0) for each in marked)])
        return marked

    def turned_away(self, status: int) -> None:
        """It ended with its connection: the key opens nothing any more, or could not be looked at. status: what that is over HTTP."""
        self.has_ended, self._worst = True, max(self._worst, status)

    @property
    def outcome(self) -> str:
        """CANCELLED where nobody waited for its end; else FAILED where a fault was told, REFUSED where anything of it was; else DONE."""
        if not self.has_ended:
            return CANCELLED
        return FAILED if self._worst >= _OURS else REFUSED if self._worst else DONE
