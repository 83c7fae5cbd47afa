"""Exploring procedures: the tables, and sizes that would take for ever or fill the memory if they were not thought of."""

import json
import time
import tracemalloc
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fieldworthy.core.base.truth import Truth
from fieldworthy.core.base.vocabulary import Fact
from fieldworthy.core.condition.ast import Condition, Joined, StateTest
from fieldworthy.core.condition.explain import render
from fieldworthy.core.condition.walk import evaluate, names_of
from fieldworthy.core.procedure.cone import MOST_FACTS
from fieldworthy.core.procedure.explore import Bearings, Verdict, explore, not_followed
from fieldworthy.core.procedure.model import Action, Happening, Hazard, Procedure, Step, Works
from fieldworthy.core.procedure.space import OTHER, WORKER, Space, thresholds_of
from fieldworthy.core.procedure.steps import laid_out, together
from tests.core.books import book_of, differs, tables
from tests.core.conditions import FACTS, conditions
from tests.effort import examples

CASES = tables("explore")


def verdict_of(case: dict[str, Any]) -> Verdict:
    pieces = dict(case["books"][case["book"]])
    for member, more in case.get("also", {}).items():
        pieces[member] = {**pieces.get(member, {}), **more}
    book = book_of({**pieces, "tasks": {"the-task": case["task"]}})
    task = book.tasks["the-task"]
    steps = laid_out(task.steps, book.works.procedures)
    return explore(book.works, book.vocabulary.facts, steps, needs=task.needs, holds=task.holds, leaves=task.leaves)


def in_words(verdict: Verdict) -> dict[str, Any]:
    """Only what was found."""
    found: dict[str, Any] = {}
    if verdict.no_start is not None:
        found["no_start"] = verdict.no_start
    if verdict.never_over:
        found["never_over"] = True
    if verdict.hazards:
        found["hazards"] = {r.hazard.name: r.trace.to_json(r.hazard.name) for r in verdict.hazards}
    if verdict.cannot_start is not None:
        stuck = verdict.cannot_start
        found["cannot_start"] = {"step": stuck.step, "lacks": [f"{who}: {render(c)}" for who, c in stuck.lacks]}
    if verdict.left_changed:
        found["left_changed"] = {
            left.fact.name.replace(" ", "_"): {"state": left.state, **left.trace.to_json()} for left in verdict.left_changed
        }
    return found


@pytest.mark.parametrize("case", [case for _, case in CASES], ids=[name for name, _ in CASES])
def test_case(case: dict[str, Any]) -> None:
    verdict = verdict_of(case)
    found, expected = in_words(verdict), case["expect"]
    assert set(found) == set(expected), found
    assert set(found.get("hazards", {})) == set(expected.get("hazards", {}))
    assert set(found.get("left_changed", {})) == set(expected.get("left_changed", {}))
    assert differs(expected, found) is None, json.dumps(found, indent=1)
    assert verdict.safe is (not found)


# --- sizes -------------------------------------------------------------------------------------------------------------------


def chain_of(facts: int, states: int) -> tuple[Works, dict[str, Fact]]:
    """Facts in a row; each can take each state while the one before it is not in its last. The hazard: all are in their last."""
    words = tuple(f"state {'abcdefghij'[n]}" for n in range(states))
    names = [f"fact {'abcdefghij'[n // 10]}{'abcdefghij'[n % 10]}" for n in range(facts)]
    actions = {
        f"{name} {word}": Action(f"{name} {word}", StateTest(names[n - 1], words[-1], negated=True) if n else None, {name: word})
        for n, name in enumerate(names)
        for word in words
    }
    never = Joined("and", tuple(StateTest(name, words[-1]) for name in names))
    return Works(actions, {"harm": Hazard("harm", never, "danger", "Keep off.")}), {name: Fact(name, words) for name in names}


def test_too_many_states_are_told_at_once_and_nothing_is_laid_out() -> None:
    works, facts = chain_of(40, 5)
    tracemalloc.start()
    began = time.process_time()
    verdict = explore(works, facts, (Step(action="fact aa state b"),))
    took, peak = time.process_time() - began, tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert verdict.not_shown_safe
    assert not verdict.safe
    assert verdict.figures.states == 5**40
    assert verdict.hazards == ()
    assert peak < 2_000_000
    assert took < 5, "the digits alone tell it"


def test_a_long_row_of_needs_is_not_followed_to_its_end() -> None:
    """Thousands of procedures over thousands of facts: each is told as soon as it has more states than anybody looks at."""
    names = [f"fact {a}{b}{c}" for a in "abcdefghij" for b in "abcdefghij" for c in "abcdefghijklmnopqrst"]
    facts = {name: Fact(name, ("off", "on")) for name in names}
    actions = {n: Action(n, StateTest(following, "on"), {n: "on"}) for n, following in pairwise(names)}
    never = Joined("and", (StateTest(names[0], "on"), StateTest(names[1], "off")))
    works = Works(actions, {"harm": Hazard("harm", never, "danger", "Keep off.")})
    bearings = Bearings(works, facts)
    began = time.process_time()
    verdicts = [explore(works, facts, (), needs=StateTest(names[0], "off"), bearings=bearings) for _ in range(200)]
    assert all(v.not_shown_safe and v.figures.states > 2**MOST_FACTS for v in verdicts)
    assert time.process_time() - began < 20, "2,000 facts in a row, looked at from one end to the other 200 times"
    near = Works(
        actions, {"harm": Hazard("harm", Joined("and", (StateTest(names[-2], "on"), StateTest(names[-1], "off"))), "danger", "Off.")}
    )
    assert not explore(near, facts, (), needs=StateTest(names[-2], "off")).not_shown_safe, "the other end is near"


def test_the_bound_is_the_last_number_that_is_looked_at() -> None:
    works, facts = chain_of(4, 5)
    steps = (Step(do="Look."),)
    needs = StateTest("fact aa", "state a")
    assert explore(works, facts, steps, needs=needs, most_states=624).not_shown_safe
    verdict = explore(works, facts, steps, needs=needs, most_states=625)
    assert not verdict.not_shown_safe
    # the others may begin in their last state: the work starts, and the first fact comes to its own
    assert [len(r.trace.events) for r in verdict.hazards] == [2]


def test_five_hundred_steps() -> None:
    """Memory grows with the steps and hardly with the layers in each: 6 facts of 5 states, 15,625 states, 2 KB a set."""
    works, facts = chain_of(6, 5)
    names, words = list(facts), facts["fact aa"].states
    steps = tuple(Step(do="Look.", holds=StateTest(names[n % 6], words[n % 5], negated=True)) for n in range(500))
    tracemalloc.start()
    verdict = explore(works, facts, steps)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert verdict.figures.states == 15_625
    assert verdict.figures.reached > 5_000_000
    assert verdict.figures.layers > 500
    assert peak < 20_000_000
    assert [r.hazard.name for r in verdict.hazards] == ["harm"]


def test_what_would_fill_the_memory_is_not_shown_safe() -> None:
    """3 facts of 58 states, 195,112 states, 25 KB a set; two thousand actions that make two facts each would keep 2,000 times 58 sets."""
    words = tuple(f"s{n}" for n in range(58))
    facts = {name: Fact(name, words) for name in ("gear", "flow", "height")}
    never = Joined("and", tuple(StateTest(name, words[-1]) for name in facts))
    makes = [{"gear": words[n % 58], "flow": words[n // 58]} for n in range(2000)]
    actions = {f"a{n}": Action(f"a{n}", None, made) for n, made in enumerate(makes)} | {"lift": Action("lift", None, {"height": words[-1]})}
    works = Works(actions, {"harm": Hazard("harm", never, "danger", "Keep off.")})
    tracemalloc.start()
    verdict = explore(works, facts, (Step(action="lift"), Step(do="Look.")))
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert verdict.not_shown_safe
    assert peak < 200_000_000  # it took thousands of millions before


def counter_of(facts: int) -> tuple[Works, dict[str, Fact], Condition]:
    """A counter in the binary system, which the machine counts by itself: as many layers as states, one state in each."""
    names = [f"fact {'abcdefghijklmnopqrst'[n]}" for n in range(facts)]
    counts = {}
    for n, name in enumerate(names):
        needs = together([StateTest(name, "off"), *(StateTest(lower, "on") for lower in names[:n])])
        counts[f"count {n}"] = Happening(f"count {n}", needs, {**dict.fromkeys(names[:n], "off"), name: "on"})
    never = Joined("and", tuple(StateTest(name, "on") for name in names))
    rest = Joined("and", tuple(StateTest(name, "off") for name in names))
    works = Works(hazards={"harm": Hazard("harm", never, "danger", "Keep off.")}, happenings=counts)
    return works, {name: Fact(name, ("off", "on")) for name in names}, rest


def test_what_takes_too_much_work_is_given_up_and_not_shown_safe() -> None:
    """Many layers in few states: the work is counted, and the same is given up at every run."""
    works, facts, rest = counter_of(8)
    verdict = explore(works, facts, (), needs=rest)
    assert [len(r.trace.events) for r in verdict.hazards] == [1 + 255]
    just_enough = verdict.figures.work
    assert explore(works, facts, (), needs=rest, most_work=just_enough) == verdict
    given_up = explore(works, facts, (), needs=rest, most_work=just_enough - 1)
    assert given_up.not_shown_safe
    assert not given_up.safe
    assert given_up.hazards == ()
    works, facts, rest = counter_of(17)
    assert explore(works, facts, (), needs=rest, most_work=10**8).not_shown_safe


def test_the_shortest_way_through_a_large_space() -> None:
    """Twelve facts from their first state to their last, in 531,441 states: one event each, the start of the work before them."""
    works, facts = chain_of(12, 3)
    rest = Joined("and", tuple(StateTest(name, "state a") for name in facts))
    verdict = explore(works, facts, (), needs=rest, most_states=600_000)
    (reached,) = verdict.hazards
    assert len(reached.trace.events) == 13
    assert len({str(event) for event in reached.trace.events}) == 13
    assert set(reached.trace.start.values()) == {"state a"}
    assert set(reached.trace.end.values()) == {"state c"}


# --- a set of states ---------------------------------------------------------------------------------------------------------


@given(conditions(), st.data())
@settings(max_examples=examples(150))
def test_a_condition_is_true_in_the_states_in_which_it_is_true(c: Condition, data: st.DataObject) -> None:
    """The set of a condition against the condition walked, state by state; so too with what an action makes."""
    facts = {name: fact for name, fact in FACTS.items() if name in names_of(c)}
    space = Space(facts.values(), thresholds_of([c], facts))
    names = list(facts)
    fixed = {
        digit: data.draw(st.integers(0, space.digits[digit].radix - 1)) for digit in data.draw(st.sets(st.sampled_from(range(len(names)))))
    }
    now, after = space.where(c, frozenset(), WORKER), space.where(c, frozenset(), WORKER, fixed)
    assert max(now, after) <= space.full
    for state in range(space.size):
        values = {name: space.digits[n].values[space.value(state, n)] for n, name in enumerate(names)}
        made = {name: space.digits[n].values[fixed.get(n, space.value(state, n))] for n, name in enumerate(names)}
        assert (now >> state & 1 == 1) is (evaluate(c, values) is Truth.YES)
        assert (after >> state & 1 == 1) is (evaluate(c, made) is Truth.YES)


def test_the_first_fact_is_the_highest_digit_and_its_first_state_nought() -> None:
    facts = [Fact("gate", ("closed", "raised")), Fact("who", ("away", "near", "under"), per_person=True)]
    space = Space(facts, {})
    assert [(d.name, d.weight) for d in space.digits] == [("gate", 9), ("who (who does the work)", 3), ("who (somebody else)", 1)]
    assert space.size == 18
    assert space.words(0) == {"gate": "closed", "who (who does the work)": "away", "who (somebody else)": "away"}
    assert space.words(9 + 2 * 3 + 1) == {"gate": "raised", "who (who does the work)": "under", "who (somebody else)": "near"}
    assert space.having(0, 1) == (1 << 18) - (1 << 9)


def test_of_whom_a_condition_is_read() -> None:
    space = Space([Fact("who", ("away", "near"), per_person=True)], {})
    near, away = StateTest("Who", "Near"), StateTest("Who", "Away")
    either_near, worker_away, other_away, both_away = 0b1110, 0b0011, 0b0101, 0b0001
    assert space.where(near, frozenset(), WORKER) == either_near, "who is at rest says nothing against it"
    assert space.where(away, frozenset(), WORKER) == both_away
    assert space.where(away, frozenset({"who"}), WORKER) == worker_away
    assert space.where(away, frozenset({"who"}), OTHER) == other_away
    assert space.where_any(near) == either_near


def test_two_who_differ_and_neither_is_at_rest_are_not_known() -> None:
    """It must be true either way: as the reports of both leave it open."""
    space = Space([Fact("who", ("away", "near", "under"), per_person=True)], {})
    near, not_away = StateTest("who", "near"), StateTest("who", "away", negated=True)
    near_and_under = (1 << 1 * 3 + 2) | (1 << 2 * 3 + 1)
    assert not space.where(near, frozenset(), WORKER) & near_and_under
    assert space.where(not_away, frozenset(), WORKER) & near_and_under == near_and_under


# --- which procedures ---------------------------------------------------------------------------------------------------------


def test_procedures_that_no_task_follows() -> None:
    def following(*names: str) -> tuple[Step, ...]:
        return tuple(Step(follow=name) for name in names)

    procedures = {
        "open it": Procedure("Open it", (Step(do="Open."),)),
        "inner": Procedure("Inner", (Step(do="Look."),)),
        "outer": Procedure("Outer", following("Inner")),
        "alone": Procedure("Alone", following("Open it")),
    }
    works = Works(procedures=procedures)
    assert [p.name for p in not_followed(works, [following("OUTER"), ()])] == ["Open it", "Alone"]
    assert [p.name for p in not_followed(works, [following("alone", "outer")])] == []
