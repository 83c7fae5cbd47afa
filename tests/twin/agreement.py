"""One small procedure asked of three engines, and where they do not say the same."""

from typing import Any

from fieldworthy.core.base.names import key
from fieldworthy.core.procedure.explore import Trace, Verdict, explore
from tests.twin.explorer_twin import OTHER, WORKER, Twin
from tests.twin.explorer_z3 import Asked
from tests.twin.small_procedures import Small, small


def explored(case: Small, everything: bool = False) -> Verdict:
    return explore(case.works, case.facts, case.steps, needs=case.needs, holds=case.holds, leaves=case.leaves, everything=everything)


def said(verdict: Verdict) -> dict[str, Any]:
    """A verdict in the words that all engines share."""
    return {
        "no_start": verdict.no_start,
        "hazards": {r.hazard.name: len(r.trace.events) for r in verdict.hazards},
        "cannot_start": None if verdict.cannot_start is None else verdict.cannot_start.step,
        "never_over": verdict.never_over,
        "left_changed": {left.fact.name: len(left.trace.events) for left in verdict.left_changed},
    }


def counted(verdict: Verdict) -> dict[str, int]:
    f = verdict.figures
    return {"states": f.states, "starts": f.starts, "reached": f.reached, "layers": f.layers}


def differs_from_twin(case: Small, everything: bool = False) -> str | None:
    """Verdict, lengths and counts against the slow search, and each trace walked in it."""
    verdict, twin = explored(case, everything), Twin(case, everything)
    answer = vars(twin.answer())
    mine = said(verdict) | counted(verdict)
    if mine != answer:
        return f"engine {mine}, twin {answer}"
    for reached in verdict.hazards:
        ends = walked(twin, reached.trace, others=True)
        if not any(reached.hazard.name in twin.harmed(state) for _, state in ends):
            return f"the trace {reached.trace} does not lead to `{reached.hazard.name}`"
    for left in verdict.left_changed:
        if not any(position == len(twin.steps) for position, _ in walked(twin, left.trace, others=False)):
            return f"the trace {left.trace} does not lead to an end"
    stuck = verdict.cannot_start
    if stuck is not None and not any(position == stuck.step - 1 for position, _ in walked(twin, stuck.trace, others=False)):
        return f"the trace {stuck.trace} does not lead to step {stuck.step}"
    return None


def walked(twin: Twin, trace: Trace, others: bool) -> list[tuple[int, Any]]:
    """The positions and states that a trace can lead to, all its events taken in turn, and that read as its end does."""
    here = [(0, state) for state in twin.starts() if in_words(twin, state) == trace.start]
    for event in trace.events:
        here = [
            (to, after)
            for position, state in here
            for to, after, came in twin.following(position, state, others)
            if came[0] == event.kind and (came[0] == "step" or came[1] == event.name) and came[2] == event.step
        ]
    return [(position, state) for position, state in here if in_words(twin, state) == trace.end]


def in_words(twin: Twin, state: Any) -> dict[str, str]:
    words = {}
    for (name, whose), value in zip(twin.variables, state, strict=True):
        fact = twin.case.facts[name]
        called = f"{fact.name} ({whose})" if whose in (WORKER, OTHER) else fact.name
        if isinstance(value, str):
            words[called] = next(s for s in fact.states if key(s) == value)
        else:
            words[called] = number_in_words(value, [v for v in twin.values(fact) if isinstance(v, type(value))])
    return words


def number_in_words(value: Any, values: list[Any]) -> str:
    """A threshold as itself, a gap by the thresholds around it: the values stand in order, gap and threshold by turns."""
    at = values.index(value)
    if len(values) == 1:
        return "any"
    if at % 2:
        return str(value)
    if at == 0:
        return f"below {values[1]}"
    if at == len(values) - 1:
        return f"above {values[-2]}"
    return f"between {values[at - 1]} and {values[at + 1]}"


def differs_from_solver(case: Small) -> str | None:
    """Verdict and lengths against the solver, which has all facts."""
    mine, solved = said(explored(case)), vars(Asked(case).answer())
    mine["no_start"] = mine["no_start"] is not None
    return None if mine == solved else f"engine {mine}, solver {solved}"


def differences(number: int) -> list[str]:
    case = small(number)
    return [f"{number}: {found}" for found in (differs_from_twin(case), differs_from_solver(case)) if found is not None]
