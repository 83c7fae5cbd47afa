"""The stretches that readings cut time into, and the kinds of days that they lie in: the same for all meters read at these moments."""

from bisect import bisect_right
from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple

from fieldworthy.core.forecast.times import Kind, Times

_YEAR = 365.25
_FADES = (1.0, 0.7, 0.5, 0.35, 0.25, 0.15, 0.1)  # what a stretch counts for, by its age in years: a machine's work changes


class Mixed(NamedTuple):
    """A stretch that lies in several of the times.

    stretch: its index. parts: (index of the times, days), of: (number of the kind, days). mostly: the kind of its longest part.
    weight: what it counts for. around: the readings one stretch before and behind it, where there are any.
    """

    stretch: int
    parts: Sequence[tuple[int, float]]
    of: Sequence[tuple[int, float]]
    mostly: int
    weight: float
    around: tuple[int, int]


class Stretches:
    """
    ends: the days of the readings; spans: days of each stretch. alone: (index of the times, first stretch, first one behind) of those
    that lie in one of the times. days: in each of the times; lengths: the sum of days x days over those alone. weights: by the times.
    seen: the times with any days.

    kinds: of the times with any days, which gives each kind a number; kind_of: the number by the times, -1 for those without days. Of each
    kind: by_itself, whole: its days weighted, of the stretches alone and of all; known: its days as they are.
    """

    __slots__ = (
        *("alone", "by_itself", "days", "ends", "kind_of", "kinds", "known", "lengths", "mixed", "seen", "spans", "times", "weights"),
        "whole",
    )

    def __init__(self, ends: Sequence[float], times: Sequence[Times]) -> None:
        """times: the kinds of days, over all of that time at least."""
        end = ends[-1]
        self.ends, self.times = ends, [t for t in times if t.since <= end]
        self.spans = [until - since for since, until in pairwise(ends)]
        n = len(self.times)
        self.days, self.lengths = [0.0] * n, [0.0] * n
        self.alone: list[tuple[int, int, int]] = []
        parts = self._cut()
        self.weights = []
        for each in self.times:
            age = int((end - each.until) / _YEAR) if each.until < end else 0
            self.weights.append(_FADES[age] if age < len(_FADES) else _FADES[-1])
        numbers: dict[Kind, int] = {}
        self.by_itself: list[float] = []
        for i, _, _ in self.alone:
            number = numbers.setdefault(self.times[i].kind, len(numbers))
            if number == len(self.by_itself):
                self.by_itself.append(0.0)
            self.by_itself[number] += self.weights[i] * self.days[i]
        self.whole = self.by_itself.copy()
        self.mixed = [self._mixed(n, of, numbers) for n, of in parts]
        self.by_itself += [0.0] * (len(numbers) - len(self.by_itself))
        self.kinds = list(numbers)
        self.kind_of = [numbers.get(t.kind, -1) for t in self.times]
        self.seen = [i for i, days in enumerate(self.days) if days > 0]
        self.known = [0.0] * len(numbers)
        for i in self.seen:
            self.known[self.kind_of[i]] += self.days[i]

    def _cut(self) -> list[tuple[int, list[tuple[int, float]]]]:
        """Finds the stretches alone; gives the others, by index, with the parts of each."""
        ends, spans, found = self.ends, self.spans, []
        begin, last = 0, len(spans)
        for i, (_, edge, _) in enumerate(self.times):
            if begin == last or ends[begin] >= edge:
                continue
            end = bisect_right(ends, edge, begin) - 1  # so many stretches end by the edge
            if end > begin:
                days = lengths = 0.0
                for length in spans[begin:end]:
                    days += length
                    lengths += length * length
                self.alone.append((i, begin, end))
                self.days[i], self.lengths[i] = days, lengths
            begin = end
            if begin < last and ends[begin] < edge:
                found.append((begin, self._parts(i, ends[begin], ends[begin + 1])))
                begin += 1
        return found

    def _parts(self, i: int, at: float, until: float) -> list[tuple[int, float]]:
        """A stretch that begins in the times `i`, cut at their ends."""
        parts = []
        while at < until:
            to = min(until, self.times[i].until)
            parts.append((i, to - at))
            i, at = i + 1, to
        return parts

    def _mixed(self, stretch: int, parts: Sequence[tuple[int, float]], numbers: dict[Kind, int]) -> Mixed:
        weight = self.weights[parts[-1][0]]
        of: dict[int, float] = {}
        most, longest = parts[0]
        for i, part in parts:
            self.days[i] += part
            number = numbers.setdefault(self.times[i].kind, len(numbers))
            of[number] = of.get(number, 0.0) + part
            if part > longest:
                most, longest = i, part
        for number, part in of.items():
            if number == len(self.whole):
                self.whole.append(0.0)
            self.whole[number] += weight * part
        around = (stretch - 1 if stretch else 0, stretch + 2 if stretch + 2 < len(self.ends) else stretch + 1)
        return Mixed(stretch, parts, tuple(of.items()), numbers[self.times[most].kind], weight, around)
