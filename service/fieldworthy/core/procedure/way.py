"""The way to safe: the shortest sequence of declared actions after which what is asked for may start, or why there is none.

Each action in turn can be done where it is done (its needs are surely true), takes no other's lock off, breaks no open work, and after
it no hazard is present, nor after any order of happenings from there. A hazard that can't be excluded there bars an action that shares
a fact with it. What is asked for may start where its own hazards are excluded in the same way, before it and after it. Of ways of one
length the first in the order of declaration: breadth first, the actions in that order, each state once.

It is a plan over what was reported, and no evidence. A fact `per: person` is the one value that its reports add up to; hazards are looked
at for everybody who is not at rest, and where an action brings them to rest, before they have followed, too (`persons`).
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import combinations
from typing import Literal

from fieldworthy.core.procedure.bits import Danger, Move, Others, Test, Workings
from fieldworthy.core.procedure.persons import Person, Persons

MOST_TRIES = 400_000
"""So often one action, happening or hazard is looked at in one state before a search is given up: it then claims nothing."""

Why = Literal["state", "hazard", "work", "lock", "order", "bound"]
_ALL: frozenset[Why] = frozenset({"hazard", "work", "lock"})


@dataclass(frozen=True, slots=True)
class Held:
    """Holds of open work. facts: the bits of those that they name; surely, perhaps: true. ends: with the beginning of what is asked for."""

    facts: int
    surely: Test
    perhaps: Test
    ends: bool = False


@dataclass(frozen=True, slots=True)
class Locked:
    """What another put on. facts: the fact's bits; state: the bit of the state that stays until they change it."""

    facts: int
    state: int


@dataclass(frozen=True, slots=True)
class Demand:
    """
    One condition of what is asked for. surely, perhaps: true; reads: the bits of its facts; after: once what is asked for is done.

    hazard: the number of the hazard whose absence it is; None: a need or a hold.
    """

    surely: Test
    perhaps: Test
    reads: int
    after: bool = False
    hazard: int | None = None


@dataclass(frozen=True, slots=True)
class Wanted:
    """
    Where from, and where to. demands: needs, holds and the hazards excluded, which must all be surely true at the end of the way.

    asked: what the asked action makes of a state. persons: everybody who is not at rest.
    """

    start: int
    asked: Move
    demands: tuple[Demand, ...]
    works: tuple[Held, ...] = ()
    locks: tuple[Locked, ...] = ()
    persons: tuple[Person, ...] = ()


@dataclass(frozen=True, slots=True)
class NoWay:
    """
    Why there is none. why: `state` (demand `which` asks for what no action brings about), what bars every way (hazard, work or lock
    `which`), `order` (no order of the actions leads there), or `bound` (none was found in MOST_TRIES tries).

    at: the action that is barred on the shortest way which would be one otherwise; None: what was asked for itself.
    reachable: every bit that some action may bring about, or that is so from the beginning.
    """

    why: Why
    which: int = 0
    at: str | None = None
    reachable: int = 0


class TooMany(Exception):
    """The search met its bound."""


@dataclass(slots=True)
class _Search:
    """
    One question's searches. sure: what is not known stands against an action; else it is taken to be as the action wants it.

    A state has the bits of the facts, and above them, once for each person, those of where that person is.
    """

    of: Workings
    wanted: Wanted
    sure: bool = True
    most: int = MOST_TRIES
    actions: list[Move] = field(init=False)
    happenings: list[Move] = field(init=False)
    dangers: list[Danger] = field(init=False)
    tries: int = 0
    place: dict[int, int] = field(default_factory=dict)
    seen: dict[tuple[int, Others], tuple[int, int]] = field(default_factory=dict)
    start: int = field(init=False)
    asked: Move = field(init=False)
    persons: Persons = field(init=False)

    def __post_init__(self) -> None:
        self.happenings, self.dangers = list(self.of.happenings), list(self.of.dangers)
        self.persons = Persons(self.of, self.wanted.persons)
        self.start, self.asked = self.persons.start(self.wanted.start), self.persons.by_one(self.wanted.asked)
        present = self.hazards(self.start)[0]
        bears = self._bears(present)
        self.actions = [self.persons.by_all(a) for a in self.of.actions if a.writes & bears]
        self.happenings = [h for h in self.happenings if h.writes & bears]
        self.dangers = [d for d in self.dangers if d.reads & bears]
        self.place = {n: at for at, n in enumerate(n for n, d in enumerate(self.of.dangers) if d.reads & bears)}
        self.seen.clear()
        self.tries = 0

    def _bears(self, present: int) -> int:
        """
        The bits of the facts that can matter: those of what is asked for and of hazards that are there already, and all on which
        these hang. An action that makes no other could be left out of any way, so it is in no shortest one.
        """
        wanted = self.wanted
        bears = wanted.asked.writes | wanted.asked.reads
        for demand in wanted.demands:
            bears |= demand.reads
        for n, danger in enumerate(self.of.dangers):
            bears |= danger.reads if present >> n & 1 else 0
        before = -1
        while bears != before:
            before = bears
            for action in self.of.actions:
                bears |= action.reads | action.writes if action.writes & bears else 0
            for happening in self.of.happenings:
                bears |= happening.reads | happening.writes if (happening.reads | happening.writes) & bears else 0
            for danger in self.of.dangers:
                bears |= danger.reads if danger.reads & bears else 0
            for held in wanted.works:
                bears |= held.facts if held.facts & bears else 0
        return bears

    def hazards(self, state: int) -> tuple[int, int]:
        """Which hazards are present for anybody, here or after some order of happenings, and which can't be excluded (bit n: hazard n)."""
        present = perhaps = 0
        others = self.persons.others(state)
        for each in self.persons.everybody(state):
            found = self._ahead(each, others)
            present, perhaps = present | found[0], perhaps | found[1]
        return present, perhaps

    def _ahead(self, state: int, others: Others) -> tuple[int, int]:
        """The same for one person: the state has nothing above it."""
        found = self.seen.get((state, others))
        if found is not None:
            return found
        present = perhaps = 0
        reached, ahead = {state}, [state]
        while ahead:
            here = ahead.pop()
            known = self.seen.get((here, others))
            if known is not None:
                present, perhaps = present | known[0], perhaps | known[1]
                continue
            for n, danger in enumerate(self.dangers):
                if danger.perhaps(here):
                    perhaps |= 1 << n
                    if danger.present(here):
                        present |= 1 << n
            self.tries += len(self.happenings) + len(self.dangers)
            for happening in self.happenings:
                if others.bring(happening, here, not self.sure):
                    then = happening.after(here)
                    if then not in reached:
                        reached.add(then)
                        ahead.append(then)
            if self.tries > self.most:
                raise TooMany
        self.seen[state, others] = present, perhaps
        return present, perhaps

    def _brought(self, was: int, then: int, before: Others, after: Others) -> tuple[int, int]:
        """The hazards, as `hazards` gives them, that one person was not in and could not come into, or that are there and were not yet."""
        found = [self._ahead(then, after)[n] & ~self._ahead(was, before)[n] for n in (0, 1)]
        for n, danger in enumerate(self.dangers):
            found[0] |= (danger.present(then) and not danger.present(was)) << n
            found[1] |= (danger.perhaps(then) and not danger.perhaps(was)) << n
        return found[0], found[1]

    def barred(self, here: int, then: int, by: Move, heed: frozenset[Why]) -> tuple[Why, int] | None:
        """What keeps this action from being done here: the first lock, open work or hazard (by its number)."""
        if "lock" in heed:
            for n, lock in enumerate(self.wanted.locks):
                off = by.brings & lock.facts  # which is no change where it is so already
                on = here & lock.facts & ~off if self.sure else not here & off
                if on and by.writes & lock.facts and not by.brings & lock.state:
                    return "lock", n
        if "work" in heed:
            for n, held in enumerate(self.wanted.works):
                changed = ((here ^ then if self.sure else by.brings & ~here) | by.writes & self.of.persons) & held.facts
                if held.ends and by is self.asked:
                    continue
                if changed and not (held.surely if self.sure else held.perhaps)(self.persons.added_up(then)):
                    return "work", n
        if "hazard" in heed and by is not self.asked:
            present, perhaps = self.hazards(then)
            for each in self.persons.left_behind(here, by):
                new = self._brought(*each)
                present, perhaps = present | new[0], perhaps | new[1]
            if self.sure and perhaps:
                for n, danger in enumerate(self.dangers):
                    if perhaps >> n & 1 and danger.reads & by.reach:
                        present |= 1 << n
            if present:
                return "hazard", (present & -present).bit_length() - 1
        return None

    def there(self, state: int, heed: frozenset[Why]) -> bool:
        """Whether what is asked for may start in this state."""
        then = self.asked.after(state)
        for demand in self.wanted.demands:
            at = then if demand.after else state
            if demand.hazard is not None:
                if "hazard" in heed and self.hazards(at)[self.sure] >> self.place[demand.hazard] & 1:
                    return False
            elif not (demand.surely if self.sure else demand.perhaps)(self.persons.added_up(at, demand.after)):
                return False
        return self.barred(state, then, self.asked, heed) is None

    def way(self, heed: frozenset[Why] = _ALL) -> tuple[Move, ...] | None:
        """The first shortest way; heed: what may bar an action. () where it may start at once. Raises TooMany."""
        if self.there(self.start, heed):
            return ()
        came: dict[int, tuple[int, Move] | None] = {self.start: None}
        ahead = [self.start]
        while ahead:
            following: list[int] = []
            for here in ahead:
                self.tries += len(self.actions)
                if self.tries > self.most:
                    raise TooMany
                known = self.persons.added_up(here)
                for action in self.actions:
                    if not (action.needs(known) if self.sure else action.perhaps(known)):
                        continue
                    then = action.after(here)
                    if then in came or self.barred(here, then, action, heed) is not None:
                        continue
                    came[then] = here, action
                    if self.there(then, heed):
                        return _back(came, then)
                    following.append(then)
            ahead = following
        return None

    def reachable(self) -> int:
        """Every bit that some actions could bring about, with what they undo left out: more than can be, and nothing less."""
        found, before = self.start, -1
        while found != before:
            before = found
            for action in self.actions:
                if action.perhaps(self.persons.added_up(found)):
                    found |= action.brings
        return found

    def named(self, which: int) -> int:
        """The number of a hazard among all of the rulebook."""
        return self.of.dangers.index(self.dangers[which])


def _back(came: dict[int, tuple[int, Move] | None], state: int) -> tuple[Move, ...]:
    way: list[Move] = []
    while (before := came[state]) is not None:
        state, action = before
        way.append(action)
    return tuple(reversed(way))


def find_way(of: Workings, wanted: Wanted, sure: bool = True, most: int = MOST_TRIES) -> tuple[Move, ...] | NoWay:
    """
    The way to where what is asked for may start, from a state in which it may not; or why there is none.

    sure: False asks whether there could be one, if what is not known turned out well; that there is none is then certain.
    """
    try:
        search = _Search(of, wanted, sure, most)
        reachable = search.reachable()
        for n, demand in enumerate(wanted.demands):
            if not demand.perhaps(search.persons.added_up(search.asked.after(reachable) if demand.after else reachable, demand.after)):
                return NoWay("state", n, reachable=reachable)
        way = search.way()
    except TooMany:
        return NoWay("bound")
    if way is not None:
        return way
    try:
        search.tries, search.most = 0, most // 2
        return _why_none(search, reachable)
    except TooMany:  # that there is none is certain, only its cause is not
        return NoWay("order", reachable=reachable)


def _why_none(search: _Search, reachable: int) -> NoWay:
    """What would have to be left unheeded for a way to be there, and where it bars that way first: a lock before work before a hazard."""
    for unheeded in _unheeded(search):
        way = search.way(_ALL - unheeded)
        if way is None:
            continue
        before = here = search.start
        for action in (*way, search.asked):
            before, then = here, action.after(here)
            bar = search.barred(here, then, action, unheeded)
            if bar is not None:
                at = None if action is search.asked else action.name
                return NoWay(bar[0], search.named(bar[1]) if bar[0] == "hazard" else bar[1], at, reachable)
            here = then
        for demand in search.wanted.demands:
            at_end = here if demand.after else before
            if demand.hazard is not None and search.hazards(at_end)[search.sure] >> search.place[demand.hazard] & 1:
                return NoWay("hazard", demand.hazard, None, reachable)
    return NoWay("order", reachable=reachable)


def _unheeded(search: _Search) -> Iterator[frozenset[Why]]:
    """What there is to be left unheeded: each alone, then two of them, then all."""
    there: tuple[tuple[Why, bool], ...] = (
        ("lock", bool(search.wanted.locks)),
        ("work", bool(search.wanted.works)),
        ("hazard", bool(search.dangers)),
    )
    kinds = [kind for kind, any_ in there if any_]
    for count in range(1, len(kinds) + 1):
        yield from (frozenset(some) for some in combinations(kinds, count))
