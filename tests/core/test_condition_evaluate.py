"""What a condition is worth: tables, and properties against a second, obvious reading."""

from fractions import Fraction
from itertools import product
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fieldworthy.core.base.names import key
from fieldworthy.core.base.quantity import Quantity, exact, read_amount
from fieldworthy.core.base.truth import Truth
from fieldworthy.core.condition.ast import Condition, IfThen, Joined, Not, NumberTest, StateTest
from fieldworthy.core.condition.evaluate import Change, compile_condition, evaluate, names_of, shortfall, smallest_change
from tests.core.books import condition, facts_of, tables
from tests.core.conditions import FACTS, STATES, conditions, values
from tests.effort import examples

TRUTHS = {"yes": Truth.YES, "no": Truth.NO, "unknown": Truth.UNKNOWN}
CASES = [(name, case) for name, case in tables("condition") if name.startswith("truth:")]


def known(case: dict[str, Any]) -> dict[str, Any]:
    facts = facts_of(case["facts"])
    return {
        key(n): (key(v) if facts[key(n)].states else read_amount(v)) if isinstance(v, str) else exact(v) for n, v in case["given"].items()
    }


@pytest.mark.parametrize("case", [c for _, c in CASES], ids=[n for n, _ in CASES])
def test_truth(case: dict[str, Any]) -> None:
    facts = facts_of(case["facts"])
    c = condition(case["condition"], facts)
    assert c is not None
    given_values = known(case)
    assert evaluate(c, given_values) is TRUTHS[case["truth"]]
    assert compile_condition(c, facts)(given_values) is TRUTHS[case["truth"]]
    assert compile_condition(c)(given_values) is TRUTHS[case["truth"]]
    assert smallest_change(c, given_values) == tuple(Change(key(f), i, m) for f, i, m in case.get("unmet", []))
    assert list(shortfall(c, given_values).unknown) == [key(m) for m in case.get("missing", [])]


@given(conditions(), values())
@settings(max_examples=examples(200), deadline=None)
def test_compiled_is_the_tree_walk(c: Condition, known_values: dict[str, Any]) -> None:
    assert compile_condition(c, FACTS)(known_values) is evaluate(c, known_values)
    assert compile_condition(c)(known_values) is evaluate(c, known_values)


def test_what_its_test_cannot_read_is_not_known() -> None:
    state, number = StateTest("gate", "closed"), NumberTest("tank pressure", "<", Fraction(5), "bar")
    celsius = read_amount("20 degC")
    for c, value in ((state, Fraction(1)), (state, celsius), (number, "closed"), (number, celsius), (number, None)):
        assert evaluate(c, {"gate": value, "tank pressure": value}) is Truth.UNKNOWN
        assert compile_condition(c, FACTS)({"gate": value, "tank pressure": value}) is Truth.UNKNOWN


def test_the_authors_words_never_enter_the_code() -> None:
    name = "x'); raise SystemExit('"
    c = Joined("and", (StateTest(name, "y' or 'a"), NumberTest("__import__", "=", Fraction(1))))
    judge = compile_condition(c)
    assert judge({key(name): key("y' or 'a"), "__import__": Fraction(1)}) is Truth.YES
    assert not {"x", "SystemExit", "__import__"} & set(judge.__code__.co_names + judge.__code__.co_varnames)  # type: ignore[attr-defined]


@given(conditions(), values(), st.data())
@settings(max_examples=examples(200), deadline=None)
def test_learning_a_fact_never_turns_an_answer_round(c: Condition, known_values: dict[str, Any], data: st.DataObject) -> None:
    """Monotone in what is known: YES and NO stay."""
    before = evaluate(c, known_values)
    learnt = data.draw(values(known_only=True))
    after = evaluate(c, {n: learnt[n] if v is None else v for n, v in known_values.items()})
    assert after is not Truth.UNKNOWN
    if before is not Truth.UNKNOWN:
        assert after is before


@given(conditions(), values())
@settings(max_examples=examples(200), deadline=None)
def test_what_is_lacking_fits_the_truth(c: Condition, known_values: dict[str, Any]) -> None:
    lacks = shortfall(c, known_values)
    found = evaluate(c, known_values)
    if found is Truth.YES:
        assert lacks.changes == ()
        assert lacks.unknown == ()
    elif found is Truth.NO:
        assert lacks.changes
    else:
        assert lacks.changes == ()
        assert lacks.unknown
    assert all(known_values[name] is None for name in lacks.unknown)
    assert all(known_values[change.fact] is not None for change in lacks.changes)
    assert {change.fact for change in lacks.changes} | set(lacks.unknown) <= set(names_of(c))


def read_once(facts: list[str]) -> st.SearchStrategy[Condition]:
    """Conditions that name each fact once at most: there the tree's answer is the least of all."""

    def build(names: list[str]) -> st.SearchStrategy[Condition]:
        if len(names) == 1:
            return st.builds(lambda s, n: StateTest(names[0], s, n), st.sampled_from(STATES[names[0]]), st.booleans())

        def split(at: int) -> st.SearchStrategy[Condition]:
            left, right = build(names[:at]), build(names[at:])
            joined = st.builds(lambda op, a, b: Joined(op, (a, b)), st.sampled_from(["and", "or"]), left, right)
            return st.one_of(joined, st.builds(IfThen, left, right), st.builds(Not, joined))

        return st.integers(1, len(names) - 1).flatmap(split)

    return build(facts)


@given(st.permutations(list(STATES)).flatmap(lambda names: read_once(list(names))), values(known_only=True))
@settings(max_examples=examples(150), deadline=None)
def test_the_smallest_change_is_the_smallest(c: Condition, known_values: dict[str, Any]) -> None:
    """A twin that tries every assignment, and the changes do what they say."""
    names = names_of(c)
    best = min(
        sum(a != known_values[n] for n, a in zip(names, case, strict=True))
        for case in product(*(STATES[n] for n in names))
        if evaluate(c, dict(zip(names, case, strict=True))) is Truth.YES
    )
    changes = smallest_change(c, known_values)
    assert len(changes) == best
    mended = {**known_values}
    for change in changes:
        assert change.is_ == known_values[change.fact]
        if change.must_be.startswith("not "):
            mended[change.fact] = next(s for s in STATES[change.fact] if s != change.must_be[4:])
        else:
            mended[change.fact] = change.must_be
    assert evaluate(c, mended) is Truth.YES


def test_names_in_order_once_each() -> None:
    c = condition("b is x and (a is y or B is z) and not c < 5")
    assert c is not None
    assert names_of(c) == ("b", "a", "c")


def test_fixed_facts_are_changed_only_where_nothing_else_helps() -> None:
    c = condition("gate is closed or (lock is engaged and engine is stopped)")
    assert c is not None
    now: dict[str, Any] = {"gate": "raised", "lock": "released", "engine": "running"}
    assert [x.fact for x in shortfall(c, now).changes] == ["gate"]
    assert [x.fact for x in shortfall(c, now, frozenset({"gate"})).changes] == ["lock", "engine"]
    assert [x.fact for x in shortfall(c, now, frozenset({"gate", "lock"})).changes] == ["gate"]


def test_quantities_compare_exactly_across_units() -> None:
    c = condition("tank pressure = 1 psi")
    psi = read_amount("1 psi")
    assert c is not None
    assert isinstance(psi, Quantity)
    bar = FACTS["tank pressure"].unit
    assert bar is not None
    assert evaluate(c, {"tank pressure": psi.to(bar)}) is Truth.YES
    assert evaluate(c, {"tank pressure": Quantity(psi.to(bar).value + Fraction(1, 10**30), bar)}) is Truth.NO
