"""How an operation is described in OpenAPI: its body, its answer, and every problem it can give."""

import re
from collections.abc import Mapping, Sequence
from functools import cache
from typing import Any

from pydantic import BaseModel

from fieldworthy.rest.admission import ANYBODY, Needs, security
from fieldworthy.rest.limits import MAX_HEADER_BYTES
from fieldworthy.rest.quota import QUOTA_HEADERS, header_ref
from fieldworthy.rest.retiring import HEADERS as RETIRING
from fieldworthy.rest.retiring import MEMBERS, is_any
from fieldworthy.usecases.keys import KeyScope
from fieldworthy.wire.catalogue import KINDS, STANDARD_TYPES
from fieldworthy.wire.problems import MEDIA_TYPE
from fieldworthy.wire.reading import Shape
from fieldworthy.wire.retiring import OPERATIONS, PARAMETERS, Retired, members_of
from fieldworthy.wire.scalars import PRINTABLE

ALWAYS = (
    *("request.unreadable", "request.too_slow", "address.too_long", "request.headers_too_large"),
    *("service.failed", "service.unavailable", "service.busy", "service.too_long"),
)
TOKENS = ("token.refused", "token.ended", "token.organisation_unknown")
KEYED = (
    *("key.missing", "key.refused", "key.ended", "key.scope_missing", "request.from_elsewhere"),
    *("quota.exceeded", "key.too_many_wrong", *TOKENS),
)
_RETRY = {"Retry-After": header_ref("RetryAfter")}
_HEADERS: Mapping[int, Mapping[str, Any]] = {429: {**QUOTA_HEADERS, **_RETRY}, 503: _RETRY}
CODED = "^(?:[Gg][Zz][Ii][Pp]|[Xx]-[Gg][Zz][Ii][Pp]|[Zz][Ss][Tt][Dd]|[Ii][Dd][Ee][Nn][Tt][Ii][Tt][Yy])?$"
"""Codings of a body; their names are written as anybody likes (RFC 9110, 8.4.1)."""
BODY = ("body.unreadable", "body.too_large", "body.media_type", "request.does_not_fit")
RULEBOOK = ("rulebook.unknown", "rulebook.version_unknown", "rulebook.reference_malformed", "rulebook.has_errors")


def ref(name: str) -> dict[str, Any]:
    """A reference to a component."""
    return {"$ref": f"#/components/schemas/{name}"}


def described(
    operation: str,
    tag: str,
    needs: KeyScope | None,
    summary: str,
    description: str,
    answer: type[BaseModel] | Mapping[str, Any],
    body: Shape[Any] | Mapping[str, Any] | None = None,
    problems: Sequence[str] = (),
    parameters: Sequence[Mapping[str, Any]] = (),
    status: int = 200,
    headers: Mapping[str, Any] | None = None,
) -> dict[str, Any]:
    """
    Keyword arguments for a route.

    needs: the scope without which it is not answered, or ANYBODY. answer, body: a shape, or the `content` of OpenAPI as it is. What goes of
    it is declared in `wire.retiring`, a member where it stands.
    """
    content = (
        {k: dict(v) for k, v in answer.items()} if isinstance(answer, Mapping) else {"application/json": {"schema": ref(answer.__name__)}}
    )
    extra: dict[str, Any] = {"security": security(needs)}
    if body is not None:
        taken = {k: dict(v) for k, v in body.items()} if isinstance(body, Mapping) else {"application/json": {"schema": ref(body.name)}}
        extra["requestBody"] = {"required": True, "content": taken}
    if parameters:
        extra["parameters"] = [{**p, **_marked(PARAMETERS.get((operation, p["name"])))} for p in parameters]
    extra |= _marked(OPERATIONS.get(operation))
    if isinstance(answer, type) and (going := members_of(answer)):
        extra[MEMBERS] = [each.marked() for each in going]
    if is_any(extra):
        headers = {**(headers or {}), **{name: header_ref(name) for name in RETIRING}}
    success: dict[str, Any] = {"description": "The answer", "content": content}
    told = {} if needs is ANYBODY else QUOTA_HEADERS
    if headers or told:
        success["headers"] = {**(headers or {}), **told}
    return {
        "operation_id": operation,
        "tags": [tag],
        "summary": summary,
        "description": description,
        "responses": {status: success, **problem_responses((*ALWAYS, *(() if needs is ANYBODY else KEYED), *problems))},
        "openapi_extra": extra,
        "status_code": status,
    }


def _marked(retired: Retired | None) -> dict[str, Any]:
    return {} if retired is None else retired.marked()


def undescribed(needs: Needs = ANYBODY) -> dict[str, Any]:
    """Keyword arguments for a page that stands beside the contract. needs: as of `described`."""
    return {"include_in_schema": False, "openapi_extra": {"security": security(needs)}}


@cache
def problem_responses(codes: tuple[str, ...]) -> Mapping[int | str, dict[str, Any]]:
    """One response a status, naming each problem that has it. Nobody changes it: all apps of a process share it, most of what one holds."""
    return {
        status: {
            "description": description,
            "content": {MEDIA_TYPE: {"schema": ref("Problem") if names == ("Problem",) else {"anyOf": [ref(name) for name in names]}}},
            **({"headers": dict(_HEADERS[status])} if status in _HEADERS else {}),
        }
        for status, description, names in _by_status(codes)
    }


def _by_status(codes: tuple[str, ...]) -> tuple[tuple[int, str, tuple[str, ...]], ...]:
    """Of each status what its problems are called, and the schemas they have; most operations have the same ones."""
    by_status: dict[int, list[str]] = {}
    for code in dict.fromkeys(codes):
        by_status.setdefault(KINDS[code].status, []).append(code)
    return tuple([(status, _titles(found), _schemas(found)) for status, found in sorted(by_status.items())])


def _titles(codes: Sequence[str]) -> str:
    return "; ".join(f"`{code}`: {KINDS[code].title[:1].lower()}{KINDS[code].title[1:]}" for code in codes)


def _schemas(codes: Sequence[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys("QuotaProblem" if code in STANDARD_TYPES else "Problem" for code in codes))


def path_parameter(name: str, description: str, schema: Mapping[str, Any]) -> dict[str, Any]:
    """A part of the path."""
    return {"name": name, "in": "path", "required": True, "description": description, "schema": dict(schema)}


def query_parameter(name: str, description: str, schema: Mapping[str, Any], required: bool = False) -> dict[str, Any]:
    """A part of the query."""
    return {"name": name, "in": "query", "required": required, "description": description, "schema": dict(schema)}


def header_parameter(name: str, description: str, pattern: str = "", most: int = MAX_HEADER_BYTES, example: str = "") -> dict[str, Any]:
    """A header that a caller may send. pattern: of what is taken, where it is narrower than what any header may be."""
    schema = {"type": "string", "maxLength": most, **({"pattern": pattern} if pattern else {})}
    shown = {"example": example} if example else {}
    return {"name": name, "in": "header", "required": False, "description": description, "schema": schema, **shown}


def text_schema(most: int = 120, least: int = 1, pattern: str = PRINTABLE) -> dict[str, Any]:
    """Of a name in an address: no control characters."""
    return {"type": "string", "minLength": least, "maxLength": most, "pattern": pattern}


def words_schema(words: Sequence[str]) -> dict[str, Any]:
    """Of some of these words with commas between them."""
    any_of = "|".join(re.escape(word) for word in words)
    return {"type": "string", "maxLength": 120, "pattern": f"^(?:{any_of})(?:,(?:{any_of}))*$"}
