"""The id of a request, or of a connection, and who asks: what every line of the log says of them."""

import re
from random import Random
from typing import Any

from starlette.types import Scope

from fieldworthy.rest.hiding import hidden
from fieldworthy.usecases.audit import KEY
from fieldworthy.usecases.keys import Asker

HEADER = b"x-request-id"

_ID = re.compile(r"[A-Za-z0-9](?:[A-Za-z0-9._-]{0,98}[A-Za-z0-9])?\Z")
_PARENT = re.compile(rb"(?!ff)[0-9a-f]{2}-(?!0{32})([0-9a-f]{32})-(?!0{16})[0-9a-f]{16}-[0-9a-f]{2}(?:-.*)?\Z")

_CHANCE = Random()  # noqa: S311  # nosec B311  # an id is no secret, and the system's chance costs as much as all the rest here


def new_id() -> str:
    """For who sends none."""
    return f"{_CHANCE.getrandbits(128):032x}"


def id_of(scope: Scope) -> str | None:
    """
    The id that whoever asks gives it: `X-Request-Id`, else the trace's of `traceparent` (W3C Trace Context, 3.2). None for none, for one
    that is not well formed, and for one that looks like a secret, or is one of this request: it is said again, in the log too.
    """
    given = parent = None
    for name, value in scope["headers"]:
        if name == HEADER:
            given = value
        elif name == b"traceparent":
            parent = value
    if given is not None:
        text: str = given.decode("latin-1")
        if _ID.match(text) and hidden(text) == text:
            return text
    found = None if parent is None else _PARENT.match(parent)
    return None if found is None else found[1].decode("ascii")


def told_of(asker: Asker | None) -> dict[str, Any]:
    """Who asked, where they said so with a key or a token that works: never the key itself."""
    if asker is None:
        return {"key": None, "organisation": None}
    is_key = asker.actor.way == KEY
    who = {"key": asker.actor.id} if is_key else {"key": None, "subject": hidden(asker.actor.id or "")}
    return {**who, "organisation": asker.organisation}
