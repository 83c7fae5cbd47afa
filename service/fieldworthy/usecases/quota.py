"""How many requests one asker may make in a window of time, shared out among processes. Pure: clocks and the store are arguments.

A window begins with the first request after the one before was over. What it grants is counted in one place, for all processes; a process
draws a share of it, uses that up in memory and then draws the next, so that not each request costs a write. What it has in hand is good
until the window ends and is then gone, drawn on or not: so nothing is ever given back, and a process that dies takes its share with it.

A share is a tenth of what is left, and at least one: a small quota is drawn one by one and loses nothing; of a large one a process that
stands still, or died, keeps a tenth of what was left from the others, until the window ends.
"""

from dataclasses import dataclass
from math import ceil, inf

from fieldworthy.core.base.micros import SECOND
from fieldworthy.usecases.limits import MAX_REQUESTS, MAX_REQUESTS_SECONDS

SHARE_OF_REST = 10
"""A process draws one part in so many of what is left."""

DRIFT = 1 / 1000
"""By how much of the time one clock may run faster than another: twice as much as one that is set right by degrees (500 in a million)."""


@dataclass(frozen=True, slots=True)
class Quota:
    """So many requests in so many s, under a name that answers call it by. of: what asks, as messages call it."""

    requests: int
    seconds: int
    name: str = "requests"
    of: str = "key"


USUAL = Quota(MAX_REQUESTS, MAX_REQUESTS_SECONDS)


@dataclass(frozen=True, slots=True)
class Window:
    """One asker's window. begun: whole microseconds since 1970 by the store's clock; granted: requests, to all processes together."""

    begun: int
    granted: int


@dataclass(frozen=True, slots=True)
class Drawn:
    """What a process drew. got: requests, 0 where none are left; left: microseconds until the window is over."""

    window: Window
    got: int
    left: int


def draw(kept: Window | None, now: int, quota: Quota, wanted: int) -> Drawn:
    """
    A share for one process. kept: the window as the store has it; now: by the same clock; wanted: requests that wait, 1 or more.

    A clock that was set back makes a window end later, by its own length at most, and never sooner. Where the quota was lowered, nothing is
    granted that is more than the new one.
    """
    length = quota.seconds * SECOND
    if kept is None or now >= kept.begun + length:
        kept = Window(now, 0)
    begun = min(kept.begun, now)
    rest = max(quota.requests - kept.granted, 0)
    got = min(rest, max(wanted, rest // SHARE_OF_REST))
    return Drawn(Window(begun, kept.granted + got), got, begun + length - now)


@dataclass(slots=True)
class Purse:
    """
    What one process has in hand of one asker's quota. Its times are s of a clock of its own that never runs back.

    hand: requests; good_until: from then on they are gone; over_by: the window is over then, whenever the store looked at its clock;
    is_spent: nothing is left behind what is in hand.
    """

    hand: int = 0
    good_until: float = -inf
    over_by: float = -inf
    is_spent: bool = False

    def spend(self, now: float, wanted: int = 1) -> int:
        """Takes so many, or what is in hand, and says how many: where that is less draw, unless `is_refused`."""
        if self.hand < 1 or now >= self.good_until:
            return 0
        taken = min(self.hand, wanted)
        self.hand -= taken
        return taken

    def is_refused(self, now: float) -> bool:
        """Whether the store need not be asked: it has nothing before the window ends."""
        return self.is_spent and self.hand < 1 and now < self.over_by

    def put(self, drawn: Drawn, asked: float, answered: float) -> None:
        """
        What was drawn, when nothing usable was in hand. asked, answered: when the store was, and did; it looked at its clock in between.

        So what is drawn is good from `asked` on for as long as the window was to last, and a little less for clocks that do not run alike.
        """
        left = drawn.left / SECOND
        self.hand = drawn.got
        self.good_until = asked + left * (1 - DRIFT)
        self.over_by = answered + left
        self.is_spent = drawn.got < 1

    def remaining(self, now: float) -> int:
        """Requests that are certainly there: those in hand. Others may have drawn all the rest, and may yet."""
        return self.hand if now < self.good_until else 0

    def wait(self, now: float) -> int:
        """Whole s until a new window may begin, 1 or more."""
        return max(1, ceil(self.over_by - now))
