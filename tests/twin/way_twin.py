"""The way to safe, slowly: every state is a dict, every rule is asked anew in every state, as the sentence says it.

A way is a sequence of declared actions from the known state to one in which what is asked for would be granted. Each action in turn: its
needs are true where it is done; it takes off no lock that is in other hands; it breaks no open work, nor the asker's own; afterwards no
hazard of the rulebook is present, nor after any order of happenings. The shortest counts, and of those the first in the order of
declaration.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from fieldworthy.core.answer.clearance import OpenWork, PutOn
from fieldworthy.core.base.names import key
from fieldworthy.core.base.truth import Truth
from fieldworthy.core.condition.ast import Condition
from fieldworthy.core.condition.walk import Value, evaluate, names_of
from fieldworthy.core.procedure.model import Action, Hazard
from fieldworthy.core.rulebook.model import CheckedRulebook

State = Mapping[str, Value]
EVERYTHING = frozenset({"hazards", "works", "locks"})


@dataclass(frozen=True)
class Wish:
    """What is asked for: conditions now and afterwards, and what it makes. own: held until it begins. heed: what may bar an action."""

    needs: Sequence[Condition]
    holds: Sequence[Condition]
    makes: Mapping[str, str]
    works: Sequence[OpenWork] = ()
    locks: Sequence[PutOn] = ()
    asks: str | None = None
    own: Sequence[Condition] = ()
    heed: frozenset[str] = EVERYTHING


def true(c: Condition | None, state: State) -> bool:
    return c is None or evaluate(c, state) is Truth.YES


def made(state: State, makes: Mapping[str, str]) -> dict[str, Value]:
    return {**state, **{name: key(to) for name, to in makes.items()}}


def whatever_happens(book: CheckedRulebook, state: State) -> Iterator[State]:
    """The state, and every one that some order of happenings leads to."""
    reached = [dict(state)]
    for here in reached:
        yield here
        for happening in book.works.happenings.values():
            then = made(here, happening.makes)
            if true(happening.needs, here) and then not in reached:
                reached.append(then)


def hazards_of(book: CheckedRulebook, wish: Wish) -> list[Hazard]:
    """Those that share a fact with what is asked for, or with what can happen over what it makes."""
    touched = list(wish.makes)
    for name in touched:
        for happening in book.works.happenings.values():
            if happening.needs is not None and name in names_of(happening.needs):
                touched += [n for n in happening.makes if n not in touched]
    facts = {name for c in (*wish.needs, *wish.holds) for name in names_of(c)} | set(touched)
    return [hazard for hazard in book.works.hazards.values() if facts & set(names_of(hazard.never))]


def disturbs(book: CheckedRulebook, wish: Wish, state: State, makes: Mapping[str, str]) -> bool:
    """Whether this takes off somebody else's lock, or breaks their open work."""
    then = made(state, makes)
    if "locks" in wish.heed:
        for lock in wish.locks:
            whose = lock.hand_over.to if lock.hand_over else lock.by
            mine = wish.asks is not None and wish.asks == whose
            if not mine and then[key(lock.fact)] not in (state[key(lock.fact)], key(lock.state)):
                return True
    if "works" in wish.heed:
        for work in wish.works:
            task = book.tasks[work.task]
            for step in [task.steps[work.step - 1]] if work.step else task.steps:
                if breaks([c for c in (task.holds, step.holds) if c is not None], state, then):
                    return True
    return False


def breaks(holds: Sequence[Condition], state: State, then: State) -> bool:
    """Whether a fact that these name was changed, and not all of them are true afterwards."""
    named = {name for c in holds for name in names_of(c)}
    return any(state[name] != then[name] for name in named) and not all(true(c, then) for c in holds)


def safe_in_its_turn(book: CheckedRulebook, wish: Wish, state: State, action: Action) -> bool:
    if not true(action.needs, state) or disturbs(book, wish, state, action.makes):
        return False
    if "works" in wish.heed and breaks(wish.own, state, made(state, action.makes)):
        return False
    if "hazards" not in wish.heed:
        return True
    then = made(state, action.makes)
    return not any(true(h.never, s) for s in whatever_happens(book, then) for h in book.works.hazards.values())


def granted(book: CheckedRulebook, wish: Wish, state: State) -> bool:
    then = made(state, wish.makes)
    if not all(true(c, state) for c in wish.needs) or not all(true(c, then) for c in wish.holds):
        return False
    ahead = [s for begin in (state, then) for s in whatever_happens(book, begin)] if "hazards" in wish.heed else []
    if any(true(h.never, s) for h in hazards_of(book, wish) for s in ahead):
        return False
    return not disturbs(book, wish, state, wish.makes)


Items = tuple[tuple[str, Value], ...]


def reached_in(book: CheckedRulebook, wish: Wish, start: State) -> dict[Items, int]:
    """Every state that safe actions lead to, and the fewest of them that do."""
    order = [dict(start)]
    steps = {tuple(start.items()): 0}
    for here in order:
        for action in book.works.actions.values():
            then = made(here, action.makes)
            if tuple(then.items()) not in steps and safe_in_its_turn(book, wish, here, action):
                steps[tuple(then.items())] = steps[tuple(here.items())] + 1
                order.append(then)
    return steps


def ways_of(book: CheckedRulebook, wish: Wish, start: State, length: int, steps: Mapping[Items, int]) -> Iterator[tuple[str, ...]]:
    """Every way of this length, the shortest there are, in the order of declaration. steps: of `reached_in`; on a shortest way every state
    is reached by as few actions as can be."""

    def go(state: State, names: tuple[str, ...]) -> Iterator[tuple[str, ...]]:
        if len(names) == length:
            if granted(book, wish, state):
                yield names
            return
        for action in book.works.actions.values():
            then = made(state, action.makes)
            if steps.get(tuple(then.items())) == len(names) + 1 and safe_in_its_turn(book, wish, state, action):
                yield from go(then, (*names, action.name))

    yield from go(start, ())


def slowly(book: CheckedRulebook, wish: Wish, start: State) -> tuple[str, ...] | None:
    """The first of the shortest ways; None where there is none."""
    steps = reached_in(book, wish, start)
    lengths = [n for state, n in steps.items() if granted(book, wish, dict(state))]
    return next(ways_of(book, wish, start, min(lengths), steps)) if lengths else None
