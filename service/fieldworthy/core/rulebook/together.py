"""Tasks that can never be open at one time, because what one holds contradicts what the other holds."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

from fieldworthy.core.base.truth import Truth, all_of
from fieldworthy.core.base.vocabulary import Fact
from fieldworthy.core.condition.ast import Condition, Joined
from fieldworthy.core.condition.explain import render
from fieldworthy.core.condition.search import Effort, TooLarge, by_fact, find_state, values_of
from fieldworthy.core.condition.walk import evaluate, names_of
from fieldworthy.core.rulebook.model import CheckedRulebook

MOST_PAIRS = 1_000
MOST_EFFORT = 20_000
"""Tests judged for one pair of holds; and for all of them fifty times as many."""


@dataclass(frozen=True, slots=True)
class NeverTogether:
    """Two tasks, in the order of declaration, and the parts of their holds that contradict each other (the whole, where no parts do)."""

    tasks: tuple[str, str]
    holds: tuple[str, str]

    @property
    def because(self) -> str:
        """In a few words."""
        first, second = (f"`{task}` holds `{held}`" for task, held in zip(self.tasks, self.holds, strict=True))
        return f"{first} and {second}, which are never true at once"

    def to_json(self) -> dict[str, Any]:
        return {"tasks": list(self.tasks), "because": self.because}


@dataclass(frozen=True, slots=True)
class Pairs:
    """complete: no pair was left out or undecided."""

    found: tuple[NeverTogether, ...]
    complete: bool = True


def never_together(book: CheckedRulebook) -> Pairs:
    """
    Every pair of tasks whose holds have no state in common: while one is open, the other is withheld.

    Decided exactly over the states and the intervals between thresholds of the facts that both name, at most 1,000 pairs. A fact that each
    person has their own of never decides: two tasks are done by two persons. A task whose own holds can never be true is left out: it
    has a finding of its own.
    """
    held: dict[Condition, list[tuple[int, str]]] = {}
    for order, task in enumerate(book.tasks.values()):
        if task.holds is not None:
            held.setdefault(task.holds, []).append((order, task.name))
    facts = book.vocabulary.facts
    look = _Look(facts)
    possible = [
        (c, tasks, {name for name in names_of(c) if not facts[name].per_person})
        for c, tasks in held.items()
        if look.meet(c, None) is not False
    ]
    found: list[tuple[tuple[int, int], NeverTogether]] = []
    for (a, some, named), (b, others, also_named) in combinations(possible, 2):
        if len(found) > MOST_PAIRS or look.worn_out:
            break
        if not named.isdisjoint(also_named) and look.meet(a, b) is False:
            found += _pairs(some, others, *look.contradiction(a, b))
    found.sort(key=lambda pair: pair[0])
    return Pairs(tuple(pair for _, pair in found[:MOST_PAIRS]), not look.unsure and not look.worn_out and len(found) <= MOST_PAIRS)


def _pairs(
    some: Sequence[tuple[int, str]], others: Sequence[tuple[int, str]], a: str, b: str
) -> Iterator[tuple[tuple[int, int], NeverTogether]]:
    for order, name in some:
        for other_order, other in others:
            if order < other_order:
                yield (order, other_order), NeverTogether((name, other), (a, b))
            else:
                yield (other_order, order), NeverTogether((other, name), (b, a))


class _Look:
    """Whether two holds can be true at once."""

    def __init__(self, facts: Mapping[str, Fact]) -> None:
        self.facts = facts
        self.left = 50 * MOST_EFFORT
        self.unsure = False

    @property
    def worn_out(self) -> bool:
        return self.left <= 0

    def meet(self, a: Condition, b: Condition | None) -> bool | None:
        """Whether some state makes both true (b None: a alone); None where it would take too long to tell."""
        both = [c for c in (a, b) if c is not None]
        tests = by_fact(both)
        # a second person's own facts are other facts than the first one's: they get a name of their own
        choices = {name: values_of(self.facts[name], several) for name, several in tests.items()}
        own = {name for name in tests if self.facts[name].per_person}
        choices |= {f"{name}\0": choices[name] for name in own}
        effort = Effort(min(MOST_EFFORT, max(0, self.left)))
        had = effort.left

        def true(state: Mapping[str, Any]) -> Truth:
            if b is None:
                return evaluate(a, state)
            return all_of((evaluate(a, state), evaluate(b, {**state, **{name: state.get(f"{name}\0") for name in own}})))

        try:
            return find_state(true, choices, sum(map(len, tests.values())), effort) is not None
        except TooLarge:
            self.unsure = True
            return None
        finally:
            self.left -= had - max(0, effort.left)

    def contradiction(self, a: Condition, b: Condition) -> tuple[str, str]:
        """The first parts of two holds that contradict each other, where two parts alone do; else the whole of both."""
        for one in _parts(a):
            for other in _parts(b):
                if set(names_of(one)) & set(names_of(other)) and self.meet(one, other) is False:
                    return render(one), render(other)
        return render(a), render(b)


def _parts(c: Condition) -> tuple[Condition, ...]:
    return c.parts if isinstance(c, Joined) and c.op == "and" else (c,)
