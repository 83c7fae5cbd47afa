"""What every answer about a task says the same, as JSON text made once at the check."""

import json
from typing import Any, NamedTuple


class Lines(NamedTuple):
    """head: the members task, title and kind; rule: the one rule's canonical text; needs: as the author wrote them, or null."""

    head: str
    rule: str
    needs: str


def lines_of(name: str, title: str, kind: str, rule: str, needs: str | None) -> Lines:
    """The lines of a task."""
    head = ",".join(f'"{member}":{_json(value)}' for member, value in (("task", name), ("title", title), ("kind", kind)))
    return Lines(head, _json(rule), _json(needs))


def _json(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False)
