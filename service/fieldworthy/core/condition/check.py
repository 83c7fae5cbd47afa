"""A condition against the names that a rulebook declares: every finding, in the order of the text."""

from collections.abc import Iterable, Mapping
from fractions import Fraction
from itertools import pairwise, product

from fieldworthy.core.base.finding import Finding, Severity, did_you_mean, or_list
from fieldworthy.core.base.names import key
from fieldworthy.core.base.quantity import UNITS, Quantity, convert, find_unit
from fieldworthy.core.base.truth import Truth
from fieldworthy.core.base.vocabulary import Fact, WorkingCondition, state_of
from fieldworthy.core.condition.ast import Condition, NumberTest, StateTest
from fieldworthy.core.condition.walk import Test, Value, evaluate, names_of, tests_of

Known = Mapping[str, Fact | WorkingCondition]
_MOST_TESTS = 8192  # tests judged in one look


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
    """A best-effort look: every combination of states, and of numbers at and between the thresholds, where these are few."""
    choices = [_choices(name, c, known[name]) for name in names_of(c)]
    cases = 1
    for each in choices:
        cases *= len(each)
    if cases * sum(1 for _ in tests_of(c)) > _MOST_TESTS:
        return []
    names = names_of(c)
    worth = {evaluate(c, dict(zip(names, case, strict=True))) for case in product(*choices)}
    if len(worth) != 1 or Truth.UNKNOWN in worth:
        return []
    mend = "look for a test that contradicts another, or the wrong one of `and` and `or`"
    if worth == {Truth.NO}:
        return [Finding("condition.never_true", "this is never true, whatever the machine's state", mend, Severity.WARNING, c.span)]
    mend = "leave it out, or look for the wrong one of `and` and `or`"
    return [Finding("condition.always_true", "this is always true, whatever the machine's state", mend, Severity.WARNING, c.span)]


def _choices(name: str, c: Condition, declared: Fact | WorkingCondition) -> list[Value]:
    if declared.states:
        return [key(state) for state in declared.states]
    own = declared.unit if isinstance(declared, Fact) else None
    limits = set()
    for test in tests_of(c):
        if isinstance(test, NumberTest) and key(test.fact) == name:
            unit = find_unit(test.unit) if test.unit else None
            limits.add(Fraction(convert(test.number, unit, own)) if unit is not None and own is not None else test.number)
    steps = sorted(limits)
    numbers = [steps[0] - 1, *(x for a, b in pairwise(steps) for x in (a, (a + b) / 2)), steps[-1], steps[-1] + 1]
    return [number if own is None else Quantity(number, own) for number in numbers]
