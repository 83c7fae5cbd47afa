"""How something of a contract goes: it is declared once where it stands, and marked, dated and linked wherever it is met."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from email.utils import format_datetime
from functools import cache
from typing import Any, get_args

from pydantic import BaseModel

MARK = "x-retired"
PAGE = "/docs"
_declared: list[str] = []
"""Members of answers that were declared; where there is none, nothing is looked for."""


@dataclass(frozen=True, slots=True)
class Retired:
    """
    What goes, and when. since: from when on nobody should begin with it; until: from when on it may be gone, None where that is not
    settled; both aware. instead: what to use in its place, for people. Raises ValueError where until is before since (RFC 9745, 4).
    """

    since: datetime
    until: datetime | None
    instead: str

    def __post_init__(self) -> None:
        if self.until is not None and self.until < self.since:
            raise ValueError("it can't be gone before it is deprecated")

    def marked(self) -> dict[str, Any]:
        """Members of an operation, a parameter or a schema in OpenAPI."""
        until = {} if self.until is None else {"until": _text(self.until)}
        return {"deprecated": True, MARK: {"since": _text(self.since), **until, "instead": self.instead}}

    def headers(self) -> dict[str, str]:
        """`Deprecation` (RFC 9745), `Sunset` (RFC 8594), and where to read of it."""
        told = {"deprecation": f"@{int(self.since.timestamp())}", "link": f'<{PAGE}>; rel="deprecation"; type="text/html"'}
        return told if self.until is None else {**told, "sunset": format_datetime(self.until.astimezone(UTC), usegmt=True)}


OPERATIONS: dict[str, Retired] = {}
"""Operations that go, by their ids: routes and fields, whichever door they are asked at. Nothing goes now."""

PARAMETERS: dict[tuple[str, str], Retired] = {}
"""Parameters of the query that go, and the arguments that stand for them, by operation and name."""


def member(retired: Retired, name: str) -> dict[str, Any]:
    """`json_schema_extra` for a member of a request or an answer that goes. name: for whoever looks at what is declared."""
    _declared.append(name)
    return retired.marked()


def read_mark(marked: Mapping[str, Any] | None) -> Retired | None:
    """What was declared, out of the contract's own words."""
    told = None if marked is None else marked.get(MARK)
    if told is None:
        return None
    until = datetime.fromisoformat(told["until"]) if "until" in told else None
    return Retired(datetime.fromisoformat(told["since"]), until, told["instead"])


def soonest(all_of: Iterator[Retired] | list[Retired]) -> Retired | None:
    """What a single answer tells of several: the first to be deprecated, and the first to be gone."""
    found = list(all_of)
    if not found:
        return None
    ends = [one.until for one in found if one.until is not None]
    first = min(found, key=lambda one: one.since)
    return Retired(first.since, min(ends) if ends else None, "; ".join(dict.fromkeys(one.instead for one in found)))


def members_of(answer: type[BaseModel]) -> list[Retired]:
    """What goes of an answer, in whatever of its objects."""
    return list(_members(answer)) if _declared else []


@cache
def _members(answer: type[BaseModel]) -> tuple[Retired, ...]:
    found: list[Retired] = []
    waiting, seen = [answer], {answer}
    while waiting:
        for field in waiting.pop().model_fields.values():
            mark = read_mark(field.json_schema_extra if isinstance(field.json_schema_extra, dict) else None)
            found += [mark] if mark is not None else []
            inner = [model for model in _models(field.annotation) if model not in seen]
            seen.update(inner)
            waiting += inner
    return tuple(found)


def _models(annotation: Any) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for part in get_args(annotation):
        yield from _models(part)


def _text(moment: datetime) -> str:
    return moment.astimezone(UTC).isoformat()
