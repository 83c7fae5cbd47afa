"""What is counted of a process while it works, for whoever runs it, of all organisations together.

Plain numbers, kept where the work is done; how they are told is a door's matter. Nothing here knows whose a request was, nor what it said.
"""

from bisect import bisect_left
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from time import perf_counter

BOUNDS = (0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0, 30.0)
"""Upper bounds in seconds, each included, of the classes in which durations are counted; one more is above them all."""

EVALUATIONS = ("due", "clearance", "procedure", "parts", "expression", "rulebook", "standings")
"""Kinds of evaluations: questions; expressions and rulebooks that are checked; standings of a machine that are kept ready."""


DELIVERED, FAILED = "delivered", "failed"
"""How an attempt to deliver ends."""

DONE, REFUSED, CANCELLED = "done", "refused", "cancelled"
"""How an operation over a socket ends, beside FAILED."""

UNREAD = "none"
"""The kind of an operation that could not be read."""


class Durations:
    """How often something took how long. classes: how many fell into each of BOUNDS, the last above all; total: seconds together."""

    __slots__ = ("classes", "total")

    def __init__(self) -> None:
        self.classes = [0] * (len(BOUNDS) + 1)
        self.total = 0.0

    def note(self, seconds: float) -> None:
        self.classes[bisect_left(BOUNDS, seconds)] += 1
        self.total += seconds


class Tally:
    """
    requests: by route, method and status; took: by route and method, how long they were; open: requests that are answered now.
    evaluated: by one of EVALUATIONS; readings: how many were kept and how many the same; aside: set aside, by the reason. attempts: to
    deliver, by how they ended. sockets_open: connections that go on; sockets: those that ended, by the code with which the service ended
    them, 0 where the other side left; operations_begun: over them; operations: that ended, by kind and outcome; results: that were sent.
    """

    def __init__(self) -> None:
        self.requests: dict[tuple[str, str, int], int] = {}
        self.took: dict[tuple[str, str], Durations] = {}
        self.open = 0
        self.evaluated = {kind: Durations() for kind in EVALUATIONS}
        self.readings = {"kept": 0, "same": 0}
        self.aside: dict[str, int] = {}
        self.attempts = {outcome: Durations() for outcome in (DELIVERED, FAILED)}
        self.sockets_open = 0
        self.sockets: dict[int, int] = {}
        self.operations_begun = 0
        self.operations: dict[tuple[str, str], int] = {}
        self.results = 0

    def answered(self, route: str, method: str, status: int, seconds: float) -> None:
        """One request. route: a template of the app's own, and never what was sent, or each caller could add another line."""
        self.requests[route, method, status] = self.requests.get((route, method, status), 0) + 1
        took = self.took.get((route, method))
        if took is None:
            took = self.took[route, method] = Durations()
        took.note(seconds)

    @contextmanager
    def evaluating(self, kind: str) -> Iterator[None]:
        """Times what is done inside it, finding the rulebook included, also where it ends with a refusal."""
        begun = perf_counter()
        try:
            yield
        finally:
            self.evaluated[kind].note(perf_counter() - begun)

    def took_in(self, kept: int, same: int, aside: Iterable[str]) -> None:
        """The readings of one post, once it is committed. aside: why, of each that was set aside."""
        self.readings["kept"] += kept
        self.readings["same"] += same
        for why in aside:
            self.aside[why] = self.aside.get(why, 0) + 1

    def attempted(self, delivered: bool, seconds: float) -> None:
        """One attempt to deliver."""
        self.attempts[DELIVERED if delivered else FAILED].note(seconds)

    def socket_ended(self, code: int | None) -> None:
        """One connection. code: of the service's own few, None where the other side left: what that says could be anything."""
        self.sockets[code or 0] = self.sockets.get(code or 0, 0) + 1

    def operated(self, kind: str, outcome: str, results: int) -> None:
        """One operation over a socket that ended."""
        self.operations[kind, outcome] = self.operations.get((kind, outcome), 0) + 1
        self.results += results
