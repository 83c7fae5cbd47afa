"""What is kept of machines, as it is answered."""

from collections.abc import Callable, Iterable
from typing import Any

import orjson

from fieldworthy.core.base.micros import micros_text
from fieldworthy.usecases.keep_machines import KeptDocument, PutMachine

Embed = Callable[[str], Any]
"""How JSON text goes into an answer: as it is (`orjson.Fragment`), or read (`orjson.loads`)."""


def machine_json(document: KeptDocument, embed: Embed = orjson.Fragment) -> dict[str, Any]:
    """A machine's document."""
    return {
        "id": document.id,
        "revision": document.revision,
        "known": micros_text(document.known),
        "document": embed(document.body),
    }


def machine_put_json(put: PutMachine, embed: Embed = orjson.Fragment) -> dict[str, Any]:
    """What came of a put."""
    return {**machine_json(put.document, embed), "outcome": put.outcome, "rulebook": put.found.provenance()}


def counted_json(puts: Iterable[PutMachine]) -> dict[str, Any]:
    """What came of many puts, counted."""
    made = list(puts)
    books = {(put.found.book.name, put.found.version): put.found.provenance() for put in made}
    counts = {outcome: sum(put.outcome == outcome for put in made) for outcome in ("kept", "same", "changed")}
    return {**counts, "rulebooks": list(books.values())}
