"""The exploration of procedures against its slow twin and against a solver, on small procedures at random.

`python tests/benchmarks/bench_explore.py --agree 300` says how many of which kind these are.
"""

from collections import Counter

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fieldworthy.core.procedure.cone import Bearings, cone_of
from tests.effort import THOROUGH, examples
from tests.twin.agreement import differs_from_solver, differs_from_twin, explored, said
from tests.twin.small_procedures import small, with_neighbour, with_persons_held

BATCHES = 6


def batch(part: int, many: int) -> range:
    return range(part, many, BATCHES)


@pytest.mark.parametrize("part", range(BATCHES))
def test_the_twin_says_the_same(part: int) -> None:
    """Verdict, shortest lengths, states and layers counted; each trace can be walked and ends where it says."""
    assert [(number, found) for number in batch(part, examples(240)) if (found := differs_from_twin(small(number)))] == []


@given(st.integers(1_000_000, 10**12))
@settings(max_examples=examples(60))
def test_the_twin_says_the_same_of_any(number: int) -> None:
    assert differs_from_twin(small(number, most_facts=5)) is None


@pytest.mark.parametrize("part", range(BATCHES))
def test_a_solver_says_the_same(part: int) -> None:
    """Verdict and shortest lengths; the solver has every fact, and numbers that are no intervals."""
    assert [(number, found) for number in batch(part, 150 if THOROUGH else 48) if (found := differs_from_solver(small(number)))] == []


def test_the_twin_says_the_same_of_what_is_held_of_persons() -> None:
    """Of who has just been moved by a step, too: some steps can't start, for what they hold is so of somebody else alone."""
    assert [(number, found) for number in range(examples(60)) if (found := differs_from_twin(with_persons_held(number)))] == []


def test_a_solver_says_the_same_of_what_is_held_of_persons() -> None:
    assert [(number, found) for number in (*range(2), 32, 51, 58) if (found := differs_from_solver(with_persons_held(number)))] == []


def test_what_does_not_bear_on_a_procedure_changes_nothing() -> None:
    """The cone of influence against a search over all facts, the same hazards looked for."""
    smaller = Counter[bool]()
    for number in range(800):
        case = with_neighbour(number)
        within, over_all = explored(case), explored(case, everything=True)
        assert said(within) == said(over_all), number
        assert within.considered == over_all.considered
        smaller[within.figures.states < over_all.figures.states] += 1
    assert min(smaller[True], smaller[False]) > 20, smaller


def test_the_twin_agrees_beside_a_neighbour() -> None:
    """And the twin finds the same cone, and without it as many states."""
    assert [(number, found) for number in range(examples(4)) if (found := differs_from_twin(with_neighbour(number)))] == []
    assert [(number, found) for number in range(1) if (found := differs_from_twin(with_neighbour(number), everything=True))] == []


def test_the_small_procedures_are_of_every_kind() -> None:
    seen: Counter[str] = Counter()
    for number in range(300):
        case = small(number)
        verdict = explored(case)
        seen["safe"] += verdict.safe and bool(verdict.considered)
        seen["cannot begin"] += verdict.no_start is not None
        seen["cannot start"] += verdict.cannot_start is not None
        seen["left changed"] += bool(verdict.left_changed)
        seen["never over"] += verdict.never_over
        seen["hazard"] += bool(verdict.hazards)
        seen["hazard after three events or more"] += any(len(r.trace.events) > 2 for r in verdict.hazards)
        kinds = {event.kind for r in verdict.hazards for event in r.trace.events}
        seen.update(kinds)
        seen["each person's own"] += any(f.per_person for f in case.facts.values())
        seen["a number"] += any(f.is_number for f in cone_of(Bearings(case.works, case.facts), case.steps, (case.needs,)).facts)
        seen["no steps"] += not case.steps
    least = {"never over": 1, "hazard after three events or more": 10}
    assert {what: count for what, count in seen.items() if count < least.get(what, 15)} == {}
