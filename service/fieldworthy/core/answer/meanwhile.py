"""What may have come about by itself meanwhile, where the reports themselves tell that it was not all the while as it is now.

A report tells of its own moment. Reports that were gathered one after the other, in whatever order, tell of one state all the same: else
nobody could ever look at two facts. So that a fact was not reported yet is no reason to doubt another one. That it was *told otherwise* is:
the pressure was seen released, then the engine was said to run, then to be stopped; by then the pressure may be built up again.

A report is doubted, therefore, if after it

1.  a happening that would change the fact may have come about: what it needs may have been so at a time after the report (what nobody had
    told by then, what was told too long before, and what lies between two reports that differ may have been anything; of a number anything
    between them), and
2.  what it needs was told otherwise: a fact which that names has changed by its reports, or may have by a happening of which all this is
    true itself.

While nothing has changed since the report, what may have come about can come about from here as well, and a hazard is excluded only where
that does no harm (`hazards`); how long a report is good of what it was made of is for the rulebook to say (`good_for`).
"""

from bisect import bisect_left
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from heapq import heapreplace
from math import inf

from fieldworthy.core.answer.evidence import (
    CLOCKS_DIFFER,
    FOREVER,
    Doubt,
    Evidence,
    Missing,
    earliest,
    how_to_find_out,
    last_of_each,
    latest,
    value_of,
)
from fieldworthy.core.answer.others import Made
from fieldworthy.core.answer.told_lines import PAST, Choices, Line, Values, choices_of, line_of, nameless_otherwise, no_longer, placed
from fieldworthy.core.answer.words import Lines, Whose, by_others, lines_of, may_be
from fieldworthy.core.base.names import key, tidy
from fieldworthy.core.base.vocabulary import Fact
from fieldworthy.core.condition.search import by_fact
from fieldworthy.core.condition.walk import Value, names_of
from fieldworthy.core.procedure.model import Happening

_OF_ANY = -1
"""Whose that is which a report without a name may have told of: any of them."""
_MOST_NAMED = 6  # of the facts that change each other; more are counted


# --- what may have happened --------------------------------------------------------------------------------------------------


def doubted_before(happenings: Sequence[Happening], facts: Mapping[str, Fact], lines: Lines, now: datetime) -> Sequence[datetime]:
    """
    For each happening the moment before which a report of what it makes otherwise is doubted; PAST where none is.

    facts: by names.key; lines: all that was told, as words.lines_of gives it. What comes from a clock that is too far ahead tells no time.
    """
    needed = by_fact(each.needs for each in happenings if each.needs is not None)
    until = now + CLOCKS_DIFFER
    lines = {name: {whose: placed(words, now) for whose, words in lines.get(name, {}).items()} for name in needed}
    nameless = {name: nameless_otherwise(facts[name], lines[name], until) for name in needed}
    several = any(len({w.value for w in words}) > 1 for name in needed for words in lines.get(name, {}).values())
    if not several and max(nameless.values(), default=PAST) == PAST:
        return [PAST] * len(happenings)
    choices = {name: choices_of(facts[name], tests) for name, tests in needed.items()}
    told = {
        name: {whose: line_of(choices[name], [w for w in words if w.at <= until], now) for whose, words in lines.get(name, {}).items()}
        for name in needed
    }
    for name, since in nameless.items():
        if since > PAST:  # up to then anything may have been so of whoever it was
            told[name][_OF_ANY] = Line([(since, Values())], [since], PAST)
    last = _Meanwhile(happenings, choices, told).may_be_last()
    otherwise = {name: max([nameless[name], *(line.otherwise for line in each.values())]) for name, each in told.items()}
    found = [PAST] * len(happenings)
    changed = True
    while changed:
        changed = False
        for number, each in enumerate(happenings):
            since = max((otherwise[name] for name in names_of(each.needs)), default=PAST) if each.needs is not None else PAST
            if (moment := min(last[number], since)) <= found[number]:
                continue
            found[number], changed = moment, True
            for name in otherwise.keys() & each.makes.keys():  # it may be otherwise until it is reported the next time
                again = (next((at for at in line.reports if at >= moment), moment) for line in told[name].values())
                otherwise[name] = max(otherwise[name], moment, *again)
    return found


class _Anybody:
    """
    What may be so of a fact of any of those whose it is, by what was told of each and by what has come about since. At each event, counted,
    something is told of somebody anew, or comes about for everybody: that is so of each until it is told anew of them.
    """

    def __init__(self, anything: Values, of: Iterable[Whose], rests: Values) -> None:
        """rests: what is so of everybody of whom nothing was told."""
        self._rests = rests
        self.made: dict[Value, int] = {}  # when each last came about
        self._here = dict.fromkeys(of, anything)
        self._many = Counter({value: len(self._here) for value in anything} if self._here else {})
        self._anew: dict[Whose, int] = dict.fromkeys(self._here, 0)
        self._earliest = [(0, n, whose) for n, whose in enumerate(self._here)]  # a heap; an entry that is no longer true is passed over

    def is_now(self, whose: Whose, values: Values, anew: int | None) -> None:
        """Of one of them this may be so from now on; anew: the event, where it is told anew."""
        self._many.subtract(self._here[whose])
        self._many.update(values)
        self._here[whose] = values
        if anew is not None:
            self._anew[whose] = anew

    def may_be(self) -> Values:
        """Of any of them."""
        first = self._told_longest_ago()
        made = {value for value, at in self.made.items() if at >= first}
        return self._rests | {value for value, many in self._many.items() if many} | made

    def _told_longest_ago(self) -> float:
        """The event at which that one was told anew for whom it is the longest ago; infinite where there is nobody."""
        while self._earliest:
            at, n, whose = self._earliest[0]
            if at == self._anew[whose]:
                return at
            heapreplace(self._earliest, (self._anew[whose], n, whose))
        return inf


@dataclass(slots=True)
class _Meanwhile:
    """The happenings gone through over all that was told, from the first word on. lines: of each fact that they need (names.key)."""

    happenings: Sequence[Happening]
    choices: Mapping[str, Choices]
    lines: Mapping[str, Mapping[Whose, Line]]
    judged: dict[tuple[int, tuple[Values, ...]], bool] = field(default_factory=dict)
    closed: dict[tuple[Values, ...], frozenset[int]] = field(default_factory=dict)

    def may_be_last(self) -> Sequence[datetime]:
        """For each happening the time from which on it can't come about any more: FOREVER where it still may, PAST where it never could."""
        found, on = [PAST] * len(self.happenings), frozenset[int]()
        of_each = {name: _Anybody(frozenset(choices.values), self.lines[name], choices.rests) for name, choices in self.choices.items()}
        may = {name: frozenset(choices.values) for name, choices in self.choices.items()}
        for event, (at, starting) in enumerate(sorted(self._starts().items(), key=lambda one: one[0]), 1):
            for name, whose, values, anew in starting:
                of_each[name].is_now(whose, values, event if anew else None)
            for name in {name for name, *_ in starting}:
                may[name] = of_each[name].may_be()
            now_on = self._come(may)
            for number in now_on:
                for name in self.happenings[number].makes.keys() & of_each.keys():
                    state = key(self.happenings[number].makes[name])
                    of_each[name].made[state] = event
                    may[name] |= {state}
            for number in on - now_on:
                found[number] = at
            on = now_on
        for number in on:
            found[number] = FOREVER
        return found

    def _starts(self) -> Mapping[datetime, list[tuple[str, Whose, Values, bool]]]:
        """At which times which values of which fact begin to be so, of one whose it is; and whether it is by a report."""
        starts: dict[datetime, list[tuple[str, Whose, Values, bool]]] = {}
        for name, each in self.lines.items():
            for whose, line in each.items():
                reports = set(line.reports)
                for since, values in line.spans:
                    starts.setdefault(since, []).append((name, whose, values, since in reports))
        return starts

    def _come(self, may: Mapping[str, Values]) -> frozenset[int]:
        """Which may come about, one after the other, where this may be so."""
        at = tuple(may.values())
        if at not in self.closed:
            may, on, before = dict(may), set[int](), -1
            while len(on) > before:
                before = len(on)
                for number, each in enumerate(self.happenings):
                    if number not in on and self._may_come(number, each, may):
                        on.add(number)
                        may.update({name: may[name] | {key(state)} for name, state in each.makes.items() if name in may})
            self.closed[at] = frozenset(on)
        return self.closed[at]

    def _may_come(self, number: int, each: Happening, may: Mapping[str, Values]) -> bool:
        if each.needs is None:
            return True
        at = number, tuple(may[name] for name in names_of(each.needs))
        if at not in self.judged:
            self.judged[at] = may_be(each.needs, True, may)
        return self.judged[at]


# --- what is doubted ---------------------------------------------------------------------------------------------------------


@dataclass(slots=True)
class Verifying:
    """
    Which reports grant nothing, because what they tell may have changed by itself since. reports: those that count otherwise; happenings:
    all of the rulebook's, for what can change each other.
    """

    facts: Mapping[str, Fact]
    reports: Sequence[Evidence]
    now: datetime
    happenings: Sequence[Happening] = ()
    doubts: list[Doubt] = field(default_factory=list)
    again: set[int] = field(default_factory=set)
    lasts: dict[str, Sequence[Evidence]] = field(default_factory=dict)

    def look(self, happening: Happening, before: datetime, since: str) -> None:
        """A report from before this moment says nothing of what this happening makes otherwise. since: what was since, in words."""
        for name, state in happening.makes.items() if before > PAST else ():
            fact = self.facts[name]
            if name not in self.lasts:
                self.lasts[name] = last_of_each(fact, self.reports, self.now)
            old = [
                r
                for r in self.lasts[name]
                if earliest(r, self.now) < before and value_of(fact, r) != key(state) and id(r) not in self.again
            ]
            text = f"`{fact.name}` can change by itself (`{happening.name}`), and {since}: it must be verified again."
            missing = Missing(fact.name, "must-be-verified-again", text, how_to_find_out(fact) + (self._together(name) if old else ""))
            self.again.update(id(report) for report in old)
            self.doubts += [Doubt(missing, report.by if fact.per_person else None) for report in old]

    def _together(self, name: str) -> str:
        """What else is to be looked at with it: reported one after the other, facts that change each other put each other in doubt."""
        others = [f"`{self.facts[other].name}`" for other in _change_each_other(self.happenings, name)]
        if not others:
            return ""
        named = others if len(others) <= _MOST_NAMED else [*others[: _MOST_NAMED - 1], f"{len(others) - _MOST_NAMED + 1} more"]
        return f" It and {' and '.join(named)} can change each other: report them with one and the same time."

    def kept(self) -> tuple[Evidence, ...]:
        """The others."""
        gone = {(key(d.missing.fact), tidy(d.whose or "")) for d in self.doubts}
        return tuple(r for r in self.reports if self._stands(r, gone))

    def _stands(self, report: Evidence, gone: set[tuple[str, str]]) -> bool:
        """Of the machine none does where one is in doubt, of a person none of theirs; one without a name is of itself alone."""
        per_person = self.facts[key(report.fact)].per_person
        by = tidy(report.by or "") if per_person else ""
        return id(report) not in self.again and ((key(report.fact), by) not in gone or (not by and per_person))


def _change_each_other(happenings: Iterable[Happening], name: str) -> Sequence[str]:
    """The facts that hang on this one, through whatever can come about by itself, and that it hangs on."""
    leads: dict[str, set[str]] = {}
    hangs_on: dict[str, set[str]] = {}
    for each in happenings:
        for needed in names_of(each.needs) if each.needs is not None else ():
            leads.setdefault(needed, set()).update(each.makes)
            for made in each.makes:
                hangs_on.setdefault(made, set()).add(needed)
    return sorted((_reached(leads, name) & _reached(hangs_on, name)) - {name})


def _reached(ways: Mapping[str, set[str]], start: str) -> set[str]:
    found, ahead = set[str](), [start]
    while ahead:
        for following in ways.get(ahead.pop(), set()) - found:
            found.add(following)
            ahead.append(following)
    return found


def stands_on(
    happenings: Iterable[Happening],
    facts: Mapping[str, Fact],
    kept: Sequence[Evidence],
    now: datetime,
    until: datetime | None,
    still: Callable[[datetime], bool],
) -> datetime | None:
    """
    Until when something stays granted if nothing new is told: what excludes a happening ages too. until: no longer than that anyway. kept:
    the reports on which it rests; still: whether it is so at a later time.
    """
    needed = {name for each in happenings if each.needs is not None for name in names_of(each.needs)}
    lasts = [(facts[name], report) for name in needed for report in last_of_each(facts[name], kept, now)]
    ends = {no_longer(fact, latest(report, now), frozenset({value_of(fact, report)})) for fact, report in lasts}
    several = sorted(end for end in ends if now <= end < (until or FOREVER))
    place = bisect_left(several, True, key=lambda end: not still(end + timedelta.resolution))  # what has ended stays so
    return several[place] if place < len(several) else until


TOLD_OTHERWISE = "by what was reported it may have since"


def standing(
    happenings: Iterable[Happening], facts: Mapping[str, Fact], evidence: Sequence[Evidence], now: datetime, made: Sequence[Made] = ()
) -> tuple[Sequence[Evidence], Sequence[Doubt]]:
    """
    The reports that nothing which may have come about meanwhile has put in doubt, and the doubts. Reports passed check_evidence. made: by
    the steps of other work.
    """
    several = tuple(happenings)
    if not several or (len({key(report.fact) for report in evidence}) == len(evidence) and not made):  # nothing is told twice
        return evidence, ()
    verifying = Verifying(facts, evidence, now, several)
    for each, before in zip(several, doubted_before(several, facts, lines_of(facts, evidence, now, by_others(made)), now), strict=True):
        verifying.look(each, before, TOLD_OTHERWISE)
    return (verifying.kept(), verifying.doubts) if verifying.doubts else (evidence, ())
