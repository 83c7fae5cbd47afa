"""GET …/inputs: what a caller must send for a rulebook's answers to be complete, and how much history each task needs.

It is read off the expressions themselves, so that it can't fall behind them.
"""

import asyncio
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from fieldworthy.core.base.fit import Fit
from fieldworthy.core.base.names import key
from fieldworthy.core.base.quantity import UNITS
from fieldworthy.core.base.vocabulary import Fact, Vocabulary
from fieldworthy.core.condition.ast import Condition
from fieldworthy.core.condition.walk import names_of
from fieldworthy.core.interval import ast as interval
from fieldworthy.core.interval.ast import Anchor
from fieldworthy.core.rulebook.model import CheckedRulebook, Task
from fieldworthy.core.rulebook.together import Pairs, never_together
from fieldworthy.usecases.find_rulebook import FindRulebook, Found, RulebookSource

# what each anchor must see of a task's done records
_RECORDS = {
    Anchor.SINCE_LAST: "newest",
    Anchor.SINCE_LAST_DUE: "all",  # folded over all of them
    Anchor.ON_SCHEDULE: "all",
    Anchor.ON_THE_METER: "newest",
    Anchor.ON_THE_CALENDAR: "newest",
}
_RANK = {"none": 0, "newest": 1, "all": 2}


@dataclass(frozen=True, slots=True)
class Inputs:
    """What one rulebook wants to be told."""

    found: Found
    apart: Pairs

    def to_json(self) -> dict[str, Any]:
        """Plain data, in the order of declaration."""
        book = self.found.book
        known = book.vocabulary
        tasks = [_task_inputs(task, known) for task in book.tasks.values()]
        wanted = {
            member: {name for t in tasks for name in t[member]} for member in ("meters", "seasons", "occurrences", "working_conditions")
        }
        return {
            "rulebook": self.found.provenance(),
            "machine": _identity(book),
            "meters": [
                {
                    "meter": m.name,
                    "unit": m.unit.name,
                    "default": m.default,
                    "good_for_seconds": None if m.good_for is None else m.good_for.total_seconds(),
                    "wanted": m.name in wanted["meters"],
                }
                for m in known.meters.values()
            ],
            "seasons": [
                {"season": s.name, "from": _day(s.start), "to": _day(s.end), "wanted": s.name in wanted["seasons"]}
                for s in known.seasons.values()
            ],
            "occurrences": [
                {
                    "occurrence": o.name,
                    "yearly": None if o.yearly is None else _day(o.yearly),
                    "wanted": o.name in wanted["occurrences"] and o.yearly is None,
                }
                for o in known.occurrences.values()
            ],
            "working_conditions": [
                {
                    "condition": w.name,
                    "states": list(w.states),
                    "assumed": w.states[0] if w.assumed else None,
                    "wanted": w.name in wanted["working_conditions"],
                }
                for w in known.working_conditions.values()
            ],
            "facts": [_fact(f) for f in known.facts.values()],
            "tasks": tasks,
            "never_together": [pair.to_json() for pair in self.apart.found],
            "never_together_complete": self.apart.complete,
        }


class ReadInputs:
    """What a caller must send to be answered from a rulebook."""

    def __init__(self, find: FindRulebook) -> None:
        self._find = find

    async def __call__(self, source: RulebookSource) -> Inputs:
        """Raises what FindRulebook raises."""
        found = await self._find(source)
        return Inputs(found, await asyncio.to_thread(never_together, found.book))


def _task_inputs(task: Task, known: Vocabulary) -> dict[str, Any]:
    """records: `none`, `newest` or `all` of the task's done records; since: what must reach back as far as the newest of them."""
    need = _Need(known)
    if task.interval is not None:
        for rule in task.interval.rules:
            need.rule(rule)
    facts = dict.fromkeys(_facts_of([c for c in (task.needs, task.holds) if c is not None], known.facts))
    for step in task.steps:
        facts |= dict.fromkeys(_facts_of([c for c in (step.needs, step.holds, step.wait_until) if c is not None], known.facts))
    return {
        "task": task.name,
        "records": need.records if task.interval is not None else "none",
        "also_records_of": list(task.covered_by),
        "readings_since_last_record": bool(need.meters) and need.stretches,
        "meters": list(need.meters),
        "seasons": list(need.seasons),
        "occurrences": list(need.occurrences),
        "working_conditions": list(need.working_conditions),
        "facts": list(facts),
        "machine": _fit_members([task.only_with, *(line.only_with for line in task.uses)]),
    }


class _Need:
    """Gathers what an interval looks at; dicts keep the order of first mention."""

    def __init__(self, known: Vocabulary) -> None:
        self.known = known
        self.records = "none"
        self.stretches = False
        self.meters: dict[str, None] = {}
        self.seasons: dict[str, None] = {}
        self.occurrences: dict[str, None] = {}
        self.working_conditions: dict[str, None] = {}

    def rule(self, rule: interval.Rule) -> None:
        if rule.when is not None:
            self.stretches = True
            for name in names_of(rule.when):
                self.working_conditions[self.known.working_conditions[name].name] = None
        if rule.during is not None:
            self.stretches = True
            self.seasons[self.known.seasons[key(rule.during)].name] = None
        self.timing(rule.timing)

    def timing(self, timing: interval.Timing) -> None:
        match timing:
            case interval.OnceAt(amount):
                self.amount(amount, None)
                self.ask_records("all")
            case interval.OnceAfter(amount, occurrence):
                self.amount(amount, None)
                self.occurrence(occurrence)
                self.ask_records("all")
            case interval.FirstThen(amounts, after, then):
                for amount in amounts:
                    self.amount(amount, None)
                if after is not None:
                    self.occurrence(after)
                self.ask_records("all")
                self.timing(then)
            case interval.EveryAmount(amount, meter, anchor):
                self.amount(amount, meter)
                self.ask_records(_RECORDS[anchor])
            case interval.EveryOccurrence(name):
                self.occurrence(name)
                self.ask_records("newest")
            case interval.EachSeason(_, season):
                self.seasons[self.known.seasons[key(season)].name] = None
                self.ask_records("newest")
            case interval.EveryWorkingDay():
                self.meters |= dict.fromkeys(m.name for m in self.known.meters.values())  # any of them that moves makes it a working day
                self.ask_records("newest")
            case interval.EveryWord():
                self.ask_records("newest")
            case interval.Combined(_, parts):
                for part in parts:
                    self.timing(part)

    def amount(self, amount: interval.Amount, meter: str | None) -> None:
        unit = UNITS[amount.unit]
        if unit.dimension == "calendar":
            return
        found = self.known.meters.get(key(meter)) if meter is not None else self.known.default_meter(unit.dimension)
        if found is not None:
            self.meters[found.name] = None

    def occurrence(self, name: str) -> None:
        self.occurrences[self.known.occurrences[key(name)].name] = None

    def ask_records(self, much: str) -> None:
        self.records = max(self.records, much, key=_RANK.__getitem__)


def _facts_of(conditions: Iterable[Condition], facts: Mapping[str, Fact]) -> Iterator[str]:
    for c in conditions:
        yield from (facts[name].name for name in names_of(c))


def _fact(fact: Fact) -> dict[str, Any]:
    return {
        "fact": fact.name,
        "states": list(fact.states),
        "unit": None if fact.unit is None else fact.unit.name,
        "known_by": sorted(fact.known_by),
        "good_for_seconds": None if fact.good_for is None else fact.good_for.total_seconds(),
        "per_person": fact.per_person,
    }


def _identity(book: CheckedRulebook) -> list[str]:
    """Which of `model`, `serial` and `options` decide anything."""
    return _fit_members(
        [
            book.applies_to,
            *(t.only_with for t in book.tasks.values()),
            *(line.only_with for t in book.tasks.values() for line in t.uses),
            *(p.only_with for p in book.parts.values()),
        ]
    )


def _fit_members(fits: Iterable[Fit | None]) -> list[str]:
    stated = [fit for fit in fits if fit is not None]
    members = {
        "model": any(fit.models for fit in stated),
        "serial": any(fit.serials is not None for fit in stated),
        "options": any(fit.options or fit.not_options for fit in stated),
    }
    return [member for member, decides in members.items() if decides]


def _day(day: tuple[int, int]) -> str:
    return f"{day[0]:02d}-{day[1]:02d}"
