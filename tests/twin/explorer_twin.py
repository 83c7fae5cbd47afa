"""The exploration of a procedure, slow and obvious: one state at a time, a state a dictionary, breadth first over a queue.

Written from what a procedure means and from nothing of the engine; conditions are walked (condition.walk), one state after the other.
"""

from collections import deque
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import pairwise, product
from typing import Any

from fieldworthy.core.base.names import key
from fieldworthy.core.base.quantity import UNITS, Quantity
from fieldworthy.core.base.truth import Truth
from fieldworthy.core.base.vocabulary import Fact
from fieldworthy.core.condition.ast import Condition, NumberTest
from fieldworthy.core.condition.walk import evaluate, names_of, tests_of
from fieldworthy.core.procedure.model import Action, Happening, Hazard, Step
from tests.twin.small_procedures import Small

WORKER, OTHER = "who does the work", "somebody else"
State = tuple[Any, ...]  # one value for each variable
Variable = tuple[str, str | None]  # a fact (names.key) and whose it is
Event = tuple[str, str, int | None]  # kind, name, number of the step


@dataclass
class Answer:
    """What the twin finds; lengths count events. The lengths of hazards and of facts left changed are the shortest."""

    states: int
    starts: int = 0
    reached: int = 0
    layers: int = 0
    no_start: str | None = None
    hazards: dict[str, int] = field(default_factory=dict)
    cannot_start: int | None = None
    never_over: bool = False
    left_changed: dict[str, int] = field(default_factory=dict)


class Twin:
    def __init__(self, case: Small, everything: bool = False) -> None:
        self.case, self.works = case, case.works
        self.steps = case.steps or (Step(do="the work"),)
        self.actions = [None if s.action is None else self.works.actions[key(s.action)] for s in self.steps]
        self.made = {name for action in self.actions if action is not None for name in action.makes}
        self.hazards, within = self._cone()
        self.within = set(case.facts) if everything else within
        self.variables: list[Variable] = []
        for name, fact in case.facts.items():
            if name in self.within:
                self.variables += [(name, WORKER), (name, OTHER)] if fact.per_person else [(name, None)]
        self.all_states = [tuple(values) for values in product(*(self.values(case.facts[name]) for name, _ in self.variables))]

    # --- which facts, which values -------------------------------------------------------------------------------------------

    def _cone(self) -> tuple[list[Hazard], set[str]]:
        case, named = self.case, set(self.made)
        for c in self._of_procedure():
            named |= set(names_of(c))
        hurt = set(named)
        for _ in case.facts:  # each round adds a fact, or nothing more is added
            for mover in [*self.works.happenings.values(), *self.works.actions.values()]:
                if mover.needs is not None and hurt & set(names_of(mover.needs)):
                    hurt |= set(mover.makes)
        hazards = [h for h in self.works.hazards.values() if hurt & set(names_of(h.never))]
        for h in hazards:
            named |= set(names_of(h.never))
        for _ in case.facts:  # each round adds a fact, or nothing more is added
            for mover in [*self.works.happenings.values(), *self.works.actions.values()]:
                if mover.needs is not None and named & set(mover.makes):
                    named |= set(names_of(mover.needs))
        return hazards, named

    def _of_procedure(self) -> Iterator[Condition]:
        yield from (c for c in (self.case.needs, self.case.holds, self.case.leaves) if c is not None)
        for step, action in zip(self.steps, self.actions, strict=True):
            of_action = () if action is None else (action.needs, action.confirm)
            yield from (c for c in (step.needs, step.holds, step.wait_until, *of_action) if c is not None)

    def _movers(self) -> list[Action | Happening]:
        return [m for m in [*self.works.happenings.values(), *self.works.actions.values()] if self.within & set(m.makes)]

    def values(self, fact: Fact) -> list[Any]:
        """A fact's states; of a number each threshold that anything in sight names, and one number in each gap between them."""
        if fact.states:
            return [key(state) for state in fact.states]
        seen = [*self._of_procedure(), *(h.never for h in self.hazards), *(m.needs for m in self._movers() if m.needs is not None)]
        limits = set()
        for c in seen:
            for test in tests_of(c):
                if isinstance(test, NumberTest) and key(test.fact) == key(fact.name):
                    own = fact.unit
                    limits.add(Quantity(test.number, own if test.unit is None else UNITS[test.unit]).to(own).value)
        steps = sorted(limits)
        if not steps:
            return [Quantity(Fraction(0), fact.unit)]
        gaps = [steps[0] - 1, *((a + b) / 2 for a, b in pairwise(steps)), steps[-1] + 1]
        return [Quantity(number, fact.unit) for number in sorted([*steps, *gaps])]

    # --- truth ---------------------------------------------------------------------------------------------------------------

    def _true(self, c: Condition, state: State, of: dict[str, str], person: str) -> bool:
        """Whether it is true, a person's fact read of whoever `of` says, else of `person`."""
        values = {}
        for (name, whose), value in zip(self.variables, state, strict=True):
            if whose is None or whose == of.get(name, person):
                values[name] = value
        worth = evaluate(c, values)
        assert worth is not Truth.UNKNOWN
        return worth is Truth.YES

    def _can_be(self, c: Condition, state: State, mine: dict[str, str], moved: dict[str, str] | None = None) -> bool:
        """Whether it is true of what the reports add up to, or with what is `mine` read of that person; what is `moved` in any case."""
        return self._added_up(c, state, moved or {}) or self._added_up(c, state, mine)

    def _added_up(self, c: Condition, state: State, mine: dict[str, str]) -> bool:
        """Each person's facts read of all whose report counts: who is at rest is no report, unless both are."""
        choices: dict[str, list[str]] = {}
        by_variable = dict(zip(self.variables, state, strict=True))
        for name, whose in self.variables:
            if whose != WORKER:
                continue
            a, b = by_variable[name, WORKER], by_variable[name, OTHER]
            rest = [key(s) for s in self.case.facts[name].states[:1]]
            counting = [p for p, value in ((WORKER, a), (OTHER, b)) if value not in rest]
            choices[name] = [mine[name]] if name in mine else [WORKER] if a == b else counting if rest else [WORKER, OTHER]
        return all(self._true(c, state, dict(zip(choices, of, strict=True)), WORKER) for of in product(*choices.values()))

    def _own(self, c: Condition | None, state: State, moved: Iterable[str] = ()) -> bool:
        """A need or hold of the procedure: what its actions make may be the worker's; what one has just moved is the worker's."""
        return c is None or self._can_be(c, state, dict.fromkeys(self.made, WORKER), dict.fromkeys(moved, WORKER))

    def _able(self, action: Action, state: State, who: str) -> bool:
        """What an action needs: what it makes may be of who does it."""
        return action.needs is None or self._can_be(action.needs, state, dict.fromkeys(action.makes, who))

    def harmed(self, state: State) -> list[str]:
        return [h.name for h in self.hazards if any(self._true(h.never, state, {}, p) for p in (WORKER, OTHER))]

    def _with(self, state: State, makes: dict[str, str], person: str) -> State:
        after = list(state)
        for n, (name, whose) in enumerate(self.variables):
            if name in makes and whose in (None, person):
                after[n] = key(makes[name])
        return tuple(after)

    # --- what can come next --------------------------------------------------------------------------------------------------

    def start_step(self, position: int, state: State) -> State | None:
        """The state once the next step has started; None where it can't."""
        step, action = self.steps[position], self.actions[position]
        must = [step.needs]
        if position == 0:
            must.append(self.case.needs)
        else:
            before, its = self.steps[position - 1], self.actions[position - 1]
            must += [before.wait_until, None if its is None else its.confirm]
        if not all(self._own(c, state) for c in must) or (action is not None and not self._able(action, state, WORKER)):
            return None
        after = state if action is None else self._with(state, dict(action.makes), WORKER)
        moved = () if action is None else action.makes
        return after if self._own(self.case.holds, after, moved) and self._own(step.holds, after, moved) else None

    def by_itself(self, state: State) -> Iterator[tuple[State, Event]]:
        for happening in self.works.happenings.values():
            if not self.within & set(happening.makes):
                continue
            persons = any(self.case.facts[name].per_person for name in happening.makes)
            fit = [p for p in (WORKER, OTHER) if happening.needs is None or self._true(happening.needs, state, {}, p)]
            for person in fit if persons else fit[:1]:
                yield self._with(state, dict(happening.makes), person), ("happening", happening.name, None)

    def by_others(self, position: int, state: State) -> Iterator[tuple[State, Event]]:
        holds = [c for c in (self.case.holds, self.steps[position - 1].holds) if c is not None]
        about: set[Variable] = set()
        for c in holds:
            for name in names_of(c):
                about |= {(name, whose) for whose in ([WORKER] if name in self.made else [WORKER, OTHER])} | {(name, None)}
        for action in self.works.actions.values():
            if not self.within & set(action.makes) or not self._able(action, state, OTHER):
                continue
            after = self._with(state, dict(action.makes), OTHER)
            touched = [v for v, a, b in zip(self.variables, state, after, strict=True) if a != b and v in about]
            if touched and not all(self._own(c, after) for c in holds):
                continue
            yield after, ("somebody else", action.name, None)

    def following(self, position: int, state: State, others: bool) -> Iterator[tuple[int, State, Event]]:
        """Everything that can come next: the position and the state that it leads to."""
        last = position == len(self.steps)
        if not last:
            after = self.start_step(position, state)
            if after is not None:
                step = self.steps[position]
                yield position + 1, after, ("step", step.action or step.do or "wait", position + 1)
        is_open = not last or self.steps[-1].action is None
        if position > 0 and (is_open or others):
            for after, event in self.by_itself(state):
                yield position, after, event
            if others and is_open:
                for after, event in self.by_others(position, state):
                    yield position, after, event

    # --- the search ----------------------------------------------------------------------------------------------------------

    def starts(self) -> list[State]:
        return [s for s in self.all_states if self._own(self.case.needs, s) and not self.harmed(s)]

    def distances(self, starts: list[State], others: bool) -> dict[tuple[int, State], int]:
        """How far each pair of position and state is, of all that can be reached."""
        far = {(0, s): 0 for s in starts}
        ahead = deque(far)
        while ahead:
            position, state = ahead.popleft()
            for to, after, _ in self.following(position, state, others):
                if (to, after) not in far:
                    far[to, after] = far[position, state] + 1
                    ahead.append((to, after))
        return far

    def answer(self) -> Answer:
        found = Answer(len(self.all_states))
        starts = self.starts()
        found.starts = len(starts)
        if not starts:
            found.no_start = "hazards" if any(self._own(self.case.needs, s) for s in self.all_states) else "needs"
            return found
        shared = self.distances(starts, others=True)
        found.reached, found.layers = len(shared), max(shared.values())
        for (position, state), length in shared.items():
            for name in self.harmed(state) if position else ():
                found.hazards[name] = min(length, found.hazards.get(name, length))
        alone = self.distances(starts, others=False)
        furthest = max(position for position, _ in alone)
        if furthest < len(self.steps):
            found.cannot_start = furthest + 1
            return found
        found.never_over = not any(self._over(*where) for where in alone)
        for n, (name, whose) in enumerate(self.variables):
            if name in self.made and whose in (None, WORKER):
                self._look_at_ends(found, n, name, starts)
        return found

    def _over(self, position: int, state: State) -> bool:
        return position == len(self.steps) and self._own(self.steps[-1].wait_until, state)

    def _look_at_ends(self, found: Answer, n: int, name: str, starts: list[State]) -> None:
        """From each value that the fact can begin with, by itself."""
        fact = self.case.facts[name]
        may_be = {key(fact.states[0])}
        for test in () if self.case.leaves is None else tests_of(self.case.leaves):
            if key(test.fact) == name:
                may_be.add(key(test.state))
        for began in {s[n] for s in starts}:
            for (position, state), length in self.distances([s for s in starts if s[n] == began], others=False).items():
                if self._over(position, state) and state[n] not in may_be | {began}:
                    found.left_changed[fact.name] = min(length, found.left_changed.get(fact.name, length))
