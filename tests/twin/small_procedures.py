"""Small procedures at random, with everything that a procedure can have: for engines that are compared with each other.

A number gives the same procedure at every run. Drawn along an intended order of work, on which most needs and holds are true: so that most
procedures can start, and all of safe ones, unsafe ones and those that get stuck are many.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import timedelta
from fractions import Fraction
from random import Random

from fieldworthy.core.base.names import key
from fieldworthy.core.base.quantity import UNITS, Quantity
from fieldworthy.core.base.truth import Truth
from fieldworthy.core.base.vocabulary import Fact
from fieldworthy.core.condition.ast import Condition, IfThen, Joined, Not, NumberTest, StateTest
from fieldworthy.core.condition.walk import Value, evaluate
from fieldworthy.core.procedure.model import Action, Happening, Hazard, Step, Works

STATES = ("Rest", "Second", "Third")


@dataclass(frozen=True)
class Small:
    """One procedure and the rulebook's words around it."""

    works: Works
    facts: dict[str, Fact]
    steps: tuple[Step, ...]
    needs: Condition | None
    holds: Condition | None
    leaves: Condition | None


def small(number: int, most_facts: int = 4) -> Small:
    """The procedure of a number; up to `most_facts` facts, of which one may be each person's own, and perhaps a number."""
    return _Drawing(Random(number), most_facts).procedure()


def with_neighbour(number: int) -> Small:
    """
    The procedure of a number in a rulebook that has another machine part's facts, actions, happenings and hazards too.

    What happens there may hang on the procedure's facts, and some actions make facts of both.
    """
    draw, case, other = Random(f"beside {number}"), small(number, 3), small(number + 500_000, 3)
    facts = case.facts | {f"next {name}": replace(f, name=f"next {f.name}") for name, f in other.facts.items()}
    here, there = [f for f in case.facts.values() if f.states], [name for name, f in other.facts.items() if f.states]

    def moved(c: Condition | None) -> Condition | None:
        match c:
            case StateTest() | NumberTest():
                return replace(c, fact=f"next {c.fact}")
            case Not(part):
                return Not(moved(part))
            case Joined(op, parts):
                return Joined(op, tuple(moved(part) for part in parts))
            case IfThen(given, then):
                return IfThen(moved(given), moved(then))
        return None

    def linked(c: Condition | None) -> Condition | None:
        """Hanging on a fact of the procedure's too."""
        fact = draw.choice(here)
        return Joined("or", (StateTest(fact.name, fact.states[0]), moved(c) or StateTest(fact.name, fact.states[1])))

    def makes(made: Mapping[str, str]) -> dict[str, str]:
        return {f"next {name}": state for name, state in made.items()}

    actions = dict(case.works.actions)
    for name, a in case.works.actions.items():
        if draw.random() < 0.3:
            extra = draw.choice(there)
            actions[name] = replace(a, makes={**a.makes, f"next {extra}": draw.choice(other.facts[extra].states)})
    actions |= {f"next {n}": Action(f"next {n}", linked(a.needs), makes(a.makes)) for n, a in other.works.actions.items()}
    happenings = case.works.happenings | {
        f"next {n}": Happening(f"next {n}", linked(h.needs), makes(h.makes)) for n, h in other.works.happenings.items()
    }
    hazards = case.works.hazards | {f"next {n}": replace(h, name=f"next {n}", never=moved(h.never)) for n, h in other.works.hazards.items()}
    return Small(Works(actions, hazards, happenings), facts, case.steps, case.needs, case.holds, case.leaves)


def with_persons_held(number: int) -> Small:
    """The procedure of a number in which each step holds something of a fact that each person has of their own."""
    draw = Random(f"held {number}")
    several = (small(n) for n in range(number * 1_000, number * 1_000 + 1_000))
    case, fact = next((case, fact) for case in several for fact in case.facts.values() if fact.per_person)
    steps = tuple(replace(s, holds=StateTest(fact.name, draw.choice(fact.states), draw.random() < 0.3)) for s in case.steps)
    return replace(case, steps=steps)


class _Drawing:
    def __init__(self, draw: Random, most_facts: int) -> None:
        self.draw = draw
        self.facts: dict[str, Fact] = {}
        for n in range(draw.randint(2, most_facts)):
            name = f"Fact {'abcdefgh'[n]}"
            self.facts[key(name)] = Fact(name, STATES[: draw.choice((2, 2, 3))], per_person=n == 1 and draw.random() < 0.6)
        if draw.random() < 0.3:
            self.facts["warmth"] = Fact("warmth", unit=UNITS["degC"])
        self.every = list(self.facts.values())
        self.stated = [f for f in self.every if f.states]
        self.now: dict[str, Value] = {
            name: key(draw.choice(f.states)) if f.states else Quantity(draw.choice((40, 50, 70)), UNITS["degC"])
            for name, f in self.facts.items()
        }

    def procedure(self) -> Small:
        draw = self.draw
        actions = {f"act {n}": self.action(f"act {n}") for n in range(draw.randint(2, 6))}
        happenings = {f"happen {n}": Happening(f"happen {n}", self.maybe(0.8), self.makes(1)) for n in range(draw.randint(0, 2))}
        hazards = {f"harm {n}": Hazard(f"harm {n}", self.never(), "danger", "Keep off.") for n in range(draw.randint(1, 3))}
        needs, holds = self.beginning(), self.agreeing(lambda: self.maybe(0.3, 1))
        steps = [self.step(actions) for _ in range(draw.choice((0, 1, 2, 3, 3, 4, 5, 6)))]
        made = sorted({name for s in steps if s.action for name in actions[s.action].makes})
        leaves = None
        if made and draw.random() < 0.5:
            fact = self.facts[draw.choice(made)]
            leaves = StateTest(fact.name, str(self.now[key(fact.name)]) if draw.random() < 0.7 else draw.choice(fact.states))
        return Small(Works(actions, hazards, happenings), self.facts, tuple(steps), needs, holds, leaves)

    def action(self, name: str) -> Action:
        makes = self.makes(2)
        confirm = None
        if self.draw.random() < 0.15:
            fact, state = self.draw.choice(list(makes.items()))
            confirm = StateTest(fact, state) if self.draw.random() < 0.7 else self.test()
        return Action(name, self.maybe(0.9), makes, confirm)

    def makes(self, most: int) -> dict[str, str]:
        chosen = self.draw.sample(self.stated, min(len(self.stated), self.draw.randint(1, most)))
        return {key(fact.name): self.draw.choice(fact.states) for fact in chosen}

    def beginning(self) -> Condition | None:
        """What the task needs: often much, so that what goes wrong takes several events."""
        if self.draw.random() < 0.4:
            return self.agreeing(lambda: self.maybe(0.8))
        tests = [self.agreeing(lambda fact=fact: self.test(fact)) for fact in self.every]
        return Joined("and", tuple(c for c in tests if c is not None))

    def never(self) -> Condition:
        """Several facts at once, each named once: so that it takes a while to come about."""
        facts = self.draw.sample(self.every, min(len(self.every), self.draw.randint(2, 4)))
        return Joined("and", tuple(self.test(fact) for fact in facts))

    def step(self, actions: dict[str, Action]) -> Step:
        kind = self.draw.random()
        needs = self.agreeing(lambda: self.maybe(0.2))
        if kind < 0.72:
            can = [n for n, a in actions.items() if a.needs is None or self.true(a.needs)]
            chosen = self.draw.choice(can if can and self.draw.random() < 0.9 else list(actions))
            self.now.update({name: key(state) for name, state in actions[chosen].makes.items()})
            return Step(action=chosen, needs=needs, holds=self.agreeing(lambda: self.maybe(0.25, 1)))
        holds = self.agreeing(lambda: self.maybe(0.25, 1))
        if kind < 0.87:
            return Step(do="Look at it.", needs=needs, holds=holds)
        until = self.test() if self.draw.random() < 0.4 else self.agreeing(lambda: self.maybe(0.7, 1))
        return Step(wait=timedelta(minutes=2), wait_until=until, needs=needs, holds=holds)

    # --- conditions ----------------------------------------------------------------------------------------------------------

    def true(self, c: Condition) -> bool:
        return evaluate(c, self.now) is Truth.YES

    def agreeing(self, make: Callable[[], Condition | None]) -> Condition | None:
        """One that is true on the intended order, unless that takes too long."""
        c = make()
        for _ in range(4):
            if c is None or self.true(c):
                break
            c = make()
        return c

    def maybe(self, share: float, depth: int = 2) -> Condition | None:
        return self.condition(depth) if self.draw.random() < share else None

    def condition(self, depth: int) -> Condition:
        kind = self.draw.random()
        if depth == 0 or kind < 0.4:
            return self.test()
        if kind < 0.5:
            return Not(self.condition(depth - 1))
        parts = (self.condition(depth - 1), self.condition(depth - 1))
        return IfThen(*parts) if kind > 0.9 else Joined("or" if kind < 0.65 else "and", parts)

    def test(self, fact: Fact | None = None) -> Condition:
        fact = fact or self.draw.choice(self.every)
        if fact.states:
            return StateTest(fact.name, self.draw.choice(fact.states), self.draw.random() < 0.2)
        number, unit = self.draw.choice(((Fraction(50), None), (Fraction(50), "degC"), (Fraction(140), "degF"), (Fraction(353), "K")))
        return NumberTest(fact.name, self.draw.choice(("<", "<=", ">", ">=", "=")), number, unit)
