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
from math import sqrt

from fieldworthy.core.forecast.times import Kind, Times

LEAST_SPAN = 14.0  # days between the oldest and the newest reading
LEAST_STRETCHES = 5
LEAST_DAYS = 7.0  # of one kind, before anything is said of such days
_LEAST_PARTS, _MOST_PARTS = 12, 100  # into how many stretches a time is cut, of a day at least and two weeks at most, usually a week
_YEAR = 365.25
_FADES = (1.0, 0.7, 0.5, 0.35, 0.25, 0.15, 0.1)  # what a stretch counts for, by its age in years: a machine's work changes
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


def fit(points: Sequence[tuple[float, float]], times: Sequence[Times]) -> Use | None:
    """The use that (day, count) at the ends of stretches tell, oldest first; None where they are too few or nothing was used.

    times: the kinds of days, over all of that time at least. Counts in any unit.
    """
    if len(points) <= LEAST_STRETCHES or points[-1][0] - points[0][0] < LEAST_SPAN or points[-1][1] <= points[0][1]:
        return None
    return _Fit(points, times).use()


class _Fit:
    """The steps of a fit, and what they share, by the index of the times.

    used, days: in each of the times, mixed stretches shared out. squares, products, lengths: sums over the stretches that lie in one of
    them alone, of use x use, use x days and days x days. mixed: the other stretches, by index; parts: (index of the times, days) of each.
    """

    def __init__(self, points: Sequence[tuple[float, float]], times: Sequence[Times]) -> None:
        end = points[-1][0]
        times = [t for t in times if t.since <= end]
        n = len(times)
        self.points, self.times = points, times
        self.kinds = [t.kind for t in times]
        self.used, self.days = [0.0] * n, [0.0] * n
        self.squares, self.products, self.lengths = [0.0] * n, [0.0] * n, [0.0] * n
        self.rates: dict[Kind, Rate] = {}
        self.mixed: list[int] = []
        self.parts: list[list[tuple[int, float]]] = []
        self.weights: list[float] = []
        self._cut()

    def _cut(self) -> None:
        points, untils = self.points, [t.until for t in self.times]
        i, edge = 0, untils[0]
        used = days = squares = products = lengths = 0.0
        since, before = points[0]
        for n, (until, count) in enumerate(points[1:]):
            if edge <= since:
                self._tell_alone(i, used, days, squares, products, lengths)
                used = days = squares = products = lengths = 0.0
                while edge <= since:
                    i += 1
                    edge = untils[i]
            if until <= edge:
                amount, length = count - before, until - since
                used += amount
                days += length
                squares += amount * amount
                products += amount * length
                lengths += length * length
            else:
                parts = []
                j, at = i, since
                while at < until:
                    to = min(until, untils[j])
                    parts.append((j, to - at))
                    j, at = j + 1, to
                self.mixed.append(n)
                self.parts.append(parts)
            since, before = until, count
        self._tell_alone(i, used, days, squares, products, lengths)
        end = points[-1][0]
        for until in untils:
            age = int((end - until) / _YEAR) if until < end else 0
            self.weights.append(_FADES[age] if age < len(_FADES) else _FADES[-1])

    def _tell_alone(self, i: int, *sums: float) -> None:
        self.used[i], self.days[i], self.squares[i], self.products[i], self.lengths[i] = sums

    def use(self) -> Use:
        self._find_rates()
        seen = [i for i, d in enumerate(self.days) if d > 0]
        free = self._find_spreads(len(seen))
        differ = self._differ(seen)
        last = seen[-1]
        rate = self.rates[self.kinds[last]]
        # the season at hand goes its own way, as far as it has told: a fixed weight, so that more use never makes for a lower rate
        keep = self.days[last] / (self.days[last] + _OWN_WAY)
        now = (1 - keep) * rate.a_day + keep * self.used[last] / self.days[last]
        expected = rate.a_day * self.days[last]
        differ_now = (1 - keep) * (1 - keep) * (differ + rate.error)
        if expected > 0:
            differ_now += keep * keep * rate.spread / expected
        quantile = _T90[free] if free < len(_T90) else NORMAL90
        return Use(self.rates, self.kinds[last], now, differ_now, differ, self._shift(differ), quantile)

    def _find_rates(self) -> None:
        """The rates; what a mixed stretch used and lasted is added to the times that it lies in."""
        kinds, used, days, weights, points = self.kinds, self.used, self.days, self.weights, self.points
        weighted: dict[Kind, float] = {}  # of the stretches of one kind: their use and their days
        alone: dict[Kind, float] = {}
        for i, length in enumerate(days):
            if length > 0:
                kind, weight = kinds[i], weights[i]
                weighted[kind] = weighted.get(kind, 0.0) + weight * used[i]
                alone[kind] = alone.get(kind, 0.0) + weight * length
        whole = dict(alone)
        mixed = []
        for n, parts in zip(self.mixed, self.parts, strict=True):
            weight = weights[parts[-1][0]]
            of: dict[Kind, float] = {}
            for i, part in parts:
                days[i] += part
                of[kinds[i]] = of.get(kinds[i], 0.0) + part
            for kind, part in of.items():
                whole[kind] = whole.get(kind, 0.0) + weight * part
            mixed.append((weight * (points[n + 1][1] - points[n][1]), tuple(of.items())))
        a_day = _first_guess(weighted, alone, whole, mixed)
        for _ in range(_SHARINGS if mixed else 1):
            shared = dict.fromkeys(whole, 0.0) | weighted
            for amount, spans in mixed:
                expected = 0.0
                for kind, part in spans:
                    expected += a_day[kind] * part
                if expected > 0:
                    each = amount / expected
                    for kind, part in spans:
                        shared[kind] += each * a_day[kind] * part
            a_day = {kind: shared[kind] / part for kind, part in whole.items()}
        for n, parts in zip(self.mixed, self.parts, strict=True):
            expected = 0.0
            for i, part in parts:
                expected += a_day[kinds[i]] * part
            if expected > 0:
                each = (points[n + 1][1] - points[n][1]) / expected
                for i, part in parts:
                    used[i] += each * a_day[kinds[i]] * part
        rates = self.rates = {kind: Rate(rate) for kind, rate in a_day.items()}
        for kind, known in zip(kinds, days, strict=True):
            if known:
                rates[kind].days += known

    def _find_spreads(self, seen: int) -> int:
        """Each kind's spread; gives the degrees of freedom. A stretch is compared with its own season where there are enough of them."""
        kinds, rates, days, points = self.kinds, self.rates, self.days, self.points
        stretches = len(points) - 1
        free = stretches - seen
        own = free >= LEAST_STRETCHES - 1
        if not own:
            free = max(1, stretches - len(rates))
        over: dict[Kind, float] = dict.fromkeys(rates, 0.0)
        under = dict(over)
        a_day = [0.0] * len(kinds)
        for i, known in enumerate(days):
            if known:
                kind = kinds[i]
                rate = a_day[i] = self.used[i] / known if own else rates[kind].a_day
                strayed = self.squares[i] - 2 * rate * self.products[i] + rate * rate * self.lengths[i]
                if strayed > 0:  # but for rounding it always is
                    over[kind] += strayed
                under[kind] += rate * known
        for n, parts in zip(self.mixed, self.parts, strict=True):
            most, longest = parts[0]
            expected = 0.0
            for i, part in parts:
                expected += a_day[i] * part
                if part > longest:
                    most, longest = i, part
            off = points[n + 1][1] - points[n][1] - expected
            over[kinds[most]] += off * off
        for kind, found in rates.items():
            if under[kind] > 0:
                found.spread = over[kind] / under[kind] * stretches / free
        return free

    def _differ(self, seen: Sequence[int]) -> float:
        """The relative variance between seasons; sets each rate's error by it."""
        over = whole = 0.0
        sums: dict[Kind, tuple[float, float]] = {}
        for i in seen:
            kind = self.kinds[i]
            rate = self.rates[kind]
            expected = rate.a_day * self.days[i]
            off = self.used[i] - expected
            over += off * off - rate.spread * expected
            whole += expected * expected
            total, squares = sums.get(kind, (0.0, 0.0))
            sums[kind] = (total + expected, squares + expected * expected)
        free = len(seen) - len(sums)
        differ = _USUAL_DIFFER_COUNTS * _USUAL_DIFFER
        if free and over > 0:
            differ += over / whole * len(seen)  # times `free`, and divided by it: the rates were fitted to the same seasons
        differ /= _USUAL_DIFFER_COUNTS + free
        for kind, (total, squares) in sums.items():
            if total > 0:
                self.rates[kind].error = differ * squares / (total * total) + self.rates[kind].spread / total
        return differ

    def _shift(self, differ: float) -> float:
        """How many days a season's beginning or end lies beside its date (one standard deviation), by the use around each."""
        top, bottom = _USUAL_SHIFT_COUNTS * _USUAL_SHIFT, _USUAL_SHIFT_COUNTS
        kinds, rates, points = self.kinds, self.rates, self.points
        for n, parts in zip(self.mixed, self.parts, strict=True):
            since, first = points[n - 1 if n else 0]
            until, last = points[n + 2 if n + 2 < len(points) else n + 1]
            if until - since > _AROUND:
                continue
            for i, _ in parts[1:]:
                old, new, edge = rates[kinds[i - 1]], rates[kinds[i]], self.times[i].since
                step = new.a_day - old.a_day
                if not step or type(kinds[i]) is int:
                    continue
                early, late = old.a_day * (edge - since), new.a_day * (until - edge)
                off = (last - first - early - late) / step
                noise = (old.spread * early + new.spread * late + differ * (early * early + late * late)) / (step * step)
                told = _USUAL_SHIFT / (_USUAL_SHIFT + noise)
                top += told * told * (off * off - noise)
                bottom += told * told
        return sqrt(max(top / bottom, _LEAST_SHIFT))


def _first_guess(
    weighted: Mapping[Kind, float],
    alone: Mapping[Kind, float],
    days: Mapping[Kind, float],
    mixed: Sequence[tuple[float, Sequence[tuple[Kind, float]]]],
) -> dict[Kind, float]:
    """Rates to begin with: of a kind's own stretches, where it has some; of the other kinds what those leave over."""
    total = all_days = 0.0
    for amount in weighted.values():
        total += amount
    for amount, _ in mixed:
        total += amount
    for part in days.values():
        all_days += part
    flat = total / all_days
    own = {kind: weighted[kind] / part for kind, part in alone.items() if part >= LEAST_DAYS}
    left, other_days = total, 0.0
    for kind, part in days.items():
        if kind in own:
            left -= own[kind] * part
        else:
            other_days += part
    other = left / other_days if own and other_days else flat
    if other < flat * _LITTLE:
        other = flat * _LITTLE
    guess = {kind: own.get(kind, other) for kind in days}
    for _, spans in mixed:
        if not any(guess[kind] for kind, _ in spans):  # it ran in a stretch of kinds in which it never ran before
            for kind, _ in spans:
                guess[kind] = flat * _LITTLE
    return guess
