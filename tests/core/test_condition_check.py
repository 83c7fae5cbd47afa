"""Conditions against declared facts, and how actions, procedures and steps fit together."""

from typing import Any

import pytest
from hypothesis import given, settings

from fieldworthy.core.base.finding import Finding
from fieldworthy.core.base.names import key
from fieldworthy.core.base.vocabulary import WorkingCondition
from fieldworthy.core.condition.ast import Condition
from fieldworthy.core.condition.check import check_condition
from fieldworthy.core.condition.evaluate import evaluate
from fieldworthy.core.condition.parse import parse
from fieldworthy.core.procedure.check import MOST_DEEP, MOST_STEPS, check_works, makes_of
from fieldworthy.core.procedure.model import Action, Procedure, Step, Works
from fieldworthy.core.procedure.steps import laid_out, together
from tests.core.books import condition, facts_of, tables
from tests.core.conditions import FACTS, conditions, values
from tests.effort import examples

CASES = [(name, case) for name, case in tables("condition") if name.startswith("check:")]


@pytest.mark.parametrize("case", [c for _, c in CASES], ids=[n for n, _ in CASES])
def test_check(case: dict[str, Any]) -> None:
    text = case["condition"]
    c = parse(text)
    assert not isinstance(c, Finding)
    found = check_condition(c, facts_of(case["facts"]), "fact")
    assert [(f.code, text[f.span.start : f.span.end] if f.span else None) for f in found] == [
        (code, at) for code, at, _ in case["findings"]
    ]
    for finding, (code, _, mend) in zip(found, case["findings"], strict=True):
        assert mend in finding.mend
        assert finding.severity == ("warning" if code.endswith("_true") else "error")


def test_working_conditions_are_called_so() -> None:
    known = {"dust": WorkingCondition("dust", ("light", "heavy"))}
    c = condition("dost is heavy or dust is hevy or dust > 3")
    assert c is not None
    found = check_condition(c, known, "working condition")
    assert [f.code for f in found] == ["condition.unknown_working_condition", "condition.unknown_state", "condition.state_needed"]
    assert found[0].message == "no working condition is called `dost`"
    assert "`dust`" in found[0].mend


@given(conditions(), values(known_only=True))
@settings(max_examples=examples(200), deadline=None)
def test_what_is_warned_of_is_so(c: Condition, known_values: dict[str, Any]) -> None:
    for finding in check_condition(c, FACTS, "fact"):
        assert finding.code in ("condition.never_true", "condition.always_true")
        assert (evaluate(c, known_values).name == "NO") is (finding.code == "condition.never_true")


@given(conditions())
@settings(deadline=None)
def test_conditions_over_declared_facts_have_no_error(c: Condition) -> None:
    assert [f for f in check_condition(c, FACTS, "fact") if f.severity == "error"] == []


# --- makes, steps, procedures ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("gate is raised", {"gate": "raised"}),
        ("Gate is RAISED and (lock is released and side panel is off)", {"gate": "raised", "lock": "released", "side panel": "off"}),
        ("gate is raised and gate is raised", {"gate": "raised"}),
        ("gate is not raised", "procedure.makes_not_plain"),
        ("gate is raised or lock is released", "procedure.makes_not_plain"),
        ("if gate is raised then lock is released", "procedure.makes_not_plain"),
        ("not gate is raised", "procedure.makes_not_plain"),
        ("tilt = 5", "procedure.makes_not_plain"),
        ("gate is raised and gate is closed", "procedure.makes_twice"),
        ("gait is raised", "condition.unknown_fact"),
        ("gate is rased", "condition.unknown_state"),
        ("tilt is steep", "condition.number_needed"),
    ],
)
def test_makes(text: str, expected: Any) -> None:
    c = condition(text)
    assert c is not None
    found = makes_of(c, FACTS)
    if isinstance(expected, str):
        assert isinstance(found, Finding)
        assert found.code == expected
        assert found.mend
        assert found.span is not None
    else:
        assert found == expected


def procedures(**follows: list[str]) -> dict[str, Procedure]:
    return {key(n): Procedure(n, (Step(do="look"), *(Step(follow=f) for f in several))) for n, several in follows.items()}


def test_steps_name_what_is_declared() -> None:
    works = Works(actions={"stop engine": Action("stop engine", None, {"engine": "stopped"})}, procedures=procedures(halt=[]))
    steps = (Step(action="Stop Engine"), Step(action="stop engin"), Step(follow="hallt"), Step(do="anything"), Step(follow="Halt"))
    found = check_works(works, {"grease/it": steps}, FACTS)
    assert [(f.code, f.path) for f in found] == [
        ("procedure.unknown_action", "/tasks/grease~1it/steps/1"),
        ("procedure.unknown_procedure", "/tasks/grease~1it/steps/2/follow"),
    ]
    assert all("did you mean" in f.mend for f in found)


def test_made_facts_and_states_are_declared() -> None:
    works = Works(actions={"x": Action("x", None, {"gate": "raised", "gait": "raised", "lock": "shut", "tilt": "steep"})})
    found = check_works(works, {}, FACTS)
    assert [f.code for f in found] == ["condition.unknown_fact", "condition.unknown_state", "condition.number_needed"]
    assert {f.path for f in found} == {"/actions/x/makes"}


@pytest.mark.parametrize(
    ("follows", "circles"),
    [
        ({"a": ["b"], "b": ["c"], "c": []}, 0),
        ({"a": ["b", "c"], "b": ["d"], "c": ["d"], "d": []}, 0),
        ({"a": ["a"]}, 1),
        ({"a": ["b"], "b": ["a"]}, 1),
        ({"x": ["a"], "a": ["b"], "b": ["c"], "c": ["a"]}, 1),
        ({"a": ["b"], "b": ["a"], "c": ["d"], "d": ["c"]}, 2),
    ],
)
def test_circles(follows: dict[str, list[str]], circles: int) -> None:
    found = check_works(Works(procedures=procedures(**follows)), {}, FACTS)
    assert [f.code for f in found] == ["procedure.circle"] * circles


def test_a_long_chain_of_procedures_is_no_circle_and_does_not_overflow() -> None:
    many = {f"p{i}": [f"p{i + 1}"] for i in range(2000)} | {"p2000": []}
    (found,) = check_works(Works(procedures=procedures(**many)), {"t": (Step(follow="p0"),)}, FACTS)
    assert (found.code, found.path) == ("procedure.too_deep", f"/procedures/p{2000 - MOST_DEEP}")
    many["p2000"] = ["p0"]
    (found,) = check_works(Works(procedures=procedures(**many)), {}, FACTS)
    assert (found.code, "`p4`, 1995 more and `p2000` follow each other" in found.message) == ("procedure.circle", True)


def test_procedures_may_follow_each_other_so_deep_and_no_deeper() -> None:
    many = {f"p{i}": [f"p{i + 1}"] for i in range(1, MOST_DEEP)} | {f"p{MOST_DEEP}": []}
    assert check_works(Works(procedures=procedures(**many)), {"t": (Step(follow="p1"),)}, FACTS) == []
    found = check_works(Works(procedures=procedures(**many, p0=["p1"])), {"t": (Step(follow="p0"),)}, FACTS)
    assert [(f.code, f.path) for f in found] == [("procedure.too_deep", "/procedures/p0")]


def test_procedures_that_grow_too_fast_are_refused_before_they_are_laid_out() -> None:
    doubling = {f"p{i}": [f"p{i + 1}"] * 2 for i in range(15)} | {"p15": []}  # p7 has 2**9 - 1 steps
    found = check_works(Works(procedures=procedures(**doubling)), {"t": (Step(follow="p0"),)}, FACTS)
    assert [(f.code, f.path) for f in found] == [("procedure.too_many_steps", "/procedures/p7/steps")]
    assert str(MOST_STEPS) in found[0].message
    found = check_works(Works(procedures=procedures(**doubling)), {"t": (Step(follow="p8"), Step(follow="p8"))}, FACTS)
    assert [f.path for f in found] == ["/tasks/t/steps", "/procedures/p7/steps"]


def test_steps_are_laid_out_in_their_place() -> None:
    needs, holds, own = condition("gate is closed"), condition("engine is stopped"), condition("lock is engaged")
    inner = {"halt": Procedure("halt", (Step(action="stop engine", needs=own), Step(do="wait", holds=own)))}
    laid = laid_out((Step(do="first"), Step(follow="Halt", needs=needs, holds=holds), Step(do="last")), inner)
    assert [s.do or s.action for s in laid] == ["first", "stop engine", "wait", "last"]
    assert laid[1].needs == together((needs, own))
    assert laid[1].holds == holds
    assert laid[2].needs is None
    assert laid[2].holds == together((holds, own))
