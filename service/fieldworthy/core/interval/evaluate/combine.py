"""`or` and `and` over bases, in Kleene's sense where one of them is not known."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Literal

from fieldworthy.core.interval.evaluate.context import Judged, Standing
from fieldworthy.core.interval.evaluate.days import EveryOnCalendar
from fieldworthy.core.interval.evaluate.events import EachSeasonPoint, EveryHappening, EveryWorkingDayOf
from fieldworthy.core.interval.evaluate.meter import EveryOnMeter

Single = EveryOnMeter | EveryOnCalendar | EveryHappening | EachSeasonPoint | EveryWorkingDayOf


@dataclass(slots=True)
class JoinedBases:
    """Two or more bases: `or` is whichever first, `and` whichever last."""

    op: Literal["or", "and"]
    parts: "tuple[Single | JoinedBases, ...]"
    text: str


Node = Single | JoinedBases


def judge_node(node: Node, single: Callable[[Single], Judged]) -> Judged:
    """Where a base or a combination stands; `single` judges one base."""
    if not isinstance(node, JoinedBases):
        return single(node)
    return join(node.op, [judge_node(part, single) for part in node.parts])


def join(op: Literal["or", "and"], parts: Sequence[Judged]) -> Judged:
    """The parts' answers as one. `or`: a known part that is due decides; `and`: a known part that is clear does."""
    known = [p for p in parts if p.standing is not Standing.UNKNOWN]
    first = op == "or"
    decide: Callable[..., Any] = max if first else min
    lead = decide(known, key=lambda p: (p.standing, -1 if p.used is None else p.used)) if known else parts[0]
    standing, incomplete, at_least = lead.standing, any(p.incomplete for p in parts), None
    if len(known) < len(parts):
        settled = bool(known) and (lead.standing >= Standing.DUE if first else lead.standing is Standing.CLEAR)
        if settled:
            incomplete = first or incomplete
        else:
            standing = Standing.UNKNOWN
            least = [p.standing if p.standing is not Standing.UNKNOWN else p.at_least for p in parts]
            told = [s for s in least if s is not None]
            at_least = (max(told, default=None) if first else (min(told) if len(told) == len(parts) else None)) if told else None
    unknown_first = [p for p in parts if p.standing is Standing.UNKNOWN] if standing is Standing.UNKNOWN else []
    asked_first = [*unknown_first, lead]
    order = [*asked_first, *(p for p in parts if all(p is not q for q in asked_first))]
    if standing is Standing.UNKNOWN and lead.standing is Standing.UNKNOWN:
        order = list(parts)
    reasons = [reason for part in order for reason in part.reasons]
    shares = [p.used for p in parts if p.used is not None]
    used = decide(shares) if shares and (len(shares) == len(parts) or standing is not Standing.UNKNOWN) else None
    days = [p.day for p in parts if p.day is not None]
    joined = Judged(standing, used, reasons, lead.text, {}, _day(decide, days), incomplete, at_least)
    reached = [p.expected for p in parts if p.expected is not None]
    joined.expected = _day(decide, reached) if len(reached) == len(parts) else None
    for part in parts:
        joined.assumed.update(part.assumed)
        for meter, (due, now) in part.meters.items():
            before = joined.meters.get(meter)
            joined.meters[meter] = (due if before is None else decide(due, before[0]), now)
    return joined


def _day(decide: Callable[..., Any], days: list[date]) -> date | None:
    return decide(days) if days else None
