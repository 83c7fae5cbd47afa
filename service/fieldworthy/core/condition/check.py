"""A condition against the names that a rulebook declares: every finding, in the order of the text."""

from collections.abc import Iterable, Mapping

from fieldworthy.core.base.finding import Finding, Severity, did_you_mean, or_list
from fieldworthy.core.base.names import key
from fieldworthy.core.base.quantity import UNITS
from fieldworthy.core.base.truth import negate
from fieldworthy.core.base.vocabulary import Fact, WorkingCondition, state_of
from fieldworthy.core.condition.ast import Condition, NumberTest, StateTest
from fieldworthy.core.condition.search import Effort, TooLarge, by_fact, find_state, values_of
from fieldworthy.core.condition.walk import Test, Value, evaluate, names_of, tests_of

Known = Mapping[str, Fact | WorkingCondition]
_MOST_TESTS = 4_000  # judged in one look


def check_condition(c: Condition, known: Known, what: str = "fact") -> list[Finding]:
    """
    Every finding of a parsed condition, in the order of the text; spans are those of the condition's text.

    known: the declared facts or working conditions by names.key. what: "fact" or "working condition", for the messages.
    Errors: a name, state or unit that is not declared, a unit of another dimension, a number test of states and the reverse.
    Warnings, only where there is no error: never true, always true.
    """
    found = [finding for test in tests_of(c) for finding in _check_test(test, known, what)]
    return found or _check_worth(c, known)


def _check_test(test: Test, known: Known, what: str) -> Iterable[Finding]:
    code = what.replace(" ", "_")
    declared = known.get(key(test.fact))
    if declared is None:
        mend = did_you_mean(test.fact, [each.name for each in known.values()], f"declare it under `{code}s`")
        yield Finding(f"condition.unknown_{code}", f"no {what} is called `{test.fact}`", mend, span=test.span)
        return
    if isinstance(test, StateTest):
        if not declared.states:
            mend = f"compare it with a number, as in `{declared.name} < 10{_own_unit(declared)}`"
            yield Finding("condition.number_needed", f"`{declared.name}` is a number and has no state `{test.state}`", mend, span=test.span)
        elif state_of(declared.states, test.state) is None:
            mend = did_you_mean(test.state, declared.states, f"declare it among the states of `{declared.name}`")
            yield Finding("condition.unknown_state", f"`{declared.name}` has no state `{test.state}`", mend, span=test.span)
        return
    if declared.states:
        mend = f"write `{declared.name} is …` with {or_list(declared.states[:8])}"
        yield Finding("condition.state_needed", f"`{declared.name}` has states and is no number", mend, span=test.span)
    elif test.unit is not None:
        yield from _check_unit(test, declared)


def _own_unit(declared: Fact | WorkingCondition) -> str:
    return f" {declared.unit.name}" if isinstance(declared, Fact) and declared.unit is not None else ""


def _check_unit(test: NumberTest, declared: Fact | WorkingCondition) -> Iterable[Finding]:
    own = declared.unit if isinstance(declared, Fact) else None
    unit = UNITS.get(test.unit or "")
    if unit is None:
        fitting = [u.name for u in UNITS.values() if own is None or u.dimension == own.dimension]
        mend = did_you_mean(test.unit or "", fitting, "take the unit away" if own is None else f"write it in {or_list(fitting)}")
        yield Finding("condition.unknown_unit", f"`{test.unit}` is no unit that is known here", mend, span=test.span)
    elif own is None:
        message = f"`{declared.name}` has no unit, and `{unit.name}` is one"
        yield Finding(
            "condition.unit_mismatch", message, f"take the unit away, or declare `unit: {unit.name}` for `{declared.name}`", span=test.span
        )
    elif own.dimension != unit.dimension:
        fitting = [u.name for u in UNITS.values() if u.dimension == own.dimension]
        message = f"`{declared.name}` is a {own.dimension}, in `{own.name}`, and `{unit.name}` is a unit of {unit.dimension}"
        yield Finding("condition.unit_mismatch", message, f"write it in {or_list(fitting)}", span=test.span)


# --- never true, always true -------------------------------------------------------------------------------------------------


def _check_worth(c: Condition, known: Known) -> list[Finding]:
    """A look at every combination of states, and of numbers at and between the thresholds, where that does not take long."""
    choices = {name: _choices(name, c, known[name]) for name in names_of(c)}
    cost = sum(1 for _ in tests_of(c))
    try:
        if find_state(lambda state: evaluate(c, state), choices, cost, Effort(_MOST_TESTS)) is None:
            mend = "look for a test that contradicts another, or the wrong one of `and` and `or`"
            return [Finding("condition.never_true", "this is never true, whatever the machine's state", mend, Severity.WARNING, c.span)]
        if find_state(lambda state: negate(evaluate(c, state)), choices, cost, Effort(_MOST_TESTS)) is None:
            mend = "leave it out, or look for the wrong one of `and` and `or`"
            return [Finding("condition.always_true", "this is always true, whatever the machine's state", mend, Severity.WARNING, c.span)]
    except TooLarge:
        pass  # only what is surely so is told
    return []


def _choices(name: str, c: Condition, declared: Fact | WorkingCondition) -> list[Value]:
    if isinstance(declared, Fact):
        return values_of(declared, by_fact([c])[name])
    return [key(state) for state in declared.states]
