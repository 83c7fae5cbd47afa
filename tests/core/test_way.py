"""States as bits, and the bound of the search."""

from dataclasses import replace
from datetime import datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fieldworthy.core.answer.clearance import ClearanceQuestion, Evidence, OpenWork, answer_clearance
from fieldworthy.core.answer.others import HandOver, PutOn
from fieldworthy.core.base.fit import Identity
from fieldworthy.core.base.truth import Truth
from fieldworthy.core.base.vocabulary import Fact
from fieldworthy.core.condition.ast import Condition
from fieldworthy.core.condition.walk import evaluate, names_of
from fieldworthy.core.procedure import way as way_module
from fieldworthy.core.procedure.bits import Bits, always, made_ready
from fieldworthy.core.procedure.model import Action, Works
from fieldworthy.core.procedure.way import Demand, NoWay, Wanted, find_way
from fieldworthy.core.rulebook.model import CheckedRulebook
from tests.core.books import NOW, book_of, condition
from tests.core.conditions import FACTS, STATES, conditions, values
from tests.effort import examples

NOW_AT = datetime.fromisoformat(NOW)


@given(conditions(8), values(), st.booleans())
@settings(max_examples=examples(400), deadline=None)
def test_surely_and_perhaps_are_kleenes_logic(c: Condition, known: dict[str, object], with_bits: bool) -> None:
    """With bits for its comparisons of numbers, and with those judged by the values."""
    bits = Bits(FACTS, [c] if with_bits else [])
    state = bits.state(known)  # type: ignore[arg-type]
    truth = evaluate(c, known)  # type: ignore[arg-type]
    assert bits.surely(c, known)(state) is (truth is Truth.YES)  # type: ignore[arg-type]
    assert bits.perhaps(c, known)(state) is (truth is not Truth.NO)  # type: ignore[arg-type]


def test_a_fact_of_one_state_that_is_not_known_is_not_known() -> None:
    facts = {"plate": Fact("plate", ("fitted",))}
    c = condition("plate is fitted")
    bits = Bits(facts, [])
    assert (bits.surely(c)(bits.state({})), bits.perhaps(c)(bits.state({}))) == (False, True)
    assert bits.surely(c)(bits.state({"plate": "fitted"}))


@given(conditions(4), values(True), st.dictionaries(st.sampled_from(list(STATES)), st.integers(0, 1), min_size=1))
@settings(max_examples=examples(150), deadline=None)
def test_what_an_action_makes_of_a_state(c: Condition, known: dict[str, object], makes: dict[str, int]) -> None:
    made = {name: STATES[name][which] for name, which in makes.items()}
    ready = made_ready(Works({"act": Action("act", c, made)}), FACTS)
    (act,) = ready.actions
    state = ready.bits.state(known)  # type: ignore[arg-type]
    assert act.after(state) == ready.bits.state({**known, **made})  # type: ignore[arg-type, dict-item]
    assert act.writes == ready.bits.mask(made)
    assert act.reads == ready.bits.mask(names_of(c))


def lamps(count: int) -> tuple[CheckedRulebook, dict[str, str]]:
    """So many lamps, each with its own switch; a door that opens once all are lit, and another that shuts the first."""
    names = [f"lamp {'abcdefghijklmnopqrstuvwxyz'[n]}" for n in range(count)]
    lit = " and ".join(f"{name} is lit" for name in names)
    facts = {name: {"states": ["dark", "lit"]} for name in [*names]} | {d: {"states": ["shut", "open"]} for d in ("front", "back")}
    actions: dict[str, dict[str, str]] = {f"switch {name}": {"makes": f"{name} is lit"} for name in names}
    actions |= {f"douse {name}": {"makes": f"{name} is dark"} for name in names}
    actions["open front"] = {"needs": lit, "makes": "front is open and back is shut"}
    actions["open back"] = {"needs": lit, "makes": "back is open and front is shut"}
    book = book_of({"facts": facts, "actions": actions, "tasks": {"look": {}}})
    return book, {name: each["states"][0] for name, each in facts.items()}


def ask(book: CheckedRulebook, state: dict[str, str], needs: str) -> ClearanceQuestion:
    return ClearanceQuestion(NOW_AT, Identity("m"), needs=needs, evidence=tuple(Evidence(f, s, NOW_AT, "seen") for f, s in state.items()))


def test_beyond_the_bound_nothing_is_claimed(monkeypatch: pytest.MonkeyPatch) -> None:
    book, state = lamps(5)
    question = ask(book, state, "front is open")
    assert len(answer_clearance(book, question).do_first) == 6
    monkeypatch.setattr(way_module.find_way, "__defaults__", (True, 50))
    answer = answer_clearance(book, question)
    assert not answer.do_first
    assert answer.because[-1].code == "no-way-to-safe"
    assert answer.because[-1].values["why"] == "bound"
    assert "there may be one" in answer.because[-1].text


def test_no_order_of_the_actions_leads_there() -> None:
    """Each of the doors opens, both are never open."""
    book, state = lamps(4)
    reason = answer_clearance(book, ask(book, state, "front is open and back is open")).because[-1]
    assert (reason.code, reason.values["why"]) == ("no-way-to-safe", "order")


def test_an_endless_space_ends_at_the_bound() -> None:
    """26 lamps have 67 million states; the search looks at its share of them and says so."""
    book, state = lamps(26)
    ready = made_ready(book.works, book.vocabulary.facts)
    c = condition("front is open")
    wanted = Wanted(
        ready.bits.state(state),
        replace(ready.actions[0], needs=always, perhaps=always, keep=-1, brings=0, reads=0, writes=0),
        (Demand(ready.bits.surely(c), ready.bits.perhaps(c), ready.bits.of(c)),),
    )
    found = find_way(ready, wanted, most=20_000)
    assert isinstance(found, NoWay)
    assert found.why == "bound"


def test_a_rulebook_keeps_its_own_workings() -> None:
    """Two rulebooks of one digest share nothing."""
    book, state = lamps(2)
    other = replace(book, works=replace(book.works, actions={}))
    assert len(answer_clearance(book, ask(book, state, "lamp a is lit")).do_first) == 1
    assert answer_clearance(other, ask(other, state, "lamp a is lit")).do_first == ()
    assert len(book.workings) == len(other.workings) == 1
    assert book.workings[0] is not other.workings[0]


def test_a_lock_that_may_be_on_is_missing_even_where_no_way_is_sought() -> None:
    book, _ = lamps(2)
    question = ClearanceQuestion(NOW_AT, Identity("m"), action="douse lamp a", put_on=(PutOn("lamp a", "lit", "p-4"),))
    assert [m.fact for m in answer_clearance(book, question, way=False).missing] == ["lamp a"]


def test_a_hand_over_is_whose_it_is_now() -> None:
    over = HandOver("p-3", "p-9", "shift change")
    assert [OpenWork("w", "t", None, "p-4").who, OpenWork("w", "t", None, "p-4", over).who] == ["p-4", "p-3"]
    assert [PutOn("lock", "on", "p-4").who, PutOn("lock", "on", "p-4", over).who] == ["p-4", "p-3"]
