"""The way to safe against its slow twin, over many small rulebooks made by chance; and what holds of every way."""

import random
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import cache
from itertools import product
from typing import Any

import pytest

from fieldworthy.core.answer.clearance import ClearanceAnswer, ClearanceQuestion, Evidence, HandOver, OpenWork, PutOn, answer_clearance
from fieldworthy.core.base.fit import Identity
from fieldworthy.core.base.names import key
from fieldworthy.core.base.vocabulary import Fact, Vocabulary
from fieldworthy.core.condition.ast import Condition, IfThen, Joined, Not, NumberTest, StateTest
from fieldworthy.core.condition.parse import parse
from fieldworthy.core.condition.walk import names_of
from fieldworthy.core.procedure.model import Action, Happening, Hazard, Step, Works
from fieldworthy.core.rulebook.model import CheckedRulebook, Task
from tests.core.ways import done, followed
from tests.effort import examples
from tests.twin.way_twin import Wish, granted, made, reached_in, safe_in_its_turn, slowly

NOW = datetime(2026, 7, 14, 6, tzinfo=UTC)
STATES = {
    "gate": ("closed", "raised", "between"),
    "lock": ("released", "engaged"),
    "engine": ("stopped", "running"),
    "guard": ("on", "off"),
}
MORE = {"pump": ("still", "turning"), "valve": ("shut", "open"), "fan": ("off", "on")}
GROUPS = (("gate", "lock"), ("engine", "guard"), ("pump", "valve", "fan"))
RUNS, WIDE = examples(700), examples(900)
"""Situations of four facts that all hang together, and then of seven in three groups that seldom do: so that much does not matter."""


@dataclass(frozen=True)
class Situation:
    book: CheckedRulebook
    question: ClearanceQuestion
    wish: Wish
    start: Mapping[str, Any]


@dataclass(frozen=True)
class Chance:
    """What conditions are made of: the facts and their states, in groups. numbers: how often a test is of the number fact."""

    random: random.Random
    states: Mapping[str, tuple[str, ...]]
    groups: tuple[tuple[str, ...], ...]
    numbers: float

    def near(self) -> tuple[str, ...]:
        """The facts of one group, or now and then all."""
        return tuple(self.states) if self.random.random() < 0.15 else self.random.choice(self.groups)

    def tests(self, count: int) -> list[Condition]:
        near = self.near()
        return [self.test(near) for _ in range(count)]

    def test(self, near: tuple[str, ...]) -> Condition:
        if self.random.random() < self.numbers:
            return NumberTest("heat", self.random.choice(("<", ">=", "=")), self.random.choice((10, 20)))  # type: ignore[arg-type]
        name = self.random.choice(near)
        return StateTest(name, self.random.choice(self.states[name]), self.random.random() < 0.2)


def _condition(chances: Chance, most: int = 3) -> Condition:
    chance = chances.random
    tests = chances.tests(chance.randint(1, most))
    if len(tests) == 1:
        return Not(tests[0]) if chance.random() < 0.1 else tests[0]
    kind = chance.random()
    if kind < 0.15:
        return IfThen(tests[0], tests[1])
    return Joined("or" if kind < 0.35 else "and", tuple(tests))


def _actions(chances: Chance) -> dict[str, Action]:
    """One for nearly every state of every fact, so that there are ways, and each needs others first, so that they are long."""
    chance = chances.random
    made = [{name: state} for name, states in chances.states.items() for state in states if chance.random() < 0.85]
    made += [_makes(chances) for _ in range(2)]
    chance.shuffle(made)
    needs = [_condition(chances, 2) if chance.random() < 0.85 else None for _ in made]
    return {f"a{n}": Action(f"a{n}", needs[n], each) for n, each in enumerate(made)}


def _makes(chances: Chance) -> dict[str, str]:
    chance, near = chances.random, chances.near()
    return {name: chance.choice(chances.states[name]) for name in chance.sample(near, 2 if chance.random() < 0.15 else 1)}


def situation(nth: int) -> Situation:
    """A rulebook, a state that is known whole, and something that is asked for."""
    chance, wide = random.Random(nth), nth >= RUNS
    states = {**STATES, **MORE} if wide else STATES
    chances = Chance(chance, states, GROUPS if wide else (tuple(STATES),), 0.02 if wide else 0.08)
    facts = {**{name: Fact(name, several) for name, several in states.items()}, "heat": Fact("heat")}
    actions = _actions(chances)
    never = [Joined("and", tuple(chances.tests(chance.choice((2, 2, 3) if wide else (2, 3, 3))))) for _ in range(chance.randint(0, 3))]
    hazards = {f"h{n}": Hazard(f"h{n}", c, "danger", "Keep away.") for n, c in enumerate(never)}
    count = chance.randint(0, 4 if wide else 2)
    happenings = {f"e{n}": Happening(f"e{n}", _condition(chances, 2 if wide else 3), _makes(chances)) for n in range(count)}
    tasks = {
        f"t{n}": Task(
            f"t{n}",
            "T",
            "inspect",
            n,
            holds=_condition(chances, 2),
            steps=tuple(Step(do="Look.", holds=_condition(chances, 1)) for _ in range(2)),
        )
        for n in range(2)
    }
    book = CheckedRulebook("b", "B", 1, "sha256:0", {}, Vocabulary(facts=facts), tasks, {}, Works(actions, hazards, happenings))
    start: dict[str, Any] = {
        **{name: key(chance.choice(several)) for name, several in states.items()},
        "heat": chance.choice((5, 10, 15, 30)),
    }
    works = [OpenWork("w-1", "t0", chance.choice((None, 1, 2)), "p-4")] if chance.random() < 0.3 else []
    over = HandOver("p-3", "p-9", "shift change") if chance.random() < 0.3 else None
    lock = chance.choice(list(states))
    on = next(state for state in states[lock] if key(state) == start[lock])  # what is put on is on: a report that it is not leaves it open
    locks = [PutOn(lock, on, chance.choice(("p-3", "p-4")), over)] if chance.random() < 0.5 else []
    asks = chance.choice((None, "p-3", "p-4"))
    question = ClearanceQuestion(NOW, Identity("m"), evidence=_reports(start), open_work=tuple(works), by=asks, put_on=tuple(locks))
    if chance.random() < 0.4:
        action = chance.choice(list(actions.values()))
        question = replace(question, action=action.name)
        return Situation(book, question, _wish([action.needs], [], action.makes, question), start)
    if chance.random() < 0.4 and not works:
        step, task = chance.choice((1, 2)), tasks["t1"]
        question = replace(question, task="t1", step=step)
        wish = _wish([], [task.holds, task.steps[step - 1].holds], {}, question)
        own = [c for c in (task.holds, task.steps[0].holds) if c is not None]
        return Situation(book, question, replace(wish, own=own if step == 2 else ()), start)
    near = chances.near() if wide else tuple(states)
    text = " and ".join(f"{name} is {chance.choice(states[name])}" for name in chance.sample(near, chance.randint(1, min(3, len(near)))))
    needs = parse(text)
    assert isinstance(needs, Condition)
    return Situation(book, replace(question, needs=text), _wish([needs], [], {}, question), start)


def _wish(needs: list[Any], holds: list[Any], makes: Mapping[str, str], question: ClearanceQuestion) -> Wish:
    wanted = [[c for c in conditions if c is not None] for conditions in (needs, holds)]
    return Wish(wanted[0], wanted[1], makes, question.open_work, question.put_on, question.by)


def _states(book: CheckedRulebook) -> dict[str, tuple[str, ...]]:
    return {name: fact.states for name, fact in book.vocabulary.facts.items() if fact.states}


def _reports(state: Mapping[str, Any]) -> tuple[Evidence, ...]:
    return tuple(Evidence(name, value, NOW, "seen", "p-1") for name, value in state.items())


@cache
def asked(nth: int) -> tuple[Situation, ClearanceAnswer]:
    found = situation(nth)
    return found, answer_clearance(found.book, found.question)


def way(answer: ClearanceAnswer) -> tuple[str, ...]:
    return tuple(first.action.name for first in answer.do_first)


def why(answer: ClearanceAnswer) -> str:
    told = [r for r in answer.because if r.code in ("way-to-safe", "no-way-to-safe", "way-needs-evidence")]
    assert len(told) <= 1
    return "granted" if not told else told[0].values["why"] if told[0].code == "no-way-to-safe" else told[0].code


def test_the_same_way_as_the_twin() -> None:
    """And none where the twin finds none: the same actions in the same order, and granted in the same states."""
    for nth in range(RUNS + WIDE):
        found, answer = asked(nth)
        assert answer.granted is granted(found.book, found.wish, found.start), nth
        if not answer.granted:
            assert way(answer) == (slowly(found.book, found.wish, found.start) or ()), nth


def test_each_action_is_safe_in_its_own_turn_and_the_last_leads_to_granted() -> None:
    for nth in range(RUNS + WIDE):
        found, answer = asked(nth)
        state, question = found.start, found.question
        for name in way(answer):
            action = found.book.works.actions[name]
            assert safe_in_its_turn(found.book, found.wish, state, action), nth
            state, question = made(state, action.makes), done(found.book, question, name)
        if answer.do_first:
            assert answer_clearance(found.book, question).granted, nth


def test_every_action_after_the_first_would_itself_be_granted() -> None:
    """The first may be the one that ends a hazard; the clearance of an action alone is withheld while there is one."""
    for nth in range(RUNS + WIDE):
        found, answer = asked(nth)
        question = found.question
        for number, name in enumerate(way(answer)):
            alone = replace(question, action=name, task=None, step=None, needs=None)
            assert number == 0 or answer_clearance(found.book, alone).granted, (nth, name)
            question = done(found.book, question, name)


def test_the_way_begun_is_the_way_that_is_left() -> None:
    """Asked again after the first action, the rest of the way comes back, or one as short that is declared first."""
    for nth in range(RUNS + WIDE):
        found, answer = asked(nth)
        if len(answer.do_first) > 1:
            names = way(answer)
            again = answer_clearance(found.book, done(found.book, found.question, names[0]))
            assert way(again) == names[1:], nth


def test_what_is_said_to_bar_every_way_does() -> None:
    for nth in range(RUNS + WIDE):
        found, answer = asked(nth)
        reason = answer.because[-1]
        if answer.granted or reason.code != "no-way-to-safe":
            continue
        free = replace(found.wish, heed=frozenset())
        if reason.values["why"] in ("hazard", "work", "lock"):
            assert granted(found.book, free, found.start) or slowly(found.book, free, found.start), nth
        elif "fact" in reason.values and reason.values["fact"] != "heat":
            states = [key(s) for s in reason.values["state"].split(" or ")]
            assert all(dict(s)[reason.values["fact"]] not in states for s in reached_in(found.book, free, found.start)), nth


def test_a_way_given_in_part_of_the_knowledge_is_safe_whatever_the_rest_is() -> None:
    """Needs true, and no hazard near the action, in every state that what was reported allows."""
    given = 0
    for nth in range(RUNS + WIDE):
        found, whole = asked(nth)
        if whole.granted:
            continue
        chance = random.Random(nth)
        states = _states(found.book)
        hidden = set(chance.sample(list(states), 1 + nth % 2))
        known = {name: value for name, value in found.start.items() if name not in hidden}
        question = replace(found.question, evidence=_reports(known))
        answer = answer_clearance(found.book, question)
        if not answer.do_first:
            continue
        given += 1
        assert followed(found.book, question, way(answer)).granted, nth
        for values in product(*(states[name] for name in hidden)):
            state: Mapping[str, Any] = {**found.start, **dict(zip(hidden, map(key, values), strict=True))}
            for name in way(answer):
                action = found.book.works.actions[name]
                touched = set(action.makes) | (set(names_of(action.needs)) if action.needs is not None else set())
                near = {n: h for n, h in found.book.works.hazards.items() if touched & set(names_of(h.never))}
                works = replace(found.book.works, hazards=near)
                assert safe_in_its_turn(replace(found.book, works=works), found.wish, state, action), (nth, name)
                state = made(state, action.makes)
    assert given > 20


def test_what_is_said_to_have_no_way_in_part_of_the_knowledge_has_none_whatever_the_rest_is() -> None:
    seen = 0
    for nth in range(RUNS + WIDE):
        found, _ = asked(nth)
        states = _states(found.book)
        hidden = random.Random(nth).sample(list(states), 1 + nth % 2)
        known = {name: value for name, value in found.start.items() if name not in hidden}
        answer = answer_clearance(found.book, replace(found.question, evidence=_reports(known)))
        if answer.granted or answer.because[-1].code != "no-way-to-safe":
            continue
        seen += 1
        for values in product(*(states[name] for name in hidden)):
            state = {**found.start, **dict(zip(hidden, map(key, values), strict=True))}
            assert granted(found.book, found.wish, state) is False
            assert slowly(found.book, found.wish, state) is None, nth
    assert seen > 20


def test_evidence_more_never_turns_granted_into_withheld_for_what_is_missing() -> None:
    for nth in range(RUNS + WIDE):
        found, _ = asked(nth)
        chance = random.Random(nth)
        some = {name: value for name, value in found.start.items() if chance.random() < 0.6}
        before = answer_clearance(found.book, replace(found.question, evidence=_reports(some)))
        if before.granted:
            assert answer_clearance(found.book, found.question).granted, nth


def test_missing_facts_found_out_are_missed_no_more() -> None:
    """Who does what `missing` says comes to a plain answer: granted, a way, or none."""
    for nth in range(RUNS + WIDE):
        found, _ = asked(nth)
        known: dict[str, Any] = {}
        for _ in range(len(found.start) + 1):
            answer = answer_clearance(found.book, replace(found.question, evidence=_reports(known)))
            if not answer.missing:
                break
            known |= {m.fact: found.start[m.fact] for m in answer.missing}
        assert why(answer) != "way-needs-evidence", nth
        assert (way(answer) != ()) is (why(answer) == "way-to-safe")


@pytest.mark.parametrize("kind", ["granted", "way-to-safe", "state", "hazard", "work", "lock"])
def test_enough_of_each_kind(kind: str) -> None:
    """Else the properties above would say little."""
    counted = Counter(why(asked(nth)[1]) for nth in range(RUNS + WIDE))
    assert counted[kind] >= 8, counted
    lengths = Counter(len(way(asked(nth)[1])) for nth in range(RUNS + WIDE))
    assert lengths[2] >= 20, lengths
    assert lengths[3] >= 5, lengths
