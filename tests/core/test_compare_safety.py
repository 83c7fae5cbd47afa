"""What a newer version lets through that an older one withheld: the table, and the search against all states one by one."""

import tomllib
from fractions import Fraction
from itertools import product
from typing import Any

import pytest
from hypothesis import given, settings

from fieldworthy.core.base.quantity import UNITS, Quantity
from fieldworthy.core.base.truth import Truth, negate
from fieldworthy.core.condition.ast import Condition
from fieldworthy.core.condition.explain import render
from fieldworthy.core.condition.search import Effort, TooLarge, by_fact, find_state, values_of
from fieldworthy.core.condition.walk import Value, evaluate
from fieldworthy.core.rulebook import compare_safety as module
from fieldworthy.core.rulebook.compare_safety import compare_safety
from fieldworthy.core.rulebook.model import CheckedRulebook
from tests.core.books import CASES, book_of, differs
from tests.core.conditions import FACTS, conditions, values
from tests.effort import examples

TABLE = tomllib.loads((CASES / "compare" / "safety.toml").read_text("utf-8"))


def version(pieces: dict[str, Any]) -> CheckedRulebook:
    return book_of({**TABLE["book"], **pieces, "facts": {**TABLE["book"]["facts"], **pieces.get("facts", {})}})


@pytest.mark.parametrize("case", TABLE["case"], ids=lambda case: case["name"])
def test_the_table(case: dict[str, Any]) -> None:
    told = compare_safety(version(case["before"]), version(case["after"])).to_json()
    assert differs(case["want"], told["changes"]) is None
    assert differs(case.get("want_hazards", []), told["hazards"]) is None


@pytest.mark.parametrize("case", TABLE["case"], ids=lambda case: case["name"])
def test_read_the_other_way_round_weaker_and_stronger_change_places(case: dict[str, Any]) -> None:
    there = compare_safety(version(case["before"]), version(case["after"]))
    back = compare_safety(version(case["after"]), version(case["before"]))
    verdict = [(c.member, c.difference.weaker is None, c.difference.stronger is None) for c in there.changes]
    assert [(c.member, c.difference.stronger is None, c.difference.weaker is None) for c in back.changes] == verdict


def book_with(needs: Condition) -> CheckedRulebook:
    facts = {name: {"states": list(f.states)} if f.states else {"unit": f.unit.name if f.unit else "number"} for name, f in FACTS.items()}
    return book_of({"facts": facts, "actions": {"do it": {"needs": render(needs), "makes": "gate is closed"}}})


def read_back(name: str, value: Any) -> Value:
    if isinstance(value, dict):
        return Quantity(Fraction(str(value["value"])), UNITS[value["unit"]])
    return value if isinstance(value, str) else Fraction(str(value))


# `gate is raised` as an action's needs is never refused as `never true`: only a single test or an `or` of such is drawn here
@settings(max_examples=examples(150), deadline=None)
@given(conditions(5), conditions(5), values(known_only=True))
def test_the_states_given_show_what_is_said_and_no_state_shows_what_is_denied(a: Condition, b: Condition, state: dict[str, Value]) -> None:
    try:
        before, after = book_with(a), book_with(b)
    except AssertionError:  # never true: refused
        return
    for change in compare_safety(before, after).changes:
        assert change.difference.not_compared is None
        for shown, refused, granted in ((change.difference.weaker, a, b), (change.difference.stronger, b, a)):
            if shown is not None:
                seen = {name: read_back(name, value) for name, value in shown.items()}
                # a double on the wire may stand beside its exact number: so only states are held to the letter
                if not any(isinstance(value, (Quantity, Fraction)) for value in seen.values()):
                    assert evaluate(refused, seen) is Truth.NO
                    assert evaluate(granted, seen) is Truth.YES
            else:
                assert not (evaluate(refused, state) is Truth.NO and evaluate(granted, state) is Truth.YES)


@settings(max_examples=examples(200), deadline=None)
@given(conditions(6))
def test_the_search_finds_a_state_exactly_where_one_of_all_will_do(c: Condition) -> None:
    choices = {name: values_of(FACTS[name], tests) for name, tests in by_fact([c]).items()}
    every = [dict(zip(choices, each, strict=True)) for each in product(*choices.values())]
    true = [state for state in every if evaluate(c, state) is Truth.YES]
    found = find_state(lambda state: evaluate(c, state), choices, 1, Effort(10**6))
    assert found == (true[0] if true else None) or (found is not None and evaluate(c, found) is Truth.YES)
    assert (found is None) == (not true)
    false = find_state(lambda state: negate(evaluate(c, state)), choices, 1, Effort(10**6))
    assert (false is None) == (len(true) == len(every))


def hard(pairs: int, odd: bool) -> str:
    """An `exclusive or` of many facts: nothing is settled before the last of them is known."""
    text = "f0 is on"
    for n in range(1, pairs):
        text = f"((({text}) and f{n} is off) or (not ({text}) and f{n} is on))"
    return f"not ({text})" if odd else text


def test_beyond_the_bound_it_says_not_compared(monkeypatch: pytest.MonkeyPatch) -> None:
    facts = {f"f{n}": {"states": ["off", "on"]} for n in range(4)}
    books = [book_of({"facts": facts, "actions": {"a": {"needs": hard(4, odd), "makes": "f0 is on"}}}) for odd in (False, True)]
    (told,) = compare_safety(*books).changes
    assert told.difference.not_compared is None
    monkeypatch.setattr(module, "MOST_EFFORT", 40)
    (told,) = compare_safety(*books).changes
    assert told.difference.not_compared == "not compared: it would take too long"
    assert told.difference.weaker is None
    monkeypatch.setattr(module, "MOST_EFFORT", 200_000)
    monkeypatch.setattr(module, "MOST_EFFORT_IN_ALL", 40)
    (told,) = compare_safety(*books).changes
    assert told.difference.not_compared == "not compared: it would take too long"


def test_the_search_gives_up_at_its_bound_and_not_before() -> None:
    choices: dict[str, list[Value]] = {f"f{n}": ["off", "on"] for n in range(3)}
    judged = Effort(10**6)
    assert find_state(lambda state: Truth.UNKNOWN, choices, 1, judged) is None
    used = 10**6 - judged.left
    assert used == 15  # every prefix of three binary choices once
    assert find_state(lambda state: Truth.UNKNOWN, choices, 1, Effort(used)) is None
    with pytest.raises(TooLarge):
        find_state(lambda state: Truth.UNKNOWN, choices, 1, Effort(used - 1))
