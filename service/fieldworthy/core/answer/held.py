"""What is held while a procedure is under way, or was while a step before was open; since when, and of whom."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import timedelta

from fieldworthy.core.answer.asked import Labelled
from fieldworthy.core.answer.others import parts_of
from fieldworthy.core.answer.progress import Progress, worker_of
from fieldworthy.core.answer.words import EVER, Span
from fieldworthy.core.base.names import key
from fieldworthy.core.base.truth import truth
from fieldworthy.core.base.vocabulary import Fact
from fieldworthy.core.condition.ast import Condition, IfThen, Joined, Not, NumberTest, StateTest
from fieldworthy.core.condition.walk import judge, names_of
from fieldworthy.core.procedure.model import Hazard
from fieldworthy.core.procedure.steps import together


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


@dataclass(frozen=True, slots=True)
class Held:
    """
    A condition that is asked for while a step is open, or that was: what it holds, or what confirms the one done before. code: of the
    reason where it is broken. span: from when and until when what was said counts for it. worker: of a fact that the task's own actions
    make of a person, whose it is. coming: facts that the step begun is just changing, which is not against itself. may_have_come: those
    that the step which ended the span made, of which a report from before it was done may tell what it was just making.
    """

    code: str
    label: str
    condition: Condition
    span: Span
    worker: str
    coming: frozenset[str] = frozenset()
    may_have_come: frozenset[str] = frozenset()

    @property
    def confirms(self) -> bool:
        """Whether it confirms a step."""
        return self.code == "not-confirmed"


def all_held(progress: Progress) -> Iterator[Held]:
    """
    What is held now, and what was while each of the steps before was open. What was broken then still stands where nothing has been
    reported since: that the next step began, or was done, ends no stop, and a report made after it is judged by what is held then (one of
    the very instant at which it was begun by what was held before).
    """
    question, count = progress.question, progress.done
    coming = frozenset(name for _, name in progress.changing())
    if question.begun is not None:
        worker = worker_of(progress, count + 1)
        for label, condition in _each_held(progress, count + 1):
            yield Held("holds-broken", label, condition, EVER, worker, coming)
    for number in range(count, 0, -1):
        at, worker = question.done[number - 1].at, worker_of(progress, number)
        ends, came = None if question.begun is None else question.begun + timedelta.resolution, frozenset[str]()
        if number < count:
            following = progress.action(number + 1)
            ends, came = question.done[number].at, frozenset(following.makes if following is not None else ())
        held_until = at if progress.next is None and number == count else ends
        for label, condition in _each_held(progress, number):
            yield Held("holds-broken", label, condition, Span(None, held_until), worker, may_have_come=came)
        action = progress.action(number)
        if action is not None and action.confirm is not None:
            label = f"what confirms step {number}"
            if ends is not None:
                yield Held("not-confirmed", label, action.confirm, Span(at, ends), worker, may_have_come=came)
            if number == count:
                yield Held("not-confirmed", label, action.confirm, Span(at), worker, coming)


def _each_held(progress: Progress, number: int) -> Iterator[Labelled]:
    """What a step holds; where a part of it is held of the worker and another of everybody, each by itself."""
    facts = progress.book.vocabulary.facts
    for label, condition in progress.asked[number - 1].holds_while_open:
        parts = parts_of(condition)
        everybody = [p for p in parts if any(facts[n].per_person for n in names_of(p)) and not of_worker(progress, p)]
        if not everybody or len(everybody) == len(parts) or not of_worker(progress, condition):
            yield label, condition
            continue
        for some in ([p for p in parts if p not in everybody], everybody):
            if (held := together(some)) is not None:
                yield label, held


def hazards_of(progress: Progress) -> tuple[Hazard, ...]:
    """The hazards that name a fact of the task: of its needs and holds, its steps and their actions, and what it leaves."""
    named: set[str] = set()
    for asked in progress.asked:
        named |= asked.involved()
    for condition in (progress.task.needs, progress.task.leaves):
        named |= set(names_of(condition)) if condition is not None else set()
    return tuple(h for h in progress.book.works.hazards.values() if named & set(names_of(h.never)))


def of_worker(progress: Progress, condition: Condition, confirms: bool = False) -> bool:
    """
    Whether a condition is about whoever is at work alone: the task's own actions make what it names of a person, and it asks for more than
    that a person is at rest. That they are clear is held of everybody. What confirms an action (confirms) tells of whoever did it.
    """
    facts = progress.book.vocabulary.facts
    named = {name for name in names_of(condition) if facts[name].per_person}
    moved = any(not named.isdisjoint(asked.makes) for asked in progress.asked)
    return moved and (confirms or _asks_for_elsewhere(facts, condition, True))


def _asks_for_elsewhere(facts: Mapping[str, Fact], c: Condition, wanted: bool) -> bool:
    """Whether it may take somebody who is not at rest for a condition to be true (or false: `wanted`)."""
    match c:
        case StateTest():
            fact = facts[key(c.fact)]
            return fact.per_person and judge(c, key(fact.states[0])) is not truth(wanted)
        case NumberTest():
            return facts[key(c.fact)].per_person
        case Not(part):
            return _asks_for_elsewhere(facts, part, not wanted)
        case IfThen(given, then):
            return _asks_for_elsewhere(facts, given, not wanted) or _asks_for_elsewhere(facts, then, wanted)
        case Joined(_, parts):
            return any(_asks_for_elsewhere(facts, part, wanted) for part in parts)
