"""When a task is expected to fall due: from where it stands and what its machine's readings tell of the days ahead."""

from collections.abc import Mapping, Sequence
from datetime import date
from functools import lru_cache
from typing import Any

from fieldworthy.core.base.quantity import Exact
from fieldworthy.core.forecast.outlook import SHARE, Expected, Outlook, Reach, earliest, latest
from fieldworthy.core.interval.evaluate.combine import JoinedBases
from fieldworthy.core.interval.evaluate.context import History, Judged, Standing
from fieldworthy.core.interval.evaluate.meter import EveryOnMeter
from fieldworthy.core.interval.evaluate.stretches import RulePlan, season_at
from fieldworthy.core.interval.plan import Plan


class Expecting:
    """Says of one machine's tasks when they are expected; `worthwhile` tells whether any meter is asked and has readings enough to try."""

    __slots__ = ("_history", "_outlook", "worthwhile")

    def __init__(self, history: History, by_readings: bool = True) -> None:
        self._history = history
        self._outlook = Outlook(history)
        self.worthwhile = by_readings and any(self._outlook.tells(meter) for meter in history.series)

    def judged(self, plan: Plan, judged: Judged, rule: str | None) -> Expected | None:
        """When a task falls due by the readings, else by the stated use; None: it is due already, it rests, or nothing tells."""
        if self.worthwhile and judged.meters:
            reach = self._reach(plan, judged, rule)
            if reach is not None:
                return reach.expected()
        return None if judged.expected is None else Expected(judged.expected)

    def _reach(self, plan: Plan, judged: Judged, rule: str | None) -> Reach | None:
        if judged.standing not in _AHEAD or judged.resting or judged.incomplete:
            return None
        told = plan.rules[0] if len(plan.rules) == 1 else next((r for r in plan.rules if r.text == rule), None)
        if told is None:
            return None
        return self._when(told, judged.text, {meter: due for meter, (due, _) in judged.meters.items()}, judged.day)

    def sooner(self, plan: Plan | None, own: Judged | None, rule: str | None, follow: Sequence[Judged]) -> Expected | None:
        """
        When the first of a task's own due point and of those that it is to follow is reached by the readings; None: they do not tell.

        own: by the task's interval; None: it has none.
        """
        reach = None
        if own is not None and plan is not None and (own.meters or own.day is not None or own.standing not in _AHEAD):
            reach = self._reach(plan, own, rule)
            if reach is None:
                return None
        if not self.worthwhile or not any(each.meters for each in (*follow, *([own] if own else []))):
            return None
        for each in follow:
            at = self._of(each)
            if at is None:
                return None
            reach = at if reach is None else earliest(reach, at)
        return None if reach is None else reach.expected()

    def _of(self, follow: Judged) -> Reach | None:
        """When one thing that a task is to follow is due: on one meter, or on a day."""
        for meter, (due, _) in follow.meters.items():
            return self._outlook.reach(meter, due) if follow.standing in _AHEAD else None
        return None if follow.day is None else Reach.on(max(follow.day, self._history.today))

    def alone(self, meter: str, due: int) -> str:
        """When one count is reached, as JSON text."""
        reach = self._outlook.reach(meter, due)
        return "null" if reach is None else _reach_json(reach)

    def joined(self, node: JoinedBases, due: Mapping[str, int], day: date | None) -> str:
        """When several bases are reached that are told apart by their meters, as JSON text."""
        reach = self._joined(node, due, day, None)
        return "null" if reach is None else _reach_json(reach)

    def _when(self, rule: RulePlan, decided: str, due: Mapping[str, Exact], day: date | None) -> Reach | None:
        during = None if rule.during is None else rule.during[0]
        node = rule.node
        if node is None or not isinstance(node, JoinedBases) or (rule.firsts is not None and decided == rule.firsts.text):
            if len(due) != 1:
                return None
            ((meter, count),) = due.items()
            return self._outlook.reach(meter, count, during)
        return self._joined(node, due, day, during) if node.told_apart else None

    def _joined(self, node: JoinedBases, due: Mapping[str, Exact], day: date | None, during: str | None) -> Reach | None:
        combine = earliest if node.op == "or" else latest
        joined = None
        for part in node.parts:
            if isinstance(part, EveryOnMeter):
                at = due.get(part.base.key)
                reach = None if at is None else self._outlook.reach(part.base.key, at, during)
            elif isinstance(part, JoinedBases):
                reach = self._joined(part, due, day, during)
            else:
                reach = self._on(day, during)
            if reach is None:
                return None
            joined = reach if joined is None else combine(joined, reach)
        return joined

    def _on(self, day: date | None, during: str | None) -> Reach | None:
        today = self._history.today
        if day is None:
            return None
        if during is not None:
            season = season_at(self._history, during, today)
            if season is None or season.last < day:
                return None  # the season's rest puts the day off
        return Reach.on(day if day > today else today)


def _reach_json(reach: Reach) -> str:
    """As `Reach.expected` and `as_json` have it."""
    first, middle, last = reach
    if middle % 2:
        return "null"
    if last % 2:
        return f'{{"date":"{_day_text(middle)}","from":null,"to":null,"share":null}}'
    return f'{{"date":"{_day_text(middle)}","from":"{_day_text(first)}","to":"{_day_text(last)}","share":{SHARE}}}'


@lru_cache(maxsize=4096)  # the days of the years ahead come again with every machine
def _day_text(half: int) -> str:
    """A day of a reach in RFC 3339."""
    return date.fromordinal(half // 2).isoformat()


_AHEAD = (Standing.CLEAR, Standing.UPCOMING)


def as_json(expected: Expected | None) -> dict[str, Any] | None:
    """As it stands on the wire."""
    if expected is None:
        return None
    day, first, last = expected
    if first is None or last is None:
        return {"date": day.isoformat(), "from": None, "to": None, "share": None}
    return {"date": day.isoformat(), "from": first.isoformat(), "to": last.isoformat(), "share": SHARE}
