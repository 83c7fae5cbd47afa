"""The way to safe where two persons are about: followed step by step, it brings nobody into a hazard.

Random small rulebooks that nobody has explored, from states that both persons report truthfully. Who asks does each action of the way; of
one that brings persons to rest the other does the same after them. What can be harmed is told from the states themselves.
"""

from collections import Counter
from collections.abc import Iterator
from functools import cache
from random import Random

import pytest

from fieldworthy.core.answer.clearance import answer_clearance
from fieldworthy.core.base.names import key
from fieldworthy.core.procedure.model import Action
from fieldworthy.core.rulebook.check import check_text
from tests.effort import examples
from tests.twin.test_granted_is_safe import FACTS, Life, State, rulebook

QUESTIONS = examples(6_000)


def whatever_happens(life: Life, state: State) -> Iterator[State]:
    """The state, and every one that some order of happenings leads to."""
    reached = [state]
    for here in reached:
        yield here
        for happening in life.works.happenings.values():
            for person in (0, 1):
                if happening.needs is None or life.true(happening.needs, here, person):
                    then = life.made(here, happening.makes, person)
                    if then not in reached:
                        reached.append(then)


def harmed(life: Life, state: State, person: int) -> bool:
    """Whether this person is in a hazard."""
    return any(life.true(h.never, state, person) for h in life.works.hazards.values())


def harms(life: Life, state: State, person: int) -> bool:
    """Whether this person is in a hazard, or can come into one by what happens."""
    return any(harmed(life, s, person) for s in whatever_happens(life, state))


def followed(life: Life, state: State, action: Action) -> State:
    """The state once everybody has followed: who is not at rest does what brings persons to rest as well."""
    return life.made(state, {n: s for n, s in action.makes.items() if n == "who" and key(s) == "clear"}, 1)


@cache
def ways() -> list[tuple[Life, State, str, list[str]]]:
    """A rulebook, a state, what was asked for, and the way that was told."""
    draw, found = Random("two persons"), []
    life = None
    for number in range(QUESTIONS):
        if number % 20 == 0 or life is None:
            book, _ = check_text(rulebook(draw))
            life = None if book is None else Life(book)
        if life is None:
            continue
        state = tuple(draw.choice(FACTS[fact]) for fact in ("a", "b", "c", "who", "who"))
        needs = " and ".join(f"{fact} is {draw.choice(FACTS[fact])}" for fact in draw.sample(list(FACTS), draw.randint(1, 2)))
        answer = answer_clearance(life.book, life.question(state, needs=needs, by="p-1"))
        if answer.do_first:
            found.append((life, state, needs, [first.action.name for first in answer.do_first]))
    return found


def test_a_way_brings_nobody_into_a_hazard() -> None:
    for life, start, needs, names in ways():
        state = start
        for name in names:
            action = life.works.actions[key(name)]
            one = life.made(state, action.makes, 0)
            worse = (harms(life, one, 1) and not harms(life, state, 1)) or (harmed(life, one, 1) and not harmed(life, state, 1))
            assert not worse, (life.book.document, start, needs, names, name)
            state = followed(life, one, action)
            assert not harms(life, state, 0), (life.book.document, start, needs, names, name)
            assert not harms(life, state, 1), (life.book.document, start, needs, names, name)


def test_every_action_after_the_first_would_itself_be_granted_and_what_is_asked_for_at_its_end() -> None:
    for life, start, needs, names in ways():
        state = start
        for number, name in enumerate(names):
            action = life.works.actions[key(name)]
            told = (life.book.document, start, needs, names, name)
            assert number == 0 or answer_clearance(life.book, life.question(state, action=name, by="p-1"), way=False).granted, told
            state = followed(life, life.made(state, action.makes, 0), action)
        assert answer_clearance(life.book, life.question(state, needs=needs, by="p-1")).granted, (life.book.document, start, needs, names)


@pytest.mark.parametrize("kind", ["another is not at rest", "who asks is moved", "two actions or more"])
def test_enough_of_each_kind(kind: str) -> None:
    counted = Counter[str]()
    for life, state, _, names in ways():
        other = state[4] != "clear"
        counted["another is not at rest"] += other
        counted["who asks is moved"] += other and any("who" in life.works.actions[key(name)].makes for name in names)
        counted["two actions or more"] += other and len(names) > 1
    assert counted[kind] >= 20, counted
