"""What was said last of each fact, of the machine and of each person by themselves, and so what may be so.

All that was reported of a fact, whatever its age and source, and all that steps made of it stand in one line of time for each person (one
for what is of the machine). From it follow three things, and each has its own rules:

1.  **What grants** is known by reports that count: of an accepted source, not from the future, not too old, and not ended by a later step
    or by what may have happened since (`ended`, `happened`).
2.  **What stops** is whatever may be so by the last word. A report that is accepted and not from the future takes the place of all that
    was said or made before it; nothing else takes anything away. A report that does not count, what a step has made, a second report that
    contradicts the first: each only adds what may be so (what comes of a step begun is asked of its own clearance). Nor does age take away:
    what was said last still stops when it is too old to grant. What nobody said anything of stops nothing.
3.  **What may have happened since** is judged over all that was reported (`happened`).

A stop is known where reports that count say so by themselves: then the work is interrupted. Where it only may be, the next step waits.
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from itertools import product
from math import prod

from fieldworthy.core.answer.evidence import (
    CLOCKS_DIFFER,
    Evidence,
    Known,
    Missing,
    earliest,
    how_to_find_out,
    is_ahead,
    said,
    source_counts,
    value_of,
    weigh,
)
from fieldworthy.core.answer.hazards import MOST_PERSONS
from fieldworthy.core.answer.others import Made
from fieldworthy.core.answer.progress import Progress, worker_of
from fieldworthy.core.base.names import key, tidy
from fieldworthy.core.base.truth import truth
from fieldworthy.core.base.vocabulary import Fact
from fieldworthy.core.condition.ast import Condition, IfThen, Joined, Not, NumberTest, StateTest
from fieldworthy.core.condition.walk import Value, evaluate, judge, names_of

MOST_TOGETHER = 100
"""So many choices of values are looked at together, where more than one may be so."""
Whose = str | int
"""Whose fact it is: a name (names.tidy), or a number of its own for each report without one. ALL: the machine's, or a nameless worker's."""
ALL = ""


@dataclass(frozen=True, slots=True)
class Word:
    """
    What a report says (counts: it is accepted and not from the future), or what a step made (step: its number, 0 of other work; a value of
    None is any then).
    """

    at: datetime
    value: Value
    report: Evidence | None = None
    counts: bool = False
    step: int | None = None


Lines = Mapping[str, Mapping[Whose, Sequence[Word]]]
"""Of each fact (names.key) the words on it of each, in order of time."""


@dataclass(frozen=True, slots=True)
class Span:
    """The time in which something was asked for: what was said from `since` on and before `until`, unless it was said anew after that."""

    since: datetime | None = None
    until: datetime | None = None


EVER = Span()


@dataclass(frozen=True, slots=True)
class Told:
    """may: of each fact that anything was said of (names.key), every value that may be so; known: the one that is, by good reports."""

    whose: Whose | None
    may: Mapping[str, Collection[Value]]
    known: Mapping[str, Value]

    def without(self, names: Collection[str]) -> "Told":
        """The same, of other facts."""
        if not names:
            return self
        may = {n: v for n, v in self.may.items() if n not in names}
        return Told(self.whose, may, {n: v for n, v in self.known.items() if n not in names})


@dataclass(frozen=True, slots=True)
class Words:
    """facts: the rulebook's."""

    facts: Mapping[str, Fact]
    now: datetime
    lines: Lines
    seen: dict[tuple[str, Whose, Span], tuple[Collection[Value], Value]] = field(default_factory=dict)

    def told(self, c: Condition, span: Span = EVER, of: Collection[Whose] | None = None) -> Sequence[Told]:
        """
        What was said last of what a condition names: of the machine, and of each person. of: of nobody but these.

        What was said without a name may be of anybody, so it adds to what may be so of each: of several facts that are joined here, and of
        those who alone are meant. Of one fact of everybody it stands by itself. Persons of whom the same was said are told once; of more
        than MOST_PERSONS only what may be so of any of them.
        """
        names = list(dict.fromkeys(names_of(c)))
        own = [name for name in names if self.facts[name].per_person]
        machine = self._told(None, {name: ALL for name in names if name not in own}, span)
        if not own:
            return (machine,)
        whose = list(dict.fromkeys(of if of is not None else (w for name in own for w in self.lines.get(name, {}))))
        several = [self._told(each, dict.fromkeys(own, each), span) for each in whose]
        if of is not None or len(own) > 1:
            several = [self._joined(theirs, own, span) for theirs in several]
        alike: dict[object, Told] = {}
        for theirs in several:
            if theirs.may:
                alike.setdefault((frozenset((n, tuple(v)) for n, v in theirs.may.items()), frozenset(theirs.known.items())), theirs)
        persons = sorted(alike.values(), key=lambda one: sorted((n, str(list(v))) for n, v in one.may.items()))
        told = [Told(p.whose, {**machine.may, **p.may}, {**machine.known, **p.known}) for p in persons[:MOST_PERSONS]]
        if rest := persons[MOST_PERSONS:]:
            any_of = {n: tuple({v for p in rest for v in p.may.get(n, ())}) for n in own}
            told.append(Told(None, {**machine.may, **any_of}, machine.known))
        return (*told, machine) if of is None else told

    def _joined(self, theirs: Told, own: Iterable[str], span: Span) -> Told:
        """With what was said without a name, of whoever has a name from what they last said themselves on: it may be theirs."""
        whose, may = theirs.whose, dict(theirs.may)
        for name in own:
            words = self.lines.get(name, {})
            nameless = [replace(word, counts=False) for word in words.get(ALL, ())]
            mine = words.get(whose, ()) if isinstance(whose, str) and whose != ALL else ()
            values, _ = self._look(self.facts[name], sorted((*mine, *nameless), key=lambda word: word.at), span)
            if values:
                may[name] = tuple(dict.fromkeys((*may.get(name, ()), *values)))
        return Told(whose, may, theirs.known)

    def _told(self, whose: Whose | None, names: Mapping[str, Whose], span: Span) -> Told:
        may: dict[str, Collection[Value]] = {}
        known: dict[str, Value] = {}
        for name, each in names.items():
            values, value = self._last(name, each, span)
            if values:
                may[name] = values
            if value is not None:
                known[name] = value
        return Told(whose, may, known)

    def _last(self, name: str, whose: Whose, span: Span) -> tuple[Collection[Value], Value]:
        at = name, whose, span
        if at not in self.seen:
            self.seen[at] = self._look(self.facts[name], self.lines.get(name, {}).get(whose, ()), span)
        return self.seen[at]

    def _look(self, fact: Fact, words: Sequence[Word], span: Span) -> tuple[Collection[Value], Value]:
        """Every value that may be so, and the one that is known."""
        since, until = span.since, span.until
        if until is not None and any(w.counts and self._made(w) >= until for w in words):
            return (), None
        ahead = self.now + CLOCKS_DIFFER  # a clock further ahead than that tells no time at all
        words = [w for w in words if (since is None or w.at >= since) and (until is None or self._made(w) < until or w.at > ahead)]
        last = max((w.at for w in words if w.counts), default=None)
        if last is None:
            return tuple(dict.fromkeys(w.value for w in words)), None
        sure = not any(w.at == last and w.report is not None and is_ahead(w.report, self.now) for w in words if w.counts)
        back = last if sure else last - CLOCKS_DIFFER  # a clock is ahead: what was said a little before may be the newer
        said_last = dict.fromkeys(w.value for w in words if w.counts and w.at >= back)
        beside = [w for w in words if not w.counts and (w.at > back if w.report is None else w.at >= back)]
        old = fact.good_for is not None and self.now - last > fact.good_for
        doubted = any(w.step is not None and w.value not in said_last for w in beside)
        known = None if len(said_last) > 1 or old or doubted else next(iter(said_last))
        return tuple(said_last | dict.fromkeys(w.value for w in beside)), known

    def _made(self, word: Word) -> datetime:
        """When it was said at the earliest; what a step made was made at the time of that step."""
        return word.at if word.report is None else earliest(word.report, self.now)

    def why(self, name: str, told: Told, span: Span, of: str) -> Missing | None:
        """Why what may be so of a fact is not known; None where it is. of: what was asked for, in words."""
        fact = self.facts[name]
        if name not in told.may or (name in told.known and len(told.may[name]) == 1 and span.until is None):
            return None
        how = how_to_find_out(fact)
        if told.whose is None and fact.per_person:
            text = f"The reports of more persons than {MOST_PERSONS} say different things of `{fact.name}`."
            return Missing(fact.name, "contradictory", text, how)
        whose: Whose = told.whose if told.whose is not None and fact.per_person else ALL
        words = self.lines[name].get(whose, ())
        reports = [w.report for w in words if w.report is not None]
        person = next((r.by for r in reports if r.by), whose if isinstance(whose, str) else None) if fact.per_person else None
        about = f" for `{person}`" if person else " for who did it" if fact.per_person else ""
        if span.until is not None:
            text = f"What was last reported of `{fact.name}` broke the {of}, and it has not been reported since that step was over."
            return Missing(fact.name, "must-be-reported-again", text, how)
        found = weigh({name: fact}, reports, self.now)[name]
        last = max((w.at for w in words if w.counts), default=None)
        made = next((w for w in reversed(words) if w.step is not None and (last is None or w.at > last)), None)
        if made is not None and (not isinstance(found, Missing) or found.why in ("not-reported", "too-old")):
            if fact.per_person:
                text = f"Step {made.step} changed `{fact.name}`{about}, and they have not reported it since."
                if not person:
                    how += " Send who did it (`by`) with the step and with the report."
            else:
                text = f"Step {made.step} makes `{fact.name}` `{said(fact, made.value)}`, and it has not been reported since."
            return Missing(fact.name, "must-be-reported-again", text, how)
        nameless = self._without_name(fact, words, told, found) if fact.per_person else None
        if nameless is not None:
            whom = f"of `{person}`" if person else "of anybody"
            text = f"A report of `{fact.name}` without a name says `{said(fact, nameless)}`, and it may be {whom}."
            return Missing(fact.name, "contradictory", text, f"{how} Send each report with `by`, who reports it.")
        if isinstance(found, Missing):
            return found
        other = next((w.value for w in reversed(words) if not w.counts), None)
        text = f"A report that does not count says of `{fact.name}` that it is `{said(fact, other)}`, and none that counts says so since."
        return Missing(fact.name, "source-not-accepted", text, how)

    def _without_name(self, fact: Fact, words: Sequence[Word], told: Told, found: Known | Missing) -> Value:
        """What it may be by nothing but reports without a name. found: what is known by these words, which are those of one person."""
        theirs = {w.value for w in words}
        if told.whose == ALL:
            theirs = {found.value} if isinstance(found, Known) else theirs
        may = told.may[key(fact.name)]
        said_so = (w.value for w in self.lines[key(fact.name)].get(ALL, ()) if w.report is not None)
        return next((value for value in said_so if value in may and value not in theirs), None)


def may_be(c: Condition, wanted: bool, may: Mapping[str, Collection[Value]]) -> bool:
    """
    Whether a condition may be true (or false: `wanted`) by what may be so of each fact. What nothing was said of decides nothing.

    Over-cautious beyond MOST_TOGETHER choices of values, never the other way: each test is then taken by itself.
    """
    if not _may_be(c, wanted, may):
        return False
    several = {name: may[name] for name in names_of(c) if name in may}
    if prod(map(len, several.values())) > MOST_TOGETHER:
        return True
    choices = (dict(zip(several, values, strict=True)) for values in product(*several.values()))
    return any(evaluate(c, values) is truth(wanted) for values in choices)


def _may_be(c: Condition, wanted: bool, may: Mapping[str, Collection[Value]]) -> bool:
    match c:
        case StateTest() | NumberTest():
            return any(judge(c, value) is truth(wanted) for value in may.get(key(c.fact), ()))
        case Not(part):
            return _may_be(part, not wanted, may)
        case IfThen(given, then):
            return _may_be(Joined("or", (Not(given), then)), wanted, may)
        case Joined(op, parts):
            several = (_may_be(part, wanted, may) for part in parts)
            return any(several) if (op == "or") is wanted else all(several)


def all_words(progress: Progress) -> Words:
    """All that was reported and all that steps made, in order of time."""
    question, facts = progress.question, progress.book.vocabulary.facts
    return Words(facts, question.now, lines_of(facts, question.evidence, question.now, _made(progress)))


def told_and_done(progress: Progress) -> Lines:
    """The same, what the step begun is making since it was begun, and what the steps of other work made."""
    question, facts = progress.question, progress.book.vocabulary.facts
    made = [*_made(progress), *_made(progress, begun=True), *by_others(question.made)]
    return lines_of(facts, question.evidence, question.now, made)


def by_others(made: Iterable[Made]) -> Iterable[tuple[str, Whose, Word]]:
    """What the steps of other work made: of which fact, and whose it is."""
    for each in made:
        yield key(each.fact), tidy(each.whose or ""), Word(each.at, None if each.state is None else key(each.state), step=0)


def _made(progress: Progress, begun: bool = False) -> Iterable[tuple[str, Whose, Word]]:
    """What the steps done made, or the step begun makes: of which fact, and whose it is."""
    for each, name, state in progress.changes_begun() if begun else progress.changed_by():
        yield name, worker_of(progress, each.step), Word(each.at, key(state), step=each.step)


def lines_of(facts: Mapping[str, Fact], evidence: Iterable[Evidence], now: datetime, made: Iterable[tuple[str, Whose, Word]] = ()) -> Lines:
    """All that was said of each fact (names.key) of each, in order of time. made: what steps made of which, and whose it is."""
    lines: dict[str, dict[Whose, list[Word]]] = {}

    def put(name: str, whose: Iterable[Whose], word: Word) -> None:
        for each in whose if facts[name].per_person else (ALL,):
            lines.setdefault(name, {}).setdefault(each, []).append(word)

    for number, report in enumerate(evidence):
        name = key(report.fact)
        counts = source_counts(facts[name], report) and report.at <= now + CLOCKS_DIFFER
        named = tidy(report.by or "")
        put(name, (named,) if named else (number, ALL), Word(report.at, value_of(facts[name], report), report, counts))
    for name, worker, word in made:
        put(name, (worker,), word)
    return {n: {w: sorted(words, key=lambda word: word.at) for w, words in each.items()} for n, each in lines.items()}
