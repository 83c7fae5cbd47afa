"""Whether a hazard is excluded: now and once the action is done, for every person, and whatever the machine does by itself from there."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from fieldworthy.core.answer.asked import Asked
from fieldworthy.core.answer.evidence import FOREVER, Doubt, Evidence, Known, Missing, away, how_to_find_out, source_counts, weigh
from fieldworthy.core.answer.first import Place, workings
from fieldworthy.core.answer.lasting import stands_until
from fieldworthy.core.answer.others import same_person
from fieldworthy.core.base.names import key, tidy
from fieldworthy.core.base.truth import Truth
from fieldworthy.core.base.vocabulary import Fact
from fieldworthy.core.condition.ast import Condition, Not
from fieldworthy.core.condition.evaluate import Shortfall, Value, evaluate, names_of, shortfall
from fieldworthy.core.procedure.ahead import Ahead, Looks, TooFar, look_ahead
from fieldworthy.core.procedure.bits import Danger, Move
from fieldworthy.core.procedure.model import Happening
from fieldworthy.core.rulebook.model import CheckedRulebook

MOST_PERSONS = 50
"""So many persons of whom different things are known are looked at one by one; of more it counts what all their reports add up to."""
MOST_LOOKS = 100_000
"""So often a happening or hazard is looked at for one question; a hazard that is not shown to be excluded by then is not."""


@dataclass(frozen=True, slots=True)
class State:
    """
    What is known, of one person where that is of each. ends: of the known facts, the last good instant of their evidence (FOREVER where
    absent). fixed: the facts that the action makes so. after: once it is done. nobody: of everybody at rest of whom nothing else is known.
    """

    values: Mapping[str, Value]
    ends: Mapping[str, datetime]
    fixed: frozenset[str] = frozenset()
    after: bool = False
    nobody: bool = False


@dataclass(frozen=True, slots=True)
class OfOne:
    """What is known where one person is meant. worker: whether they are at work here."""

    worker: bool
    values: Mapping[str, Value]


@dataclass(frozen=True, slots=True)
class Persons:
    """
    What is known of each person, by what was reported of them alone. away: by fact (names.key) who is not at rest (None: not said), and
    what is known of them. reports: of each, those of what each has of their own. facts: these; moment: of the question.
    said: of which anybody has reported something, and which is not in doubt for everybody.
    """

    away: Mapping[str, Sequence[tuple[str | None, Known | Missing]]]
    reports: Sequence[Sequence[Evidence]]
    facts: Mapping[str, Fact]
    moment: datetime
    said: frozenset[str] = frozenset()

    def each(self, values: Mapping[str, Value], worker: str | None) -> Sequence[OfOne]:
        """
        What is known where one person is meant, by their own good reports; values: of all else. Persons of whom the same is known are
        told once, who is at work first.
        """
        persons: dict[tuple[bool, frozenset[tuple[str, Value]]], Mapping[str, Value]] = {}
        for reports in self.reports:
            found = weigh({key(r.fact): self.facts[key(r.fact)] for r in reports}, reports, self.moment)
            own = {name: known.value for name, known in found.items() if isinstance(known, Known)}
            persons[same_person(reports[0].by, worker), frozenset(own.items())] = own
        told = sorted(persons.items(), key=lambda one: (not one[0][0], sorted((name, str(value)) for name, value in one[1].items())))
        alone = [OfOne(at_work, {**values, **own}) for (at_work, _), own in told[:MOST_PERSONS]]
        return alone if len(told) <= MOST_PERSONS else [*alone, OfOne(False, values)]

    def now(self, known: State) -> list[State]:
        """The state as it is known, and as it is of each person of whom there is a good report."""
        apart = {(name, each.value): each for name, several in self.away.items() for _, each in several if isinstance(each, Known)}
        swapped = [State({**known.values, n: v}, {**known.ends, n: e.until}) for (n, v), e in apart.items() if known.values.get(n) != v]
        return [known, *swapped, *(whole for _, whole in self._wholes(known))]

    def _wholes(self, known: State, asks: str | None = None) -> Sequence[tuple[bool, State]]:
        """
        The state as it is of each person not at rest by their own reports alone, and whether it is who asks: at rest in what they have not
        reported, where anybody has. What was reported without a name may be theirs too. Persons of whom the same is known are told once, to
        the first end of their evidence; of more than MOST_PERSONS that differ nothing is known.
        """
        if len(self.facts) < 2:  # where they are is all that there is of them
            return ()
        nameless: dict[tuple[str, Value], Known] = {}
        for name, several in self.away.items():
            for who, each in several:
                if who is None and isinstance(each, Known):
                    nameless[name, each.value] = min(each, nameless.get((name, each.value), each), key=lambda k: k.until)
        alike: dict[tuple[bool, frozenset[tuple[str, Value]]], dict[str, datetime]] = {}
        many = len(nameless) > MOST_PERSONS
        for by, reports in self._persons(asks):
            if many:
                break
            own = self._own(by, reports)
            for name, value in [("", None), *nameless]:
                values = {n: v for n, (v, _) in own.items()} | ({name: value} if name else {})
                ends = alike.setdefault((same_person(by, asks), frozenset(values.items())), {})
                for n in values:
                    until = nameless[name, value].until if n == name else own[n][1]
                    ends[n] = min(until, ends.get(n, FOREVER))
            many = len(alike) > MOST_PERSONS
        machine = {n: v for n, v in known.values.items() if n not in self.facts}
        ends_of = {n: end for n, end in known.ends.items() if n not in self.facts}
        if many:
            return ((False, State(machine, ends_of)),)
        return [(mine, State({**machine, **dict(own)}, {**ends_of, **ends})) for (mine, own), ends in alike.items()]

    def _persons(self, asks: str | None) -> Iterator[tuple[str | None, Sequence[Evidence]]]:
        """Everybody who has a name and is not at rest, and whoever asks, with their reports."""
        away = {tidy(who or "") for several in self.away.values() for who, _ in several}
        told = {tidy(reports[0].by or ""): reports for reports in self.reports}
        for who in dict.fromkeys((*told, *away, *([tidy(asks)] if asks else []))):
            if who and (who in away or who == tidy(asks or "")):
                yield who, told.get(who, ())

    def _own(self, by: str | None, reports: Sequence[Evidence]) -> Mapping[str, tuple[Value, datetime]]:
        """What is known of one person by their reports, and how long. In what they have not reported, and others have, they are at rest."""
        own: dict[str, tuple[Value, datetime]] = {}
        found = weigh({key(r.fact): self.facts[key(r.fact)] for r in reports}, reports, self.moment)
        for name, fact in self.facts.items():
            each = next((told for who, told in self.away[name] if same_person(who, by)), found.get(name))
            if isinstance(each, Known):
                own[name] = each.value, each.until
            elif name in self.said and fact.states and (each is None or (each.why == "too-old" and not self._is_away(name, by))):
                own[name] = key(fact.states[0]), FOREVER  # who was at rest need not say so again
        return own

    def _is_away(self, name: str, by: str | None) -> bool:
        return any(same_person(who, by) for who, _ in self.away[name])

    def after(self, known: State, makes: Mapping[str, str], asks: str | None) -> list[State]:
        """
        The state once the action is done, of whoever does it and of each other person who is not at rest: what one does changes nothing of
        where another is. What is not reported of the other is not known. Where it is not said who asks, everybody is another.
        """
        fixed = frozenset(makes)
        values = {**known.values, **{name: key(state) for name, state in makes.items()}}
        ends = {name: end for name, end in known.ends.items() if name not in fixed}
        own = [name for name in makes if name in self.away]
        alike: dict[tuple[Value, ...], dict[str, datetime]] = {}  # of those who are at one place, the first end counts
        for reported in self._others(asks, own):
            theirs = {n: each for n, each in reported.items() if isinstance(each, Known)}
            until = alike.setdefault(tuple(theirs[n].value if n in theirs else None for n in own), {})
            until.update({n: min(each.until, until.get(n, FOREVER)) for n, each in theirs.items()})
        whoever = {name: value for name, value in values.items() if name not in own}
        others = [
            State(
                whoever | {n: v for n, v in zip(own, place, strict=True) if v is not None}, {**ends, **until}, fixed.difference(own), True
            )
            for place, until in alike.items()
        ]
        several = self._wholes(known, asks)
        wholes = [self._then(whole, makes, mine) for mine, whole in several]
        if (
            asks is None and len(self.facts) > 1 and any(name in self.facts for name in makes)
        ):  # then it may be any of them, or anybody else
            machine = {n: v for n, v in known.values.items() if n not in self.facts}
            rests = {n: key(f.states[0]) for n, f in self.facts.items() if f.states and n in self.said}
            anybody = State(machine | rests, {n: end for n, end in known.ends.items() if n not in self.facts})
            wholes += [self._then(each, makes, True) for each in (*(whole for _, whole in several), anybody)]
        return [State(values, ends, fixed, True), *others, *wholes]

    def _then(self, whole: State, makes: Mapping[str, str], mine: bool) -> State:
        """The state of one person once the action is done."""
        made = {n: key(state) for n, state in makes.items() if mine or n not in self.facts}
        return State({**whole.values, **made}, {n: e for n, e in whole.ends.items() if n not in made}, frozenset(made), True)

    def _others(self, asks: str | None, facts: Iterable[str]) -> Iterable[Mapping[str, Known | Missing]]:
        """What is known of each other person who is not at rest in one of these facts (names.key), of those in which they are not."""
        others: dict[object, dict[str, Known | Missing]] = {}
        for name in facts:
            for n, (who, each) in enumerate(self.away[name]):
                if not same_person(who, asks):
                    others.setdefault(tidy(who or "") or (name, n), {})[name] = each
        return others.values()

    def places(self, asks: str | None, known: Mapping[str, Value]) -> Sequence[Place]:
        """
        Where everybody is who is not at rest. Persons who are at one place are told once; of more others than MOST_PERSONS it is said of
        nobody where they are. known: what all reports add up to.
        """
        several = list(self._others(asks, self.away))
        others = {tuple((n, each.value if isinstance(each, Known) else None) for n, each in one.items()) for one in several}
        told = [Place(dict(place)) for place in sorted(others, key=str)]
        if len(told) > MOST_PERSONS:
            told = [Place(dict.fromkeys(name for place in told for name in place.at))]
        if asks is None and len(several) == 1:  # nobody says that it is another
            return [Place(told[0].at, asks=None)]
        mine = {n: e.value for n, away_ in self.away.items() for who, e in away_ if same_person(who, asks) and isinstance(e, Known)}
        wholes = [(who, self._of_own(whole)) for who, whole in self._wholes(State(known, {}), asks)]
        told += [Place(at, own=own) for who, (at, own) in wholes if at and not who]
        me = next(((at, own) for who, (at, own) in wholes if who), (mine, None))
        return [*told, Place(me[0], asks=True, own=me[1])] if me[0] else told

    def _of_own(self, whole: State) -> tuple[Mapping[str, Value], Mapping[str, Value]]:
        """Of one person that in which they are not at rest, and all that is their own and known."""
        at = {n: whole.values.get(n) for n, f in self.facts.items() if not f.states or whole.values.get(n) != key(f.states[0])}
        return at, {n: v for n, v in whole.values.items() if n in self.facts}

    def missing(self, fact: Fact) -> Missing:
        """Why a fact is not known of one of them."""
        found = next((each for _, each in self.away.get(key(fact.name), ()) if isinstance(each, Missing)), None)
        text = f"`{fact.name}` was not reported of each person of whom it has to be known."
        return found or Missing(fact.name, "not-reported", text, how_to_find_out(fact))


def persons_of(facts: Mapping[str, Fact], evidence: Sequence[Evidence], now: datetime, doubts: Sequence[Doubt] = ()) -> Persons:
    """
    Reports passed check_evidence. A report without a name may be anybody's, and counts for one person more. doubts: of whom a fact is not
    known, whatever they have reported: they may be anywhere.
    """
    own = {name: fact for name, fact in facts.items() if fact.per_person}
    theirs: dict[str | int, list[Evidence]] = {}
    for number, report in enumerate(evidence):
        if key(report.fact) in own:
            theirs.setdefault(tidy(report.by or "") or number, []).append(report)
    apart: dict[str, list[tuple[str | None, Known | Missing]]] = {name: list(away(fact, evidence, now)) for name, fact in own.items()}
    for doubt in doubts:
        name = key(doubt.missing.fact)
        if name in own:
            others = [(who, each) for who, each in apart[name] if not same_person(who, doubt.whose)]
            apart[name] = [*others, (doubt.whose, doubt.missing)]
    said = {key(r.fact) for r in evidence if key(r.fact) in own and source_counts(own[key(r.fact)], r)}
    said -= {key(doubt.missing.fact) for doubt in doubts if not doubt.whose}
    return Persons(apart, tuple(theirs.values()), own, now, frozenset(said))


@dataclass(frozen=True, slots=True)
class Look:
    """
    What was found of a hazard in a state. found: YES where it is there, or can come about by itself; NO stands until `until`.

    over: the happenings that lead to it. others: what each other person has of their own (None: not known), by whom they may come about;
    rests: the same of everybody at rest. shown: False where that was not looked at to its end.
    """

    found: Truth
    until: datetime
    state: State
    over: tuple[Happening, ...] = ()
    others: tuple[Mapping[str, Value], ...] = ()
    rests: Mapping[str, Value] = field(default_factory=dict)
    shown: bool = True


class Hazards:
    """The hazards that matter for a question, and whether each is excluded."""

    def __init__(self, book: CheckedRulebook, asked: Asked) -> None:
        ready = workings(book)
        self._book, self._ready, self._bits, self._looks = book, ready, ready.bits, Looks(MOST_LOOKS)
        self._rests = {n: key(f.states[0]) if f.states else None for n, f in book.vocabulary.facts.items() if f.per_person}
        # those that share a fact with what is asked for, or with what can happen over what the action makes
        near = ready.bits.mask(asked.involved()) | ready.overtaken(ready.bits.mask(asked.makes))
        self.near = [danger for danger in ready.dangers if danger.reads & near]

    def named(self, danger: Danger) -> Iterator[str]:
        """The facts on which it hangs whether it is excluded."""
        yield from names_of(danger.hazard.never)
        for happening in self._over(danger.stirs):
            yield from () if happening.needs is None else names_of(happening.needs)

    def look(self, danger: Danger, states: Sequence[State]) -> Look:
        """
        Over all of these states, and that of everybody at rest where they may be moved: the first in which it is, else in which it is not
        excluded; else how long none of it is so.
        """
        everybody = [*states, *self._at_rest(danger, states[0])]
        looks = [self._look(danger, state, everybody) for state in everybody]
        for bad in (Truth.YES, Truth.UNKNOWN):
            found = next((each for each in looks if each.found is bad), None)
            if found is not None:
                return found
        return min(looks, key=lambda each: each.until)

    def _look(self, danger: Danger, state: State, states: Sequence[State]) -> Look:
        """Of one person. states: of everybody."""
        if not danger.stirs and not state.nobody:
            found, end = stands_until(danger.hazard.never, state.values, state.ends)
            return Look(found, end, state)
        try:
            ahead = self._ahead(danger, state, states)
            end = self._stands(danger, state, states) if ahead.found is Truth.NO else FOREVER
        except TooFar:
            return Look(Truth.UNKNOWN, FOREVER, state, shown=False)
        others = tuple({name: each.values.get(name) for name in self._rests} for each in states if each is not state)
        return Look(ahead.found, end, state, tuple(self._over(ahead.over)), others, self._rests)

    def _at_rest(self, danger: Danger, one: State) -> Iterator[State]:
        """The state of everybody of whom nothing else is known, where it may be another than this one and happenings move them."""
        moved = any(each.writes & self._ready.persons for each in danger.stirs)
        if moved and any(one.values.get(name) != state for name, state in self._rests.items()):
            values = {name: value for name, value in {**one.values, **self._rests}.items() if value is not None}
            ends = {name: end for name, end in one.ends.items() if name not in self._rests}
            yield State(values, ends, one.fixed.difference(self._rests), one.after, nobody=True)

    def _ahead(self, danger: Danger, state: State, states: Sequence[State]) -> Ahead:
        others = self._ready.others(self._of(each) for each in states)
        return look_ahead(danger, self._of(state), self._looks, others)

    def _of(self, state: State) -> int:
        """The bits; of somebody at rest a number is not known, and decides nothing."""
        bits = self._bits.state(state.values)
        return bits & ~self._ready.persons | self._ready.rests if state.nobody else bits

    def _stands(self, danger: Danger, state: State, states: Sequence[State]) -> datetime:
        """How long an excluded hazard stays so: to the first end of evidence without which, and all that ended before, it is not."""
        named = set(self.named(danger))

        def left(of: State, end: datetime) -> State:
            values = {n: value for n, value in of.values.items() if n not in named or of.ends.get(n, FOREVER) > end}
            return State(values, of.ends, nobody=of.nobody)

        ends = {each.ends.get(name, FOREVER) for each in (state, *states) for name in named if name in each.values}
        for end in sorted(ends - {FOREVER}):
            if self._ahead(danger, left(state, end), [left(each, end) for each in states]).found is not Truth.NO:
                return end
        return FOREVER

    def _over(self, moves: Iterable[Move]) -> Iterator[Happening]:
        return (self._book.works.happenings[key(move.name)] for move in moves)


def of_hazard(look: Look, never: str, by_itself: str) -> tuple[str, str]:
    """The code of what was found of a hazard, and the words that follow its name."""
    if look.found is Truth.UNKNOWN:
        about = f"`{never}` comes about{by_itself}" if by_itself else f"`{never}`"
        return "hazard-not-excluded", f"can't be excluded: whether {about} is not known"
    if look.state.after:
        return "hazard-follows", f"would be present after the action{by_itself}: `{never}`"
    if by_itself:
        return "hazard-threatens", f"can come about now{by_itself}: `{never}`"
    return "hazard-present", f"is present now: `{never}`"


def lacks(never: Condition, look: Look, mended: Mapping[str, Value]) -> Iterator[tuple[Shortfall, Mapping[str, Value]]]:
    """
    What would have to change for a hazard to be excluded that was found there, and what it is now: that it is not once all has happened,
    else that one of the happenings can't. mended: what has to change anyway, as it must be; no second way out is asked for then.
    """
    values, outs = dict(look.state.values), []
    for happening in look.over:
        if happening.needs is not None:
            known = _by_whom(happening.needs, values, look)
            outs += [] if known is None else [(Not(happening.needs), known, look.state.fixed)]
        values |= {name: key(state) for name, state in happening.makes.items()}
    moved = {name for happening in look.over for name in happening.makes}
    outs.append((Not(never), values, look.state.fixed | moved))
    if look.found is Truth.UNKNOWN:
        yield from ((shortfall(c, known, fixed), known) for c, known, fixed in outs if evaluate(c, known) is Truth.UNKNOWN)
        return
    short = [(shortfall(c, {**known, **mended}, fixed), known, fixed) for c, known, fixed in reversed(outs)]
    free = (each for each in short if not each[2] & {change.fact for change in each[0].changes})
    best = next(free, short[0])
    yield best[0], best[1]


def _by_whom(needs: Condition, values: Mapping[str, Value], look: Look) -> Mapping[str, Value] | None:
    """What is so where a happening comes about: by whom is meant here, else by the first other by whom it may. None: for all at rest."""
    for own in ({}, *look.others):
        known = {**values, **own}
        if evaluate(needs, known) is not Truth.NO:
            return known
    known = {**values, **look.rests}
    return known if evaluate(needs, known) is Truth.UNKNOWN else None
