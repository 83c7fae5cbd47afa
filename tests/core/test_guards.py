"""The check notices a guard that is gone: in a rulebook without a spare one each of them, in the demo's each hazard is kept out by some.

`python tests/benchmarks/mutate_guards.py` takes every guard of the demo's rulebooks away and explains each that is not noticed.
"""

from collections import Counter

import pytest

from fieldworthy.core.answer.examples import run_example
from fieldworthy.core.base.finding import Severity
from fieldworthy.core.rulebook.check import check_text
from fieldworthy.demo.world import RULEBOOKS, load
from tests.benchmarks import mutate_guards as mutate
from tests.core.books import CASES

TIGHT = mutate.book_of((CASES / "rulebook" / "tight.yaml").read_text("utf-8"))
GUARDS = list(mutate.guards(TIGHT))


def test_the_tight_rulebook_holds() -> None:
    _, findings = check_text((CASES / "rulebook" / "tight.yaml").read_text("utf-8"), run_example)
    assert [f.message for f in findings if f.severity is Severity.ERROR] == []
    assert len(GUARDS) == 7


@pytest.mark.parametrize("guard", GUARDS, ids=str)
def test_each_guard_of_the_tight_rulebook_is_noticed(guard: mutate.Guard) -> None:
    found = mutate.errors(mutate.without(TIGHT, guard))
    assert {f.code for f in found} == {"procedure.hazard_reached"}


def test_each_hazard_of_the_tight_rulebook_is_kept_out_by_one_guard_alone() -> None:
    kept_out = {h.name for h in TIGHT.works.hazards.values() for g in GUARDS if mutate.reached(mutate.without(TIGHT, g), h.name)}
    assert kept_out == {"caught", "drawn in", "crushed", "scalded"}


def test_a_guard_that_says_what_another_says_is_spare_and_named_so() -> None:
    text = (CASES / "rulebook" / "tight.yaml").read_text("utf-8")
    twice = mutate.book_of(text.replace("    kind: clean\n", "    kind: clean\n    needs: engine is stopped\n"))
    outcome = mutate.survey(twice)
    assert [str(guard) for guard in outcome.killed] == [str(guard) for guard in GUARDS]
    assert [str(guard) for guard in outcome.survivors] == ["/tasks/rotor-clean/needs  engine is stopped"]
    covered = mutate.book_of(
        text.replace("  reach in: {needs: rotor is still,", "  reach in: {needs: rotor is still and rotor is not turning,")
    )
    assert set(mutate.survey(covered).survivors.values()) == {
        "covered by /actions/reach in/needs  rotor is not turning, against `drawn in` in `rotor-clean`",
        "covered by /actions/reach in/needs  rotor is still, against `drawn in` in `rotor-clean`",
    }
    idle = mutate.book_of(text.replace("    kind: clean\n", "    kind: clean\n    holds: cap is shut\n"))
    assert list(mutate.survey(idle).survivors.values()) == ["no declared hazard comes of it: `cap` is asked for another reason"]


@pytest.mark.parametrize("name", RULEBOOKS)
def test_each_hazard_of_the_demo_is_kept_out_by_the_guards_of_one_fact(name: str) -> None:
    book = mutate.book_of(load().texts[name])
    assert mutate.errors(book) == []
    every = list(mutate.guards(book))
    facts = Counter(fact for guard in every for fact in mutate.names_of(guard.part))
    for hazard in book.works.hazards.values():
        named = [fact for fact in facts if fact in mutate.names_of(hazard.never)]
        about = ([guard for guard in every if fact in mutate.names_of(guard.part)] for fact in [*named, *facts])
        assert any(mutate.reached(mutate.without(book, *some), hazard.name) for some in about), hazard.name
