"""What Pydantic found wrong with a request, as findings: in the sender's words, with a place and a way out."""

import re
from collections.abc import Mapping, Sequence
from typing import Any

from pydantic import ValidationError

from fieldworthy.core.base.finding import Finding, nearest, or_list, pointer
from fieldworthy.wire.scalars import CONTROLS

_CONTROL = re.compile(f"[{CONTROLS}]")
MOST = 100
"""Findings in one answer."""

_KIND = {
    "float_type": ("request.not_a_number", "must be a number", "write a JSON number, without quotes"),
    "finite_number": ("request.not_a_number", "must be a finite number", "write a JSON number that is finite"),
    "int_type": ("request.not_whole", "must be a whole number", "write a whole JSON number, without quotes"),
    "int_from_float": ("request.not_whole", "must be a whole number", "write a whole JSON number"),
    "bool_type": ("request.not_a_flag", "must be true or false", "write true or false, without quotes"),
    "string_type": ("request.not_a_text", "must be a text", "write it in double quotes"),
    "dict_type": ("request.not_an_object", "must be an object", "write {…}"),
    "list_type": ("request.not_a_list", "must be a list", "write […]"),
    "string_too_short": ("request.too_short", "is empty", "give at least one character, or leave the member out"),
    "too_short": ("request.too_short", "has too few entries", "give at least one entry"),
}


def findings_of(trouble: ValidationError, data: Any, schema: Mapping[str, Any]) -> list[Finding]:
    """Every mistake once, in the order found. A value that fits none of several shapes is one mistake, not one a shape."""
    found: dict[tuple[str, str], Finding] = {}
    for error in trouble.errors(include_url=False, include_input=False):
        finding, at_choice = _finding(error, data, schema)
        if finding is None:
            continue
        key = (finding.path, "" if at_choice else finding.code + finding.message)
        found.setdefault(key, finding)
        if len(found) >= MOST:
            break
    return list(found.values())


def _finding(error: Any, data: Any, schema: Mapping[str, Any]) -> tuple[Finding | None, bool]:
    kind: str = error["type"]
    context: Mapping[str, Any] = error.get("ctx") or {}
    path, value, rest, node = _follow(error["loc"], data, schema)
    where = pointer(*path)
    if kind == "missing":
        name = str(error["loc"][-1])
        return Finding("request.missing", f"the member `{name}` is missing", f"give `{name}`", path=where), False
    name = _called(path)
    if kind == "extra_forbidden":
        return _unknown(path, schema), False
    if rest and isinstance(value, dict) and kind in ("float_type", "string_type", "int_type"):
        return None, True  # an object was sent, and another of the shapes is one: its own mistakes say more
    if rest and not isinstance(value, dict):
        return Finding(
            "request.unreadable_value", f"`{_shown(value)}` is not a value that {name} can have", _choices(node, schema), path=where
        ), True
    if kind == "string_pattern_mismatch" or (kind == "string_too_long" and node.get("format") in ("date", "date-time")):
        return _mismatch(name, value, node, where), False
    if kind in ("string_too_long", "too_long"):
        most = context.get("max_length")
        what = "characters" if kind == "string_too_long" else "entries"
        return Finding("request.too_long", f"{name} is longer than {most} {what}", f"send at most {most} {what}", path=where), False
    if kind in ("less_than_equal", "greater_than_equal", "greater_than", "less_than"):
        limit = {
            "less_than_equal": ("le", "at most"),
            "greater_than_equal": ("ge", "at least"),
            "greater_than": ("gt", "more than"),
            "less_than": ("lt", "less than"),
        }
        key, word = limit[kind]
        bound = context.get(key)
        shown = f"{bound:g}" if isinstance(bound, float) else str(bound)
        return Finding("request.out_of_range", f"{name} must be {word} {shown}", f"give a number {word} {shown}", path=where), False
    if kind == "literal_error":
        near = nearest(value, _enum(node)) if isinstance(value, str) else ()
        known = _enum(node)
        mend = f"did you mean {or_list(near)}?" if near else f"give {or_list(known) if known else 'one of the known values'}"
        return Finding("request.unknown_value", f"`{_shown(value)}` is not a value that {name} can have", mend, path=where), False
    code, message, mend = _KIND.get(kind, ("request.does_not_fit", "does not fit", "see the description at /docs"))
    if kind == "string_too_short" and path and path[-1] in _schema_at(path[:-1], schema).get("required", ()):
        mend = "give at least one character"
    return Finding(code, f"{name} {message}", mend, path=where), False


def _called(path: Sequence[str | int]) -> str:
    """What a message calls the value at this place."""
    match path:
        case []:
            return "the body"
        case [*_, str() as room, int() as index]:
            return f"entry {index + 1} of `{room}`"
        case [*_, last]:
            return f"`{last}`"
    raise AssertionError(path)


def _unknown(path: Sequence[str | int], schema: Mapping[str, Any]) -> Finding:
    *above, name = path
    known = list(_schema_at(above, schema).get("properties", {}))
    near = nearest(str(name), known)
    if near:
        mend = f"did you mean {or_list(near)}?"
    else:
        mend = f"leave it out; known are {or_list(known)}" if known else "leave it out"
    return Finding("request.unknown_member", f"no member is called `{str(name)[:80]}` here", mend, path=pointer(*path))


def _mismatch(name: str, value: Any, node: Mapping[str, Any], where: str) -> Finding:
    if node.get("format") == "date-time":
        mend = "write it as `2026-07-14T06:00:00+01:00`, with the offset (or `Z`)"
        return Finding("time.unreadable", f"`{_shown(value)}` is not an RFC 3339 time with its offset", mend, path=where)
    if node.get("format") == "date":
        return Finding("time.unreadable", f"`{_shown(value)}` is not a date", "write it as `2026-07-14`", path=where)
    if control := _CONTROL.search(str(value)):
        message = f"{name} contains a control character, U+{ord(control[0]):04X}"
        return Finding("request.control_character", message, "send it without control characters", path=where)
    return Finding(
        "request.does_not_fit",
        f"`{_shown(value)}` does not have the form of {name}",
        f"give what its description says: {said}" if (said := node.get("description")) else f"give a text like {node.get('pattern')}",
        path=where,
    )


def _shown(value: Any) -> str:
    text = "null" if value is None else str(value).lower() if isinstance(value, bool) else str(value)
    text = "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text).replace("`", "'")
    return text if len(text) <= 60 else text[:60] + "…"


def _follow(loc: Sequence[str | int], data: Any, schema: Mapping[str, Any]) -> tuple[list[str | int], Any, bool, Mapping[str, Any]]:
    """The place that a `loc` speaks of: its path, the value, whether the loc ends with a shape of a choice, its schema.

    A loc mixes members with the names of the shapes that were tried; only the data tells one from the other.
    """
    path: list[str | int] = []
    value, choice = data, False
    for step in loc:
        match value, step:
            case dict(), str() if step in value:
                value = value[step]
            case list(), int() if step < len(value):
                value = value[step]
            case _:
                choice = True
                continue
        path.append(step)
        choice = False
    return path, value, choice, _schema_at(path, schema)


def _schema_at(path: Sequence[str | int], schema: Mapping[str, Any]) -> Mapping[str, Any]:
    """The schema of the value at a path; {} where it can't be told."""
    nodes = _open(schema, schema)
    for step in path:
        below: list[Mapping[str, Any]] = []
        for node in nodes:
            if isinstance(step, int) and isinstance(node.get("items"), dict):
                below += _open(node["items"], schema)
            elif isinstance(step, str) and step in node.get("properties", {}):
                below += _open(node["properties"][step], schema)
            elif isinstance(step, str) and isinstance(node.get("additionalProperties"), dict):
                below += _open(node["additionalProperties"], schema)
        nodes = below
    merged: dict[str, Any] = {}
    for node in nodes:
        properties = merged.get("properties", {}) | node.get("properties", {})
        merged |= {k: v for k, v in node.items() if k != "description" or "description" not in merged}  # the member's own, not a shape's
        if properties:
            merged["properties"] = properties
    return merged


def _open(node: Mapping[str, Any], root: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    if "$ref" in node:
        target = root.get("$defs", {}).get(str(node["$ref"]).rsplit("/", 1)[-1], {})
        return _open(target, root)
    if "anyOf" in node:
        return [{k: v for k, v in node.items() if k != "anyOf"}, *(n for part in node["anyOf"] for n in _open(part, root))]
    return [node]


def _enum(node: Mapping[str, Any]) -> list[str]:
    return [str(v) for v in node.get("enum", [node["const"]] if "const" in node else [])]


def _choices(node: Mapping[str, Any], schema: Mapping[str, Any]) -> str:
    said = node.get("description")
    return f"write {said}" if said else "see the description at /docs"
