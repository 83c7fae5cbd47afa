"""What a request asks, read from its body or its address (GraphQL over HTTP, sections 5.3 and 5.4, as of August 2026)."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any
from urllib.parse import parse_qsl

import orjson

from fieldworthy.core.base.finding import Finding, Refused
from fieldworthy.wire.reading import read_quickly

MEMBERS = ("query", "operationName", "variables", "extensions")
_MOST_PARAMETERS = 20

LONGER = "İ"
"""The one letter that has more characters in lower case: graphql-core (3.3) fails where it looks for names that are like a text with it."""


@dataclass(frozen=True, slots=True)
class Asked:
    """
    One request. query: the document, None where its hash stands for it; operation: which of its operations is meant, None for its only one;
    persisted: what `extensions.persistedQuery` holds, None for nothing; guesses: whether names that are like those in the variables may be
    looked for.
    """

    query: str | None
    operation: str | None
    variables: Mapping[str, Any]
    persisted: Any = None
    guesses: bool = True


def of_body(body: bytes) -> Asked:
    """The request that a body holds. Other members are left out. Raises Unreadable where it is no JSON, Refused where it does not fit."""
    given = read_quickly(body)
    if not isinstance(given, dict):
        raise _refused("", "the body is not an object", 'send an object, as `{"query": "{ __typename }"}`')
    return _asked(given)


def of_payload(payload: Any) -> Asked:
    """The request that a message holds. Raises Refused."""
    if not isinstance(payload, dict):
        raise _refused("", "the payload is not an object", 'send an object, as `{"query": "{ __typename }"}`')
    return _asked(payload)


def of_address(query: bytes) -> Asked:
    """The request that the query of an address holds. Raises Unreadable, Refused."""
    try:
        pairs = parse_qsl(query.decode("ascii"), keep_blank_values=True, errors="strict", max_num_fields=_MOST_PARAMETERS)
    except (UnicodeError, ValueError):
        raise _refused("", "the query of the address can't be read", "write it in UTF-8, percent-encoded, each parameter once") from None
    given: dict[str, Any] = {}
    for name, text in pairs:
        if name in given:
            raise _refused(f"/{name[:40]}", f"`{name[:40]}` is given twice", "give it once")
        given[name] = text
    for name in ("variables", "extensions"):
        if given.get(name):
            given[name] = read_quickly(given[name].encode())
        else:
            given.pop(name, None)
    return _asked({**given, "operationName": given.get("operationName") or None})


def _asked(given: Mapping[str, Any]) -> Asked:
    query, operation = (_text(given, name) for name in ("query", "operationName"))
    variables, extensions = (_object(given, name) for name in ("variables", "extensions"))
    persisted = extensions.get("persistedQuery")
    if not query and persisted is None:
        raise _refused("/query", "`query` is missing", 'send the document as a text, as `{"query": "{ __typename }"}`')
    return Asked(query or None, operation, variables, persisted, not variables or _is_plain(variables))


def _is_plain(variables: Mapping[str, Any]) -> bool:
    try:
        return LONGER.encode() not in orjson.dumps(variables, default=str)
    except orjson.JSONEncodeError:  # a number or a depth that is refused elsewhere
        return False


def _text(given: Mapping[str, Any], name: str) -> str | None:
    value = given.get(name)
    if value is not None and not isinstance(value, str):
        raise _refused(f"/{name}", f"`{name}` is not a text", "give a text, or leave it out")
    return value


def _object(given: Mapping[str, Any], name: str) -> Mapping[str, Any]:
    value = given.get(name)
    if value is not None and not isinstance(value, dict):
        raise _refused(f"/{name}", f"`{name}` is not an object", "give an object, or leave it out")
    return value or {}


def _refused(path: str, message: str, mend: str) -> Refused:
    return Refused([Finding("request.graphql", message, mend, path=path)])
