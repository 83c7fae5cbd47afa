"""A state that is known only in part as one `int`, and a rulebook's actions, happenings and hazards over such states, made ready once.

Every fact has a bit for each of its states and one for not known; a fact that is not known has all of them set. Every comparison of a
number has three in the same way: it holds, it does not, not known. So a test is one operation on whole numbers, and both halves of
Kleene's logic are plain ones: a condition is surely so, and it is perhaps so. Where actions and happenings make states only, a
comparison keeps its bits from the first state to the last.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import assert_never

from fieldworthy.core.base.names import key
from fieldworthy.core.base.truth import Truth
from fieldworthy.core.base.vocabulary import Fact
from fieldworthy.core.condition.ast import Condition, IfThen, Joined, Not, NumberTest, StateTest
from fieldworthy.core.condition.walk import Value, judge, names_of, tests_of
from fieldworthy.core.procedure.model import Hazard, Works

Test = Callable[[int], bool]
_YES, _NO, _NOT_KNOWN = 1, 2, 4  # the three bits of a comparison


def always(_: int) -> bool:
    """The test of no condition at all."""
    return True


@dataclass(frozen=True, slots=True)
class Move:
    """
    What changes facts. needs: surely; perhaps: what it needs may be so. keep: the bits that it leaves; brings: those that it sets.

    reads, writes: the bits of the facts that its needs name and that it makes. reach: all that it touches, at once or by what happens then.
    """

    name: str
    needs: Test
    perhaps: Test
    keep: int
    brings: int
    reads: int
    writes: int
    reach: int = 0

    def after(self, state: int) -> int:
        return state & self.keep | self.brings


@dataclass(frozen=True, slots=True)
class Danger:
    """
    A hazard. present: surely; perhaps: it can't be excluded. reads: the bits of the facts that it names.

    stirs: the happenings that could bring it about, at once or over others.
    """

    hazard: Hazard
    present: Test
    perhaps: Test
    reads: int
    stirs: tuple[Move, ...] = ()


class Bits:
    """Which bit stands for what, in one rulebook."""

    def __init__(self, facts: Mapping[str, Fact], conditions: Iterable[Condition]) -> None:
        """conditions: those whose comparisons of numbers get bits; of others `surely` and `perhaps` judge them by the values."""
        self.masks: dict[str, int] = {}
        self._states: dict[tuple[str, str], int] = {}
        self._numbers: dict[NumberTest, int] = {}
        at = 0
        for name, fact in facts.items():
            self.masks[name] = ((1 << (len(fact.states) + 1)) - 1) << at if fact.states else 0
            for state in fact.states:
                self._states[name, key(state)] = 1 << at
                at += 1
            at += 1 if fact.states else 0
        for test in (t for c in conditions for t in tests_of(c)):
            if isinstance(test, NumberTest) and test not in self._numbers:
                self._numbers[test] = at
                self.masks[key(test.fact)] |= 7 << at
                at += 3
        self.width = at

    def state(self, values: Mapping[str, Value]) -> int:
        """The state in which the facts have these values (by names.key); those without one are not known."""
        found = 0
        for name, mask in self.masks.items():
            value = values.get(name)
            found |= self._states.get((name, value), mask) if isinstance(value, str) else mask
        for test, at in self._numbers.items():
            found = found & ~(7 << at) | _three(judge(test, values.get(key(test.fact)))) << at
        return found

    def bit(self, fact: str, state: str) -> int:
        """The bit of a declared state (fact and state by names.key)."""
        return self._states[fact, state]

    def mask(self, names: Iterable[str]) -> int:
        """All bits of these facts (names.key)."""
        found = 0
        for name in names:
            found |= self.masks.get(name, 0)
        return found

    def of(self, c: Condition | None) -> int:
        """All bits of the facts that a condition names."""
        return 0 if c is None else self.mask(names_of(c))

    def makes(self, made: Mapping[str, str]) -> tuple[int, int]:
        """The bits of the facts that are made, and those of the states that they are made."""
        return self.mask(made), sum(self._states[name, key(state)] for name, state in made.items())

    def surely(self, c: Condition | None, values: Mapping[str, Value] | None = None) -> Test:
        """Whether it is true. values: for the comparisons that have no bits."""
        return always if c is None else self._read(c, True, True, values or {})

    def perhaps(self, c: Condition | None, values: Mapping[str, Value] | None = None) -> Test:
        """Whether it is true or not known."""
        return always if c is None else self._read(c, True, False, values or {})

    def _read(self, c: Condition, wanted: bool, sure: bool, values: Mapping[str, Value]) -> Test:
        match c:
            case StateTest(fact, state, negated):
                name = key(fact)
                return _one(self.masks[name], self._states.get((name, key(state)), 0), wanted is not negated, sure)
            case NumberTest(fact):
                at = self._numbers.get(c)
                if at is None:
                    so = _three(judge(c, values.get(key(fact))))
                    held = so == (_YES if wanted else _NO) or (not sure and so == 7)
                    return always if held else _never
                return _one(7 << at, _YES << at, True, sure) if wanted else _one(7 << at, _NO << at, True, sure)
            case Not(part):
                return self._read(part, not wanted, sure, values)
            case Joined(op, parts):
                read = [self._read(part, wanted, sure, values) for part in parts]
                return _all(read) if (op == "and") is wanted else _any(read)
            case IfThen(given, then):
                read = [self._read(given, not wanted, sure, values), self._read(then, wanted, sure, values)]
                return _any(read) if wanted else _all(read)
            case _:
                assert_never(c)


def _three(found: Truth) -> int:
    return _YES if found is Truth.YES else _NO if found is Truth.NO else _YES | _NO | _NOT_KNOWN


def _never(_: int) -> bool:
    return False


def _one(mask: int, bit: int, wanted: bool, sure: bool) -> Test:
    """One test of one fact: that it is, or that it is not, what `bit` stands for."""
    if sure:
        return (lambda s: s & mask == bit) if wanted else (lambda s: not s & bit)
    others = mask ^ bit
    return (lambda s: s & bit != 0) if wanted else (lambda s: s & others != 0)


def _all(read: list[Test]) -> Test:
    if len(read) == 2:
        first, second = read
        return lambda s: first(s) and second(s)

    def judge_all(s: int) -> bool:
        for each in read:  # noqa: SIM110  a loop, and no generator: this is asked some ten thousand times for a way
            if not each(s):
                return False
        return True

    return judge_all


def _any(read: list[Test]) -> Test:
    if len(read) == 2:
        first, second = read
        return lambda s: first(s) or second(s)

    def judge_any(s: int) -> bool:
        for each in read:  # noqa: SIM110
            if each(s):
                return True
        return False

    return judge_any


@dataclass(frozen=True, slots=True)
class Workings:
    """
    A rulebook's actions, happenings and hazards over the bits, in the order of declaration. persons: of the facts that each person has of
    their own; rests: of these, the bits of their resting states; anybody: whether a happening that moves nobody hangs on where a person is;
    moving: whether one moves persons.
    """

    bits: Bits
    actions: tuple[Move, ...]
    happenings: tuple[Move, ...]
    dangers: tuple[Danger, ...]
    persons: int = 0
    rests: int = 0
    anybody: bool = False
    moving: bool = False

    def overtaken(self, facts: int) -> int:
        """The bits of these facts, and of those that any order of happenings over them could change."""
        return _overtaken(facts, self.happenings)

    def others(self, states: Iterable[int]) -> "Others":
        """states: what is so of each person of whom something is known."""
        if not self.anybody:
            return NOBODY
        return Others(self.persons, tuple(dict.fromkeys(each & self.persons for each in states)), self.rests)


@dataclass(frozen=True, slots=True)
class Others:
    """
    Everybody by whom something can come about that may harm another. own: the bits of the facts that each person has of their own; at:
    what is so of each of whom something was said; rests: of everybody else, who are at rest (a number is not known of them, and decides
    nothing).
    """

    own: int = 0
    at: tuple[int, ...] = ()
    rests: int = 0

    def bring(self, happening: Move, here: int, sure: bool) -> bool:
        """Whether it can come about: where it moves nobody, by any person, and not only by the one who is meant here."""
        comes = happening.needs if sure else happening.perhaps
        if comes(here):
            return True
        if not _by_anybody(happening, self.own):
            return False
        machine = here & ~self.own
        return any(comes(machine | each) for each in (*self.at, self.rests))


NOBODY = Others()


def _by_anybody(happening: Move, own: int) -> bool:
    """Whether it hangs on where a person is, and moves nobody."""
    return happening.reads & own != 0 and not happening.writes & own


def made_ready(works: Works, facts: Mapping[str, Fact]) -> Workings:
    """INVARIANT: the works were checked against the facts, so that every name is declared."""
    needs = (*(a.needs for a in works.actions.values()), *(h.needs for h in works.happenings.values()))
    bits = Bits(facts, [c for c in (*needs, *(h.never for h in works.hazards.values())) if c is not None])

    def move(name: str, needs: Condition | None, makes: Mapping[str, str], happenings: Sequence[Move]) -> Move:
        writes, brings = bits.makes(makes)
        reads = bits.of(needs)
        reach = reads | _overtaken(writes, happenings)
        return Move(name, bits.surely(needs), bits.perhaps(needs), ~writes, brings, reads, writes, reach)

    happenings = [move(h.name, h.needs, h.makes, ()) for h in works.happenings.values()]
    own = bits.mask(name for name, fact in facts.items() if fact.per_person)
    return Workings(
        bits,
        tuple(move(a.name, a.needs, a.makes, happenings) for a in works.actions.values()),
        tuple(happenings),
        tuple(
            Danger(h, bits.surely(h.never), bits.perhaps(h.never), bits.of(h.never), _stirs(bits.of(h.never), happenings))
            for h in works.hazards.values()
        ),
        own,
        sum(bits.bit(name, key(fact.states[0])) for name, fact in facts.items() if fact.per_person and fact.states),
        any(_by_anybody(each, own) for each in happenings),
        any(each.writes & own for each in happenings),
    )


def _stirs(facts: int, happenings: Sequence[Move]) -> tuple[Move, ...]:
    """The happenings that change these facts, and those that change what others of them need."""
    before = -1
    while facts != before:
        before = facts
        for each in happenings:
            if each.writes & facts:
                facts |= each.reads
    return tuple(each for each in happenings if each.writes & facts)


def _overtaken(facts: int, happenings: Sequence[Move]) -> int:
    """The bits of these facts, and of those that any order of happenings over them could change."""
    before = -1
    while facts != before:
        before = facts
        for each in happenings:
            if each.reads & facts:
                facts |= each.writes
    return facts
