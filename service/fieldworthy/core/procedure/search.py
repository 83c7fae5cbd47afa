"""Breadth first over the positions of a procedure, a whole layer of states at a time.

A position is the number of steps that have started. Positions only grow, so they are searched one after the other: the states that enter
one come with their distances, and the ways on inside it are followed layer by layer, from the states that are new in each.
"""

from collections.abc import Sequence

from fieldworthy.core.procedure.moves import Event, Move, Moves, Wave


class Rings:
    """
    The states reached at one position, and how far each is from the start: a layer for each distance.

    The distances are kept as the digits of binary numbers, one set of states for each digit, so that many layers take few sets.
    """

    __slots__ = ("_places", "all", "first", "last")

    def __init__(self, first: int) -> None:
        """first: the least distance of any."""
        self.all = 0
        self.first = self.last = first
        self._places: list[int] = []

    def add(self, distance: int, states: int) -> None:
        """states: none of them there yet."""
        self.all |= states
        self.last = distance
        for place in range((distance - self.first).bit_length()):
            if place == len(self._places):
                self._places.append(0)
            if (distance - self.first) >> place & 1:
                self._places[place] |= states

    def at(self, distance: int) -> int:
        """The states at this distance."""
        relative = distance - self.first
        if relative < 0 or relative >> len(self._places):
            return 0
        found = self.all
        for place, states in enumerate(self._places):
            found = found & states if relative >> place & 1 else found ^ (found & states)
        return found

    def nearest(self, states: int) -> tuple[int, int]:
        """The least distance of any of these and the first of those at it. INVARIANT: at least one of them is there."""
        distance = next(d for d in range(self.first, self.last + 1) if self.at(d) & states)
        return distance, lowest(self.at(distance) & states)


class Search:
    """
    One exploration, done when it is made.

    rings: of each position that was reached, from 0. found: for each hazard the position, distance and state where it is met
    first, None where it is not. reached: pairs of a position and a state; layers: the largest distance.
    """

    def __init__(self, moves: Moves, starts: int, others: bool, hazards: Sequence[int]) -> None:
        """others: with somebody else's actions. hazards: the states in which each holds."""
        self._moves, self._others = moves, others
        self._hazards, self._any_hazard = hazards, 0
        for states in hazards:
            self._any_hazard |= states
        self.found: list[tuple[int, int, int] | None] = [None] * len(hazards)
        self.rings: list[Rings] = []
        entering = {0: starts}
        for position in range(len(moves.steps) + 1):
            if entering:
                entering = self._through(position, entering)
        self.reached = sum(ring.all.bit_count() for ring in self.rings)
        self.layers = max(ring.last for ring in self.rings)

    def _through(self, position: int, entering: dict[int, int]) -> dict[int, int]:
        """All states of one position; gives those that enter the next, by their distance."""
        moves = self._moves
        around = self._around(position)[1]
        following = Wave(moves.space, [moves.start(position + 1)], idle=True) if position < len(moves.steps) else None
        leaving: dict[int, int] = {}
        rings = Rings(min(entering))
        self.rings.append(rings)
        distance, new = rings.first, 0
        while new or entering:
            if not new:
                distance = min(entering)
            new |= entering.pop(distance, 0)
            new ^= new & rings.all
            if new:
                rings.add(distance, new)
                moves.space.spend((distance - rings.first).bit_length() + 2)
                if position and new & self._any_hazard:
                    self._meet(position, distance, new)
                if following is not None and (started := following.after(new)):
                    leaving[distance + 1] = started
            new = around.after(new) if around is not None else 0
            distance += 1
        return leaving

    def _around(self, position: int) -> tuple[Sequence[Move], Wave | None]:
        """What can come at a position besides the next step. Where the last step is over at once the machine may still do what it can."""
        if not position or not (self._moves.is_open(position) or self._others):
            return (), None
        return self._moves.around(position, self._others and self._moves.is_open(position))

    def _meet(self, position: int, distance: int, new: int) -> None:
        for n, states in enumerate(self._hazards):
            known = self.found[n]
            if new & states and (known is None or distance <= known[1]):  # of two ways as short, the one of more steps
                self.found[n] = (position, distance, lowest(new & states))

    def way_to(self, position: int, distance: int, state: int) -> tuple[int, tuple[Event, ...]]:
        """A shortest way to a state at this position and distance: the state that it starts in, and the events on it."""
        events: list[Event] = []
        while distance:
            came, before, event = self._came_from(position, distance, state)
            events.append(event)
            position, distance, state = before, distance - 1, came
        return state, tuple(reversed(events))

    def _came_from(self, position: int, distance: int, state: int) -> tuple[int, int, Event]:
        """The state, its position and the event one before; a step is taken before a happening, and that before somebody else."""
        moves = self._moves
        ways = [(moves.start(position), position - 1)]
        ways += [(move, position) for move in self._around(position)[0]]
        moves.space.spend(2 * (self.rings[position].last - self.rings[position].first).bit_length())
        nearer = {before: self.rings[before].at(distance - 1) for before in (position, position - 1)}
        for move, before in ways:
            came = nearer[before] & move.before(state, moves.space)
            if came:
                return lowest(came), before, move.event
        raise AssertionError("a state that was reached came from somewhere")


def lowest(states: int) -> int:
    """The first state of a set that is not empty."""
    return (states & -states).bit_length() - 1
