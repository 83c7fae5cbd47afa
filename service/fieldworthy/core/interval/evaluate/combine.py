"""`or` and `and` over bases, in Kleene's sense where one of them is not known."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from fieldworthy.core.base.quantity import Exact
from fieldworthy.core.base.reason import Reason
from fieldworthy.core.interval.evaluate.context import Judged, Share, Standing
from fieldworthy.core.interval.evaluate.days import EveryOnCalendar
from fieldworthy.core.interval.evaluate.events import EachSeasonPoint, EveryHappening, EveryWorkingDayOf
from fieldworthy.core.interval.evaluate.meter import EveryOnMeter

Single = EveryOnMeter | EveryOnCalendar | EveryHappening | EachSeasonPoint | EveryWorkingDayOf


@dataclass(slots=True)
class JoinedBases:
    """Two or more bases: `or` is whichever first, `and` whichever last.

    told_apart: whether the due point of each base can be told from an answer, which names one for each meter and one day.
    """

    op: Literal["or", "and"]
    parts: "tuple[Single | JoinedBases, ...]"
    text: str
    told_apart: bool = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        days = [p for p in self.parts if not isinstance(p, EveryOnMeter)]
        if not any(isinstance(p, JoinedBases) for p in days):
            self.told_apart = len(days) < 2 or all(isinstance(p, EveryOnCalendar) for p in days)
        else:
            bases = list(self.bases())
            meters = [b.base.key for b in bases if isinstance(b, EveryOnMeter)]
            self.told_apart = len(meters) == len(set(meters)) and len(bases) - len(meters) < 2

    def bases(self) -> "Iterator[Single]":
        """Those that are joined, at any depth."""
        for part in self.parts:
            if isinstance(part, JoinedBases):
                yield from part.bases()
            else:
                yield part


Node = Single | JoinedBases


def judge_node(node: Node, single: Callable[[Single], Judged]) -> Judged:
    """Where a base or a combination stands; `single` judges one base."""
    if not isinstance(node, JoinedBases):
        return single(node)
    return join(node.op, [judge_node(part, single) for part in node.parts])


def join(op: Literal["or", "and"], parts: Sequence[Judged]) -> Judged:
    """The parts' answers as one. `or`: a known part that is due decides; `and`: a known part that is clear does."""
    first = op == "or"
    sooner: Callable[..., Any] = min if first else max  # `or` is reached by the earliest due point, `and` by the latest
    lead: Judged | None = None
    used: Share | None = None
    meters: dict[str, tuple[Exact, Exact | None]] = {}
    day = reached = None
    incomplete, all_reached, known, shares = False, True, 0, 0
    for part in parts:
        if part.standing is not _UNKNOWN:
            known += 1
            if lead is None or _ahead(part, lead, first):
                lead = part
        if part.used is not None:
            shares += 1
            if used is None or (part.used.over(used) is first):
                used = part.used
        for meter, (due, now) in part.meters.items():
            before = meters.get(meter)
            meters[meter] = (due if before is None else sooner(due, before[0]), now)
        if part.day is not None:
            day = part.day if day is None else sooner(day, part.day)
        if part.expected is None:
            all_reached = False
        else:
            reached = part.expected if reached is None else sooner(reached, part.expected)
        incomplete = incomplete or part.incomplete
    standing, at_least = _UNKNOWN if lead is None else lead.standing, None
    if known < len(parts):
        settled = lead is not None and (lead.standing >= Standing.DUE if first else lead.standing is Standing.CLEAR)
        if settled:
            incomplete = first or incomplete
        else:
            standing, at_least = _UNKNOWN, _at_least(parts, first)
            used = used if shares == len(parts) else None
    lead = lead or parts[0]
    joined = Judged(standing, used, _reasons(parts, lead, standing), lead.text, meters, day, incomplete, at_least)
    joined.expected = reached if all_reached else None
    return joined


_UNKNOWN = Standing.UNKNOWN


def _ahead(part: Judged, lead: Judged, first: bool) -> bool:
    """Whether a part decides before the one so far: by standing, then by share used; the earlier in the text on a tie."""
    if part.standing is not lead.standing:
        return (part.standing > lead.standing) is first
    if part.used is None or lead.used is None:
        return first and lead.used is None and part.used is not None
    return part.used.over(lead.used) if first else lead.used.over(part.used)


def _at_least(parts: Sequence[Judged], first: bool) -> Standing | None:
    """The standing by what is known alone; for `and` only where every part tells one."""
    told = [s for s in (p.at_least if p.standing is _UNKNOWN else p.standing for p in parts) if s is not None]
    if first:
        return max(told, default=None)
    return min(told) if told and len(told) == len(parts) else None


def _reasons(parts: Sequence[Judged], lead: Judged, standing: Standing) -> list[Reason]:
    """Those of the deciding part first; where it is not known, those that say why not."""
    if lead is parts[0] and standing is not Standing.UNKNOWN:
        return [reason for part in parts for reason in part.reasons]
    front = [p for p in parts if (p.standing is Standing.UNKNOWN if standing is Standing.UNKNOWN else p is lead)]
    return [reason for part in (*front, *(p for p in parts if all(p is not f for f in front))) for reason in part.reasons]
