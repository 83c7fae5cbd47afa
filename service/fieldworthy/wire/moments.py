"""Moments that are written as texts."""

import re
from collections.abc import Mapping
from datetime import UTC, datetime

from fieldworthy.core.base.finding import Finding, Refused
from fieldworthy.core.base.micros import micros_of
from fieldworthy.wire.parameters import shown
from fieldworthy.wire.readings import query_moment

_TIME = re.compile(r"\d{4}-\d\d-\d\d[Tt]\d\d:\d\d:\d\d(?:\.\d{1,9})?(?:[Zz]|[+-]\d\d:\d\d)\Z", re.ASCII)


def read_as_of(query: Mapping[str, str]) -> int | None:
    """The moment of `as_of` [microseconds]; None where it is not given. Raises Refused."""
    text = query.get("as_of")
    if text is None:
        return None
    if _TIME.match(text):
        try:
            return micros_of(datetime.fromisoformat(text.upper()).astimezone(UTC))  # which there may be none of at the end of time
        except (ValueError, OverflowError):
            pass
    mend = "give a time that exists with its offset, as in 2026-07-14T06:00:00Z; in an address `+` is written `%2B`"
    raise Refused([Finding("request.parameter", f"`{shown(text)}` is not a value that `as_of` can have", mend)])


def read_moment(name: str, text: str) -> int:
    """The moment of a parameter [microseconds]. Raises Refused."""
    found = query_moment(text)
    if found is None:
        mend = "give a time that exists with its offset, as in 2026-07-14T06:00:00Z; in an address `+` is written `%2B`"
        raise Refused([Finding("request.parameter", f"`{shown(text)}` is not a value that `{name}` can have", mend)])
    return found
