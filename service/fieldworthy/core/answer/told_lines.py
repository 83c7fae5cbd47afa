"""What was told of one fact, of one whose it is, from its first word to its last: which values may have been so at which time.

What nobody had told by then, what was told too long before, and what lies between two reports that differ may have been anything; of a
number anything between them.
"""

from bisect import bisect_left, bisect_right
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime

from fieldworthy.core.answer.evidence import FOREVER, earliest, good_until, is_ahead, latest
from fieldworthy.core.answer.words import Whose, Word
from fieldworthy.core.base.names import key, tidy
from fieldworthy.core.base.quantity import Exact, Quantity
from fieldworthy.core.base.vocabulary import Fact
from fieldworthy.core.condition.ast import NumberTest
from fieldworthy.core.condition.search import threshold, values_of
from fieldworthy.core.condition.walk import Test, Value

PAST = datetime.min.replace(tzinfo=UTC)
Values = frozenset[Value]


@dataclass(frozen=True, slots=True)
class Choices:
    """The values of a fact that what happens can tell apart; of a number one for each threshold (steps) and each room between them."""

    fact: Fact
    values: Sequence[Value]
    steps: Sequence[Exact] = ()

    @property
    def rests(self) -> Values:
        """What is so of everybody of whom nothing was told; () of what is of the machine, and of numbers."""
        return frozenset({key(self.fact.states[0])} if self.fact.per_person and self.fact.states else ())

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


def choices_of(fact: Fact, tests: Sequence[Test]) -> Choices:
    steps = sorted({threshold(test, fact.unit) for test in tests if isinstance(test, NumberTest)}) if fact.is_number else []
    return Choices(fact, values_of(fact, tests), steps)


@dataclass(frozen=True, slots=True)
class Line:
    """
    What was told of a fact, of one whose it is. spans: from when on which values may be so; before the first it may be anything. reports:
    the times of those that count, in order. otherwise: since when it has not been told otherwise; PAST: it never was.
    """

    spans: Sequence[tuple[datetime, Values]]
    reports: Sequence[datetime]
    otherwise: datetime


def placed(words: Sequence[Word], now: datetime) -> Sequence[Word]:
    """
    The words in order of time, where some are reports of clocks that are ahead: such a one was made when it was known, or up to
    CLOCKS_DIFFER before its time. It is sure only where nothing was told otherwise since then.
    """
    if not any(w.report is not None and is_ahead(w.report, now) for w in words):
        return words
    last: dict[Value, datetime] = {}
    for word in words:
        last[word.value] = max(word.at, last.get(word.value, word.at))
    newest = sorted(last.items(), key=lambda one: one[1])[-2:]  # of two values
    found = []
    for word in words:
        if word.report is None or not is_ahead(word.report, now):
            found.append(word)
            continue
        first = earliest(word.report, now)
        sure = word.counts and not any(value != word.value and at >= first for value, at in newest)
        found.append(replace(word, at=latest(word.report, now), counts=sure))
        found += [] if sure else [replace(word, at=first, counts=False)]
    return sorted(found, key=lambda word: word.at)


def line_of(choices: Choices, words: Sequence[Word], now: datetime) -> Line:
    """words: in order of time."""
    sure: dict[datetime, Values] = {}
    beside: list[tuple[datetime, Value]] = []
    for word in words:
        several = choices.values if word.value is None and word.step is not None else (choices.of(word.value),)
        if word.counts or _borne_out(word, words, now):
            sure[word.at] = sure.get(word.at, Values()).union(several)
        else:
            beside += [(word.at, value) for value in several]
    times = list(sure)
    ends = {at: no_longer(choices.fact, at, values) for at, values in sure.items()}
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
    return Line(spans, times, otherwise)


def nameless_otherwise(fact: Fact, each: Mapping[Whose, Sequence[Word]], latest: datetime) -> datetime:
    """
    Since when nothing was told of a person otherwise where one of the two words has no name, and so may be of them: a report, or what a
    step made of whoever did it. PAST: it never was. each: all words of the fact, of each; latest: of the last that tells a time.
    """
    if not fact.per_person:
        return PAST
    words: dict[int, tuple[str, Word]] = {}
    for whose, several in each.items():
        for word in several:
            name = whose if isinstance(whose, str) else ""
            told = word if word.report is None else word.report
            if word.at <= latest:
                words[id(told)] = (tidy(word.report.by or "") if word.report is not None else name), word
    since, of_each = PAST, dict[str, Word]()
    current: Counter[Value] = Counter()  # of those with a name
    nameless: list[Word] = []  # the newest, and the newest that says otherwise
    for whose, word in sorted(words.values(), key=lambda one: one[1].at):
        if not whose:
            if any(w.value != word.value for w in nameless) or len(current) > (word.value in current):
                since = word.at
            nameless = [word, *(w for w in nameless if w.value != word.value)][:2]
            continue
        own = of_each.get(whose)
        if own is not None:
            current[own.value] -= 1
            if not current[own.value]:
                del current[own.value]
        current[word.value] += 1
        if any(w.value != word.value and (own is None or w.at >= own.at) for w in nameless):
            since = word.at
        of_each[whose] = word
    return since


def _borne_out(made: Word, words: Sequence[Word], now: datetime) -> bool:
    """Whether what a step made is what the next report that counts says: then it has been so since that step."""
    following = (
        next((w for w in words if w.report is not None and w.counts and earliest(w.report, now) >= made.at), None)
        if made.step is not None
        else None
    )
    return following is not None and following.value == made.value


def no_longer(fact: Fact, at: datetime, values: Values) -> datetime:
    """When a report of this time is no longer good; FOREVER where it stays so, and of who was at rest, for they need not say so again."""
    rest = fact.per_person and fact.states and values == {key(fact.states[0])}
    return FOREVER if rest else good_until(at, fact.good_for)
