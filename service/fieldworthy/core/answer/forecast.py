"""When a task is expected to fall due: from where it stands and what its machine's readings tell of the days ahead."""

from collections.abc import Iterator, Mapping
from datetime import date
from typing import Any

from fieldworthy.core.base.quantity import Exact
from fieldworthy.core.forecast.outlook import SHARE, Expected, Outlook, Reach, earliest, latest
from fieldworthy.core.interval.evaluate.combine import JoinedBases, Node, Single
from fieldworthy.core.interval.evaluate.context import History, Judged, Standing
from fieldworthy.core.interval.evaluate.days import EveryOnCalendar
from fieldworthy.core.interval.evaluate.meter import EveryOnMeter
from fieldworthy.core.interval.evaluate.stretches import RulePlan, season_at
from fieldworthy.core.interval.evaluate.written import Written
from fieldworthy.core.interval.plan import Plan


class Expecting:
    """Says of one machine's tasks when they are expected; `worthwhile` tells whether any meter has readings enough to try."""

    __slots__ = ("_history", "_outlook", "worthwhile")

    def __init__(self, history: History) -> None:
        self._history = history
        self._outlook = Outlook(history)
        self.worthwhile = any(self._outlook.tells(meter) for meter in history.series)

    def judged(self, plan: Plan, judged: Judged, rule: str | None) -> Expected | None:
        """When a task falls due by the readings, else by the stated use; None: it is due already, it rests, or nothing tells."""
        if self.worthwhile and judged.standing in _AHEAD and judged.meters and not judged.resting and not judged.incomplete:
            told = plan.rules[0] if len(plan.rules) == 1 else next((r for r in plan.rules if r.text == rule), None)
            if told is not None:
                reach = self._when(told, judged.text, {meter: due for meter, (due, _) in judged.meters.items()}, judged.day)
                if reach is not None:
                    return reach.expected()
        return None if judged.expected is None else Expected(judged.expected)

    def written(self, plan: Plan, written: Written) -> str:
        """The same of what was written as JSON text, as JSON text."""
        counts, day = written[8], written[5]
        if not counts or written[0] not in _AHEAD:
            return "null"
        rule = plan.rules[0]
        if len(counts) == 1 and day is None:  # nearly all have one base
            reach = self._outlook.reach(*counts[0])
        elif isinstance(rule.node, JoinedBases) and _told_apart(rule.node):
            reach = self._joined(rule.node, dict(counts), None if day is None else date.fromisoformat(day[0]), None)
        else:
            reach = None
        found = None if reach is None else reach.expected()
        if found is None:
            return "null"
        day_text = found.day.isoformat()
        if found.first is None or found.last is None:
            return f'{{"date":"{day_text}","from":null,"to":null,"share":null}}'
        return f'{{"date":"{day_text}","from":"{found.first.isoformat()}","to":"{found.last.isoformat()}","share":{SHARE}}}'

    def _when(self, rule: RulePlan, decided: str, due: Mapping[str, Exact], day: date | None) -> Reach | None:
        during = None if rule.during is None else rule.during[0]
        node = rule.node
        if node is None or not isinstance(node, JoinedBases) or (rule.firsts is not None and decided == rule.firsts.text):
            if len(due) != 1:
                return None
            ((meter, count),) = due.items()
            return self._outlook.reach(meter, count, during)
        return self._joined(node, due, day, during) if _told_apart(node) else None

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


_AHEAD = (Standing.CLEAR, Standing.UPCOMING)


def as_json(expected: Expected | None) -> dict[str, Any] | None:
    """As it stands on the wire."""
    if expected is None:
        return None
    day, first, last = expected
    if first is None or last is None:
        return {"date": day.isoformat(), "from": None, "to": None, "share": None}
    return {"date": day.isoformat(), "from": first.isoformat(), "to": last.isoformat(), "share": SHARE}


def _told_apart(node: JoinedBases) -> bool:
    """Whether the due point of each base can be told from an answer, which names one for each meter and one day."""
    days = [p for p in node.parts if not isinstance(p, EveryOnMeter)]
    if not any(isinstance(p, JoinedBases) for p in days):
        return len(days) < 2 or all(isinstance(p, EveryOnCalendar) for p in days)
    bases = list(_bases(node))
    meters = [b.base.key for b in bases if isinstance(b, EveryOnMeter)]
    return len(meters) == len(set(meters)) and len(bases) - len(meters) < 2


def _bases(node: Node) -> Iterator[Single]:
    if isinstance(node, JoinedBases):
        for part in node.parts:
            yield from _bases(part)
    else:
        yield node
