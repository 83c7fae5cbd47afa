"""The arithmetic of quotas, held to a plain counter (one process) and to a log of every single grant (several, that die and draw late)."""

from dataclasses import dataclass, field
from math import inf

from hypothesis import example, given
from hypothesis import strategies as st

from fieldworthy.core.base.micros import SECOND
from fieldworthy.usecases.quota import DRIFT, Drawn, Purse, Quota, Window, draw

SLOWEST, FASTEST = 1 - DRIFT / 2, 1 + DRIFT / 2


@dataclass
class Process:
    """One process. rate: how fast its clock runs."""

    rate: float = 1.0
    purse: Purse = field(default_factory=Purse)


@dataclass
class World:
    """One asker, a store and some processes. now: true s; back: by how much the store's clock was set back, in s."""

    quota: Quota
    processes: list[Process]
    now: float = 1_000_000.0
    back: float = 0.0
    kept: Window | None = None
    begun: list[float] = field(default_factory=list)
    grants: list[float] = field(default_factory=list)
    draws: int = 0

    def ask(self, process: Process, there: float = 0.0, again: float = 0.0, wanted: int = 1) -> tuple[bool, int, int]:
        """
        One request: whether it is granted, and r and t of its answer. there, again: how many s the way to the store takes, and back.
        wanted: so many wait there in all.

        As `usecases.quotas.Quotas.spend` has it, without others that wait.
        """
        purse = process.purse
        for _ in range(5):
            if purse.spend(self.now * process.rate):
                break
            if purse.is_refused(self.now * process.rate):
                return False, 0, purse.wait(self.now * process.rate)
            self._draw(process, there, again, wanted)
        else:
            return False, -1, 0  # the store is too slow
        self.grants.append(self.now)
        if purse.remaining(self.now * process.rate) < 1 and not purse.is_spent:
            self._draw(process, there, again, wanted)
        return True, purse.remaining(self.now * process.rate), purse.wait(self.now * process.rate)

    def _draw(self, process: Process, there: float, again: float, wanted: int) -> None:
        self.draws += 1
        asked = self.now * process.rate
        self.now += there
        drawn = draw(self.kept, round((self.now - self.back) * SECOND), self.quota, wanted)
        assert 0 <= drawn.got <= self.quota.requests
        if self.kept is None or (drawn.window.granted == drawn.got and drawn.got):  # the first of its window
            self.begun.append(self.now)
        self.kept = drawn.window
        self.now += again
        process.purse.put(drawn, asked, self.now * process.rate)

    def granted_in(self, begun: float) -> int:
        """Requests that were granted in the window which truly began then, however it ended."""
        return sum(begun <= at < begun + self.quota.seconds for at in self.grants)


QUOTAS = st.builds(Quota, st.integers(1, 60), st.integers(1, 100))


@given(QUOTAS, st.lists(st.integers(0, 7), max_size=150))
def test_one_process_is_a_plain_counter(quota: Quota, waits: list[int]) -> None:
    world = World(quota, [Process()])
    begun, count = -inf, 0
    for wait in waits:
        world.now += wait
        if world.now >= begun + quota.seconds:
            begun, count = world.now, 0
        is_granted, r, t = world.ask(world.processes[0])
        assert is_granted == (count < quota.requests)
        count += is_granted
        assert 0 <= r <= quota.requests - count
        assert (r == 0) == (count == quota.requests)
        assert t == max(1, begun + quota.seconds - world.now)


@given(
    st.builds(Quota, st.integers(1, 6), st.sampled_from([1, 10, 100])),
    st.lists(st.sampled_from([SLOWEST, 1.0, FASTEST]), min_size=1, max_size=4),
    st.lists(
        st.tuples(
            st.sampled_from(["ask", "ask", "all", "all", "die", "back"]),
            st.integers(0, 3),
            st.sampled_from([0.0, 0.0, 0.001, 0.3, 0.9, 0.999, 0.9998, 1.0, 1.5]),  # parts of a window
            st.sampled_from([0.0, 0.0, 0.001, 0.4]),
            st.sampled_from([0.0, 0.0, 0.001, 0.4]),
            st.integers(1, 6),
        ),
        max_size=30,
    ),
)
@example(  # the answer came late, and what was drawn is used when others have used up the next window
    Quota(6, 10), [1.0, 1.0], [("ask", 0, 0.0, 0.0, 0.4, 4), ("all", 1, 0.9, 0.0, 0.0, 1), ("ask", 0, 0.0, 0.0, 0.0, 1)]
)
@example(  # a slow clock: for it the window is not over yet
    Quota(6, 100), [SLOWEST, FASTEST], [("ask", 0, 0.0, 0.0, 0.0, 4), ("all", 1, 1.0, 0.0, 0.0, 1), ("ask", 0, 0.0, 0.0, 0.0, 1)]
)
def test_no_window_ever_grants_more_whoever_dies_and_however_clocks_differ(
    quota: Quota, rates: list[float], deeds: list[tuple[str, int, float, float, float, int]]
) -> None:
    world = World(quota, [Process(rate) for rate in rates])
    zero: dict[int, float] = {}
    for deed, number, wait, there, again, wanted in deeds:
        which = number % len(rates)
        world.now += wait * quota.seconds
        if deed == "die":
            world.processes[which] = Process(rates[which])
            zero.pop(which, None)
            continue
        if deed == "back":
            world.back += wait * quota.seconds
            continue
        for _ in range(quota.requests if deed == "all" else 0):
            world.ask(world.processes[which])
        is_granted, r, t = world.ask(world.processes[which], there * quota.seconds, again * quota.seconds, wanted)
        if r < 0:
            continue
        current = world.begun[-1]
        if world.now < current + quota.seconds:
            assert 0 <= r <= quota.requests - world.granted_in(current)  # nothing that is not certainly there
            assert not (is_granted and zero.get(which) == current)  # after r=0 the next is refused
        if r == 0:
            zero[which] = current
        if not is_granted and world.back == 0:  # whoever waits as it is told finds a new window, but for clocks that do not run alike
            assert world.kept is not None
            assert world.kept.begun / SECOND + quota.seconds <= world.now + t + quota.seconds * DRIFT
    assert all(world.granted_in(begun) <= quota.requests for begun in world.begun)
    assert all(later >= begun + quota.seconds - 1e-6 for begun, later in zip(world.begun, world.begun[1:], strict=False))  # none ends early


def test_a_clock_that_was_set_back_makes_nobody_wait_longer_than_a_window() -> None:
    quota = Quota(10, 60)
    kept = Window(5_000 * SECOND, 10)
    assert draw(kept, 4_000 * SECOND, quota, 1) == Drawn(Window(4_000 * SECOND, 10), 0, 60 * SECOND)
    assert draw(kept, 5_030 * SECOND, quota, 1) == Drawn(kept, 0, 30 * SECOND)
    assert draw(kept, 5_060 * SECOND, quota, 1) == Drawn(Window(5_060 * SECOND, 1), 1, 60 * SECOND)


def test_shares_are_a_tenth_of_the_rest_and_as_many_as_wait() -> None:
    for granted, wanted, got in [(0, 1, 10), (50, 1, 5), (91, 1, 1), (99, 1, 1), (100, 1, 0), (0, 40, 40), (90, 40, 10), (200, 1, 0)]:
        assert draw(Window(0, granted), 1, Quota(100, 60), wanted).got == got
    assert draw(Window(0, 99), 1, Quota(50, 60), 1).got == 0  # the quota was lowered


def test_a_full_quota_costs_few_draws() -> None:
    world = World(Quota(6_000, 60), [Process()])
    while world.ask(world.processes[0])[0]:
        pass
    assert len(world.grants) == 6_000
    assert world.draws < 80
