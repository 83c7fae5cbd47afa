"""Where a page ended, as an opaque text: base64url of JSON. It says which row was the last, so no page costs more than the first."""

import base64
import binascii
from collections.abc import Sequence
from typing import Any

import orjson

from fieldworthy.core.base.finding import Finding, Refused


def write_cursor(place: Sequence[Any]) -> str:
    """The text of a place: plain values, in the order that the list has."""
    return base64.urlsafe_b64encode(orjson.dumps(list(place))).decode().rstrip("=")


def read_cursor(text: str) -> list[Any]:
    """The place of such a text. Raises Refused where it is none."""
    try:
        found = orjson.loads(base64.b64decode(text + "=" * (-len(text) % 4), b"-_", validate=True))
    except (ValueError, binascii.Error):
        found = None
    if not isinstance(found, list):
        raise Refused([Finding("request.parameter", "`after` can't be read", "give `next` of the page before, as it was")])
    return found
