"""Whether what is reported now speaks against a procedure under way, and what the procedure has changed that must be put back.

Held against the reports: what the task and its open step hold, what confirms the last step done, and every hazard that names a fact
of the task. The open step is the one begun, else the last one done: what it holds stays true until the next step begins. Only what is
known contradicts; what is not known is missing.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from fieldworthy.core.answer.asked import Asked, Labelled
from fieldworthy.core.answer.clearance import one_state
from fieldworthy.core.answer.ended import Reports, missing_of
from fieldworthy.core.answer.evidence import Evidence, Known, Missing, said, weigh
from fieldworthy.core.answer.first import First, FirstAction, Situation, do_first
from fieldworthy.core.answer.others import holding, not_the_askers
from fieldworthy.core.answer.progress import DoneStep, Progress
from fieldworthy.core.base.names import key
from fieldworthy.core.base.reason import Reason
from fieldworthy.core.base.truth import Truth
from fieldworthy.core.base.vocabulary import Fact, state_of
from fieldworthy.core.condition.ast import Condition, Joined, Not, StateTest
from fieldworthy.core.condition.evaluate import Value, evaluate, names_of, shortfall
from fieldworthy.core.condition.explain import render
from fieldworthy.core.procedure.check import makes_of
from fieldworthy.core.procedure.model import Hazard


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
class Now:
    """What is known now. found: by names.key; values: of the known facts."""

    found: Mapping[str, Known | Missing]
    values: Mapping[str, Value]


def known_now(progress: Progress, reports: Reports) -> Now:
    """What the reports that no step has overtaken say."""
    found = weigh(progress.book.vocabulary.facts, reports.kept, progress.question.now)
    return Now(found, {name: each.value for name, each in found.items() if isinstance(each, Known)})


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


def find_interruption(progress: Progress, now: Now, reports: Reports) -> Interrupted | None:
    """What is known to speak against it; None where nothing does, and before anything was done."""
    if not progress.done and progress.question.begun is None:
        return None
    facts = progress.book.vocabulary.facts
    against: list[Contradicts] = []
    because: list[Reason] = []
    under_way = _without_what_comes(progress, now.values)
    for label, condition in open_holds(progress):
        if evaluate(condition, under_way) is Truth.NO:
            against += _contradicts(facts, condition, under_way, now.values, label)
            because.append(_reason("holds-broken", f"{_upper(label)}: `{render(condition)}` is not true.", label, condition))
    for label, condition in confirmation(progress):
        known = now.values if progress.question.begun is None else under_way
        if evaluate(condition, known) is Truth.NO:
            against += _contradicts(facts, condition, known, now.values, label)
            because.append(_reason("not-confirmed", f"{_upper(label)}: `{render(condition)}` is not true.", label, condition))
    for hazard in hazards_of(progress):
        if evaluate(hazard.never, now.values) is Truth.YES:
            against += _present(facts, hazard, now.values, against)
            values = {"hazard": hazard.name, "never": render(hazard.never)}
            because.append(Reason("hazard-present", f"Hazard `{hazard.name}` is present: `{values['never']}`.", values))
    if not against:
        return None
    once = tuple(dict.fromkeys(against))
    way = _make_safe(progress, now)
    missing = tuple(missing_of(m, facts, reports.ended) for n in way.missing if isinstance(m := now.found[n], Missing))
    text = "The work must stop: " + "; ".join(_sentences(once)) + "."
    if way.reason.code == "at-rest":
        text += f" {way.reason.text}"
    elif not way.actions and not missing:
        text += " No declared action makes it safe: keep everybody clear, and do what the machine's handbook says."
    return Interrupted(text, once, missing, way.actions, (*because, way.reason))


def _make_safe(progress: Progress, now: Now) -> First:
    """
    The shortest way to where what is open holds again and no hazard is; where there is none, to where no hazard is and all that the
    procedure has changed is at rest. A fact not known comes first: then there is no way, and it is missing.
    """
    facts = progress.book.vocabulary.facts
    first = _way_to(progress, now, (*open_holds(progress), *confirmation(progress)))
    if first.actions or first.missing or first.reason.values.get("why") == "bound":
        return first
    at_rest = tuple(("what is at rest", StateTest(facts[name].name, facts[name].states[0])) for name in made_so_far(progress))
    second = _way_to(progress, now, at_rest)
    return second if second.actions or second.missing or second.reason.code == "at-rest" else first


def _way_to(progress: Progress, now: Now, wanted: tuple[Labelled, ...]) -> First:
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
        )
    )


def _without_what_comes(progress: Progress, values: Mapping[str, Value]) -> Mapping[str, Value]:
    """The known facts without those that the next step's action is just changing: it may be under way, and is not against itself."""
    action = None if progress.next is None else progress.action(progress.next)
    if action is None:
        return values
    begun = progress.question.begun is not None
    return {n: v for n, v in values.items() if n not in action.makes or not (begun or v == key(action.makes[n]))}


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
