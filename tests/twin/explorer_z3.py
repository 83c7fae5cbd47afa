"""The exploration of a procedure asked of a solver: a start, a transition relation, and whether and how soon a state can be met.

How soon: the relation is unrolled event by event until the solver finds a way. Whether at all: z3's engine for Horn clauses. Every fact is
in it, whatever bears on the procedure; a number is a real one and not an interval. Nothing here is shared with the engine.
"""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from itertools import product
from typing import Any

import z3

from fieldworthy.core.base.names import key
from fieldworthy.core.base.quantity import UNITS, convert
from fieldworthy.core.condition.ast import Condition, IfThen, Joined, Not, NumberTest, StateTest
from fieldworthy.core.condition.walk import names_of, tests_of
from fieldworthy.core.procedure.model import Action, Step
from tests.twin.small_procedures import Small

WORKER, OTHER = "worker", "other"
Frame = dict[Any, Any]  # variable -> its z3 expression
ASK_WHETHER_AT_ALL = 4  # events after which the other engine is asked whether there is any use in going on


@dataclass
class Solved:
    no_start: bool
    hazards: dict[str, int]
    cannot_start: int | None
    never_over: bool
    left_changed: dict[str, int]


class Asked:
    """One procedure, as questions to the solver."""

    def __init__(self, case: Small) -> None:
        self.case, self.works, self.facts = case, case.works, case.facts
        self.steps = case.steps or (Step(do="the work"),)
        self.actions = [None if s.action is None else self.works.actions[key(s.action)] for s in self.steps]
        self.made = sorted({name for action in self.actions if action is not None for name in action.makes})
        self.variables = [(name, w) for name, f in self.facts.items() for w in ((WORKER, OTHER) if f.per_person else (None,))]
        own = [case.needs, case.holds, case.leaves]
        for step, action in zip(self.steps, self.actions, strict=True):
            own += [step.needs, step.holds, step.wait_until] + ([] if action is None else [action.needs, action.confirm])
        named = set(self.made).union(*(names_of(c) for c in own if c is not None))
        movers = [*self.works.happenings.values(), *self.works.actions.values()]
        while new := {n for m in movers if m.needs is not None and named & set(names_of(m.needs)) for n in m.makes} - named:
            named |= new
        self.hazards = [h for h in self.works.hazards.values() if named & set(names_of(h.never))]

    # --- one state -----------------------------------------------------------------------------------------------------------

    def frame(self, label: str) -> Frame:
        """Variables of one state: the position, the facts, and what the facts that the procedure changes were at the beginning."""
        found: Frame = {"position": z3.BitVec(f"position {label}", 4)}
        for name, whose in self.variables:
            made = z3.BitVec if self.facts[name].states else lambda n, _: z3.Real(n)
            found[name, whose] = made(f"{name} {whose} {label}", 2)
        for name in self.made:
            found["began", name] = z3.BitVec(f"began {name} {label}", 2)
        return found

    def _of(self, name: str, person: str) -> tuple[str, str | None]:
        return name, person if self.facts[name].per_person else None

    def state(self, name: str, word: str) -> Any:
        return z3.BitVecVal([key(s) for s in self.facts[name].states].index(key(word)), 2)

    def true(self, c: Condition, at: Frame, of: Mapping[str, str], person: str) -> Any:
        match c:
            case StateTest(fact, state, negated):
                name = key(fact)
                same = at[self._of(name, of.get(name, person))] == self.state(name, state)
                return z3.Not(same) if negated else same
            case NumberTest(fact, op, number, unit):
                declared = self.facts[key(fact)]
                limit = number if unit is None else convert(number, UNITS[unit], declared.unit)
                value, bound = at[self._of(key(fact), person)], z3.Q(limit.numerator, limit.denominator)
                return {"<": value < bound, "<=": value <= bound, ">": value > bound, ">=": value >= bound, "=": value == bound}[op]
            case Not(part):
                return z3.Not(self.true(part, at, of, person))
            case Joined(op, parts):
                return (z3.And if op == "and" else z3.Or)([self.true(part, at, of, person) for part in parts])
            case IfThen(given, then):
                return z3.Implies(self.true(given, at, of, person), self.true(then, at, of, person))

    def own(self, c: Condition | None, at: Frame, moved: Iterable[str] = ()) -> Any:
        return self.can_be(c, at, dict.fromkeys(self.made, WORKER), dict.fromkeys(moved, WORKER))

    def can_be(self, c: Condition | None, at: Frame, mine: Mapping[str, str], moved: Mapping[str, str] | None = None) -> Any:
        """True of what the reports add up to, or with what is `mine` read of that person; what is `moved` in any case."""
        if c is None:
            return z3.BoolVal(True)
        theirs = [name for name in names_of(c) if self.facts[name].per_person]
        return z3.Or([self.added_up(c, at, {n: p for n, p in of.items() if n in theirs}, theirs) for of in (moved or {}, mine)])

    def added_up(self, c: Condition, at: Frame, of: Mapping[str, str], theirs: list[str]) -> Any:
        """For each choice of persons: where all of these count, or do not differ in a way that tells, it must be true."""
        free = [name for name in theirs if name not in of]
        ways = []
        for persons in product((WORKER, OTHER), repeat=len(free)):
            counts = [self._counts(name, person, at) for name, person in zip(free, persons, strict=True)]
            ways.append(z3.Implies(z3.And(counts), self.true(c, at, {**of, **dict(zip(free, persons, strict=True))}, WORKER)))
        return z3.And(ways)

    def _counts(self, name: str, person: str, at: Frame) -> Any:
        """Whether this person's value is one that has to be taken: all but rest, and rest where both are at rest."""
        mine, other = at[name, person], at[name, OTHER if person == WORKER else WORKER]
        return z3.Or(mine != 0, other == 0) if self.facts[name].states else z3.BoolVal(True)

    def harm(self, never: Condition, at: Frame) -> Any:
        return z3.And(at["position"] != 0, z3.Or([self.true(never, at, {}, p) for p in (WORKER, OTHER)]))

    def after(self, at: Frame, makes: Mapping[str, str], person: str) -> Frame:
        return at | {self._of(name, person): self.state(name, state) for name, state in makes.items()}

    # --- the beginning and what can follow -----------------------------------------------------------------------------------

    def beginning(self, at: Frame) -> Any:
        wellformed = [z3.ULT(at[name, w], len(self.facts[name].states)) for name, w in self.variables if self.facts[name].states]
        began = [at["began", name] == at[self._of(name, WORKER)] for name in self.made]
        harmless = [z3.Not(self.true(h.never, at, {}, p)) for h in self.hazards for p in (WORKER, OTHER)]
        return z3.And([at["position"] == 0, *wellformed, *began, self.own(self.case.needs, at), *harmless])

    @cached_property
    def events(self) -> tuple[Frame, Frame, dict[bool, Any]]:
        """One event from one state to another: the two, and the relation between them, with and without somebody else's actions."""
        at, to = self.frame("here"), self.frame("there")
        same = {v: to[v] == at[v] for v in to}
        own, last = (
            [z3.And(can, *(same[v] if after[v] is at[v] else to[v] == after[v] for v in to)) for can, after in ways]
            for ways in (self._ways(at), self._at_the_end(at))
        )
        others = [z3.And(can, *(same[v] if after[v] is at[v] else to[v] == after[v] for v in to)) for can, after in self._others(at)]
        return at, to, {False: z3.Or(own), True: z3.Or(own + last + others)}

    def step(self, at: Frame, to: Frame, others: bool) -> Any:
        here, there, event = self.events
        return z3.substitute(event[others], *((here[v], at[v]) for v in here), *((there[v], to[v]) for v in there))

    def _ways(self, at: Frame) -> list[tuple[Any, Frame]]:
        """The steps and the happenings: when each can come, and the state after it."""
        ways, position = [], at["position"]
        for n, (step, action) in enumerate(zip(self.steps, self.actions, strict=True)):
            after = at if action is None else self.after(at, action.makes, WORKER)
            moved = () if action is None else action.makes
            must = [self.own(step.needs, at), self.own(self.case.holds, after, moved), self.own(step.holds, after, moved)]
            must += [] if action is None else [self.can_be(action.needs, at, dict.fromkeys(action.makes, WORKER))]
            if n == 0:
                must.append(self.own(self.case.needs, at))
            else:
                before, its = self.steps[n - 1], self.actions[n - 1]
                must += [self.own(before.wait_until, at)] + ([] if its is None else [self.own(its.confirm, at)])
            ways.append((z3.And(position == n, *must), after | {"position": z3.BitVecVal(n + 1, 4)}))
        for happening in self.works.happenings.values():
            for p in (WORKER, OTHER):
                can = z3.BoolVal(True) if happening.needs is None else self.true(happening.needs, at, {}, p)
                ways.append((z3.And(self._between(at), can), self.after(at, happening.makes, p)))
        return ways

    def _at_the_end(self, at: Frame) -> list[tuple[Any, Frame]]:
        """What the machine does by itself after a last step that is over at once."""
        ways = []
        for happening in self.works.happenings.values():
            for p in (WORKER, OTHER):
                can = z3.BoolVal(True) if happening.needs is None else self.true(happening.needs, at, {}, p)
                ways.append((z3.And(at["position"] == len(self.steps), can), self.after(at, happening.makes, p)))
        return ways

    def _others(self, at: Frame) -> list[tuple[Any, Frame]]:
        ways = []
        for action in self.works.actions.values():
            after = self.after(at, action.makes, OTHER)
            may = [z3.Or(at["position"] != n + 1, self._undisturbed(n, action, at, after)) for n in range(len(self.steps))]
            ways.append((z3.And(self._between(at), self.can_be(action.needs, at, dict.fromkeys(action.makes, OTHER)), *may), after))
        return ways

    def _between(self, at: Frame) -> Any:
        """Where anything but a step can come: after the first has started, and after the last only while that is open."""
        over = at["position"] == len(self.steps) if self.steps[-1].action is not None else z3.BoolVal(False)
        return z3.And(at["position"] != 0, z3.Not(over))

    def _undisturbed(self, number: int, action: Action, at: Frame, after: Frame) -> Any:
        """Whether the action leaves what step n and the task hold as it is."""
        changed, true = [], []
        for c in (self.case.holds, self.steps[number].holds):
            if c is not None:
                true.append(self.own(c, after))
                named = set(names_of(c)) & set(action.makes)  # a person's fact that the procedure makes is about the worker alone
                about = [self._of(n, OTHER) for n in named if not (self.facts[n].per_person and n in self.made)]
                changed += [at[v] != after[v] for v in about]
        return z3.Or(z3.Not(z3.Or(changed)), z3.And(true))

    # --- the questions -------------------------------------------------------------------------------------------------------

    @cached_property
    def _unrolled(self) -> dict[bool, "Unrolled"]:
        return {others: Unrolled(self, others) for others in (False, True)}

    def soonest(self, target: Callable[[Frame], Any], others: bool) -> int | None:
        """The fewest events to a state that fits; None where there is none."""
        return self._unrolled[others].soonest(target)

    def answer(self) -> Solved:
        try:
            return self._answer()
        finally:
            self.__dict__.pop("_unrolled", None)  # it holds this in turn, and the collector does not see the 20 MB that the solver takes

    def _answer(self) -> Solved:
        solver = z3.Solver()
        first = self.frame("first")
        if solver.check(self.beginning(first)) == z3.unsat:
            return Solved(True, {}, None, False, {})
        hazards = {}
        for h in self.hazards:
            found = self.soonest(lambda at, never=h.never: self.harm(never, at), others=True)
            if found is not None:
                hazards[h.name] = found
        last, stuck = len(self.steps), None
        if self.soonest(lambda at: at["position"] == last, others=False) is None:
            stuck = next(n for n in range(1, last + 1) if self.soonest(lambda at, n=n: at["position"] == n, others=False) is None)
            return Solved(False, hazards, stuck, False, {})
        over = self.soonest(lambda at: self._over(at), others=False)
        left = {}
        for name in self.made:
            found = self.soonest(lambda at, name=name: self._left(name, at), others=False)
            if found is not None:
                left[self.facts[name].name] = found
        return Solved(False, hazards, None, over is None, left)

    def _over(self, at: Frame) -> Any:
        return z3.And(at["position"] == len(self.steps), self.own(self.steps[-1].wait_until, at))

    def _left(self, name: str, at: Frame) -> Any:
        value = at[self._of(name, WORKER)]
        allowed = [z3.BitVecVal(0, 2), at["began", name]]
        if self.case.leaves is not None:
            allowed += [self.state(name, t.state) for t in tests_of(self.case.leaves) if key(t.fact) == name]
        return z3.And(self._over(at), *(value != a for a in allowed))


class Unrolled:
    """The events one after the other, as far as they were asked for."""

    def __init__(self, asked: Asked, others: bool) -> None:
        self.asked, self.others = asked, others
        self.frames = [asked.frame("0")]
        self.events: list[Any] = []  # a literal for each event: true where it is to come about
        self.solver = z3.Solver()
        self.solver.add(asked.beginning(self.frames[0]))

    def soonest(self, target: Callable[[Frame], Any]) -> int | None:
        events = 0
        while not self.at(events, target):
            if events == ASK_WHETHER_AT_ALL and not self.at_all(target):
                return None
            events += 1
        return events

    def at(self, events: int, target: Callable[[Frame], Any]) -> bool:
        if events == len(self.frames):
            self.frames.append(self.asked.frame(str(events)))
            self.events.append(z3.Bool(f"event {events}"))
            self.solver.add(z3.Implies(self.events[-1], self.asked.step(self.frames[-2], self.frames[-1], self.others)))
        answer = self.solver.check(*self.events[:events], target(self.frames[events]))
        assert answer != z3.unknown
        return answer == z3.sat

    @cached_property
    def _rules(self) -> tuple[z3.Fixedpoint, Any, Frame]:
        engine = z3.Fixedpoint()
        engine.set(engine="spacer")
        here, there = self.asked.frame("here"), self.asked.frame("there")
        met = z3.Function("met", *(v.sort() for v in here.values()), z3.BoolSort())
        engine.register_relation(met)
        engine.declare_var(*here.values(), *there.values())
        engine.rule(met(*here.values()), self.asked.beginning(here))
        engine.rule(met(*there.values()), [met(*here.values()), self.asked.step(here, there, self.others)])
        return engine, met, here

    def at_all(self, target: Callable[[Frame], Any]) -> bool:
        engine, met, here = self._rules
        answer = engine.query(z3.And(met(*here.values()), target(here)))
        assert answer != z3.unknown
        return answer == z3.sat
