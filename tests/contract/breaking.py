"""What a client of the old contract would notice in the new one: python tests/contract/breaking.py OLD.json [NEW.json]

Asked is what a request may leave out or say, and what an answer surely holds. Widening is none: a new operation, a parameter that may be
left out, a member more in an answer (clients ignore what they do not know).
"""

import json
import sys
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

Node = Mapping[str, Any]
LIMITS = {"maxLength": min, "maxItems": min, "maximum": min, "minLength": max, "minItems": max, "minimum": max}
METHODS = ("get", "put", "post", "delete", "patch")


def breaking(old: Node, new: Node) -> list[str]:
    """One line each, in the order of the old contract."""
    return list(dict.fromkeys(_breaking(old, new)))


def _breaking(old: Node, new: Node) -> Iterator[str]:
    operations = {o["operationId"]: (path, method, o) for path, method, o in _operations(new)}
    for path, method, before in _operations(old):
        name = before["operationId"]
        if name not in operations:
            yield f"{name}: is gone{_as_told(before)}"
            continue
        to, by, after = operations[name]
        if (to, by) != (path, method):
            yield f"{name}: is at {by.upper()} {to}, and was at {method.upper()} {path}"
        yield from (f"{name}: {line}" for line in _operation(before, after, old, new))


def _operations(contract: Node) -> Iterator[tuple[str, str, dict[str, Any]]]:
    for path, methods in contract["paths"].items():
        for method, operation in methods.items():
            if method in METHODS:
                yield path, method, operation


def _operation(before: Node, after: Node, old: Node, new: Node) -> Iterator[str]:
    was, now = ({(p["in"], p["name"]): p for p in o.get("parameters", ())} for o in (before, after))
    for key, parameter in was.items():
        if key not in now:
            yield f"the parameter {key[1]} is gone{_as_told(parameter)}"
        else:
            yield from _asked(parameter.get("schema", {}), now[key].get("schema", {}), old, new, f"parameter {key[1]}", set())
    yield from (
        f"the parameter {key[1]} must be given" for key, p in now.items() if p.get("required") and not was.get(key, {}).get("required")
    )
    if before.get("security") != after.get("security"):
        yield f"it asks for {after.get('security')}, and asked for {before.get('security')}"
    for kind, part in before.get("requestBody", {}).get("content", {}).items():
        taken = after.get("requestBody", {}).get("content", {})
        if kind not in taken:
            yield f"{kind} is not taken"
        else:
            yield from _asked(part.get("schema", {}), taken[kind].get("schema", {}), old, new, "body", set())
    for status, response in before["responses"].items():
        if status < "400":
            answered = _resolved(after["responses"].get(status, {}), new).get("content", {})
            for kind, part in _resolved(response, old).get("content", {}).items():
                if kind not in answered:
                    yield f"{status} is not answered as {kind}"
                else:
                    yield from _told(part.get("schema", {}), answered[kind].get("schema", {}), old, new, f"answer {status}", set())


def _asked(was: Node, now: Node, old: Node, new: Node, place: str, seen: set[str]) -> Iterator[str]:
    """What was taken and is not any more."""
    if _again(was, seen):
        return
    was, now = _resolved(was, old), _resolved(now, new)
    yield from _kind(was, now, place)
    for word, narrower in (
        ("maxLength", min),
        ("maxItems", min),
        ("maximum", min),
        ("minLength", max),
        ("minItems", max),
        ("minimum", max),
    ):
        if word in now and (word not in was or narrower(was[word], now[word]) != was[word]):
            yield f"{place}: {word} is {now[word]}, and was {was.get(word, 'free')}"
    gone = [value for value in was.get("enum", ()) if value not in now.get("enum", was.get("enum", ()))]
    yield from (f"{place}: {value} is not taken" for value in gone)
    yield from (f"{place}/{name}: must be given" for name in now.get("required", ()) if name not in was.get("required", ()))
    for name, part in was.get("properties", {}).items():
        if name not in now.get("properties", {}):
            yield f"{place}/{name}: is not taken{_as_told(part)}"
        else:
            yield from _asked(part, now["properties"][name], old, new, f"{place}/{name}", seen)
    if "items" in was and "items" in now:
        yield from _asked(was["items"], now["items"], old, new, f"{place}/-", seen)


def _told(was: Node, now: Node, old: Node, new: Node, place: str, seen: set[str]) -> Iterator[str]:
    """What was surely answered and is not any more, or may be what it never was."""
    if _again(was, seen):
        return
    was, now = _resolved(was, old), _resolved(now, new)
    yield from _kind(was, now, place)
    if "enum" in was:
        yield from (f"{place}: may be {value}" for value in now.get("enum", ["anything"]) if value not in was["enum"])
    for name, part in was.get("properties", {}).items():
        if name not in now.get("properties", {}):
            yield f"{place}/{name}: is gone{_as_told(part)}"
        else:
            if name in was.get("required", ()) and name not in now.get("required", ()):
                yield f"{place}/{name}: may be missing"
            yield from _told(part, now["properties"][name], old, new, f"{place}/{name}", seen)
    if "items" in was and "items" in now:
        yield from _told(was["items"], now["items"], old, new, f"{place}/-", seen)
    if _nullable(now) and not _nullable(was):
        yield f"{place}: may be null"


def _as_told(gone: Node) -> str:
    """What the old contract said of it."""
    told = gone.get("x-retired")
    return "" if told is None else f", as was told: {told['instead']}"


def _again(schema: Node, seen: set[str]) -> bool:
    """Whether a component was looked at on this way before."""
    name = schema.get("$ref")
    if name is None:
        return False
    if name in seen:
        return True
    seen.add(name)
    return False


def _resolved(node: Node, contract: Node) -> Node:
    while "$ref" in node:
        _, group, name = node["$ref"].removeprefix("#/").split("/")
        node = contract["components"][group].get(name, {})
    kinds = [part for part in node.get("anyOf", ()) if part.get("type") != "null"]
    if len(kinds) == 1 and "properties" not in node:  # what may be null
        return {**_resolved(kinds[0], contract), "nullable": len(kinds) < len(node["anyOf"])}
    return node


def _nullable(node: Node) -> bool:
    return bool(node.get("nullable")) or any(part.get("type") == "null" for part in node.get("anyOf", ()))


def _kind(was: Node, now: Node, place: str) -> Iterator[str]:
    if "type" in was and "type" in now and was["type"] != now["type"] and (was["type"], now["type"]) != ("integer", "number"):
        yield f"{place}: is {now['type']}, and was {was['type']}"


if __name__ == "__main__":
    committed = Path(__file__).resolve().parents[2] / "openapi" / "rest.json"
    documents = [json.loads(Path(name).read_text("utf-8")) for name in (sys.argv[1], *(sys.argv[2:] or [str(committed)]))]
    found = breaking(*documents)
    print("\n".join(found) or "nothing that a client would notice")  # noqa: T201
    raise SystemExit(1 if found else 0)
