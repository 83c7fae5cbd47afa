"""The states that a check looks at, and a set of them as one `int`.

A state gives each fact one value; a fact `per: person` has two, one of each explored person. The values are digits of a number in mixed
radix, the first fact the highest digit, a fact's first state 0, and bit i of a set says whether state i is in it. So a set of all
states of 40 facts is 125 KB for a million of them, and what is asked of a set (its union with another, the states that follow from an
action) is a handful of operations on long integers, whatever their number.

A number takes one value at each threshold that a condition names and one in each interval between them: no condition can tell more.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property, reduce
from itertools import pairwise
from operator import and_, or_
from typing import assert_never

from fieldworthy.core.base.names import key
from fieldworthy.core.base.quantity import Exact, Quantity, convert, number_text
from fieldworthy.core.base.truth import Truth
from fieldworthy.core.base.vocabulary import Fact
from fieldworthy.core.condition.ast import Condition, IfThen, Joined, Not, NumberTest, StateTest
from fieldworthy.core.condition.walk import Test, Value, judge, names_of, tests_of, unit_of

WORKER, OTHER = 0, 1
PERSONS = (WORKER, OTHER)
_MOST_OF_PERSONS = 6  # facts of persons in one condition: each doubles what it takes
_OVERHEAD = 64  # what one operation costs besides its words, in words

_WHOSE = {WORKER: "who does the work", OTHER: "somebody else"}


@dataclass(frozen=True, slots=True)
class Digit:
    """One fact (of one person, where it is each person's own).

    values: what each figure stands for, as `walk.judge` reads it. words: the same as declared, for people. weight: of one figure.
    """

    fact: Fact
    person: int | None
    values: tuple[Value, ...]
    words: tuple[str, ...]
    weight: int

    @property
    def radix(self) -> int:
        return len(self.values)

    @property
    def name(self) -> str:
        """The fact's name as declared, and whose it is."""
        return self.fact.name if self.person is None else f"{self.fact.name} ({_WHOSE[self.person]})"


class TooMuchWork(Exception):
    """So much was asked of the sets of one space that it would take too long. Caught in `explore`."""


class Space:
    """
    All states over some facts. full: the set of all of them; size: how many.

    work: what was done with sets so far, in words of 64 states, each set a few words more; past `most_work` it raises TooMuchWork. It
    is counted and not timed, so that the same rulebook gets the same answer on every machine.
    """

    def __init__(self, facts: Iterable[Fact], thresholds: Mapping[str, Iterable[Exact]], most_work: int | None = None) -> None:
        """facts: in the order of their digits. thresholds: of the number facts, by names.key, in the fact's own unit."""
        self.work, self._most_work = 0, most_work
        laid: list[Digit] = []
        weight = 1
        for fact, person in reversed([(f, p) for f in facts for p in (PERSONS if f.per_person else (None,))]):
            values, words = _figures(fact, sorted(set(thresholds.get(key(fact.name), ()))))
            laid.insert(0, Digit(fact, person, values, words, weight))
            weight *= len(values)
        self.digits = tuple(laid)
        self.size = weight
        self._at = {(key(d.fact.name), p): n for n, d in enumerate(laid) for p in (PERSONS if d.person is None else (d.person,))}
        self._masks: dict[tuple[int, int], int] = {}
        self._true: dict[tuple[Test, int], tuple[int, ...]] = {}

    def spend(self, sets: int, states: int | None = None) -> None:
        """Counts so many operations on sets of so many states (None: all of them)."""
        self.work += sets * (((self.size if states is None else states) >> 6) + _OVERHEAD)
        if self._most_work is not None and self.work > self._most_work:
            raise TooMuchWork

    @cached_property
    def full(self) -> int:
        return (1 << self.size) - 1

    def at(self, fact: str, person: int) -> int | None:
        """The number of the digit of a fact (names.key), of this person where it is each person's own; None: not in this space."""
        return self._at.get((fact, person))

    def having(self, digit: int, value: int) -> int:
        """All states in which this digit has this value."""
        mask = self._masks.get((digit, value))
        if mask is None:
            d = self.digits[digit]
            mask, length = ((1 << d.weight) - 1) << (value * d.weight), d.weight * d.radix
            while length < self.size:  # the pattern of one period, doubled until it fills the space
                mask |= mask << length
                length *= 2
            mask = self._masks[digit, value] = mask & self.full
        return mask

    def value(self, state: int, digit: int) -> int:
        d = self.digits[digit]
        return state // d.weight % d.radix

    def words(self, state: int) -> dict[str, str]:
        """The state for people: the facts' names and their states as declared."""
        return {d.name: d.words[self.value(state, n)] for n, d in enumerate(self.digits)}

    def value_of(self, digit: int, state: str) -> int:
        """The figure of a declared state."""
        return self.digits[digit].values.index(key(state))

    # --- conditions ----------------------------------------------------------------------------------------------------------

    def where(self, c: Condition | None, mine: frozenset[str], me: int, fixed: Mapping[int, int] | None = None) -> int:
        """
        The states in which a need or a hold can be true; None is true everywhere.

        mine: facts (names.key) `per: person` that are read of the person `me`. Any other one is what the reports of all add up to, and so
        may these be too: who asks has one answer for each fact. fixed: digits that are taken to have these values, as they will after an
        action; a fact that it makes for `me` is read of nobody else, for what another says of it does not stand for who has just moved.
        """
        if c is None:
            return self.full
        theirs = [name for name in names_of(c) if self._each_persons(name)]
        if len(theirs) > _MOST_OF_PERSONS:
            raise TooMuchWork
        moved = {name: me for name in theirs if self.at(name, me) in (fixed or {})}
        theirs = [name for name in theirs if name not in moved]
        found = self._added_up(c, theirs, moved, fixed or {})
        if not mine.isdisjoint(theirs):
            of = moved | dict.fromkeys(mine, me)
            found |= self._added_up(c, [name for name in theirs if name not in mine], of, fixed or {})
        return found

    def _added_up(self, c: Condition, theirs: Sequence[str], of: Mapping[str, int], fixed: Mapping[int, int]) -> int:
        """
        The states in which it is true of what the reports add up to: of two persons of whom one is at rest the other counts; where they
        differ otherwise it is not known, and must be true either way. theirs: the facts of which that is still to be settled; of: the
        person that others are read of.
        """
        if not theirs:
            return self._where(c, of, WORKER, fixed)
        name, *rest = theirs
        by = [self._added_up(c, rest, {**of, name: person}, fixed) for person in PERSONS]
        return by[0] & by[1] | by[0] & self._counts(name, WORKER, fixed) | by[1] & self._counts(name, OTHER, fixed)

    def _counts(self, fact: str, person: int, fixed: Mapping[int, int]) -> int:
        """The states in which this person's value is what the reports add up to: the other one has the same, or is at rest."""
        mine, other = self.at(fact, person), self.at(fact, OTHER if person == WORKER else WORKER)
        assert mine is not None  # INVARIANT: it is each person's own
        assert other is not None
        found = 0
        for value in range(self.digits[mine].radix):
            self.spend(3)
            same = self._has(other, value, fixed)
            if not self.digits[mine].fact.is_number:
                same |= self._has(other, 0, fixed)
            found |= self._has(mine, value, fixed) & same
        return found

    def _has(self, digit: int, value: int, fixed: Mapping[int, int]) -> int:
        if digit in fixed:
            return self.full if fixed[digit] == value else 0
        return self.having(digit, value)

    def where_any(self, c: Condition | None) -> int:
        """The states in which this is true of any person."""
        return reduce(or_, (self.where_of(c, person) for person in PERSONS))

    def where_of(self, c: Condition | None, person: int) -> int:
        """The states in which this is true of one person."""
        return self.full if c is None else self._where(c, {}, person, {})

    def _each_persons(self, name: str) -> bool:
        at = self.at(name, WORKER)
        return at is not None and self.digits[at].person is not None

    def _where(self, c: Condition, of: Mapping[str, int], person: int, fixed: Mapping[int, int]) -> int:
        match c:
            case StateTest() | NumberTest():
                name = key(c.fact)
                digit = self.at(name, of.get(name, person))
                return 0 if digit is None else self._tested(c, digit, fixed)
            case Not(part):
                return self.full ^ self._where(part, of, person, fixed)
            case Joined(op, parts):
                return reduce(and_ if op == "and" else or_, (self._where(part, of, person, fixed) for part in parts))
            case IfThen(given, then):
                return (self.full ^ self._where(given, of, person, fixed)) | self._where(then, of, person, fixed)
            case _:
                assert_never(c)

    def _tested(self, test: Test, digit: int, fixed: Mapping[int, int]) -> int:
        self.spend(1)
        true = self._true.get((test, digit))
        if true is None:
            true = tuple(n for n, value in enumerate(self.digits[digit].values) if judge(test, value) is Truth.YES)
            self._true[test, digit] = true
        if digit in fixed:
            return self.full if fixed[digit] in true else 0
        if 2 * len(true) > self.digits[digit].radix:
            others = (self.having(digit, n) for n in range(self.digits[digit].radix) if n not in true)
            return self.full ^ reduce(or_, others, 0)
        return reduce(or_, (self.having(digit, n) for n in true), 0)


def _figures(fact: Fact, limits: list[Exact]) -> tuple[tuple[Value, ...], tuple[str, ...]]:
    """What the digits of a fact stand for: its states, or a number in each interval and at each threshold."""
    if fact.states:
        return tuple(key(state) for state in fact.states), fact.states
    if not limits:
        return (Fraction(0),), ("any",)
    unit = f" {fact.unit.name}" if fact.unit is not None else ""
    said = [number_text(limit) + unit for limit in limits]
    numbers: list[Exact] = [limits[0] - 1, limits[0]]
    words = [f"below {said[0]}", said[0]]
    for (low, high), (low_said, high_said) in zip(pairwise(limits), pairwise(said), strict=True):
        numbers += [(low + high) / Fraction(2), high]
        words += [f"between {low_said} and {high_said}", high_said]
    numbers.append(limits[-1] + 1)
    words.append(f"above {said[-1]}")
    own = fact.unit
    return tuple(n if own is None else Quantity(n, own) for n in numbers), tuple(words)


def thresholds_of(conditions: Iterable[Condition], facts: Mapping[str, Fact]) -> dict[str, set[Exact]]:
    """The numbers that conditions compare each number fact with, exactly converted to the fact's own unit; by names.key."""
    found: dict[str, set[Exact]] = {}
    for c in conditions:
        for test in tests_of(c):
            fact = facts.get(key(test.fact))
            if isinstance(test, NumberTest) and fact is not None and fact.is_number:
                found.setdefault(key(test.fact), set()).add(_own(test, fact))
    return found


def _own(test: NumberTest, fact: Fact) -> Exact:
    unit = unit_of(test)
    return test.number if unit is None or fact.unit is None else convert(test.number, unit, fact.unit)
