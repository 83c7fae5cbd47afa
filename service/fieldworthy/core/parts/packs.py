"""How many whole packs to take: exact, and bounded in time however large the amount is.

The rule (DEVELOPERS, "Packs"): the fewest packs among those choices whose left-over is at most a tenth of the amount (where
there is none: the least left over), then the least left over, then more of the larger packs.

Why it is quick. Sizes become whole multiples of their common measure. A pack of at most a tenth of the amount is *fine*:
filling up with the largest fine size `q` never passes the tenth, so `ceil(rest / q)` packs are both enough and the fewest.
Only *coarse* packs, larger than a tenth, have to be tried out, and no more than ten of them fit: at most C(18, 8) = 43758 choices.
Then each fine pack of `x` in place of one of `q` saves `q - x`; the best saving below `q` is looked up in a table of the
savings that can be reached, which does not grow with the amount. How long that table can get depends on the sizes alone:
`measure` says so, and a rulebook whose sizes are too close to each other and too odd is refused by the check.
"""

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from heapq import heappop, heappush
from itertools import pairwise
from math import ceil, factorial, floor, gcd, lcm, prod

from fieldworthy.core.base.quantity import Quantity, whole

MAX_SIZES = 8
MAX_SAVINGS = 50_000
SHARE_OVER = Fraction(1, 10)


@dataclass(frozen=True, slots=True)
class Choice:
    """counts: of each size, in the order given; left_over: what the packs hold beyond the amount, in the amount's unit."""

    counts: tuple[int, ...]
    left_over: Quantity

    @property
    def packs(self) -> int:
        return sum(self.counts)


def choose_packs(amount: Quantity, sizes: Sequence[Quantity]) -> Choice:
    """
    The packs to take for `amount` (>= 0; nothing is taken for 0).

    sizes: one to eight, all above 0, no two the same, of the amount's dimension (ValueError otherwise, and where
    `measure` passes MAX_SAVINGS and the table of savings really gets that long).
    The rule is the module's; checked against tests/twin/test_packs_twin.py, which tries every choice.
    """
    in_unit = [Fraction(size.to(amount.unit).value) for size in sizes]
    if not 0 < len(in_unit) <= MAX_SIZES or min(in_unit) <= 0 or len(set(in_unit)) < len(in_unit):
        raise ValueError("one to eight different pack sizes above 0 are needed")
    wanted = Fraction(amount.value)
    if wanted <= 0:
        return Choice((0,) * len(sizes), Quantity(0, amount.unit))
    step = _common_measure(in_unit)
    order = sorted(range(len(in_unit)), key=lambda i: -in_unit[i])
    largest_first = [int(in_unit[i] / step) for i in order]
    counts = _choose(wanted / step, largest_first)
    by_place = dict(zip(order, counts, strict=True))
    held = sum((in_unit[i] * n for i, n in by_place.items()), Fraction(0))
    return Choice(tuple(by_place[i] for i in range(len(sizes))), Quantity(whole(held - wanted), amount.unit))


def measure(sizes: Sequence[Quantity]) -> int:
    """An upper bound of the savings that `choose_packs` may have to look at for these sizes (of one dimension, above 0)."""
    in_unit = sorted({Fraction(s.to(sizes[0].unit).value) for s in sizes}, reverse=True)
    step = _common_measure(in_unit) if in_unit else Fraction(1)
    whole_sizes = [int(s / step) for s in in_unit]
    worst = 1
    for first in range(len(whole_sizes) - 1):
        top, *rest = whole_sizes[first:]
        deltas = [top - x for x in rest]
        # Lattice points of a simplex: each owns a unit cube inside the simplex that is larger by the sum of the deltas.
        points = (top + sum(deltas)) ** len(deltas) // (factorial(len(deltas)) * prod(deltas)) + 1
        worst = max(worst, min(points, top // gcd(*deltas) + 1))
    return worst


def _common_measure(sizes: Sequence[Fraction]) -> Fraction:
    """The largest length that every size is a whole multiple of."""
    scale = lcm(*(s.denominator for s in sizes))
    return Fraction(gcd(*(int(s * scale) for s in sizes)), scale)


def _choose(wanted: Fraction, sizes: list[int]) -> tuple[int, ...]:
    """Counts by size, largest first. wanted > 0 and the sizes are in the common measure, so every sum is whole."""
    least = ceil(wanted)
    most = floor(wanted * (1 + SHARE_OVER))
    coarse = [s for s in sizes if s > wanted * SHARE_OVER]
    fine = sizes[len(coarse) :]
    found = _fewest(least, most, coarse, fine)
    return found if found is not None else _least_over(least, sizes)


def _fewest(least: int, most: int, coarse: list[int], fine: list[int]) -> tuple[int, ...] | None:
    """The fewest packs that hold `least` to `most`, then the smallest sum, then the larger packs; None where no choice does."""
    fewest: int | None = None
    kept: list[tuple[int, tuple[int, ...], int]] = []
    for held, counts in _coarse_choices(coarse, most):
        if held < least and not fine:
            continue
        fill = max(0, -((held - least) // fine[0])) if fine else 0
        packs = sum(counts) + fill
        if fewest is None or packs < fewest:
            fewest, kept = packs, []
        if packs == fewest:
            kept.append((held, counts, fill))
    if fewest is None:
        return None
    spare = [held + fill * fine[0] - least if fill else 0 for held, _, fill in kept]
    savings = _Savings.of(fine, max(spare)) if fine else None
    best: tuple[int, tuple[int, ...]] | None = None
    for (held, counts, fill), room in zip(kept, spare, strict=True):
        chosen = (0,) * len(fine)
        total = held
        if fill and savings is not None:
            saved, chosen = savings.best(room, fill)
            total += fill * fine[0] - saved
        rank = (total, tuple(-n for n in counts + chosen))
        if best is None or rank < best:
            best = rank
    return None if best is None else tuple(-n for n in best[1])


def _coarse_choices(coarse: list[int], most: int) -> Iterator[tuple[int, tuple[int, ...]]]:
    """Every choice of coarse packs that holds at most `most`, with what it holds; the empty one too."""
    if not coarse:
        yield 0, ()
        return
    size, *smaller = coarse
    for n in range(most // size, -1, -1):
        for held, counts in _coarse_choices(smaller, most - n * size):
            yield held + n * size, (n, *counts)


def _least_over(least: int, sizes: list[int]) -> tuple[int, ...]:
    """The smallest sum from `least` on, then the fewest packs, then the larger ones. Every size is coarse here."""
    smallest = -(-least // sizes[-1])
    best = (smallest * sizes[-1], smallest, (*(0 for _ in sizes[1:]), -smallest))  # one way that surely holds enough
    todo: list[tuple[int, int, tuple[int, ...]]] = [(0, 0, (0,) * len(sizes))]
    while todo:
        held, first, taken = todo.pop()  # taken: negated counts, so that fewer of a size sorts later
        for i in range(first, len(sizes)):
            total = held + sizes[i]
            more = (*taken[:i], taken[i] - 1, *taken[i + 1 :])
            if total < least:
                todo.append((total, i, more))
            else:
                best = min(best, (total, -sum(more), more))
    return tuple(-n for n in best[2])


@dataclass(slots=True)
class _Savings:
    """What can be saved by smaller packs in place of the largest fine one: sum -> (packs swapped, their negated counts)."""

    by_sum: dict[int, tuple[int, tuple[int, ...]]]
    swapped_at_most: int
    sums: dict[int, list[int]] = field(default_factory=dict)

    @classmethod
    def of(cls, fine: list[int], most: int) -> "_Savings":
        """All savings up to `most`; at each sum the fewest swaps (the most of the largest pack), then the larger packs."""
        deltas = [fine[0] - x for x in fine[1:]]
        by_sum: dict[int, tuple[int, tuple[int, ...]]] = {0: (0, (0,) * len(deltas))}
        queue = [0]
        swapped_at_most = 0
        while queue:
            at = heappop(queue)  # INVARIANT: deltas are above 0, so what stands at `at` is final when it is popped
            swapped, taken = by_sum[at]
            swapped_at_most = max(swapped_at_most, swapped)
            for i, delta in enumerate(deltas):
                total = at + delta
                if total > most:
                    continue
                rank = (swapped + 1, (*taken[:i], taken[i] - 1, *taken[i + 1 :]))
                known = by_sum.get(total)
                if known is None:
                    if len(by_sum) >= MAX_SAVINGS:
                        raise ValueError("these pack sizes are too close to each other to be chosen from exactly")
                    heappush(queue, total)
                if known is None or rank < known:
                    by_sum[total] = rank
        return cls(by_sum, swapped_at_most)

    def best(self, room: int, packs: int) -> tuple[int, tuple[int, ...]]:
        """The largest saving of at most `room` with at most `packs` swaps, and the fine counts, largest first."""
        limit = min(packs, self.swapped_at_most)
        if limit not in self.sums:
            self.sums[limit] = sorted(s for s, (swapped, _) in self.by_sum.items() if swapped <= limit)
        sums = self.sums[limit]
        saved = sums[bisect_right(sums, room) - 1]
        swapped, taken = self.by_sum[saved]
        return saved, (packs - swapped, *(-n for n in taken))


def too_close(sizes: Sequence[Quantity]) -> tuple[Quantity, Quantity] | None:
    """The two sizes that are nearest to each other, where all sizes are too close and too odd to choose from; None where they are not."""
    if len(sizes) < 2 or measure(sizes) <= MAX_SAVINGS:
        return None
    ordered = sorted(sizes, key=lambda s: Fraction(s.to(sizes[0].unit).value))
    return min(pairwise(ordered), key=lambda two: Fraction(two[1].to(sizes[0].unit).value) - Fraction(two[0].to(sizes[0].unit).value))
