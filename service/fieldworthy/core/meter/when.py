"""When a meter showed a value: from a count back to a time.

It is the way back along the line between two readings (`series`): the first instant at which the count reached the value, exact, then
rounded to the microsecond (half to even). Before the first reading and after the last one there is no line, and no instant is made up.

A value stands for itself on one dial only. Where the meter was replaced two lines may reach the same value, and then nothing says which of
the two is meant. Where several meters were read together, all of them have to have shown their values at that instant.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import accumulate, product

from fieldworthy.core.base.quantity import Exact

Showed = tuple[int, Exact]
"""An instant [microseconds since 1970, UTC], and what the dial showed then [ticks]."""


@dataclass(frozen=True, slots=True)
class Window:
    """From when until when a value can have been shown; None: open. at: when it was, by the line between two readings; None: no line."""

    since: int | None
    until: int | None
    at: int | None


class Dial:
    """One meter from the day on which it was fitted until it was replaced: what it showed, by time. ends: it was replaced by another."""

    __slots__ = ("_highest", "_shown", "_times", "begins", "ends")

    def __init__(self, showed: Iterable[Showed], begins: bool = False, ends: bool = False) -> None:
        """begins, ends: the first of these, the last of these, is what it showed when it was fitted, taken off."""
        points = sorted(showed)
        self._times = [at for at, _ in points]
        self._shown = [shown for _, shown in points]
        self._highest = list(accumulate(self._shown, max))
        self.begins, self.ends = begins, ends

    def window(self, value: Exact) -> Window | None:
        """When it can have shown the value; None: at no time."""
        times, shown, highest = self._times, self._shown, self._highest
        i = bisect_left(highest, value)  # the first that reaches it
        if i == len(times):
            return None if self.ends or not times else Window(times[-1], None, None)
        later = bisect_right(highest, value)
        until = times[later] if later < len(times) else (times[-1] if self.ends else None)
        if shown[i] == value:
            return Window(times[i], until, times[i])
        if i == 0:
            return None if self.begins else Window(None, times[0], None)
        return Window(times[i - 1], until, between((times[i - 1], shown[i - 1]), (times[i], shown[i]), value))

    def add(self, at: int, value: Exact) -> None:
        """Notes one more thing that it showed, inside that value's window."""
        i = bisect_left(self._highest, value)
        i = min(max(i, bisect_left(self._times, at)), bisect_right(self._times, at))
        self._times.insert(i, at)
        self._shown.insert(i, value)
        self._highest.insert(i, value if i == 0 else max(value, self._highest[i - 1]))


def between(before: Showed, after: Showed, value: Exact) -> int:
    """The instant at which the line from one point to a later and higher one reaches a value between them."""
    (t0, c0), (t1, c1) = before, after
    return round(t0 + Fraction(value - c0) * (t1 - t0) / (c1 - c0))


def when_shown(dials: Mapping[str, Sequence[Dial]], values: Mapping[str, Exact]) -> int | None:
    """
    The instant at which these meters showed these values together; None where that can't be told.

    dials: of each meter, the oldest first; a meter that has none says nothing. Of several meters the one whose readings lie closest around
    its value tells the instant, and it is moved as little as the readings of the others ask. A dial takes the value up as one more that it
    showed: so what is placed after it fits in between, and no meter is made to run backward.
    """
    read = sorted(meter for meter in values if dials.get(meter))
    choices = [[(d, w) for d in dials[m] if (w := d.window(values[m])) is not None] for m in read]
    found: tuple[int, tuple[Dial, ...]] | None = None
    for choice in product(*choices):
        at = _together([window for _, window in choice])
        if at is None:
            continue
        if found is not None:
            return None
        found = at, tuple(dial for dial, _ in choice)
    if found is None:
        return None
    instant, chosen = found
    for meter, dial in zip(read, chosen, strict=True):
        dial.add(instant, values[meter])
    return instant


def _together(windows: Sequence[Window]) -> int | None:
    """The instant that all of them allow; None where there is none, or none of them tells one."""
    since = max((w.since for w in windows if w.since is not None), default=None)
    until = min((w.until for w in windows if w.until is not None), default=None)
    if since is not None and until is not None and since > until:
        return None
    told = [(_length(w), w.at) for w in windows if w.at is not None]
    if not told:
        return None
    at = min(told, key=lambda item: item[0])[1]
    if since is not None and at < since:
        at = since
    return until if until is not None and at > until else at


def _length(window: Window) -> float:
    if window.since is None or window.until is None:
        return float("inf")
    return float(window.until - window.since)
