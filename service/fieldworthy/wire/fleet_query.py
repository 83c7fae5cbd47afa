"""What may be asked about what is due by what is kept, as it stands in the query of an address."""

import re
from collections.abc import Mapping
from datetime import datetime
from typing import Any, get_args

from fieldworthy.core.base.finding import Finding, Refused, or_list
from fieldworthy.core.rulebook.model import Kind, Skill
from fieldworthy.usecases.compute_standings import urgencies_of
from fieldworthy.usecases.kept_standings import FITNESS, URGENCY, Place, Scope, Wanted
from fieldworthy.wire.cursor import read_place, refuse_after
from fieldworthy.wire.parameters import read_name, shown, whole_number

_TIME = re.compile(r"\d{4}-\d\d-\d\d[Tt]\d\d:\d\d:\d\d(?:\.\d{1,9})?(?:[Zz]|[+-]\d\d:\d\d)\Z")
_DAY = re.compile(r"\d{4}-\d\d-\d\d\Z")
NAMED = re.compile(r"[a-z0-9][a-z0-9-]{0,79}(?:@[1-9][0-9]{0,8})?\Z")
_SHARE = re.compile(r"(?:0(?:\.\d{1,12})?|1(?:\.0{1,12})?)\Z")
MOST_NAME = 120
"""Characters of a task's name."""


def read_wanted(query: Mapping[str, str]) -> Wanted:
    """Which tasks of the fleet a query asks for. Raises Refused."""
    words = tuple(dict.fromkeys(query["standing"].split(","))) if "standing" in query else ()
    for word in words:
        _one_of("standing", word, URGENCY)
    fits = tuple(dict.fromkeys(query["fit"].split(","))) if "fit" in query else ()
    for word in fits:
        _one_of("fit", word, FITNESS)
    kind, skill, before, rulebook = query.get("kind"), query.get("skill"), query.get("before"), query.get("rulebook")
    if kind is not None:
        _one_of("kind", kind, get_args(Kind))
    if skill is not None:
        _one_of("skill", skill, get_args(Skill))
    if before is not None and not (_DAY.match(before) and _reads(before)):
        raise _refused("before", before, "give a date that exists, as in 2026-07-14")
    if rulebook is not None and not NAMED.match(rulebook):
        raise _refused("rulebook", rulebook, "give `name` or `name@3`")
    site, machine = read_name(query, "site", 120), read_name(query, "machine", 120)
    return Wanted(Scope(site, rulebook, machine), urgencies_of(words), kind, skill, before, fits)


def _one_of(name: str, word: str, known: tuple[str, ...]) -> None:
    if word not in known:
        raise _refused(name, word, f"give {or_list(known)}")


def read_now(query: Mapping[str, str]) -> str | None:
    """The moment that is asked about, as it was sent; None: it was not. Raises Refused."""
    now = query.get("now")
    if now is not None and not (_TIME.match(now) and _reads(now)):
        raise _refused("now", now, "give a time that exists with its offset, as in 2026-07-14T06:00:00Z; in an address `+` is `%2B`")
    return now


def read_tasks(query: Mapping[str, str]) -> list[str] | None:
    """The tasks that are asked about; None: all. Raises Refused."""
    text = query.get("tasks")
    names = None if text is None else [name.strip() for name in text.split(",")]
    for name in names or ():
        if len(name) > MOST_NAME:
            raise _refused("tasks", name, f"give names of tasks with commas between them, none longer than {MOST_NAME} characters")
    return names


def read_notice(query: Mapping[str, str]) -> dict[str, Any] | None:
    """The question's own notice; None where it has none."""
    found: dict[str, Any] = {}
    if "notice_share" in query:
        if not _SHARE.match(query["notice_share"]):
            raise _refused("notice_share", query["notice_share"], "give a number from 0 to 1, as in 0.1")
        found["share"] = float(query["notice_share"])
    if "notice_days" in query:
        found["days"] = whole_number("notice_days", query["notice_days"], 0, 3660)
    return found or None


def _reads(text: str) -> datetime | None:
    try:
        at = datetime.fromisoformat(text.upper())
        return at if at.year > 1 else None
    except (ValueError, OverflowError):
        return None


def read_fleet_place(query: Mapping[str, str]) -> Place | None:
    """Where the page before ended. Raises Refused."""
    place = read_place(query, int, float, str, str)
    if place is None:
        return None
    urgency, rank, machine, task = place
    if not 0 <= urgency < len(URGENCY):
        raise refuse_after()
    return urgency, rank, machine, task


def _refused(name: str, text: str, mend: str) -> Refused:
    return Refused([Finding("request.parameter", f"`{shown(text)}` is not a value that `{name}` can have", mend)])
