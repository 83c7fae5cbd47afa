"""Whether what is reported now speaks against a procedure under way, and what the procedure has changed that must be put back.

Held against the reports: what the task and its open step hold, what confirms the last step done, and every hazard that names a fact
of the task. The open step is the one begun, else the last one done: what it holds stays true until the next step begins. Only what is
known contradicts; what is not known is missing. Of a fact `per: person` what one person's own good reports say is known of that person,
whatever others report of themselves.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from fieldworthy.core.answer.asked import Asked, Labelled
from fieldworthy.core.answer.clearance import one_state
from fieldworthy.core.answer.ended import Reports, missing_of
from fieldworthy.core.answer.evidence import Evidence, Known, Missing, said, weigh
from fieldworthy.core.answer.first import First, FirstAction, Situation, do_first
from fieldworthy.core.answer.others import holding, not_the_askers, parts_of, same_person
from fieldworthy.core.answer.progress import DoneStep, Progress
from fieldworthy.core.base.names import key, tidy
from fieldworthy.core.base.reason import Reason
from fieldworthy.core.base.truth import Truth
from fieldworthy.core.base.vocabulary import Fact, state_of
from fieldworthy.core.condition.ast import Condition, Joined, Not, StateTest
from fieldworthy.core.condition.evaluate import Value, evaluate, names_of, shortfall
from fieldworthy.core.condition.explain import render
from fieldworthy.core.procedure.check import makes_of
from fieldworthy.core.procedure.model import Hazard
from fieldworthy.core.procedure.steps import together

MOST_PERSONS = 50
"""So many persons of whom different things are known are looked at one by one; of more it counts what all their reports add up to."""


@dataclass(frozen=True, slots=True)
class Contradicts:
    """A known fact that stands against what is open: what it is, what it must be, and what asks for that, in words."""

    fact: str
    is_: str
    must_be: str
    held_by: str

    def to_json(self) -> dict[str, Any]:
        return {"fact": self.fact, "is": self.is_, "must_be": self.must_be, "held_by": self.held_by}


@dataclass(frozen=True, slots=True)
class Interrupted:
    """The work must stop. missing: facts not known, without which no way to safe is named; make_safe: that way, in order."""

    text: str
    contradicts: tuple[Contradicts, ...]
    missing: tuple[Missing, ...]
    make_safe: tuple[FirstAction, ...]
    because: tuple[Reason, ...]

    def to_json(self) -> dict[str, Any]:
        """The wire form, without `because`: that stands with the procedure's."""
        return {
            "text": self.text,
            "contradicts": [c.to_json() for c in self.contradicts],
            "missing": [m.to_json() for m in self.missing],
            "make_safe": [each.to_json() for each in self.make_safe],
        }


@dataclass(frozen=True, slots=True)
class Left:
    """
    A fact that the procedure has changed and that must still be put back. is_: as reported since, else as the step makes it.

    began: the state it had before, None where that is not known. must_be: what the task leaves it as, else its resting state.
    """

    fact: str
    is_: str
    began: str | None
    must_be: str

    def to_json(self) -> dict[str, Any]:
        return {"fact": self.fact, "is": self.is_, "began": self.began, "must_be": self.must_be}


@dataclass(frozen=True, slots=True)
class OfOne:
    """What is known where one person is meant. worker: whether they are at work here."""

    worker: bool
    values: Mapping[str, Value]


@dataclass(frozen=True, slots=True)
class Now:
    """
    What is known now by some reports. found: by names.key; values: of the known facts. each_person: what is known where one person is
    meant, by their own good reports of what is `per: person`.
    """

    reports: Reports
    found: Mapping[str, Known | Missing]
    values: Mapping[str, Value]
    each_person: Sequence[OfOne]


def known_now(progress: Progress, reports: Reports) -> Now:
    """What these reports say."""
    return _known(progress, reports, progress.book.vocabulary.facts, progress.question.now)


def last_said(progress: Progress, reports: Reports) -> Now:
    """The same, were every report good for ever and none of it from the future: it proves nothing, and may be reason enough to stop."""
    facts = {name: replace(fact, good_for=None) for name, fact in progress.book.vocabulary.facts.items()}
    return _known(progress, reports, facts, max([progress.question.now, *(r.at for r in reports.kept)]))


def _known(progress: Progress, reports: Reports, facts: Mapping[str, Fact], now: datetime) -> Now:
    found = weigh(facts, reports.kept, now)
    values = {name: each.value for name, each in found.items() if isinstance(each, Known)}
    return Now(reports, found, values, _each_person(progress, reports, values, facts, now))


def _each_person(
    progress: Progress, reports: Reports, values: Mapping[str, Value], facts: Mapping[str, Fact], now: datetime
) -> Sequence[OfOne]:
    """A report without a name may be anybody's, and counts for one person more. Persons of whom the same is known are told once."""
    last = progress.last
    worker = progress.question.by or (None if last is None else last.by)
    theirs: dict[str | int, list[Evidence]] = {}
    for number, report in enumerate(reports.kept):
        if facts[key(report.fact)].per_person:
            theirs.setdefault(number if report.by is None else tidy(report.by), []).append(report)
    persons: dict[tuple[bool, frozenset[tuple[str, Value]]], Mapping[str, Value]] = {}
    for each in theirs.values():
        found = weigh({key(r.fact): facts[key(r.fact)] for r in each}, each, now)
        own = {name: known.value for name, known in found.items() if isinstance(known, Known)}
        persons[same_person(each[0].by, worker), frozenset(own.items())] = own
    told = sorted(persons.items(), key=lambda one: (not one[0][0], sorted((name, str(value)) for name, value in one[1].items())))
    alone = [OfOne(at_work, {**values, **own}) for (at_work, _), own in told[:MOST_PERSONS]]
    return alone if len(told) <= MOST_PERSONS else [*alone, OfOne(False, values)]


# --- what speaks against it --------------------------------------------------------------------------------------------------


def open_holds(progress: Progress) -> tuple[Labelled, ...]:
    """What must be true now: what the task and its open step hold; () before the first step and after the last."""
    number = progress.done + 1 if progress.question.begun is not None else progress.done
    if number == 0 or progress.next is None:
        return ()
    return progress.asked[number - 1].holds_while_open


def confirmation(progress: Progress) -> tuple[Labelled, ...]:
    """What confirms the last step done."""
    action = progress.action(progress.done) if progress.done else None
    return () if action is None or action.confirm is None else ((f"what confirms step {progress.done}", action.confirm),)


def hazards_of(progress: Progress) -> tuple[Hazard, ...]:
    """The hazards that name a fact of the task: of its needs and holds, its steps and their actions, and what it leaves."""
    named: set[str] = set()
    for asked in progress.asked:
        named |= asked.involved()
    for condition in (progress.task.needs, progress.task.leaves):
        named |= set(names_of(condition)) if condition is not None else set()
    return tuple(h for h in progress.book.works.hazards.values() if named & set(names_of(h.never)))


def _of_whom(progress: Progress, now: Now, condition: Condition, hazard: bool = False) -> Sequence[Mapping[str, Value]]:
    """
    What is known of each person whom a condition is about: of the worker, where the task's own actions make what it names of a person
    and it is no hazard, else of everybody. () where it names nothing of a person, or nothing is known of them.
    """
    facts = progress.book.vocabulary.facts
    named = {name for name in names_of(condition) if facts[name].per_person}
    if not named or not now.each_person:
        return ()
    worker = not hazard and any(not named.isdisjoint(asked.makes) for asked in progress.asked)
    return [each.values for each in now.each_person if each.worker or not worker]


def find_interruption(progress: Progress, now: Now, sure: Now, before: Now) -> Interrupted | None:
    """
    What is known to speak against it; None where nothing does, and before anything was done.

    now: by the reports that no step has overtaken; sure: by those of them that need not be verified again, for the way to safe;
    before: by those that were made before the step that is begun, too: that it has begun ends what grants, and nothing that stops.
    """
    if not progress.done and progress.question.begun is None:
        return None
    facts = progress.book.vocabulary.facts
    against: list[Contradicts] = []
    because: list[Reason] = []
    begun = progress.question.begun is not None
    held = [("holds-broken", *each, True) for each in open_holds(progress)]
    held += [("not-confirmed", *each, begun) for each in confirmation(progress)]
    for code, label, condition, under_way in held:
        for known in (now.values, *_of_whom(progress, now, condition)):
            values = _without_what_comes(progress, known) if under_way else known
            if evaluate(condition, values) is Truth.NO:
                against += _contradicts(facts, condition, values, known, label)
                because.append(_reason(code, f"{_upper(label)}: `{render(condition)}` is not true.", label, condition))
                break
    for hazard in hazards_of(progress):
        told_now = (*_of_whom(progress, now, hazard.never, hazard=True), *_of_whom(progress, before, hazard.never, hazard=True))
        for known in (now.values, before.values, *told_now):
            if evaluate(hazard.never, known) is Truth.YES:
                against += _present(facts, hazard, known, against)
                told = {"hazard": hazard.name, "never": render(hazard.never)}
                because.append(Reason("hazard-present", f"Hazard `{hazard.name}` is present: `{told['never']}`.", told))
                break
    if not against:
        return None
    once = tuple(dict.fromkeys(against))
    way = _make_safe(progress, sure)
    missing = tuple(missing_of(m, facts, sure.reports.ended) for n in way.missing if isinstance(m := sure.found[n], Missing))
    text = "The work must stop: " + "; ".join(_sentences(once)) + "."
    if way.reason.code == "at-rest":
        text += f" {way.reason.text}"
    elif not way.actions and not missing:
        text += " No declared action makes it safe: keep everybody clear, and do what the machine's handbook says."
    return Interrupted(text, once, missing, way.actions, (*because, way.reason))


def unsettled(progress: Progress, now: Now, last: Now) -> tuple[tuple[Reason, ...], tuple[Missing, ...]]:
    """
    What may speak against it, for reports contradict each other, or because the last one that did is too old to count, or from the future
    (last: what was said last): a stop does not end by itself. And what must be found out before anything comes next. () before anything
    was done. Reports of several persons that differ are none where all is settled for each of them.
    """
    because: list[Reason] = []
    unknown: dict[str, None] = {}
    if progress.done or progress.question.begun is not None:
        for label, condition in (*open_holds(progress), *confirmation(progress)):
            was = (last.values, *_of_whom(progress, last, condition))
            broken = any(evaluate(condition, _without_what_comes(progress, known)) is Truth.NO for known in was)
            if lacks := _contradictory(now, condition, _of_whom(progress, now, condition)) or (_faded(now, condition) if broken else ()):
                unknown |= dict.fromkeys(lacks)
                because.append(_reason("holds-not-known", f"{_upper(label)}: `{render(condition)}` is not known.", label, condition))
        for hazard in hazards_of(progress):
            was = (last.values, *_of_whom(progress, last, hazard.never, hazard=True))
            there = any(evaluate(hazard.never, known) is Truth.YES for known in was)
            persons = _of_whom(progress, now, hazard.never, hazard=True)
            if lacks := _contradictory(now, Not(hazard.never), persons) or (_faded(now, hazard.never) if there else ()):
                unknown |= dict.fromkeys(lacks)
                text = f"Hazard `{hazard.name}` can't be excluded: whether `{render(hazard.never)}` is not known."
                because.append(Reason("hazard-not-excluded", text, {"hazard": hazard.name, "never": render(hazard.never)}))
    facts = progress.book.vocabulary.facts
    missing = [missing_of(m, facts, now.reports.ended) for name in unknown if isinstance(m := now.found[name], Missing)]
    return tuple(because), tuple(missing)


def _contradictory(now: Now, condition: Condition, persons: Sequence[Mapping[str, Value]]) -> Sequence[str]:
    """The facts not known on which it hangs whether the condition is true, where reports of one of them contradict each other; else ()."""
    if all(evaluate(condition, known) is not Truth.UNKNOWN for known in persons or (now.values,)):
        return ()
    lacks = shortfall(condition, now.values).unknown
    return lacks if any(isinstance(m := now.found[name], Missing) and m.why == "contradictory" for name in lacks) else ()


def _faded(now: Now, condition: Condition) -> Sequence[str]:
    """The facts it names that are known no longer: what was reported of them is too old, or from the future."""
    found = ((name, now.found[name]) for name in names_of(condition))
    return [name for name, each in found if isinstance(each, Missing) and each.why in ("too-old", "from-the-future")]


def _make_safe(progress: Progress, now: Now) -> First:
    """
    The shortest way to where what is open holds again and no hazard is; where there is none, to where no hazard is and all that the
    procedure has changed is at rest. A fact not known comes first: then there is no way, and it is missing. On the way no action breaks
    what is open and still holds: on the first one all of it, on the second what the task holds, which then goes on to its end.
    """
    facts = progress.book.vocabulary.facts
    first = _way_to(progress, now, (*open_holds(progress), *confirmation(progress)), open_holds(progress))
    if first.actions or first.missing or first.reason.values.get("why") == "bound":
        return first
    at_rest = tuple(("what is at rest", StateTest(facts[name].name, facts[name].states[0])) for name in made_so_far(progress))
    task = progress.task.holds
    second = _way_to(progress, now, at_rest, () if task is None else (("holds of the task", task),))
    return second if second.actions or second.missing or second.reason.code == "at-rest" else first


def _way_to(progress: Progress, now: Now, wanted: tuple[Labelled, ...], kept: tuple[Labelled, ...]) -> First:
    """The way to where `wanted` is so, on which what is true of `kept` stays so."""
    question, hazards = progress.question, hazards_of(progress)
    if all(evaluate(c, now.values) is Truth.YES for _, c in wanted) and all(evaluate(h.never, now.values) is Truth.NO for h in hazards):
        return First((), Reason("at-rest", "No hazard is present, and what the procedure has changed is at rest.", {}))
    return do_first(
        Situation(
            book=progress.book,
            asked=Asked("the way to safe", wanted),
            values=now.values,
            after=now.values,
            hazards=hazards,
            holding=holding(progress.book, question.open_work, question.by, question.task, progress.next or progress.done),
            apart=(),
            locks=not_the_askers(question.put_on, question.by),
            own=together(part for _, c in kept for part in parts_of(c) if evaluate(part, now.values) is Truth.YES),
        )
    )


def _without_what_comes(progress: Progress, values: Mapping[str, Value]) -> Mapping[str, Value]:
    """The known facts without those that the action of the step begun is just changing: it is under way, and not against itself."""
    changing = {name for _, name in progress.changing()}
    return {n: v for n, v in values.items() if n not in changing}


def _contradicts(
    facts: Mapping[str, Fact], condition: Condition, values: Mapping[str, Value], known: Mapping[str, Value], held_by: str
) -> Iterator[Contradicts]:
    """What a condition lacks by these values. known: what is so in truth."""
    for change in shortfall(condition, values).changes:
        fact = facts[change.fact]
        yield Contradicts(fact.name, said(fact, known.get(change.fact)), one_state(fact.states, change.must_be), held_by)


def _present(facts: Mapping[str, Fact], hazard: Hazard, known: Mapping[str, Value], against: Sequence[Contradicts]) -> list[Contradicts]:
    """What must change for a hazard to be gone. What stands against it already is taken as mended: no second way out is asked for."""
    held_by, named = f"hazard `{hazard.name}`", names_of(hazard.never)
    states = {key(c.fact): state_of(facts[key(c.fact)].states, c.must_be) for c in against}
    mended = {**known, **{name: key(state) for name, state in states.items() if state is not None}}
    if evaluate(hazard.never, mended) is not Truth.NO:
        return list(_contradicts(facts, Not(hazard.never), mended, known, held_by))
    return [replace(c, held_by=held_by) for c in against if key(c.fact) in named]


def _sentences(against: Sequence[Contradicts]) -> Iterator[str]:
    """One for each fact and what it must be, with all that asks for it."""
    by: dict[tuple[str, str, str], list[str]] = {}
    for each in against:
        by.setdefault((each.fact, each.is_, each.must_be), []).append(each.held_by)
    for (fact, is_, must_be), held_by in by.items():
        yield f"`{fact}` is `{is_}` and must be `{must_be}` ({', '.join(held_by)})"


def _reason(code: str, text: str, label: str, condition: Condition) -> Reason:
    return Reason(code, text, {"of": label, "condition": render(condition)})


def _upper(words: str) -> str:
    return words[:1].upper() + words[1:]


# --- what is still to be put back --------------------------------------------------------------------------------------------


def still_changed(progress: Progress, now: Now) -> tuple[Left, ...]:
    """What the steps done (and the one begun) have changed and is not as the task leaves it, else neither as it began nor at rest."""
    facts = progress.book.vocabulary.facts
    leaves = makes_of(progress.task.leaves, facts) if progress.task.leaves is not None else {}
    to_leave = leaves if isinstance(leaves, Mapping) else {}
    left = []
    for name, (state, first) in made_so_far(progress).items():
        fact, value = facts[name], now.values.get(name)
        is_ = said(fact, value) if value is not None else state
        began = _began(progress, fact, first)
        must_be = to_leave.get(name, fact.states[0])
        if key(is_) != key(must_be) and (name in to_leave or began is None or key(is_) != key(began)):
            left.append(Left(fact.name, is_, began, must_be))
    return tuple(left)


def made_so_far(progress: Progress) -> Mapping[str, tuple[str, DoneStep | None]]:
    """What the steps done and the one begun make: fact (names.key) -> its last state, and who changed it first (None: the one begun)."""
    made: dict[str, tuple[str, DoneStep | None]] = {}
    for each, name, state in progress.changed_by():
        made[name] = state, made[name][1] if name in made else each
    action = progress.action(progress.next) if progress.next is not None and progress.question.begun is not None else None
    for name, state in action.makes.items() if action is not None else ():
        made[name] = state, made[name][1] if name in made else None
    return made


def _began(progress: Progress, fact: Fact, first: DoneStep | None) -> str | None:
    """
    The state of a fact before the procedure changed it first (first: the step that did; None: the one begun).

    Known from the task's needs where the fact is one of several joined by `and`, for without them it can't have begun; else from the
    newest report made by the time when the step before was done: a later one may have seen the change already.
    """
    name = key(fact.name)
    needs = progress.task.needs
    for part in needs.parts if isinstance(needs, Joined) and needs.op == "and" else (needs,):
        if isinstance(part, StateTest) and not part.negated and key(part.fact) == name:
            return said(fact, key(part.state))
    before = progress.done if first is None else first.step - 1
    if before == 0:
        return None
    moment = progress.question.done[before - 1].at
    earlier: list[Evidence] = [r for r in progress.question.evidence if key(r.fact) == name and r.at <= moment]
    found = weigh({name: fact}, earlier, moment)[name]
    return said(fact, found.value) if isinstance(found, Known) else None
