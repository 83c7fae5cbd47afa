"""Rewrites the client's shapes (service/fieldworthy/client/shapes/) from the committed contract, openapi/rest.json.

    python tests/client/write_shapes.py

The client does not import the wire's shapes, for those need pydantic; so it has plain TypedDicts of the same names, and a test holds them
to the contract. Where a request says a moment or a day, the client takes Python's own as well.
"""

import json
import re
import subprocess
import sys
import textwrap
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

TOP = Path(__file__).resolve().parents[2]
CONTRACT = TOP / "openapi" / "rest.json"
ROOM = TOP / "service" / "fieldworthy" / "client" / "shapes"


@dataclass(frozen=True, slots=True)
class Module:
    """One file. what: it holds; asks: of requests, else of answers; tags: of the operations, none for all others."""

    what: str
    asks: bool
    tags: frozenset[str] = frozenset()


MODULES: Mapping[str, Module] = {
    "asked": Module("questions", True, frozenset({"evaluate", "rulebooks"})),
    "heard": Module("who is to be told", True, frozenset({"listeners"})),
    "told": Module("what is told of machines", True),
    "evaluated": Module("answers to questions, and problems", False, frozenset({"evaluate"})),
    "shelf": Module("what is told of rulebooks", False, frozenset({"rulebooks"})),
    "work": Module("answers about open work, locks and covers", False, frozenset({"open work"})),
    "events": Module("events", False, frozenset({"events"})),
    "listening": Module("what is told of listeners and deliveries", False, frozenset({"listeners"})),
    "audit": Module("who changed what", False, frozenset({"audit"})),
    "calendars": Module("links to calendars", False, frozenset({"calendars"})),
    "kept": Module("what is kept of machines, and what is due on them", False),
}
"""By its name. Later ones of a kind know the earlier ones."""

_RESERVED = frozenset({"as", "for", "from", "is"})
_REF = "#/components/schemas/"


def written() -> dict[str, str]:
    """Every module's text by its name."""
    contract = json.loads(CONTRACT.read_text("utf-8"))
    schemas: dict[str, Any] = contract["components"]["schemas"]
    homes = _homes(contract)
    texts = {module: _module(module, [n for n, home in homes.items() if home == module], schemas, homes) for module in MODULES}
    return {name: _formatted(text) for name, text in {**texts, "__init__": _room(homes)}.items()}


def _homes(contract: Mapping[str, Any]) -> dict[str, str]:
    """The module of every object that requests and answers are made of, each after what it is made of."""
    schemas = contract["components"]["schemas"]
    homes: dict[str, str] = {}
    for module, about in MODULES.items():
        parts = [
            o.get("requestBody", {}) if about.asks else _responses(contract, o) for tag, o in _operations(contract) if _takes(about, tag)
        ]
        if about.asks and module != "heard":  # of JSON Lines, which the contract describes in words
            parts.append({"$ref": _REF + ("DueLine" if "evaluate" in about.tags else "SentReadingIn")})
        for part in parts:
            for name in _reached(part, schemas):
                homes.setdefault(name, module)
    return homes


def _responses(contract: Mapping[str, Any], operation: Mapping[str, Any]) -> list[Any]:
    """What an operation answers, with what it has in common with others in its place."""
    shared = contract["components"]["responses"]
    return [shared[r["$ref"].rsplit("/", 1)[1]] if "$ref" in r else r for r in operation["responses"].values()]


def _takes(about: Module, tag: str) -> bool:
    return tag in about.tags or not about.tags


def _operations(contract: Mapping[str, Any]) -> Iterator[tuple[str, Mapping[str, Any]]]:
    for methods in contract["paths"].values():
        for operation in methods.values():
            if isinstance(operation, dict) and "operationId" in operation:
                yield operation["tags"][0], operation


def _reached(node: Any, schemas: Mapping[str, Any], seen: set[str] | None = None) -> Iterator[str]:
    """The objects with members that a part of the contract speaks of, the inner ones first."""
    seen = set() if seen is None else seen
    if isinstance(node, list):
        for part in node:
            yield from _reached(part, schemas, seen)
    elif isinstance(node, dict):
        if isinstance(ref := node.get("$ref"), str):
            name = ref.removeprefix(_REF)
            if name not in seen and name in schemas:
                seen.add(name)
                yield from _reached(schemas[name], schemas, seen)
                if "properties" in schemas[name]:
                    yield name
        for part in node.values():
            yield from _reached(part, schemas, seen)


def _module(module: str, names: list[str], schemas: Mapping[str, Any], homes: Mapping[str, str]) -> str:
    about = MODULES[module]
    body = "\n\n".join(_typed_dict(name, schemas[name], about.asks, schemas) for name in names)
    own = set(names)
    strangers: dict[str, list[str]] = {}
    for name in names:
        for part in _reached(schemas[name], schemas):
            if part not in own and part not in strangers.setdefault(homes[part], []):
                strangers[homes[part]].append(part)
    needed = {home: sorted(n for n in parts if _mentions(body, n)) for home, parts in strangers.items()}
    lines = [f'"""Shapes of {about.what}; written by tests/client/write_shapes.py from the contract."""', ""]
    if "Mapping[" in body:
        lines.append("from collections.abc import Mapping")
    if dates := [kind for kind in ("date", "datetime") if re.search(rf"str \| {kind}\b", body) and about.asks]:
        lines.append(f"from datetime import {', '.join(dates)}")
    lines.append(f"from typing import {', '.join(w for w in ('Any', 'Literal', 'NotRequired', 'TypedDict') if _mentions(body, w))}")
    lines.append("")
    lines += [f"from fieldworthy.client.shapes.{home} import {', '.join(parts)}" for home, parts in sorted(needed.items()) if parts]
    return "\n".join(lines) + "\n\n" + body + "\n"


def _mentions(text: str, name: str) -> bool:
    return re.search(rf"(?<![\w\"]){name}(?![\w\"])", text) is not None


def _typed_dict(name: str, schema: Mapping[str, Any], asks: bool, schemas: Mapping[str, Any]) -> str:
    required = set(schema.get("required", ()))
    members = {m: _type(s, asks, schemas) for m, s in schema["properties"].items()}
    told = {m: kind if m in required else f"NotRequired[{kind}]" for m, kind in members.items()}
    words = textwrap.wrap(" ".join(schema.get("description", name).split()), 130)
    if any(m in _RESERVED or not m.isidentifier() for m in told):
        inside = ", ".join(f'"{m}": {kind}' for m, kind in told.items())
        return f'{name} = TypedDict("{name}", {{{inside}}})\n' + f'{name}.__doc__ = "{" ".join(words)}"' + "\n"
    lines = [f"class {name}(TypedDict):", f'    """{words[0]}' + ('"""' if len(words) == 1 else "")]
    if len(words) > 1:
        lines += [f"    {line}" for line in words[1:]] + ['    """']
    return "\n".join([*lines, "", *(f"    {m}: {kind}" for m, kind in told.items())]) + "\n"


def _type(schema: Mapping[str, Any], asks: bool, schemas: Mapping[str, Any]) -> str:
    """A schema as a Python type."""
    if "$ref" in schema:
        name = schema["$ref"].removeprefix(_REF)
        return name if "properties" in schemas[name] else _type(schemas[name], asks, schemas)
    if several := schema.get("anyOf") or schema.get("oneOf"):
        kinds = [part.strip() for one in several for part in _type(one, asks, schemas).split(" | ")]
        return " | ".join(dict.fromkeys(kinds))
    if "enum" in schema:
        return f"Literal[{', '.join(json.dumps(word) for word in schema['enum'])}]"
    if "const" in schema:
        return f"Literal[{json.dumps(schema['const'])}]"
    match schema.get("type"):
        case "string":
            return {"date-time": "str | datetime", "date": "str | date"}.get(schema.get("format", ""), "str") if asks else "str"
        case "integer":
            return "int"
        case "number":
            return "float"
        case "boolean":
            return "bool"
        case "null":
            return "None"
        case "array":
            return f"list[{_type(schema.get('items', {}), asks, schemas)}]"
        case "object":
            inner = schema.get("additionalProperties")
            if "patternProperties" in schema:
                (inner,) = schema["patternProperties"].values()
            kind = _type(inner, asks, schemas) if isinstance(inner, dict) else "Any"
            return f"Mapping[str, {kind}]" if asks else f"dict[str, {kind}]"
    return "Any"  # anything may stand there


def _room(homes: Mapping[str, str]) -> str:
    lines = [
        '"""The JSON of requests and answers as plain typed dictionaries. Written by tests/client/write_shapes.py from the contract."""',
        "",
    ]
    names = {module: ", ".join(sorted(n for n, home in homes.items() if home == module)) for module in sorted(MODULES)}
    lines += [f"from fieldworthy.client.shapes.{module} import ({imported})" for module, imported in names.items()]
    offered = textwrap.fill(", ".join(f'"{name}"' for name in sorted(homes)), 136, initial_indent="    ", subsequent_indent="    ")
    told = ["# fmt: off", "__all__ = [", f"{offered},", "]", "# fmt: on"]  # several a line: else it is too long
    return "\n".join([*lines, "", *told]) + "\n"


def _formatted(text: str) -> str:
    for command in (["check", "--select", "I", "--fix", "-q"], ["format", "-q"]):
        program = [sys.executable, "-m", "ruff", *command, "--stdin-filename", str(ROOM / "x.py"), "-"]
        text = subprocess.run(program, input=text, cwd=TOP, capture_output=True, text=True, check=True).stdout
    return text


if __name__ == "__main__":
    for name, text in written().items():
        (ROOM / f"{name}.py").write_text(text, "utf-8")
