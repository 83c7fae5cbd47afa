"""What can happen between two states: the steps of the procedure, what the machine does by itself, and what somebody else does.

A move is a set of states in which it can take place and the values that it gives to some digits. The states that follow from a set are
that set masked by each value that a digit can have, and shifted to where the digit has the new one.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Literal

from fieldworthy.core.base.quantity import number_text
from fieldworthy.core.condition.ast import Condition
from fieldworthy.core.condition.explain import render
from fieldworthy.core.condition.walk import names_of
from fieldworthy.core.procedure.cone import Cone, action_of
from fieldworthy.core.procedure.model import Action, Happening, Step, Works
from fieldworthy.core.procedure.space import OTHER, PERSONS, WORKER, Space, TooMuchWork
from fieldworthy.core.procedure.steps import together

_KEPT = 4  # of steps that hold different things, so many are kept ready: hundreds would fill the memory
_MOST_WORDS = 4_000_000  # what one wave keeps ready has so many words of 64 states at most: 32 MB

_OF_ACTION = "the action needs"

Kind = Literal["step", "happening", "somebody else"]


@dataclass(frozen=True, slots=True)
class Event:
    """One thing that takes place. name: of the action or happening as declared, or the words of a piece of work. step: from 1."""

    kind: Kind
    name: str
    step: int | None = None

    def __str__(self) -> str:
        if self.kind == "step":
            return f"step {self.step}: {self.name}"
        return self.name if self.kind == "happening" else f"somebody else: {self.name}"


@dataclass(frozen=True, slots=True)
class Move:
    """guard: the states in which it can take place. makes: digit -> the value it has afterwards."""

    event: Event
    guard: int
    makes: Mapping[int, int]

    def before(self, state: int, space: Space) -> int:
        """The states from which this one state follows, as a set."""
        if any(space.value(state, digit) != value for digit, value in self.makes.items()):
            return 0
        space.spend(sum(space.digits[digit].radix for digit in self.makes))
        states = 1 << state
        for digit, value in self.makes.items():
            weight, radix = space.digits[digit].weight, space.digits[digit].radix
            lowest = states >> value * weight
            for n in range(radix):
                states |= lowest << n * weight
        return states & self.guard


class Wave:
    """
    Several moves at once: what follows from a set of states by any one of them.

    Moves that make the same are one here. Each is a few masks, one for each value that its first digit can have before, and the shift that
    belongs to it; what else it makes is masked and shifted after that.
    """

    __slots__ = ("_made", "_masks", "_space")

    def __init__(self, space: Space, moves: Iterable[Move], idle: bool = False) -> None:
        """
        idle: also what changes nothing, which leads to no state that is new at the same position. Raises TooMuchWork where it would fill
        the memory.
        """
        words = 0
        guards: dict[tuple[tuple[int, int], ...], int] = {}
        for move in moves:
            makes = tuple(sorted(move.makes.items()))
            guards[makes] = guards.get(makes, 0) | move.guard
        self._made: list[tuple[list[tuple[int, int]], list[list[tuple[int, int]]]]] = []
        for makes, guard in guards.items():
            shifts = [_shifts(space, digit, value) for digit, value in makes] or [[(space.full, 0)]]
            first = [(guard & mask, shift) for mask, shift in shifts[0] if shift or idle or len(makes) > 1]
            self._made.append(([(mask, shift) for mask, shift in first if mask], shifts[1:]))
            words += sum(mask.bit_length() >> 6 for mask, _ in first)
            if words > _MOST_WORDS:
                raise TooMuchWork
        self._space = space
        self._masks = sum(len(shifts) for first, rest in self._made for shifts in (first, *rest))
        space.spend(self._masks)

    def after(self, states: int) -> int:
        """The states that follow from these."""
        self._space.spend(self._masks, states.bit_length())
        moved = 0
        for first, rest in self._made:
            made = _shifted(states, first)
            for shifts in rest:
                made = made and _shifted(made, shifts)
            moved |= made
        return moved


def _shifts(space: Space, digit: int, value: int) -> list[tuple[int, int]]:
    """For each value that a digit can have: the states in which it has it, and how far to the left they are shifted for the new one."""
    weight, radix = space.digits[digit].weight, space.digits[digit].radix
    return [(space.having(digit, n), (value - n) * weight) for n in range(radix)]


def _shifted(states: int, shifts: Iterable[tuple[int, int]]) -> int:
    moved = 0
    for mask, shift in shifts:
        part = states & mask
        if part:
            moved |= part << shift if shift >= 0 else part >> -shift
    return moved


class Moves:
    """Every move of one procedure. steps: laid out, at least one. mine: the facts (names.key) that its own actions make."""

    def __init__(self, space: Space, cone: Cone, works: Works, steps: Sequence[Step], holds: Condition | None) -> None:
        self.space, self.works, self.steps = space, works, steps
        self._cone, self._holds = cone, holds
        self.mine = frozenset(name for step in steps if (action := action_of(step, works)) is not None for name in action.makes)
        self.happenings = [move for h in cone.happenings for move in self._happening(h)]
        self._alone = Wave(space, self.happenings)
        self._others: dict[Condition | None, tuple[list[Move], Wave]] = {}

    def own(self, c: Condition | None, fixed: Mapping[int, int] | None = None) -> int:
        """Where a need or a hold of the procedure is true."""
        return self.space.where(c, self.mine, WORKER, fixed)

    def makes(self, thing: Action | Happening, person: int) -> dict[int, int]:
        """Digit -> value of what an action or a happening makes, as far as it is in this space."""
        digits = ((self.space.at(name, person), state) for name, state in thing.makes.items())
        return {digit: self.space.value_of(digit, state) for digit, state in digits if digit is not None}

    # --- the procedure's own steps -------------------------------------------------------------------------------------------

    def asked(self, number: int) -> list[tuple[str, Condition]]:
        """
        What must be true for step `number` (from 1) to start, each with what asks for it.

        What the task needs is not among it: it is true wherever the procedure begins, and nothing comes before the first step.
        """
        step, action = self.steps[number - 1], action_of(self.steps[number - 1], self.works)
        before = self.steps[number - 2] if number > 1 else None
        confirmed = None if before is None else action_of(before, self.works)
        asked = [
            ("the step before confirms", None if confirmed is None else confirmed.confirm),
            ("the step before waits until", None if before is None else before.wait_until),
            ("the step needs", step.needs),
            (_OF_ACTION, None if action is None else action.needs),
        ]
        return [(who, c) for who, c in asked if c is not None]

    def met(self, number: int) -> list[tuple[str, Condition, int]]:
        """What is asked for step `number`, and the states in which it is true. An action's needs mean the same whoever does it."""
        action = action_of(self.steps[number - 1], self.works)
        return [
            (who, c, self._able(action, WORKER) if action is not None and who == _OF_ACTION else self.own(c))
            for who, c in self.asked(number)
        ]

    def _able(self, action: Action, person: int) -> int:
        """Where an action's needs are true: of a fact that it makes itself, for who does it; of any other, for each person."""
        return self.space.where(action.needs, frozenset(action.makes), person)

    def held(self, number: int) -> list[tuple[str, Condition]]:
        """What must be true once step `number` has started, each with what asks for it."""
        asked = [("the task holds", self._holds), ("the step holds", self.steps[number - 1].holds)]
        return [(who, c) for who, c in asked if c is not None]

    def made_by(self, number: int) -> dict[int, int]:
        action = action_of(self.steps[number - 1], self.works)
        return {} if action is None else self.makes(action, WORKER)

    def start(self, number: int) -> Move:
        """The start of step `number` (from 1)."""
        makes = self.made_by(number)
        guard = self.own(together(c for _, c in self.held(number)), makes)
        for _, _, states in self.met(number):
            guard &= states
        return Move(Event("step", said(self.steps[number - 1]), number), guard, makes)

    def is_open(self, number: int) -> bool:
        """Whether something can come after the start of step `number`: the last one is over at once where it is an action."""
        return number < len(self.steps) or self.steps[-1].action is None

    # --- what else there is --------------------------------------------------------------------------------------------------

    def _happening(self, happening: Happening) -> list[Move]:
        """One move; where it makes a person's fact, one for each person, who is then the one that it needs."""
        event = Event("happening", happening.name)
        made = [self.makes(happening, person) for person in PERSONS]
        if made[WORKER] == made[OTHER]:
            return [Move(event, self.space.where_any(happening.needs), made[WORKER])]
        return [Move(event, self.space.where_of(happening.needs, person), made[person]) for person in PERSONS]

    def around(self, number: int, others: bool) -> tuple[list[Move], Wave]:
        """What can come while step `number` is open, besides the next step: happenings, and what somebody else does."""
        if not others:
            return self.happenings, self._alone
        holds = together((self._holds, self.steps[number - 1].holds))
        found = self._others.get(holds)
        if found is None:
            guards = (len(self.happenings) + len(self._cone.others)) * (self.space.size >> 6)
            if len(self._others) >= min(_KEPT, _MOST_WORDS // (guards + 1)):
                self._others.clear()
            moves = [*self.happenings, *(self._other(action, holds) for action in self._cone.others)]
            found = self._others[holds] = moves, Wave(self.space, moves)
        return found

    def _other(self, action: Action, holds: Condition | None) -> Move:
        """Barred where it changes what the open holds are about, and they are not true afterwards."""
        makes = self.makes(action, OTHER)
        guard = self._able(action, OTHER)
        named = self._about(holds) & set(makes)
        if named:
            unchanged = self.space.full
            for digit in named:
                unchanged &= self.space.having(digit, makes[digit])
            guard &= self.own(holds, makes) | unchanged
        return Move(Event("somebody else", action.name), guard, makes)

    def _about(self, holds: Condition | None) -> set[int]:
        """The digits that the open holds are about: of a person's fact only the worker's, where the procedure moves it."""
        names = () if holds is None else names_of(holds)
        found = {self.space.at(name, person) for name in names for person in PERSONS if person == WORKER or name not in self.mine}
        return {digit for digit in found if digit is not None}


def said(step: Step) -> str:
    """A step in a few words."""
    if step.action is not None or step.do is not None:
        return step.action or step.do or ""
    until = "" if step.wait_until is None else f" until {render(step.wait_until)}"
    return f"wait{'' if step.wait is None else ' ' + _duration(step.wait)}{until}"


def _duration(span: timedelta) -> str:
    seconds = span // timedelta(seconds=1)
    for unit, length in (("day", 86_400), ("h", 3_600), ("min", 60)):
        if seconds and seconds % length == 0:
            count = number_text(seconds // length)
            return f"{count} {unit}{'s' if unit == 'day' and count != '1' else ''}"
    return f"{seconds} s"
