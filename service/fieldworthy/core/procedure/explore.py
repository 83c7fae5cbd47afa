"""Every state that a procedure can lead to, exhaustively: which hazards it can reach, whether its steps can start, how it leaves things.

    verdict = explore(works, facts, laid_out(task.steps, works.procedures), needs=task.needs, holds=task.holds, leaves=task.leaves)

**Position and order.** A procedure begins in any state in which what the task needs is true and no hazard holds. Then its steps start
in turn. Step n can start in a state in which these are true: what the step before waits for, by its `confirm` or its `wait until`; what
the step and its action need; and, in the state that the action makes, what the task and the step hold. After it has started, and before
the next one does, the machine may do by itself whatever it can (happenings), and somebody else may do any declared action whose needs
are true and which breaks no open hold: it is barred where it changes something that the holds of the task and of the open step are
about, and they are not true afterwards. Nothing comes before the first step, and after the last only what the machine does by itself; but
a last step that is no action is open for a time, as is a task without steps (which is one piece of work, its step 1), and there somebody
else may act too.

**Persons.** A fact `per: person` is explored for two, who does the work and somebody else. The procedure's actions move the first one's,
somebody else's actions the other's. What an action needs of such a fact can be true of what the reports of all add up to (who is at rest
says nothing against another; where two differ otherwise it is not known) and, where the action makes that fact, of whoever does it: so it
means the same in every task. What the task and its steps need, hold and wait for can be true in the same two ways, read of who does the
work where the procedure's own actions make the fact; what is held once a step has moved the worker is, of that fact, read of the worker
alone. So nothing is left out that may be granted. A hazard holds, and a happening can come,
where it does for any person.

**What is looked for.** Twice through: without somebody else, for steps that cannot start and for what is left changed; with somebody
else, for hazards. Breadth first, so that each trace is a shortest one. A trace's length counts the starts of steps, happenings and
somebody else's actions.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from fieldworthy.core.base.finding import Finding
from fieldworthy.core.base.vocabulary import Fact
from fieldworthy.core.condition.ast import Condition
from fieldworthy.core.procedure.check import makes_of
from fieldworthy.core.procedure.cone import Bearings, Cone, cone_of, not_followed
from fieldworthy.core.procedure.model import Hazard, Step, Works
from fieldworthy.core.procedure.moves import Event, Moves
from fieldworthy.core.procedure.search import Search
from fieldworthy.core.procedure.space import WORKER, Space, TooMuchWork, thresholds_of

__all__ = [
    "MOST_STATES",
    "WORK_PER_STATE",
    "Bearings",
    "Event",
    "Figures",
    "LeftChanged",
    "Reached",
    "Stuck",
    "Trace",
    "Verdict",
    "explore",
    "not_followed",
]

MOST_STATES = 200_000
WORK_PER_STATE = 20_000
"""So much work (`Figures.work`) for each state that is allowed: some ten seconds for 200,000 of them."""

THE_WORK = "the work"


@dataclass(frozen=True, slots=True)
class Trace:
    """How a state comes about. start: each fact's name (with whose it is, where each person has its own) -> its state as declared."""

    start: Mapping[str, str]
    events: tuple[Event, ...]
    end: Mapping[str, str]

    def to_json(self, hazard: str | None = None) -> dict[str, object]:
        """As `Finding.trace` has it: {"start", "steps", "hazard"}."""
        return {"start": dict(self.start), "steps": [str(event) for event in self.events], "hazard": hazard}


@dataclass(frozen=True, slots=True)
class Reached:
    """A hazard that can come about, and a shortest way to it."""

    hazard: Hazard
    trace: Trace


@dataclass(frozen=True, slots=True)
class Stuck:
    """
    A step (its number, from 1) that can start on no order of happenings, and so none after it.

    lacks: what is true in no state in which it is its turn, each with what asks for it ("the step needs", "the task holds" …); () where
    each alone is true somewhere and never all together. trace: a shortest way to where it is its turn.
    """

    step: int
    name: str
    lacks: tuple[tuple[str, Condition], ...]
    trace: Trace


@dataclass(frozen=True, slots=True)
class LeftChanged:
    """A fact that the procedure's own actions change and that can end neither as it began nor at rest, nor as `leaves` says."""

    fact: Fact
    state: str
    trace: Trace


@dataclass(frozen=True, slots=True)
class Figures:
    """
    states: of the whole space, or of a part of it where that is more than anybody looks at (cone.MOST_FACTS). starts: in which it can
    begin. reached: pairs of a state and the number of steps started, with somebody else's actions; layers: the most events on a shortest
    way to any of them. work: operations on sets, in words of 64 states; some 400 million take a second.
    """

    states: int
    starts: int = 0
    reached: int = 0
    layers: int = 0
    work: int = 0


@dataclass(frozen=True, slots=True)
class Verdict:
    """
    What the exploration of one procedure found; safe where it found nothing.

    not_shown_safe: there are more states than allowed, and nothing was looked at; or they took more work than allowed, and it was given
    up. no_start: it can begin in no state, because its needs contradict each other ("needs") or because a hazard holds wherever they are
    true ("hazards"). hazards: in the order of declaration. never_over: its last step waits for what never comes. considered: the names
    of the hazards that were looked for.
    """

    figures: Figures
    considered: tuple[str, ...] = ()
    not_shown_safe: bool = False
    no_start: Literal["needs", "hazards"] | None = None
    hazards: tuple[Reached, ...] = ()
    cannot_start: Stuck | None = None
    never_over: bool = False
    left_changed: tuple[LeftChanged, ...] = ()

    @property
    def safe(self) -> bool:
        wrong = (self.not_shown_safe, self.no_start, self.hazards, self.cannot_start, self.never_over, self.left_changed)
        return not any(wrong)


def explore(
    works: Works,
    facts: Mapping[str, Fact],
    steps: Sequence[Step],
    *,
    needs: Condition | None = None,
    holds: Condition | None = None,
    leaves: Condition | None = None,
    most_states: int = MOST_STATES,
    most_work: int | None = None,
    about: Sequence[Condition] = (),
    everything: bool = False,
    bearings: Bearings | None = None,
) -> Verdict:
    """
    Explores one procedure: a task, or a declared procedure that no task follows (`not_followed`; it has no needs, holds or leaves).

    facts: all declared ones by names.key. steps: laid out (steps.laid_out); none: the task is one piece of work. most_states: a larger
    space is not looked at, which its digits tell before anything is laid out. most_work: what takes more is given up (None: a fixed
    amount for each of `most_states`); it is counted and not timed, so that the answer is the same everywhere. everything: looks at all
    facts and not only at those that bear on it; the verdict is the same. about: what else is to be looked at. bearings: of these works
    and facts, where many are explored.
    Time and memory grow with the states times the steps: 25 KB for each set of 200,000 states, a few sets for each step.
    INVARIANT: the conditions were checked, every step names a declared action, and `leaves` is an `and` of states.
    """
    laid = tuple(steps) or (Step(do=THE_WORK),)
    cone = cone_of(bearings or Bearings(works, facts), laid, (needs, holds, leaves, *about), everything)
    space = Space(cone.facts, thresholds_of(cone.conditions, facts), WORK_PER_STATE * most_states if most_work is None else most_work)
    considered = tuple(h.name for h in cone.hazards)
    if cone.whole and space.size <= most_states:
        try:
            return _Exploring(space, cone, Moves(space, cone, works, laid, holds), facts, needs, leaves).verdict(considered)
        except TooMuchWork:
            pass
    return Verdict(Figures(space.size, work=space.work), considered, not_shown_safe=True)


class _Exploring:
    def __init__(
        self, space: Space, cone: Cone, moves: Moves, facts: Mapping[str, Fact], needs: Condition | None, leaves: Condition | None
    ) -> None:
        self.space, self.cone, self.moves, self.facts = space, cone, moves, facts
        self.last = len(moves.steps)
        self.never = [space.where_any(h.never) for h in cone.hazards]
        self.needed = moves.own(needs)
        self.starts = self.needed
        for states in self.never:
            self.starts ^= self.starts & states
        left = {} if leaves is None else makes_of(leaves, facts)
        assert not isinstance(left, Finding)  # INVARIANT: see explore
        self.leaves = left

    def verdict(self, considered: tuple[str, ...]) -> Verdict:
        starts = self.starts.bit_count()
        if not starts:
            return Verdict(Figures(self.space.size, work=self.space.work), considered, no_start="hazards" if self.needed else "needs")
        alone = self._search(self.starts, others=False)
        stuck = self._stuck(alone)
        over = 0 if stuck is not None else self._over(alone)
        left = self._left_changed(over) if over else ()
        del alone
        shared = self._search(self.starts, others=True, hazards=True)
        hazards = tuple(
            Reached(self.cone.hazards[n], self._trace(shared, *found)) for n, found in enumerate(shared.found) if found is not None
        )
        return Verdict(
            Figures(self.space.size, starts, shared.reached, shared.layers, self.space.work),
            considered,
            hazards=hazards,
            cannot_start=stuck,
            never_over=stuck is None and not over,
            left_changed=left,
        )

    def _search(self, starts: int, others: bool, hazards: bool = False) -> Search:
        return Search(self.moves, starts, others, self.never if hazards else ())

    def _trace(self, search: Search, position: int, distance: int, state: int) -> Trace:
        first, events = search.way_to(position, distance, state)
        return Trace(self.space.words(first), events, self.space.words(state))

    def _stuck(self, alone: Search) -> Stuck | None:
        """The first step that can't start, with somebody else out of it."""
        reached = len(alone.rings) - 1
        if reached == self.last:
            return None
        step = reached + 1
        here = alone.rings[reached].all
        made = self.moves.made_by(step)
        asked = self.moves.met(step)
        asked += [(said, c, self.moves.own(c, made)) for said, c in self.moves.held(step)]
        lacks = tuple((said, c) for said, c, states in asked if not states & here)
        trace = self._trace(alone, reached, *alone.rings[reached].nearest(here))
        return Stuck(step, self.moves.start(step).event.name, lacks, trace)

    def _over(self, search: Search) -> int:
        """The states in which the procedure is over: after its last step, where that waits for something once it is true."""
        return search.rings[self.last].all & self.moves.own(self.moves.steps[-1].wait_until) if len(search.rings) > self.last else 0

    def _left_changed(self, over: int) -> tuple[LeftChanged, ...]:
        found = []
        for name in sorted(self.moves.mine, key=list(self.facts).index):
            digit = self.space.at(name, WORKER)
            assert digit is not None  # INVARIANT: what an action of its own makes is in the cone
            at_rest = self.space.having(digit, 0)
            if name in self.leaves:
                at_rest |= self.space.having(digit, self.space.value_of(digit, self.leaves[name]))
            left = over & (self.space.full ^ at_rest)
            if left:
                found += self._left(digit, left)
        return tuple(found)

    def _left(self, digit: int, left: int) -> list[LeftChanged]:
        """A fact that ends neither at rest nor as `leaves` says, unless it began so: looked at from each state that it can begin in."""
        best: LeftChanged | None = None
        for value in range(self.space.digits[digit].radix):
            began = self.space.having(digit, value)
            changed = left & (self.space.full ^ began)
            starts = self.starts & began
            if not changed or not starts:
                continue
            search = self._search(starts, others=False)
            ends = self._over(search) & changed
            if not ends:
                continue
            distance, state = search.rings[self.last].nearest(ends)
            if best is None or distance < len(best.trace.events):
                word = self.space.digits[digit].words[self.space.value(state, digit)]
                best = LeftChanged(self.space.digits[digit].fact, word, self._trace(search, self.last, distance, state))
        return [] if best is None else [best]
