"""Whether an answer holds what an example expects; each difference shows what was expected and what came."""

from collections.abc import Iterator, Mapping
from fractions import Fraction
from typing import Any

from fieldworthy.core.base.finding import Finding, pointer
from fieldworthy.core.base.quantity import find_unit, number_text, read_amount
from fieldworthy.core.rulebook.model import Example

_IDENTITY = ("task", "part", "fact", "hazard", "action", "work", "condition", "point", "code")
_MEND = "correct the rules; or, if the answer is right, correct the example"
Gap = tuple[str, str, str]
"""path inside the example, what was expected, what came"""


def differences(example: Example, answer: Mapping[str, Any]) -> list[Finding]:
    """
    A finding for each member of `expect` that the answer (a wire form) does not hold. What is not mentioned is not looked at.

    Short forms: `due_at: 720 h` or a day; `remaining: 8 h` or `5 days`; `parts: {PL-0400: 60 g}`; an item of a list by its name alone.
    """
    return [
        Finding("rulebook.example_failed", f"the example `{example.name}` expects {wanted} and gets {got}", _MEND, path=path)
        for path, wanted, got in _members("/expect", example.expect, answer)
    ]


def _members(path: str, expected: Mapping[str, Any], answer: Mapping[str, Any]) -> Iterator[Gap]:
    for member, wanted in expected.items():
        at = path + pointer(member)
        if member in ("due_at", "remaining") and isinstance(wanted, str) and isinstance(answer.get(member), Mapping):
            yield from _point(at, member, wanted, answer[member])
        elif member == "parts" and isinstance(wanted, Mapping) and "lines" in answer:
            yield from _lines(at, wanted, answer["lines"])
        elif member == "tasks" and isinstance(wanted, Mapping):
            yield from _named(at, wanted, answer.get("tasks", []))
        elif member not in answer:
            yield at, f"`{member}`", f"an answer without it; it has {', '.join(f'`{m}`' for m in answer)}"
        else:
            yield from _value(at, member, wanted, answer[member])


def _value(path: str, member: str, wanted: Any, got: Any) -> Iterator[Gap]:
    if isinstance(wanted, Mapping) and isinstance(got, Mapping):
        yield from _members(path, wanted, got)
    elif isinstance(wanted, list) and isinstance(got, list):
        yield from _items(path, member, wanted, got)
    elif not _equal(wanted, got):
        yield path, f"`{member}: {_shown(wanted)}`", f"`{_shown(got)}`"


def _items(path: str, member: str, wanted: list[Any], got: list[Any]) -> Iterator[Gap]:
    """Each wanted item must be among those that came; an empty list means that none came."""
    if not wanted and got:
        yield path, f"no `{member}`", f"`{_shown(got)}`"
    for number, item in enumerate(wanted):
        at = f"{path}/{number}"
        name = _name(item)
        found = next((g for g in got if _name(g) == name), None) if name is not None else None
        if found is None and not any(_equal(item, g) for g in got):
            yield at, f"`{_shown(item)}` in `{member}`", f"`{_shown([_name(g) or g for g in got])}`"
        elif isinstance(item, Mapping) and isinstance(found, Mapping):
            yield from _members(at, item, found)


def _name(item: Any) -> Any:
    if isinstance(item, Mapping):
        return next((item[m] for m in _IDENTITY if isinstance(item.get(m), str)), None)
    return item if isinstance(item, str) else None


def _named(path: str, wanted: Mapping[str, Any], tasks: list[Any]) -> Iterator[Gap]:
    by_name = {t["task"]: t for t in tasks if isinstance(t, Mapping) and "task" in t}
    for name, expected in wanted.items():
        at = path + pointer(name)
        if name not in by_name:
            yield at, f"the task `{name}`", f"`{_shown(list(by_name))}`"
        elif isinstance(expected, Mapping):
            yield from _members(at, expected, by_name[name])
        elif not _equal(expected, by_name[name].get("standing")):
            yield at, f"`{name}: {_shown(expected)}`", f"`{_shown(by_name[name].get('standing'))}`"


def _lines(path: str, wanted: Mapping[str, Any], lines: list[Any]) -> Iterator[Gap]:
    by_part = {line["part"]: line["amount"] for line in lines}
    for part, amount in wanted.items():
        if part not in by_part:
            yield path + pointer(part), f"`{_shown(amount)}` of `{part}`", f"a list without it: `{_shown(list(by_part))}`"
        elif not _equal(amount, by_part[part]):
            yield path + pointer(part), f"`{_shown(amount)}` of `{part}`", f"`{_shown(by_part[part])}`"
    for part in by_part:
        if part not in wanted:
            yield path, "no other parts", f"`{_shown(by_part[part])}` of `{part}` as well"


def _point(path: str, member: str, wanted: str, got: Mapping[str, Any]) -> Iterator[Gap]:
    """`due_at` or `remaining` in the short form: an amount on any of the meters, or a day (or days)."""
    points = [*got.get("meters", {}).values()]
    amount = read_amount(wanted)
    days, day = got.get("days"), got.get("date")
    if amount is not None and amount.unit.name == "day" and member == "remaining":
        same = days is not None and days == amount.value
    elif amount is not None:
        same = any(_equal(wanted, p) for p in points)
    else:
        same = wanted == day
    if not same:
        came = [_shown(p) for p in points] + ([str(day)] if day is not None else []) + ([f"{days} days"] if days is not None else [])
        yield path, f"`{member}: {wanted}`", "`" + "`, `".join(came) + "`" if came else "none"


def _equal(wanted: Any, got: Any) -> bool:
    if isinstance(wanted, bool) or isinstance(got, bool):
        return wanted is got
    if isinstance(wanted, (int, float)) and isinstance(got, (int, float)):
        return Fraction(str(wanted)) == Fraction(str(got))
    if isinstance(wanted, str) and isinstance(got, Mapping) and "value" in got and "unit" in got:
        amount, unit = read_amount(wanted), find_unit(str(got["unit"]))
        same_kind = amount is not None and unit is not None and amount.unit.dimension == unit.dimension
        # on the wire a value has at most six places: so has what it is compared with
        return (
            same_kind
            and amount is not None
            and unit is not None
            and abs(amount.to(unit).value - Fraction(str(got["value"]))) < Fraction(1, 10**6)
        )
    return bool(wanted == got)


def _shown(value: Any) -> str:
    """A value of an answer in a sentence."""
    if isinstance(value, Mapping):
        if set(value) >= {"value", "unit"}:
            number = value["value"]
            return f"{number_text(Fraction(str(number)))} {value['unit']}" if isinstance(number, (int, float)) else str(dict(value))[:120]
        return "{" + ", ".join(f"{k}: {_shown(v)}" for k, v in value.items())[:120] + "}"
    if isinstance(value, list):
        return "[" + ", ".join(_shown(v) for v in value)[:160] + "]"
    if value is None:
        return "null"
    return str(value).lower() if isinstance(value, bool) else str(value)[:120]
