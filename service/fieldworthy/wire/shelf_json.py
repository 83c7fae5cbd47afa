"""Rulebooks as they are answered, and their names as they are asked for."""

import re
from collections.abc import Mapping
from typing import Any

from fieldworthy.core.base.finding import Finding, Refused
from fieldworthy.usecases.check_draft import Checked
from fieldworthy.usecases.ports import Shared, Shelved, Version
from fieldworthy.usecases.refusals import RulebookUnknown
from fieldworthy.usecases.shelf import Compared
from fieldworthy.wire.cursor import read_place, refuse_after
from fieldworthy.wire.parameters import is_id, shown
from fieldworthy.wire.problems import finding_json

_NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,79}\Z")


def known_name_of(name: str) -> str:
    """A rulebook's name. Raises RulebookUnknown where none can have it."""
    if not _NAME.match(name):
        raise RulebookUnknown(name)
    return name


def read_after_name(query: Mapping[str, str]) -> str | None:
    """The name that a page of the shelf goes on after, by `after`. Raises Refused for what is none."""
    after = query.get("after")
    if after is not None and not _NAME.match(after):
        raise refuse_after()
    return after


def refuse_name(name: str) -> None:
    """Raises Refused for what can't be the name of a new one."""
    if not _NAME.match(name):
        message = f"`{shown(name)}` can't be a rulebook's name"
        raise Refused([Finding("rulebook.name", message, "lower case letters, digits and hyphens, at most 80")])


def version_json(version: Version) -> dict[str, Any]:
    """A version without its texts."""
    return {
        "name": version.name,
        "version": version.version,
        "digest": version.digest,
        "title": version.title,
        "published_at": version.published_at.isoformat(),
    }


def checked_json(checked: Checked) -> dict[str, Any]:
    """What a check found."""
    about = None if checked.book is None else {"name": checked.book.name, "title": checked.book.title, "digest": checked.book.digest}
    return {"rulebook": about, "findings": [finding_json(f) for f in checked.findings]}


def shelved_json(item: Shelved) -> dict[str, Any]:
    """A name on the shelf."""
    return {"name": item.name, "newest": None if item.newest is None else version_json(item.newest), "draft": item.draft}


def shared_json(item: Shared) -> dict[str, Any]:
    """A version that another organisation shares."""
    return {"organisation": item.organisation, **version_json(item.version)}


def compared_json(compared: Compared) -> dict[str, Any]:
    """What differs between two versions."""
    changes = compared.comparison.to_json()
    told = {k: v for k, v in changes.items() if k not in ("before", "after")}  # the digests stand in `from` and `to`
    return {"from": compared.first.provenance(), "to": compared.second.provenance(), **told, "safety": compared.safety.to_json()}


def read_shared_place(query: Mapping[str, str]) -> tuple[str, str, int] | None:
    """Where a page of what others share ended. Raises Refused."""
    place = read_place(query, str, str, int)
    if place is None:
        return None
    organisation, name, version = place
    if not (is_id(organisation) and is_id(name) and 0 < version < 2**31):
        raise refuse_after()
    return organisation, name, version
