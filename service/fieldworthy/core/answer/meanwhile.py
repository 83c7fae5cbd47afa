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

from bisect import bisect_left, bisect_right
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime

from fieldworthy.core.answer.evidence import (
    CLOCKS_DIFFER,
    FOREVER,
    Doubt,
    Evidence,
    Missing,
    good_until,
    how_to_find_out,
    last_of_each,
    value_of,
)
from fieldworthy.core.answer.words import Lines, Whose, Word, lines_of, may_be
from fieldworthy.core.base.names import key, tidy
from fieldworthy.core.base.quantity import Exact, Quantity
from fieldworthy.core.base.vocabulary import Fact
from fieldworthy.core.condition.ast import NumberTest
from fieldworthy.core.condition.search import by_fact, threshold, values_of
from fieldworthy.core.condition.walk import Test, Value, names_of
from fieldworthy.core.procedure.model import Happening

PAST = datetime.min.replace(tzinfo=UTC)
Values = frozenset[Value]


# --- what was told of one fact -----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Choices:
    """The values of a fact that what happens can tell apart; of a number one for each threshold (steps) and each room between them."""

    fact: Fact
    values: Sequence[Value]
    steps: Sequence[Exact] = ()

    def of(self, value: Value) -> Value:
        """The one that stands for a value."""
        number = value.value if isinstance(value, Quantity) else value
        if not self.steps or isinstance(number, str) or number is None:
            return value
        place = bisect_left(self.steps, number)
        return self.values[2 * place + (place < len(self.steps) and self.steps[place] == number)]

    def between(self, one: Values, other: Values) -> Values:
        """What may be so between two reports: the same where they agree; where they differ of a number what lies between, else anything."""
        if one == other:
            return one
        if not self.steps:
            return frozenset(self.values)
        places = sorted(self.values.index(each) for each in one | other)
        return frozenset(self.values[places[0] : places[-1] + 1])


def _choices(fact: Fact, tests: Sequence[Test]) -> _Choices:
    steps = sorted({threshold(test, fact.unit) for test in tests if isinstance(test, NumberTest)}) if fact.is_number else []
    return _Choices(fact, values_of(fact, tests), steps)


@dataclass(frozen=True, slots=True)
class _Line:
    """
    What was told of a fact, of one whose it is. spans: from when on which values may be so; before the first it may be anything. reports:
    the times of those that count, in order. otherwise: since when it has not been told otherwise; PAST: it never was.
    """

    spans: Sequence[tuple[datetime, Values]]
    reports: Sequence[datetime]
    otherwise: datetime


def _line(choices: _Choices, words: Sequence[Word]) -> _Line:
    """words: in order of time."""
    sure: dict[datetime, Values] = {}
    beside: list[tuple[datetime, Value]] = []
    for word in words:
        value = choices.of(word.value)
        if word.counts or _borne_out(word, words):
            sure[word.at] = sure.get(word.at, Values()) | {value}
        else:
            beside.append((word.at, value))
    times = list(sure)
    ends = {at: _no_longer(choices.fact, at, values) for at, values in sure.items()}
    spans, otherwise, told = [], PAST, Values()
    since, more, ahead = PAST, Values(), 0  # beside the last report that counts, and how far they were gone through
    for at in sorted({*times, *(at for at, _ in beside), *ends.values()} - {FOREVER}):
        place = bisect_right(times, at) - 1
        if place >= 0 and times[place] != since:
            since, more = times[place], Values()
        while ahead < len(beside) and beside[ahead][0] <= at:
            more |= {beside[ahead][1]} if beside[ahead][0] >= since else Values()
            ahead += 1
        now_told = sure.get(since, Values()) | more
        otherwise = at if told and now_told != told else otherwise
        told = now_told
        anything = place < 0 or at >= ends[since]
        following = sure[times[place + 1]] if place + 1 < len(times) else sure.get(since, Values())
        spans.append((at, frozenset(choices.values) if anything else choices.between(sure[since], following) | more))
    return _Line(spans, times, otherwise)


def _nameless_otherwise(fact: Fact, each: Mapping[Whose, Sequence[Word]], latest: datetime) -> datetime:
    """Since when nothing was told of a person otherwise than by a report without a name, which may be of them; PAST: it never was."""
    if not fact.per_person:
        return PAST
    reports = {id(w.report): w for words in each.values() for w in words if w.report is not None and w.at <= latest}
    since, of_each = PAST, dict[str, Word]()
    current: Counter[Value] = Counter()  # of those with a name
    nameless: dict[Value, datetime] = {}
    for word in sorted(reports.values(), key=lambda w: w.at):
        whose = tidy(word.report.by or "") if word.report is not None else ""
        if not whose:
            if (nameless.keys() | current.keys()) - {word.value}:
                since = word.at
            nameless[word.value] = word.at
        else:
            own = of_each.get(whose)
            if own is not None:
                current[own.value] -= 1
                if not current[own.value]:
                    del current[own.value]
            current[word.value] += 1
            if any(value != word.value and (own is None or at >= own.at) for value, at in nameless.items()):
                since = word.at
            of_each[whose] = word
    return since


def _borne_out(made: Word, words: Sequence[Word]) -> bool:
    """Whether what a step made is what the next report that counts says: then it has been so since that step."""
    following = next((w for w in words if w.counts and w.at >= made.at), None) if made.step is not None else None
    return following is not None and following.value == made.value


def _no_longer(fact: Fact, at: datetime, values: Values) -> datetime:
    """When a report of this time is no longer good; FOREVER where it stays so, and of who was at rest, for they need not say so again."""
    rest = fact.per_person and fact.states and values == {key(fact.states[0])}
    return FOREVER if rest else good_until(at, fact.good_for)


# --- what may have happened --------------------------------------------------------------------------------------------------


def doubted_before(happenings: Sequence[Happening], facts: Mapping[str, Fact], lines: Lines, now: datetime) -> Sequence[datetime]:
    """
    For each happening the moment before which a report of what it makes otherwise is doubted; PAST where none is.

    facts: by names.key; lines: all that was told, as words.lines_of gives it. What comes from a clock that is too far ahead tells no time.
    """
    needed = by_fact(each.needs for each in happenings if each.needs is not None)
    latest = now + CLOCKS_DIFFER
    nameless = {name: _nameless_otherwise(facts[name], lines.get(name, {}), latest) for name in needed}
    several = any(len({w.value for w in words}) > 1 for name in needed for words in lines.get(name, {}).values())
    if not several and max(nameless.values(), default=PAST) == PAST:
        return [PAST] * len(happenings)
    choices = {name: _choices(facts[name], tests) for name, tests in needed.items()}
    told = {
        name: {whose: _line(choices[name], [w for w in words if w.at <= latest]) for whose, words in lines.get(name, {}).items()}
        for name in needed
    }
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


@dataclass(slots=True)
class _Meanwhile:
    """The happenings gone through over all that was told, from the first word on. lines: of each fact that they need (names.key)."""

    happenings: Sequence[Happening]
    choices: Mapping[str, _Choices]
    lines: Mapping[str, Mapping[Whose, _Line]]
    judged: dict[tuple[int, tuple[Values, ...]], bool] = field(default_factory=dict)
    closed: dict[tuple[Values, ...], frozenset[int]] = field(default_factory=dict)

    def may_be_last(self) -> Sequence[datetime]:
        """For each happening the time from which on it can't come about any more: FOREVER where it still may, PAST where it never could."""
        found, on = [PAST] * len(self.happenings), frozenset[int]()
        anything = {name: frozenset(choices.values) for name, choices in self.choices.items()}
        here = {name: dict.fromkeys(each, anything[name]) for name, each in self.lines.items()}
        made = {name: dict.fromkeys(each, Values()) for name, each in self.lines.items()}
        may = dict(anything)  # of anybody, where each has it of their own
        for at, starting in sorted(self._starts().items(), key=lambda one: one[0]):
            for name, whose, values, anew in starting:
                here[name][whose] = values
                made[name][whose] = Values() if anew else made[name][whose]
            begun = {name for name, *_ in starting}
            for name in begun:
                may[name] = Values().union(*here[name].values(), *made[name].values())
            now_on = self._come(may)
            for number in now_on:
                for name in self.happenings[number].makes.keys() & (made.keys() if now_on != on else begun):
                    state = frozenset({key(self.happenings[number].makes[name])})
                    may[name] |= state
                    made[name] = {whose: values | state for whose, values in made[name].items()}
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
            old = [r for r in self.lasts[name] if self._made(r) < before and value_of(fact, r) != key(state) and id(r) not in self.again]
            text = f"`{fact.name}` can change by itself (`{happening.name}`), and {since}: it must be verified again."
            missing = Missing(fact.name, "must-be-verified-again", text, how_to_find_out(fact) + (self._together(name) if old else ""))
            self.again.update(id(report) for report in old)
            self.doubts += [Doubt(missing, report.by if fact.per_person else None) for report in old]

    def _together(self, name: str) -> str:
        """What else is to be looked at with it: reported one after the other, facts that change each other put each other in doubt."""
        others = [self.facts[other].name for other in _change_each_other(self.happenings, name)]
        if not others:
            return ""
        return f" It and {' and '.join(f'`{other}`' for other in others)} can change each other: report them with one and the same time."

    def _made(self, report: Evidence) -> datetime:
        """When a report was made at the earliest: where it is later than now its clock is ahead, by CLOCKS_DIFFER at most."""
        return report.at if report.at <= self.now else report.at - CLOCKS_DIFFER

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


TOLD_OTHERWISE = "by what was reported it may have since"


def standing(
    happenings: Iterable[Happening], facts: Mapping[str, Fact], evidence: Sequence[Evidence], now: datetime
) -> tuple[Sequence[Evidence], Sequence[Doubt]]:
    """The reports that nothing which may have come about meanwhile has put in doubt, and the doubts. Reports passed check_evidence."""
    several = tuple(happenings)
    if not several or len({key(report.fact) for report in evidence}) == len(evidence):  # nothing is told twice, so nothing otherwise
        return evidence, ()
    verifying = Verifying(facts, evidence, now, several)
    for each, before in zip(several, doubted_before(several, facts, lines_of(facts, evidence, now), now), strict=True):
        verifying.look(each, before, TOLD_OTHERWISE)
    return (verifying.kept(), verifying.doubts) if verifying.doubts else (evidence, ())
