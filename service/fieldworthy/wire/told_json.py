"""What is told of machines, as it is read and answered."""

from collections.abc import Callable
from typing import Any

import orjson

from fieldworthy.core.base.finding import Finding, Refused
from fieldworthy.core.base.micros import micros_text
from fieldworthy.usecases.kept import WITHDRAWN, Entry
from fieldworthy.wire.parameters import shown

Embed = Callable[[str], Any]
"""How JSON text goes into an answer: as it is (`orjson.Fragment`), or read (`orjson.loads`)."""


def record_json(entry: Entry, embed: Embed = orjson.Fragment) -> dict[str, Any]:
    """A record as it stands."""
    return {"id": entry.id, "known": micros_text(entry.known), "record": embed(entry.body)}


def state_json(entry: Entry, embed: Embed = orjson.Fragment) -> dict[str, Any]:
    """One state of a record."""
    return {
        "known": micros_text(entry.known),
        "superseded": None if entry.superseded is None else micros_text(entry.superseded),
        "record": None if entry.body == WITHDRAWN else embed(entry.body),
    }


def without_id(body: Any, id: str) -> dict[str, Any]:
    """The body without an id of its own, which must be that of the address. Raises Refused."""
    if body.get("id", id) != id:
        message = f"the body calls itself `{shown(body['id'])}`, and the address says `{shown(id)}`"
        raise Refused([Finding("request.id", message, "leave `id` out of the body", path="/id")])
    return {member: value for member, value in body.items() if member != "id"}
