"""The tree of an interval or a condition as plain JSON: what a program reads instead of the text.

Every node has `node` (its kind, stable) and its own members; all but the whole have `span` (characters of the text, the end
excluded). Numbers are JSON numbers.
"""

from dataclasses import fields
from enum import Enum
from fractions import Fraction
from typing import Any

from fieldworthy.core.base.quantity import number_json
from fieldworthy.core.base.span import Span
from fieldworthy.core.condition import ast as condition
from fieldworthy.core.interval import ast as interval

KINDS: dict[type, str] = {
    condition.StateTest: "state test",
    condition.NumberTest: "number test",
    condition.Not: "not",
    condition.Joined: "joined",
    condition.IfThen: "if then",
    interval.Interval: "interval",
    interval.Rule: "rule",
    interval.Amount: "amount",
    interval.EveryAmount: "every amount",
    interval.EveryWord: "every word",
    interval.EveryWorkingDay: "every working day",
    interval.EveryOccurrence: "every occurrence",
    interval.EachSeason: "each season",
    interval.Combined: "combined",
    interval.OnceAt: "once at",
    interval.OnceAfter: "once after",
    interval.FirstThen: "first then",
    interval.Allowance: "allowance",
}


def tree(node: object) -> Any:
    """A node, a tuple of nodes or a plain value as JSON data."""
    kind = KINDS.get(type(node))
    if kind is not None:
        return {"node": kind, **{f.name: tree(getattr(node, f.name)) for f in fields(node)}}  # type: ignore[arg-type]  # the table holds dataclasses alone
    match node:
        case tuple():
            return [tree(part) for part in node]
        case Span(start, end):
            return [start, end]
        case Fraction():
            return number_json(node)
        case Enum():
            return node.value
        case None | bool() | int() | str():
            return node
    raise TypeError(f"no wire form for {node!r}")
