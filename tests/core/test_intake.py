"""Which readings are kept, against a slow twin that tries every choice, and against the rules as they are told."""

from itertools import combinations, pairwise

from hypothesis import given
from hypothesis import strategies as st

from fieldworthy.core.base.micros import HOUR, SECOND
from fieldworthy.core.base.quantity import TICKS, UNITS
from fieldworthy.core.meter.intake import (
    IMPOSSIBLE_PACE,
    KEPT,
    LOOKS_LIKE,
    RUNS_BACKWARD,
    SAME,
    Aside,
    Sent,
    Swap,
    Verdict,
    judge,
    judge_closely,
)

T0 = 1_784_000_000 * SECOND
NOW = T0 + 10_000 * HOUR

moments = st.integers(0, 12)
hours = st.integers(0, 14)


@st.composite
def some_readings(draw: st.DrawFn, most: int = 7) -> list[Sent]:
    """A few readings within half a day, of hours, or the same in minutes."""
    drawn = draw(st.lists(st.tuples(moments, hours, st.booleans()), max_size=most))
    return [(T0 + at * HOUR, h * TICKS * (60 if minutes else 1), "min" if minutes else None) for at, h, minutes in drawn]


def count(reading: Sent) -> int:
    _, value, unit = reading
    return int(value) // (60 if unit == "min" else 1)


def agree(one: Sent, other: Sent, paced: bool) -> bool:
    """The rule as it is told: not backward, and at most an hour an hour, an hour and a hundredth more."""
    (a, x), (b, y) = sorted([(one[0], count(one)), (other[0], count(other))])
    if a == b:
        return x == y
    return x <= y and (not paced or (y - x) * 3600 * 100 <= (b - a) * 101 + 100 * HOUR)


def neighbours_agree(readings: list[Sent], paced: bool) -> bool:
    row = sorted(readings, key=lambda r: r[0])
    return all(agree(a, b, paced) for a, b in pairwise(row))


def all_agree(readings: list[Sent], paced: bool) -> bool:
    return all(agree(a, b, paced) for a, b in combinations(readings, 2))


def keep(kept: list[Sent], sent: list[Sent], own: str = "h", swaps: tuple[Swap, ...] = ()) -> tuple[list[Sent], list[Verdict]]:
    """What is kept afterwards, and the verdicts."""
    verdicts = judge(sent, kept, swaps, UNITS[own], NOW)
    return sorted(kept + [r for r, v in zip(sent, verdicts, strict=True) if v == KEPT], key=lambda r: r[0]), verdicts


@given(some_readings(), some_readings(), st.randoms())
def test_what_is_kept_agrees_and_nothing_is_set_aside_without_need(first: list[Sent], then: list[Sent], random: object) -> None:
    before, _ = keep([], first)
    after, verdicts = keep(before, then)
    assert neighbours_agree(after, True)
    assert len({r[0] for r in after}) == len(after)
    assert all(r in after for r in before)  # what is kept stands
    for reading, verdict in zip(then, verdicts, strict=True):
        stands = any(k[0] == reading[0] and count(k) == count(reading) for k in after)
        assert (verdict in (KEPT, SAME)) == stands
        if isinstance(verdict, Aside) and verdict.why != "contradicts":
            assert not neighbours_agree([*after, reading], True)


def test_a_reading_fits_once_its_neighbour_is_kept() -> None:
    """Alone it would have had to count four hours in two; with the one between them none has to count more than it may."""
    hours = [(NOW - (9 - at) * HOUR, shown * TICKS, None) for at, shown in ((3, 4), (1, 0), (2, 2))]
    assert keep(hours[:1], hours[1:])[1] == [KEPT, KEPT]
    assert isinstance(keep(hours[:1], hours[1:2])[1][0], Aside)


@given(some_readings(6), some_readings(6))
def test_the_most_are_kept_of_what_only_must_not_run_backward(first: list[Sent], then: list[Sent]) -> None:
    """The twin tries every choice of the new ones."""
    as_bales = [[(at, count((at, v, u)), None) for at, v, u in sent] for sent in (first, then)]
    before, _ = keep([], as_bales[0], "bales")
    new = [r for r in dict.fromkeys(as_bales[1]) if r not in before]
    clear = [r for r in new if sum(o[0] == r[0] for o in (*new, *before)) == 1]  # one value for its moment
    most = max(n for n in range(len(clear) + 1) if any(all_agree([*before, *c], False) for c in combinations(clear, n)))
    assert len(keep(before, as_bales[1], "bales")[0]) - len(before) == most


@given(some_readings(), some_readings(), st.data())
def test_the_order_of_a_post_decides_nothing(kept: list[Sent], sent: list[Sent], data: st.DataObject) -> None:
    before, _ = keep([], kept)
    order = data.draw(st.permutations(range(len(sent))))
    straight, verdicts = keep(before, sent)
    shuffled, others = keep(before, [sent[i] for i in order])
    assert straight == shuffled
    for place, i in enumerate(order):
        if isinstance(verdicts[i], Aside):
            assert others[place] == verdicts[i]
        else:
            assert others[place] in (KEPT, SAME)


@given(some_readings(4), some_readings(4), st.sampled_from(["h", "bales", "ha"]), st.booleans(), st.integers(-1, 14))
def test_a_glance_tells_what_a_close_look_does(first: list[Sent], then: list[Sent], own: str, again: bool, now: int) -> None:
    """
    Of readings that run on, of what is kept already, and of all else; with a clock that may stand before some of the new ones, or was set
    back, and a meter that may have counted hours when they were kept.
    """
    if own == "bales":
        first, then = ([(at, value, None) for at, value, _ in some] for some in (first, then))
    kept, _ = keep([], first, "h" if own == "ha" else own)
    if own == "ha":
        kept = [(at, value, unit or "h") for at, value, unit in kept]
    # later than most of what is kept, and often in order: what a glance is for
    sent = kept if again else [(at + 6 * HOUR, value, unit) for at, value, unit in sorted(then, key=lambda r: r[:2])]
    moment = T0 + now * HOUR
    closely = judge_closely(sent, kept, (), UNITS[own], moment)
    assert judge(sent, kept, (), UNITS[own], moment) == closely
    new = (T0 + 13 * HOUR, 13 * TICKS, None)  # a post of its own, or with others: what is kept just so is the same
    together = judge([*kept, new], kept, (), UNITS[own], moment)
    assert together == [*[SAME] * len(kept), *judge([new], kept, (), UNITS[own], moment)]


@given(some_readings(5), some_readings(5), st.sampled_from(["ha", "h"]), st.sampled_from(["ha", "h"]))
def test_one_reading_a_moment_is_kept_whatever_unit_it_was_kept_in(first: list[Sent], then: list[Sent], was: str, other: str) -> None:
    """The meter counted `was` or `other` in turn, and counts hectares now."""
    kept, _ = keep([], [(at, count((at, v, u)), None) for at, v, u in first], "bales")
    kept = [(at, value, was if n % 2 else other) for n, (at, value, _) in enumerate(kept)]
    sent = [(at, count((at, v, u)), "ha") for at, v, u in then]
    after, verdicts = keep(kept, sent, "ha")
    assert len({at for at, _, _ in after}) == len(after)
    for (at, _, _), verdict in zip(sent, verdicts, strict=True):
        for strange in (k for k in kept if k[0] == at and k[2] == "h"):
            assert verdict == Aside("contradicts", strange[:2], unit="h")
    assert [r for r in kept if r[2] == "h"] == [r for r in after if r[2] == "h"]


@given(some_readings(9), st.data())
def test_a_set_that_agrees_is_kept_whole_however_it_is_cut(sent: list[Sent], data: st.DataObject) -> None:
    whole: list[Sent] = []
    for reading in sent:
        if all_agree([*whole, reading], True):
            whole.append(reading)
    posts: list[list[Sent]] = [[] for _ in range(3)]
    for reading in data.draw(st.permutations(whole)):
        posts[data.draw(st.integers(0, 2))].append(reading)
    kept: list[Sent] = []
    for post in posts:
        kept, verdicts = keep(kept, post)
        assert set(verdicts) <= {KEPT, SAME}
    assert {(r[0], count(r)) for r in kept} == {(r[0], count(r)) for r in whole}
    assert set(judge(whole, kept, (), UNITS["h"], NOW)) <= {SAME}  # all of it once more


@given(some_readings(5), some_readings(5), st.integers(0, 12), hours, hours)
def test_a_declared_replacement_starts_a_new_dial(first: list[Sent], then: list[Sent], at: int, old: int, new: int) -> None:
    swap = Swap(T0 + at * HOUR + HOUR // 2, old * TICKS, new * TICKS)
    before, _ = keep([], first, swaps=(swap,))
    after, _ = keep(before, then, swaps=(swap,))
    counted = [(r[0], count(r) + (swap.old - swap.new if r[0] >= swap.at else 0), None) for r in after]
    assert neighbours_agree([*counted, (swap.at, swap.old, None)], True)  # type: ignore[list-item]


def test_one_spike_does_not_cost_what_comes_after_it() -> None:
    sent = [(T0 + n * HOUR, v * TICKS, None) for n, v in enumerate([100, 9999, 105, 110, 120])]
    assert judge(sent, [], (), UNITS["bales"], NOW) == [
        KEPT,
        Aside(RUNS_BACKWARD, (T0, 100 * TICKS), (T0 + 2 * HOUR, 105 * TICKS), above=True),
        KEPT,
        KEPT,
        KEPT,
    ]


def test_of_two_that_cannot_both_be_the_earlier_is_kept() -> None:
    """ISO/TS 15143-3: 1250.5 h, then 1249.0 h is refused as falling; in one post as in two."""
    sent = [(T0 + HOUR, 1249_000_000, None), (T0, 1250_500_000, None)]
    assert judge(sent, [], (), UNITS["h"], NOW) == [Aside(RUNS_BACKWARD, (T0, 1250_500_000), below=True), KEPT]


def test_the_tolerance_is_an_hour_and_a_hundredth() -> None:
    """A dial of whole hours that has just turned, and is about to: 10 h and 12 h may be 1 h apart, and no less."""
    kept: list[Sent] = [(T0, 10 * TICKS, None)]
    exact = (T0 + 100 * HOUR, (10 + 102) * TICKS, None)  # 100 h, 1 % of it, and an hour
    over = (exact[0], exact[1] + 1, None)
    assert judge([exact], kept, (), UNITS["h"], NOW) == [KEPT]
    assert judge([over], kept, (), UNITS["h"], NOW) == [Aside(IMPOSSIBLE_PACE, (T0, 10 * TICKS))]
    assert judge([over], kept, (), UNITS["ha"], NOW) == [KEPT]  # only time is bound by time


def test_minutes_and_seconds_sent_as_hours() -> None:
    kept: list[Sent] = [(T0, 712_400_000, None)]
    for unit, times in (("min", 60), ("s", 3600)):
        sent = (T0 + HOUR, 713 * times * TICKS, None)
        assert judge([sent], kept, (), UNITS["h"], NOW) == [Aside(LOOKS_LIKE[unit], (T0, 712_400_000))]
        assert judge([(sent[0], sent[1], unit)], kept, (), UNITS["h"], NOW) == [KEPT]
