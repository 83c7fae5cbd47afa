"""The secrets of the request that is being answered, so that no log repeats them, whatever an exception may say of itself."""

import json
from collections.abc import Sequence
from contextvars import ContextVar

from starlette.types import Scope

from fieldworthy.wire.hiding import hide

_SECRET = frozenset({b"authorization", b"proxy-authorization", b"cookie", b"x-api-key", b"idempotency-key"})

answering: ContextVar[Scope | None] = ContextVar("fieldworthy_answering", default=None)
"""What is being answered in this task."""


def hidden(text: str, known: Sequence[str] = ()) -> str:
    """A line of a log, without secrets. known: those of the service itself."""
    scope = answering.get()
    return hide(text, known if scope is None else (*_carried(scope), *known))


def _carried(scope: Scope) -> list[str]:
    """What its headers say that nobody else may know; also as JSON writes it."""
    found = [value.decode("latin-1") for name, value in scope["headers"] if name in _SECRET]
    found += [token for value in found if (token := value.partition(" ")[2])]
    return sorted({form for value in found for form in (value, json.dumps(value)[1:-1])}, key=len, reverse=True)
