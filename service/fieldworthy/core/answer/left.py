"""What a procedure has changed that must still be put back: of the machine, and of whoever did the steps that changed it."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from fieldworthy.core.answer.ended import Reports
from fieldworthy.core.answer.evidence import Evidence, Known, said, weigh
from fieldworthy.core.answer.others import same_person
from fieldworthy.core.answer.progress import DoneStep, Progress, worker_of
from fieldworthy.core.base.names import key
from fieldworthy.core.base.vocabulary import Fact
from fieldworthy.core.condition.ast import Joined, StateTest
from fieldworthy.core.procedure.check import makes_of


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
class Made:
    """What steps made of a fact. state: the last; first: who changed it first (None: the step begun). worker: whose it is, "" of nobody."""

    state: str
    first: DoneStep | None
    worker: str = ""


def still_changed(progress: Progress, reports: Reports) -> tuple[Left, ...]:
    """
    What the steps done (and the one begun) have changed and is not as the task leaves it, else neither as it began nor at rest. reports:
    those that no step has overtaken. Of a fact `per: person` it is of whoever did the step, and what others report says nothing of it.
    """
    facts = progress.book.vocabulary.facts
    leaves = makes_of(progress.task.leaves, facts) if progress.task.leaves is not None else {}
    to_leave = leaves if isinstance(leaves, Mapping) else {}
    left = []
    for (name, _), made in made_so_far(progress).items():
        fact = facts[name]
        value = _reported(fact, reports.kept, progress, made.worker)
        is_ = value if value is not None else made.state
        began = _began(progress, fact, made)
        must_be = to_leave.get(name, fact.states[0])
        if key(is_) != key(must_be) and (name in to_leave or began is None or key(is_) != key(began)):
            left.append(Left(fact.name, is_, began, must_be))
    return tuple(dict.fromkeys(left))


def _reported(fact: Fact, evidence: Iterable[Evidence], progress: Progress, worker: str) -> str | None:
    """What good reports say of a fact now, of a person their own: in words; None where they say nothing that is known."""
    found = weigh({key(fact.name): replace(fact, per_person=False)}, _own(fact, evidence, worker), progress.question.now)[key(fact.name)]
    return said(fact, found.value) if isinstance(found, Known) else None


def _own(fact: Fact, evidence: Iterable[Evidence], worker: str) -> list[Evidence]:
    """The reports of a fact; of one `per: person` those of this worker, of one without a name those without."""
    of_it = [r for r in evidence if key(r.fact) == key(fact.name)]
    return [r for r in of_it if same_person(r.by, worker) or not (worker or r.by)] if fact.per_person else of_it


def made_so_far(progress: Progress) -> Mapping[tuple[str, str], Made]:
    """What the steps done and the one begun make: of each fact (names.key), of one `per: person` for each worker by themselves."""
    facts = progress.book.vocabulary.facts
    made: dict[tuple[str, str], Made] = {}

    def put(step: int, name: str, state: str, first: DoneStep | None) -> None:
        worker = worker_of(progress, step) if facts[name].per_person else ""
        before = made.get((name, worker))
        made[name, worker] = Made(state, first if before is None else before.first, worker)

    for each, name, state in progress.changed_by():
        put(each.step, name, state, each)
    action = progress.action(progress.next) if progress.next is not None and progress.question.begun is not None else None
    for name, state in action.makes.items() if action is not None else ():
        put(progress.done + 1, name, state, None)
    return made


def _began(progress: Progress, fact: Fact, made: Made) -> str | None:
    """
    The state of a fact before the procedure changed it first.

    Known from the task's needs where the fact is one of several joined by `and`, for without them it can't have begun; else from the
    newest report made by the time when the step before was done: a later one may have seen the change already.
    """
    needs = progress.task.needs
    for part in needs.parts if isinstance(needs, Joined) and needs.op == "and" else (needs,):
        if isinstance(part, StateTest) and not part.negated and key(part.fact) == key(fact.name):
            return said(fact, key(part.state))
    before = progress.done if made.first is None else made.first.step - 1
    if before == 0:
        return None
    moment = progress.question.done[before - 1].at
    earlier = [r for r in _own(fact, progress.question.evidence, made.worker) if r.at <= moment]
    found = weigh({key(fact.name): replace(fact, per_person=False)}, earlier, moment)[key(fact.name)]
    return said(fact, found.value) if isinstance(found, Known) else None
