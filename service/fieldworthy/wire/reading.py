"""A request's body, read strictly: JSON as RFC 8259 has it, every number exactly as written, every member known and given once.

The quick way is Pydantic's parser. What it would let pass (a number of more digits than a double keeps, 1e-400, a member given
twice, NaN inside a document) is suspected by a scan of the bytes, and only then settled by a slower parser that knows places.
"""

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from functools import cached_property, lru_cache
from typing import Any, Generic, TypeVar

import orjson
from pydantic import TypeAdapter, ValidationError

from fieldworthy.core.base.finding import Finding, Refused, pointer
from fieldworthy.wire.mistakes import MOST, findings_of

T = TypeVar("T")

MOST_DIGITS = 15
MAX_DEPTH = 100
_TOO_DEEP = "objects or arrays are nested too deep"
"""Arrays and objects inside each other."""


class Unreadable(Exception):
    """The body is no JSON: 400. Carries one finding with its line and column, counted from 1."""

    def __init__(self, finding: Finding) -> None:
        self.finding = finding
        super().__init__(finding.message)


# digits and dots -> d, exponent letters -> e, all else -> blank
_SHAPES = bytes(ord("d") if c in b"0123456789." else ord("e") if c in b"eE" else ord(" ") for c in range(256))
_LONG = b"d" * 16


def suspicious(body: bytes) -> bool:
    """Whether a number in it may be one that a double does not keep, or NaN or Infinity may stand in it. Never misses one."""
    shapes = body.translate(_SHAPES)
    return _LONG in shapes or b"de" in shapes or _holds(body, b"N", b"NaN") or _holds(body, b"I", b"Infinity")


def _holds(body: bytes, rare: bytes, text: bytes) -> bool:
    """Whether a text stands in the body; quick where its rare byte does not."""
    return rare in body and text in body


def _given_twice(body: bytes, value: Any) -> bool:
    """Whether a member may be given twice. Never misses one.

    What is dropped takes the quotes around its name with it, and nothing adds any: so there are fewer in what is written back. An escape
    of the form `\\u0022` breaks that, so one makes it suspicious.
    """
    return _holds(body, b"\\", b"\\u") or body.count(b'"') != orjson.dumps(value, default=str).count(b'"')


@dataclass(frozen=True)
class Shape(Generic[T]):
    """A request's shape. name: its name in the published schema; of: the type, as Pydantic takes it."""

    name: str
    of: Any

    @cached_property
    def adapter(self) -> TypeAdapter[T]:
        """Built when it is first asked for, and kept: a start need not wait for all of them, nor a command that reads one."""
        return TypeAdapter(self.of)

    def read(self, body: bytes) -> T:
        """The validated body. Raises Unreadable (400) where it is no JSON, Refused (422) where it does not fit."""
        try:
            value = self.adapter.validate_json(body)
        except ValidationError as trouble:
            first = trouble.errors(include_url=False, include_input=False, include_context=True)[0]
            if first["type"] == "json_invalid":
                raise Unreadable(_syntax(str(first.get("ctx", {}).get("error", "")), body)) from None
            data = read_json(body)
            raise Refused(findings_of(trouble, data, _schema(self.adapter))) from None
        if suspicious(body) or _given_twice(body, value):
            read_json(body)
        return value

    def schema(self) -> Mapping[str, Any]:
        """Its JSON Schema."""
        return _schema(self.adapter)


@lru_cache(maxsize=64)
def _schema(adapter: TypeAdapter[Any]) -> Mapping[str, Any]:
    return adapter.json_schema()


class _Constant(Exception):
    """NaN or Infinity."""


class _Rounded(float):
    """A number that a double does not keep as it was written."""

    token: str


def read_json(body: bytes) -> Any:
    """The body as plain JSON values. Raises Unreadable for what is no JSON, Refused for what is given twice or would be rounded."""
    text = decode(body)
    twice: list[tuple[dict[str, Any], str]] = []
    rounded: list[_Rounded] = []

    def members(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        made = dict(pairs)
        if len(made) != len(pairs):
            seen: set[str] = set()
            for name, _ in pairs:
                if name in seen and len(twice) < MOST:
                    twice.append((made, name))
                seen.add(name)
        return made

    def number(token: str) -> int | float:
        if len(token) <= MOST_DIGITS and token.isdigit():
            return int(token)
        kept = float(token)
        if not kept_exactly(token, kept):
            if len(rounded) == MOST:
                return kept
            rounded.append(_Rounded(kept))
            rounded[-1].token = token
            return rounded[-1]
        return kept if "." in token or "e" in token.lower() or abs(kept) >= 1e18 else int(token)

    def constant(token: str) -> Any:
        raise _Constant(token)

    try:
        value = json.loads(text, object_pairs_hook=members, parse_float=number, parse_int=number, parse_constant=constant)
    except json.JSONDecodeError as trouble:
        raise Unreadable(_place(trouble.msg[:1].lower() + trouble.msg[1:], trouble.lineno, trouble.colno)) from None
    except _Constant as token:
        line, column = next(_places(text, _CONSTANT), (1, 1))
        raise Unreadable(_place(f"`{token}` is no JSON number", line, column)) from None
    except RecursionError:
        raise Unreadable(_place(_TOO_DEEP, None, None)) from None
    if "\\u" in text:
        _refuse_half_pairs(text)
    if _depth(value) > MAX_DEPTH:
        raise Unreadable(_place(_TOO_DEEP, None, None))
    if twice or rounded:
        raise Refused(_told(twice, rounded, text, value))
    return value


def read_quickly(body: bytes) -> Any:
    """The same as `read_json`, past its slower parser where nothing is suspected that only that one sees."""
    try:
        value = orjson.loads(body)
    except orjson.JSONDecodeError:
        return read_json(body)
    return read_json(body) if suspicious(body) or _given_twice(body, value) or _depth(value) > MAX_DEPTH else value


def decode(body: bytes) -> str:
    """The body's text. Raises Unreadable where it is not UTF-8, or begins with a byte order mark."""
    try:
        text = body.decode("utf-8")
    except UnicodeDecodeError as trouble:
        before = body[: trouble.start]
        column = len(before[before.rfind(b"\n") + 1 :].decode("utf-8", "replace")) + 1
        raise Unreadable(
            Finding("body.not_utf8", "the body is not UTF-8", "send it in UTF-8", line=before.count(b"\n") + 1, column=column)
        ) from None
    if text.startswith("\ufeff"):
        raise Unreadable(Finding("body.not_json", "the body begins with a byte order mark", "send it without one", line=1, column=1))
    return text


# in JSON every backslash begins an escape: a whole surrogate pair, or (1) half of one, or any other
_ESCAPE = re.compile(r"\\(?:u[dD][89abAB][0-9a-fA-F]{2}\\u[dD][c-fC-F][0-9a-fA-F]{2}|(u[dD][89a-fA-F][0-9a-fA-F]{2})|.)", re.DOTALL)


def _refuse_half_pairs(text: str) -> None:
    """Raises Unreadable for half of a surrogate pair (RFC 8259, 8.2): no text of UTF-8 can hold one, an answer neither."""
    for line, column in _places(text, _ESCAPE):
        raise Unreadable(_place("a text holds half of a surrogate pair", line, column))


def kept_exactly(token: str, kept: float) -> bool:
    """Whether the double reads back as the number that was written."""
    try:
        return Decimal(token) == Decimal(repr(kept))
    except (InvalidOperation, OverflowError):
        return False


def _depth(value: Any) -> int:
    deepest, stack = 0, [(value, 1)]
    while stack:
        node, depth = stack.pop()
        if isinstance(node, dict | list):
            deepest = max(deepest, depth)
            stack.extend((child, depth + 1) for child in (node.values() if isinstance(node, dict) else node))
    return deepest


_AT = re.compile(r"(.*) at line (\d+) column (\d+)\Z", re.DOTALL)


def _syntax(said: str, body: bytes) -> Finding:
    """The parser's complaint, with the column counted in characters."""
    decode(body)
    found = _AT.match(said)
    if found is None:
        return _place(said or "the body is no JSON", None, None)
    line, column = int(found[2]), max(1, int(found[3]))
    rows = body.split(b"\n")
    row = rows[line - 1] if line <= len(rows) else b""
    return _place(found[1], line, max(1, len(row[:column].decode("utf-8", "ignore"))))


def _place(message: str, line: int | None, column: int | None) -> Finding:
    message = message.replace("EOF", "the end was found").replace("recursion limit exceeded", _TOO_DEEP)
    return Finding("body.not_json", f"the body is no JSON: {message}", "send one JSON value as RFC 8259 has it", line=line, column=column)


_STRING = r'"(?:[^"\\]|\\.)*"'
_CONSTANT = re.compile(_STRING + r"|(-?(?:NaN|Infinity))")
_NUMBER = re.compile(_STRING + r"|(-?[0-9][0-9.eE+-]*)")


def _places(text: str, wanted: re.Pattern[str], tokens: Sequence[str] | None = None) -> Iterator[tuple[int, int]]:
    """Line and column of what a pattern finds outside strings; with tokens, of these alone, in their order."""
    line, begins, told = 1, 0, 0
    for hit in wanted.finditer(text):
        if tokens is not None and told == len(tokens):
            return
        if hit[1] is None or (tokens is not None and hit[1] != tokens[told]):
            continue
        line += text.count("\n", begins, hit.start())
        begins = max(begins, text.rfind("\n", 0, hit.start()) + 1)
        yield line, hit.start() - begins + 1
        told += 1


def _told(twice: list[tuple[dict[str, Any], str]], rounded: list[_Rounded], text: str, value: Any) -> list[Finding]:
    """A finding for each member given twice and each number that would be rounded. rounded: in the order of the text."""
    paths = _paths(value, {id(node) for node, _ in twice} | {id(number) for number in rounded})
    found = []
    for node, name in twice:
        path = pointer(*paths.get(id(node), ()), name)
        found.append(Finding("body.member_twice", f"the member `{name[:80]}` is given twice", "give it once", path=path))
    for number, (line, column) in zip(rounded, _places(text, _NUMBER, [n.token for n in rounded]), strict=True):
        token = number.token
        shown = token if len(token) <= 40 else token[:40] + "…"
        found.append(
            Finding(
                "body.number_too_long",
                f"the number `{shown}` has more digits than can be kept exactly, or is too large or too small",
                f"write it with at most {MOST_DIGITS} significant digits",
                path=pointer(*paths.get(id(number), ())),
                line=line,
                column=column,
            )
        )
    return found


def _paths(value: Any, wanted: set[int]) -> dict[int, tuple[str | int, ...]]:
    """Where the nodes of these ids are; one that a later member of the same name replaced is nowhere."""
    found: dict[int, tuple[str | int, ...]] = {}
    path: list[str | int] = []
    stack: list[Iterator[tuple[str | int, Any]]] = []
    children: Iterator[tuple[str | int, Any]] = iter([("", value)])
    while len(found) < len(wanted):
        step, node = next(children, (None, None))
        if step is None:  # no name of JSON: these are done
            if not stack:
                break
            children = stack.pop()
            path.pop()
            continue
        if id(node) in wanted:
            found[id(node)] = (*path[1:], step) if stack else ()
        if isinstance(node, dict | list):
            stack.append(children)
            path.append(step)
            children = iter(node.items()) if isinstance(node, dict) else enumerate(node)
    return found
