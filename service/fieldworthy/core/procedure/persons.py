"""Where each person is on a way to safe, and whom an action moves: states of bits with a place for each person above them.

The bits of a state proper are what the reports of all add up to. Above them stand, once for each person who is not at rest, the bits of the
facts that each has of their own. An action moves whoever does it; one that brings to rest is then done by everybody whom it is about.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

from fieldworthy.core.procedure.bits import Move, Others, Workings


@dataclass(frozen=True, slots=True)
class Person:
    """
    at: the bits of the facts that each has of their own, as they are; away: of those not at rest. asks: whether they do the actions; None
    where that is not said: then hazards are looked at as for another, and needs as if it were they.
    """

    at: int
    away: int
    asks: bool | None = False


class Persons:
    """The persons of one question. Where there are none, a state and an action are what they are without."""

    def __init__(self, of: Workings, persons: tuple[Person, ...]) -> None:
        self._of, self._persons = of, persons
        self._above = tuple(of.bits.width * n for n in range(1, len(persons) + 1))
        self._alone: dict[str, Move] = {}

    def start(self, state: int) -> int:
        """The state with everybody above it."""
        return state + sum(each.at << up for each, up in zip(self._persons, self._above, strict=True))

    def by_one(self, move: Move) -> Move:
        """The move, of whoever makes it: where the others are it leaves; what is not said of those whom it would move is not known then."""
        keep, brings, moved = move.keep, move.brings, move.writes & self._of.persons
        for each, up in zip(self._persons, self._above, strict=True):
            keep &= ~(moved << up) if each.asks else -1
            brings |= (move.brings & moved if each.asks else moved & ~each.away if moved & each.away else 0) << up
        return replace(move, keep=keep, brings=brings) if moved else move

    def by_all(self, move: Move) -> Move:
        """The action, and of what it brings to rest everybody who follows; `left_behind` tells what is so before they do."""
        if not self._above or not move.writes & self._of.persons:
            return move
        one = self._alone[move.name] = self.by_one(move)
        rests = move.brings & self._of.rests
        facts = sum(mask for mask in self._of.bits.masks.values() if mask & rests)
        keep, brings = one.keep, one.brings
        for up in self._above:
            keep &= ~(facts << up)
            brings = brings & ~(facts << up) | rests << up
        return replace(one, keep=keep, brings=brings)

    def each(self, state: int) -> list[int]:
        """The state as the reports of all add up, and as it is for each person; nothing above them."""
        if not self._above:
            return [state]
        own = self._of.persons
        here = state & (1 << self._above[0]) - 1
        return [here, *(here & ~own | state >> up & own for up in self._above)]

    def everybody(self, state: int) -> list[int]:
        """The same, and, where happenings move them, of all who are at rest and of whom nothing else is known."""
        several = self.each(state)
        return list(dict.fromkeys((*several, several[0] & ~self._of.persons | self._of.rests))) if self._of.moving else several

    def others(self, state: int) -> Others:
        """By whom something may come about that harms another: everybody."""
        return self._of.others(self.each(state))

    def added_up(self, state: int, everybody: bool = False) -> int:
        """
        The state as the reports of all would add up: who is not at rest counts, and of several who differ it is not known which.

        everybody: also of whom it is not said whether they do the actions.
        """
        for up, each in zip(self._above, self._persons, strict=True):
            state |= 0 if each.asks is None and not everybody else state >> up & self._of.persons & ~self._of.rests
        return state

    def left_behind(self, here: int, by: Move) -> Iterator[tuple[int, int, Others, Others]]:
        """The state before and after for each other person, where an action of `by_all` changes it before they follow; and everybody's."""
        if (one := self._alone.get(by.name)) is not None:
            after = one.after(here)
            for person, was, then in zip(self._persons, self.each(here)[1:], self.each(after)[1:], strict=True):
                if was != then and not person.asks:
                    yield was, then, self.others(here), self.others(after)
