"""Shapes of who changed what; written by tests/client/write_shapes.py from the contract."""

from typing import Any, Literal, TypedDict


class WhoChanged(TypedDict):
    """way: with a key, with a token, by a command on the database, from anybody while there are no keys, or of the service's own accord.
    id: the key's, or the token's subject; name: the key's; by: the person whom the request named.
    """

    way: Literal["key", "token", "command line", "no keys", "service"]
    id: str | None
    name: str | None
    by: str | None


class AuditLine(TypedDict):
    """One change. number: from 1, in the order in which changes were committed, without a gap; at: since when what was changed is known
    so; id: of the thing that changed (a machine's, a record's, a key's, ...); machine: whose it is. Secrets are in none.
    """

    number: int
    at: str
    who: WhoChanged
    kind: Literal[
        "deferral",
        "done",
        "draft",
        "evidence",
        "found",
        "key",
        "listener",
        "machine",
        "meter-replacement",
        "occurrence",
        "organisation",
        "put-on",
        "reader",
        "readings",
        "restore",
        "retention",
        "set-aside",
        "version",
        "work",
        "working-condition",
    ]
    id: str | None
    machine: str | None
    before: dict[str, Any] | None
    after: dict[str, Any] | None


class AuditPage(TypedDict):
    """A page of the trail, the newest change first."""

    items: list[AuditLine]
    next: str | None
