"""Values of parameters that are written as texts, read strictly."""

import re
from collections.abc import Mapping

from fieldworthy.core.base.finding import Finding, Refused, did_you_mean
from fieldworthy.usecases.limits import MAX_PAGE
from fieldworthy.wire.cursor import read_place, refuse_after
from fieldworthy.wire.kept_shapes import ID_PATTERN
from fieldworthy.wire.scalars import PRINTABLE

_ID = re.compile(ID_PATTERN.removesuffix("$") + r"\Z")
_NAME = re.compile(PRINTABLE.removesuffix("$") + r"\Z")
_MOST_ID = 120


def whole_number(name: str, text: str, least: int, most: int) -> int:
    """A whole number of a query or a path. Raises Refused."""
    if text.isascii() and text.isdigit() and len(text) <= 10 and least <= int(text) <= most:
        return int(text)
    message = f"`{shown(text)}` is not a value that `{name}` can have"
    raise Refused([Finding("request.parameter", message, f"give a whole number from {least} to {most}")])


def one_of(name: str, word: str, known: tuple[str, ...]) -> str:
    """One of the words that a parameter can have. Raises Refused."""
    if word not in known:
        mend = did_you_mean(word, known, "give one of these")
        raise Refused([Finding("request.parameter", f"`{shown(word)}` is not a value that `{name}` can have", mend)])
    return word


def shown(text: str) -> str:
    """A sender's words as they may stand in a message."""
    plain = "".join(c if c.isprintable() else " " for c in text[:81]).replace("`", "'")
    return plain if len(plain) <= 80 else plain[:80] + "…"


MEND_ID = "take 1 to 120 characters, no `/`, no control characters, not of dots alone"


def is_id(text: str) -> bool:
    """Whether it can be an id of something that is kept."""
    return 0 < len(text) <= _MOST_ID and _ID.match(text) is not None


def read_limit(query: Mapping[str, str]) -> int:
    """Items of a page. Raises Refused."""
    return 50 if "limit" not in query else whole_number("limit", query["limit"], 1, MAX_PAGE)


def read_name(query: Mapping[str, str], name: str, most: int) -> str | None:
    """A name of the query. Raises Refused for what can't be one."""
    text = query.get(name)
    if text is not None and not (0 < len(text) <= most and _NAME.match(text)):
        message = f"`{shown(text)}` is not a value that `{name}` can have"
        raise Refused([Finding("request.parameter", message, f"give 1 to {most} characters, no control characters")])
    return text


def after_record(query: Mapping[str, str]) -> tuple[int, str] | None:
    """Where a page of records, work or locks goes on after: the time and the id of the last one before. Raises Refused."""
    place = read_place(query, int, str)
    if place is not None and not is_id(place[1]):
        raise refuse_after()
    return place and (place[0], place[1])


def read_after_id(query: Mapping[str, str]) -> str | None:
    """The id at which the page before ended; None: there was none. Raises Refused."""
    place = read_place(query, str)
    if place is None:
        return None
    if not is_id(place[0]):
        raise refuse_after()
    return str(place[0])
