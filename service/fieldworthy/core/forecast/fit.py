"""What readings tell of a machine's use: so much a day of each kind, and how far from that it strays.

A quasi-Poisson model, fitted in a closed way. The readings are taken in stretches of about a week. The use of a stretch that lies in two
kinds of days is shared between them in proportion to what is expected of each, over and over (the EM steps of the additive Poisson model:
McLachlan and Krishnan, The EM Algorithm and Extensions, 2nd ed., 2008). Four things make outcomes stray:

spread   rain, breakdowns, Sundays: the variance of a stretch's use is in proportion to the use expected (Pearson's dispersion:
         McCullagh and Nelder, Generalized Linear Models, 2nd ed., 1989, section 6.2.3).
differ   no season is like the last: the relative variance of the use a day from one season to another.
error    the rate itself is only known from so many stretches.
shift    a season begins and ends with the weather, some days beside its dates.

Each of `differ` and `shift` leans on a usual value as long as few seasons were seen, and on what was seen the more of them were.
Floats, and of their operations only those that IEEE 754 rounds correctly (+ - * / and the square root): the same on every platform.
"""

from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from math import sqrt

from fieldworthy.core.forecast.stretches import Stretches
from fieldworthy.core.forecast.times import Kind

LEAST_SPAN = 14.0  # days between the oldest and the newest reading
LEAST_STRETCHES = 5
LEAST_DAYS = 7.0  # of one kind, before anything is said of such days
_LEAST_PARTS, _MOST_PARTS = 12, 100  # into how many stretches a time is cut, of a day at least and two weeks at most, usually a week
_SHARINGS = 3  # the first guess is a good one
_LITTLE = 0.02  # of the rate of all days: what is taken to begin with where nothing else is left
_OWN_WAY = 30.0  # so many days of a season tell as much of it as all seasons do
_USUAL_DIFFER, _USUAL_DIFFER_COUNTS = 0.12 * 0.12, 2.0  # seasons differ by some 12 %; it counts as so many seasons seen
_USUAL_SHIFT, _USUAL_SHIFT_COUNTS = 16.0, 1.0  # 4 days, squared
_LEAST_SHIFT = 0.25
_AROUND = 45.0  # days around a season's beginning or end that may tell of its shift

_T90 = (
    *(3.078, 3.078, 1.886, 1.638, 1.533, 1.476, 1.440, 1.415, 1.397, 1.383, 1.372, 1.363, 1.356, 1.350, 1.345, 1.341),
    *(1.337, 1.333, 1.330, 1.328, 1.325, 1.323, 1.321, 1.319, 1.318, 1.316, 1.315, 1.314, 1.313, 1.311, 1.310),
)
"""The 0.9 quantile of Student's t by degrees of freedom, up to 30 (NIST/SEMATECH e-Handbook, 1.3.6.7.2); the first place is unused."""
NORMAL90 = 1.282


@dataclass(slots=True)
class Rate:
    """Use a day of one kind. days: seen of it. spread: variance for each unit of use. error: relative variance of the rate."""

    a_day: float = 0.0
    days: float = 0.0
    spread: float = 0.0
    error: float = 0.0


@dataclass(slots=True)
class Use:
    """A machine's use on one meter.

    kind: of the days at hand; now: the use a day in them, differ_now: its relative variance. shift: one standard deviation, in days.
    quantile: how many standard deviations the edges of the range lie from the middle.
    """

    rates: Mapping[Kind, Rate]
    kind: Kind
    now: float
    differ_now: float
    differ: float
    shift: float
    quantile: float


def least_stretch(span: float) -> float:
    """How many days a stretch should have at least, where the readings span so many."""
    return max(1.0, min(7.0, span / _LEAST_PARTS), min(14.0, span / _MOST_PARTS))


def ends_of_stretches(times: Sequence[datetime], least: timedelta) -> list[int]:
    """The readings between which the stretches lie, by index, oldest first: each the newest that is `least` older than the next."""
    i = len(times) - 1
    ends = [i]
    while i > 0 and len(ends) <= _MOST_PARTS:
        i = bisect_right(times, times[i] - least, 0, i) - 1
        if i >= 0:
            ends.append(i)
    ends.reverse()
    return ends


def fit(stretches: Stretches, counts: Sequence[float]) -> Use | None:
    """The use that counts at the ends of the stretches tell, in any unit; None where they are too few or nothing was used."""
    ends = stretches.ends
    if len(ends) <= LEAST_STRETCHES or ends[-1] - ends[0] < LEAST_SPAN or counts[-1] <= counts[0]:
        return None
    return _Fit(stretches, counts).use()


class _Fit:
    """The steps of a fit, and what they share.

    amounts: used in each stretch. used: in each of the times, mixed stretches shared out. squares, products: sums over the stretches that
    lie in one of the times alone, of use x use and use x days.
    """

    __slots__ = ("amounts", "counts", "on", "products", "rates", "squares", "used")

    def __init__(self, stretches: Stretches, counts: Sequence[float]) -> None:
        self.on, self.counts = stretches, counts
        n = len(stretches.times)
        self.amounts = amounts = [after - before for before, after in pairwise(counts)]
        self.used, self.squares, self.products = [0.0] * n, [0.0] * n, [0.0] * n
        lengths = stretches.spans
        for i, begin, end in stretches.alone:
            used = squares = products = 0.0
            for amount, length in zip(amounts[begin:end], lengths[begin:end], strict=True):
                used += amount
                squares += amount * amount
                products += amount * length
            self.used[i], self.squares[i], self.products[i] = used, squares, products

    def use(self) -> Use:
        on = self.on
        kinds, days = on.kind_of, on.days
        self.rates = rates = self._find_rates()
        free = self._find_spreads()
        differ = self._differ()
        last = on.seen[-1]
        known, kind = days[last], kinds[last]
        rate = rates[kind]
        # the season at hand goes its own way, as far as it has told: a fixed weight, so that more use never makes for a lower rate
        keep = known / (known + _OWN_WAY)
        now = (1 - keep) * rate.a_day + keep * self.used[last] / known
        expected = rate.a_day * known
        differ_now = (1 - keep) * (1 - keep) * (differ + rate.error)
        if expected > 0:
            differ_now += keep * keep * rate.spread / expected
        quantile = _T90[free] if free < len(_T90) else NORMAL90
        return Use(dict(zip(on.kinds, rates, strict=True)), on.kinds[kind], now, differ_now, differ, self._shift(differ), quantile)

    def _find_rates(self) -> list[Rate]:
        """The rates by the kind's number; what a mixed stretch used is added to the times that it lies in."""
        on, used, amounts = self.on, self.used, self.amounts
        kinds, whole = on.kind_of, on.whole
        weighted = [0.0] * len(whole)  # use in the stretches of one kind alone
        for i, _, _ in on.alone:
            weighted[kinds[i]] += on.weights[i] * used[i]
        mixed = [(m.weight * amounts[m.stretch], m.of) for m in on.mixed]
        a_day = self._first_guess(weighted, mixed)
        for _ in range(_SHARINGS if mixed else 1):
            shared = weighted.copy()
            for amount, spans in mixed:
                expected = 0.0
                for kind, part in spans:
                    expected += a_day[kind] * part
                if expected > 0:
                    each = amount / expected
                    for kind, part in spans:
                        shared[kind] += each * a_day[kind] * part
            a_day = [use / part for use, part in zip(shared, whole, strict=True)]
        for m in on.mixed:
            expected = 0.0
            for i, part in m.parts:
                expected += a_day[kinds[i]] * part
            if expected > 0:
                each = amounts[m.stretch] / expected
                for i, part in m.parts:
                    used[i] += each * a_day[kinds[i]] * part
        return [Rate(use, known) for use, known in zip(a_day, on.known, strict=True)]

    def _first_guess(self, weighted: Sequence[float], mixed: Sequence[tuple[float, Sequence[tuple[int, float]]]]) -> list[float]:
        """Rates to begin with: of a kind's own stretches, where it has some; of the other kinds what those leave over."""
        total = all_days = 0.0
        for amount in weighted:
            total += amount
        for amount, _ in mixed:
            total += amount
        whole, by_itself = self.on.whole, self.on.by_itself
        for part in whole:
            all_days += part
        flat = total / all_days
        guess: list[float | None] = [use / part if part >= LEAST_DAYS else None for use, part in zip(weighted, by_itself, strict=True)]
        left, other_days, some = total, 0.0, False
        for own, part in zip(guess, whole, strict=True):
            if own is None:
                other_days += part
            else:
                left -= own * part
                some = True
        other = left / other_days if some and other_days else flat
        if other < flat * _LITTLE:
            other = flat * _LITTLE
        found = [other if own is None else own for own in guess]
        for _, spans in mixed:
            if not any(found[kind] for kind, _ in spans):  # it ran in a stretch of kinds in which it never ran before
                for kind, _ in spans:
                    found[kind] = flat * _LITTLE
        return found

    def _find_spreads(self) -> int:
        """Each kind's spread; gives the degrees of freedom. A stretch is compared with its own season where there are enough of them."""
        on, rates, used, squares, products = self.on, self.rates, self.used, self.squares, self.products
        kinds, days, lengths = on.kind_of, on.days, on.lengths
        stretches = len(self.amounts)
        free = stretches - len(on.seen)
        own = free >= LEAST_STRETCHES - 1
        if not own:
            free = max(1, stretches - len(rates))
        over = [0.0] * len(rates)
        under = over.copy()
        a_day = [0.0] * len(days)
        for i in on.seen:
            kind, known = kinds[i], days[i]
            rate = a_day[i] = used[i] / known if own else rates[kind].a_day
            strayed = squares[i] - 2 * rate * products[i] + rate * rate * lengths[i]
            if strayed > 0:  # but for rounding it always is
                over[kind] += strayed
            under[kind] += rate * known
        for m in on.mixed:
            expected = 0.0
            for i, part in m.parts:
                expected += a_day[i] * part
            off = self.amounts[m.stretch] - expected
            over[m.mostly] += off * off
        for found, above, below in zip(rates, over, under, strict=True):
            if below > 0:
                found.spread = above / below * stretches / free
        return free

    def _differ(self) -> float:
        """The relative variance between seasons; sets each rate's error by it."""
        on, rates, used = self.on, self.rates, self.used
        kinds, days, seen = on.kind_of, on.days, on.seen
        over = whole = 0.0
        totals = [0.0] * len(rates)
        squares = totals.copy()
        for i in seen:
            kind = kinds[i]
            rate = rates[kind]
            expected = rate.a_day * days[i]
            off, square = used[i] - expected, expected * expected
            over += off * off - rate.spread * expected
            whole += square
            totals[kind] += expected
            squares[kind] += square
        free = len(seen) - len(rates)
        differ = _USUAL_DIFFER_COUNTS * _USUAL_DIFFER
        if free and over > 0:
            differ += over / whole * len(seen)  # times `free`, and divided by it: the rates were fitted to the same seasons
        differ /= _USUAL_DIFFER_COUNTS + free
        for rate, total, square in zip(rates, totals, squares, strict=True):
            if total > 0:
                rate.error = differ * square / (total * total) + rate.spread / total
        return differ

    def _shift(self, differ: float) -> float:
        """How many days a season's beginning or end lies beside its date (one standard deviation), by the use around each."""
        top, bottom = _USUAL_SHIFT_COUNTS * _USUAL_SHIFT, _USUAL_SHIFT_COUNTS
        on, rates, counts = self.on, self.rates, self.counts
        kinds, ends, times = on.kind_of, on.ends, on.times
        for m in on.mixed:
            begin, end = m.around
            since, until = ends[begin], ends[end]
            if until - since > _AROUND:
                continue
            for i, _ in m.parts[1:]:
                old, new, edge = rates[kinds[i - 1]], rates[kinds[i]], times[i].since
                step = new.a_day - old.a_day
                if not step or type(times[i].kind) is int:
                    continue
                early, late = old.a_day * (edge - since), new.a_day * (until - edge)
                off = (counts[end] - counts[begin] - early - late) / step
                noise = (old.spread * early + new.spread * late + differ * (early * early + late * late)) / (step * step)
                told = _USUAL_SHIFT / (_USUAL_SHIFT + noise)
                top += told * told * (off * off - noise)
                bottom += told * told
        return sqrt(max(top / bottom, _LEAST_SHIFT))
