"""Where a page ended, as an opaque text: base64url of JSON. It says which row was the last, so no page costs more than the first."""

import base64
import binascii
from collections.abc import Mapping, Sequence
from math import isfinite
from typing import Any

import orjson

from fieldworthy.core.base.finding import Finding, Refused

BIGGEST = 2**63
"""The first whole number that is too large for a database."""


CURSOR_SCHEMA: Mapping[str, Any] = {"type": "string", "maxLength": 2000, "pattern": "^[A-Za-z0-9_-]*=*$"}


def write_cursor(place: Sequence[Any]) -> str:
    """The text of a place: plain values, in the order that the list has."""
    return base64.urlsafe_b64encode(orjson.dumps(list(place))).decode().rstrip("=")


def read_place(query: Mapping[str, str], *kinds: type[int] | type[float] | type[str]) -> tuple[Any, ...] | None:
    """
    Where the page before ended, by `after` of a query: a value of each of these kinds, that a database can be asked with; None: there was
    none. A share (float) may have been written whole; true and false are no numbers. Raises Refused where it is of another form.
    """
    if "after" not in query:
        return None
    found = _read(query["after"])
    if len(found) != len(kinds):
        raise refuse_after()
    return tuple(_as_kind(value, kind) for value, kind in zip(found, kinds, strict=True))


def refuse_after() -> Refused:
    """To be raised where `after` is one of another list."""
    return Refused([Finding("request.parameter", "`after` belongs to another list", "give `next` of the page before, as it was")])


def _read(text: str) -> list[Any]:
    try:
        found = orjson.loads(base64.b64decode(text + "=" * (-len(text) % 4), b"-_", validate=True))
    except (ValueError, binascii.Error):
        found = None
    if not isinstance(found, list):
        raise Refused([Finding("request.parameter", "`after` can't be read", "give `next` of the page before, as it was")])
    return found


def _as_kind(value: Any, kind: type) -> Any:
    if kind is float and type(value) is int:
        value = float(value) if -BIGGEST <= value < BIGGEST else None
    if type(value) is not kind or not _can_be_asked(value):
        raise refuse_after()
    return value


def _can_be_asked(value: Any) -> bool:
    """Whether a database can be asked with a value."""
    match value:
        case int():
            return -BIGGEST <= value < BIGGEST
        case float():
            return isfinite(value)
    return "\0" not in value
