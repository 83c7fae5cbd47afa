"""Plain JSON values that came without a text (inside a request): whether they are what a document could hold."""

from typing import Any

from fieldworthy.core.base.finding import Finding, pointer
from fieldworthy.core.rulebook.reading import MAX_DEPTH, MAX_FINDINGS, MAX_NODES, MAX_PATH, short
from fieldworthy.core.rulebook.scalars import CONTROL, NotANumber, control_name, read_number


def check_plain(data: Any) -> list[Finding]:
    """Every finding of values that no document may hold: what the two readers of text refuse, under the same codes. Never an exception."""
    found: list[Finding] = []
    todo: list[tuple[Any, str, int]] = [(data, "", 1)]
    nodes = 0
    while todo and len(found) < MAX_FINDINGS:
        value, path, depth = todo.pop()
        nodes += 1
        if nodes > MAX_NODES:
            found.append(
                _finding("too_many_values", "", f"the document holds more than {MAX_NODES:,} values", "split it into several rulebooks")
            )
            break
        if depth > MAX_DEPTH + 1:
            found.append(
                _finding(
                    "too_deep", short(path), f"values are nested more than {MAX_DEPTH} deep", "a rulebook needs no such nesting: flatten it"
                )
            )
            break
        if len(path) > MAX_PATH:
            found.append(
                _finding(
                    "names_too_long", short(path), "the names that lead here are too long", "a declared name has at most 80 characters"
                )
            )
            break
        if isinstance(value, dict):
            found += [f for name in value for f in _text(name, path)]
            if all(isinstance(name, str) for name in value):
                todo += reversed([(inner, path + pointer(name[: MAX_PATH + 1]), depth + 1) for name, inner in value.items()])
        elif isinstance(value, list):
            todo += reversed([(inner, f"{path}/{number}", depth + 1) for number, inner in enumerate(value)])
        else:
            found += _scalar(value, path)
    return found[:MAX_FINDINGS]


def _finding(code: str, path: str, message: str, mend: str) -> Finding:
    return Finding(f"document.{code}", message, mend, path=path)


def _text(value: Any, path: str) -> list[Finding]:
    if not isinstance(value, str):
        return [_finding("key", path, "the name of a member is no text", "names are texts")]
    found = CONTROL.search(value)
    if found is None:
        return []
    return [_finding("control_character", path, f"a text holds the control character {control_name(found[0])}", "take the character out")]


def _scalar(value: Any, path: str) -> list[Finding]:
    if value is None or isinstance(value, bool):
        return []
    if isinstance(value, str):
        return _text(value, path)
    if not isinstance(value, (int, float)):
        return [_finding("value", path, "this is no JSON value", "write a text, a number, true, false, a list or a mapping")]
    try:
        # an int of thousands of digits must not be written out
        read_number("1e999" if isinstance(value, int) and abs(value) >= 10**15 else repr(value) if _finite(value) else "1e999")
    except NotANumber as trouble:
        return [_finding("number", path, f"a number {trouble}", "write a shorter number, or a text in quotes")]
    return []


def _finite(value: float) -> bool:
    return value - value == 0
