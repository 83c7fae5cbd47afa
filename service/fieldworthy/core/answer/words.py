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
from dataclasses import dataclass, field
from datetime import datetime
from itertools import product
from math import prod

from fieldworthy.core.answer.evidence import CLOCKS_DIFFER, Evidence, Missing, how_to_find_out, said, source_counts, value_of, weigh
from fieldworthy.core.answer.hazards import MOST_PERSONS
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
    """What a report says (counts: it is accepted and not from the future), or what a step made (then step is set)."""

    at: datetime
    value: Value
    report: Evidence | None = None
    counts: bool = False
    step: int | None = None


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
    """facts: the rulebook's; lines: of each fact (names.key) the words on it of each, in order of time."""

    facts: Mapping[str, Fact]
    now: datetime
    lines: Mapping[str, Mapping[Whose, Sequence[Word]]]
    seen: dict[tuple[str, Whose, Span], tuple[Collection[Value], Value]] = field(default_factory=dict)

    def told(self, c: Condition, span: Span = EVER, worker: Whose | None = None) -> Sequence[Told]:
        """
        What was said last of what a condition names: of the machine, and of each person. worker: of nobody but this one.

        Persons of whom the same was said are told once; of more than MOST_PERSONS only what may be so of any of them.
        """
        names = list(dict.fromkeys(names_of(c)))
        own = [name for name in names if self.facts[name].per_person]
        machine = self._told(None, {name: ALL for name in names if name not in own}, span)
        if not own:
            return (machine,)
        whose = [worker] if worker is not None else list(dict.fromkeys(w for name in own for w in self.lines.get(name, {})))
        alike: dict[object, Told] = {}
        for each in whose:
            theirs = self._told(each, dict.fromkeys(own, each), span)
            if theirs.may:
                alike.setdefault((frozenset((n, tuple(v)) for n, v in theirs.may.items()), frozenset(theirs.known.items())), theirs)
        persons = sorted(alike.values(), key=lambda one: sorted((n, str(list(v))) for n, v in one.may.items()))
        told = [Told(p.whose, {**machine.may, **p.may}, {**machine.known, **p.known}) for p in persons[:MOST_PERSONS]]
        if rest := persons[MOST_PERSONS:]:
            any_of = {n: tuple({v for p in rest for v in p.may.get(n, ())}) for n in own}
            told.append(Told(None, {**machine.may, **any_of}, machine.known))
        return (*told, machine) if worker is None else told

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
        if until is not None and any(w.counts and w.at >= until for w in words):
            return (), None
        ahead = self.now + CLOCKS_DIFFER  # a clock further ahead than that tells no time at all
        words = [w for w in words if (since is None or w.at >= since) and (until is None or w.at < until or w.at > ahead)]
        last = max((w.at for w in words if w.counts), default=None)
        if last is None:
            return tuple(dict.fromkeys(w.value for w in words)), None
        back = last - CLOCKS_DIFFER if last > self.now else last  # a clock is ahead: what was said a little before may be the newer
        said_last = dict.fromkeys(w.value for w in words if w.counts and w.at >= back)
        beside = [w for w in words if not w.counts and (w.at > back if w.report is None else w.at >= back)]
        old = fact.good_for is not None and self.now - last > fact.good_for
        doubted = any(w.step is not None and w.value not in said_last for w in beside)
        known = None if len(said_last) > 1 or old or doubted else next(iter(said_last))
        return tuple(said_last | dict.fromkeys(w.value for w in beside)), known

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
        words = self.lines[name][whose]
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
        if isinstance(found, Missing):
            return found
        other = next((w.value for w in reversed(words) if not w.counts), None)
        text = f"A report that does not count says of `{fact.name}` that it is `{said(fact, other)}`, and none that counts says so since."
        return Missing(fact.name, "source-not-accepted", text, how)


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
    lines: dict[str, dict[Whose, list[Word]]] = {}

    def put(name: str, whose: Iterable[Whose], word: Word) -> None:
        for each in whose if facts[name].per_person else (ALL,):
            lines.setdefault(name, {}).setdefault(each, []).append(word)

    for number, report in enumerate(question.evidence):
        name = key(report.fact)
        counts = source_counts(facts[name], report) and report.at <= question.now + CLOCKS_DIFFER
        named = tidy(report.by or "")
        put(name, (named,) if named else (number, ALL), Word(report.at, value_of(facts[name], report), report, counts))
    for done, name, state in progress.changed_by():
        put(name, (worker_of(progress, done.step),), Word(done.at, key(state), step=done.step))
    ordered = {n: {w: sorted(words, key=lambda word: word.at) for w, words in each.items()} for n, each in lines.items()}
    return Words(facts, question.now, ordered)
