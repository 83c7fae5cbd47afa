"""The forecast's curves beside a slow twin that enumerates every outcome exactly: days of work and days of rest, tossed independently."""

from fractions import Fraction
from functools import cache
from math import ceil

import pytest

from fieldworthy.core.forecast.curve import Curve
from fieldworthy.core.forecast.fit import NORMAL90, Rate, Use
from fieldworthy.core.forecast.times import OUTSIDE, Times

SEASON, WINTER, YEARS = 90, 275, 3
HOURS = 10


@cache
def days_until(works: Fraction, days_of_work: int) -> tuple[int, int, int]:
    """By which day of season so many days of work have been done with a chance of a tenth, a half and nine tenths; exact.

    works: the chance of each day to be one of work. The chance of every number of days of work is carried on from day to day.
    """
    chances = [Fraction(1)] + [Fraction(0)] * days_of_work  # the last stands for all numbers from it on
    wanted, found, day = [Fraction(1, 10), Fraction(1, 2), Fraction(9, 10)], [], 0
    while wanted:
        day += 1
        after = [Fraction(0)] * (days_of_work + 1)
        for n, chance in enumerate(chances):
            after[min(n + 1, days_of_work)] += chance * works
            after[n] += chance * (1 - works)
        chances = after
        while wanted and chances[-1] >= wanted[0]:
            found.append(day)
            wanted.pop(0)
    return found[0], found[1], found[2]


def curve_of(works: Fraction) -> Curve:
    """The curves of a use that is known for sure: only the days of rest make outcomes stray."""
    a_day = float(HOURS * works)
    season = Rate(a_day, 300.0, float(HOURS * (1 - works)), 0.0)
    use = Use({"harvest": season, OUTSIDE: Rate(0.0, 300.0)}, "harvest", a_day, 0.0, 0.0, 0.5, NORMAL90)
    times, at = [], 0.0
    for _ in range(YEARS):
        times += [Times(at, at + SEASON, "harvest"), Times(at + SEASON, at + SEASON + WINTER, OUTSIDE)]
        at += SEASON + WINTER
    times[0] = Times(-10.0, float(SEASON), "harvest")
    return Curve(use, times, 0.0, at)


def in_season(day: float) -> int:
    """A day of the years by how many days of season lie up to it."""
    years, rest = divmod(ceil(day) - 1, SEASON + WINTER)
    return years * SEASON + min(rest + 1, SEASON)


@pytest.mark.parametrize("works", [Fraction(1, 3), Fraction(1, 2), Fraction(7, 10), Fraction(19, 20)])
@pytest.mark.parametrize("days_of_work", [1, 3, 8, 20, 50, 80])
def test_the_curves_stay_near_what_enumeration_finds(works: Fraction, days_of_work: int) -> None:
    exact = days_until(works, days_of_work)
    told = curve_of(works).reached(float(HOURS * days_of_work - HOURS // 2))  # reached in the middle of the last of these days
    for ours, theirs in zip(told, exact, strict=True):
        assert ours is not None
        assert abs(in_season(ours) - theirs) <= 1


def test_the_twin_by_itself() -> None:
    """Where each day is one of work nothing strays; of one day in two the first is had within 1 (1/2) and within 4 (15/16)."""
    assert days_until(Fraction(1), 7) == (7, 7, 7)
    assert days_until(Fraction(1, 2), 1) == (1, 1, 4)
