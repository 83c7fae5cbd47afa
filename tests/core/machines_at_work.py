"""Machines at work for the forecast's tests: what they use day by day, seeded, and what a machine's readings show of it.

None of these is built as the forecast thinks of a machine: rain comes in spells, seasons begin late, work grows from year to year.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from math import sin
from random import Random

from fieldworthy.core.base.calendar import SeasonDates
from fieldworthy.core.base.quantity import TICKS
from fieldworthy.core.base.vocabulary import Vocabulary
from fieldworthy.core.forecast.outlook import Outlook
from fieldworthy.core.interval.evaluate.context import History
from fieldworthy.core.meter.series import build_series

FIRST = date(2020, 1, 1)
YEARS = 8
DAYS = YEARS * 365

SILAGE = {"silage": SeasonDates((5, 10), (9, 25))}
HARVEST = {"harvest": SeasonDates((7, 10), (9, 20))}
TWICE = {"grass": SeasonDates((5, 1), (6, 30)), "maize": SeasonDates((9, 10), (11, 10))}


@dataclass(frozen=True)
class Work:
    """A machine's hours of each day from FIRST on, and the seasons that its rulebook declares."""

    hours: list[float]
    seasons: Mapping[str, SeasonDates]


def _in(day: date, seasons: Mapping[str, SeasonDates]) -> str | None:
    """The season of a day, none of which runs over the new year."""
    return next((name for name, s in seasons.items() if s.start <= (day.month, day.day) <= s.end), None)


def _simulate(seasons: Mapping[str, SeasonDates], hours: Callable[[date], float]) -> Work:
    return Work([max(0.0, hours(FIRST + timedelta(days=i))) for i in range(DAYS)], seasons)


def steady(rng: Random) -> Work:
    """Six days a week all through its season, nothing outside."""
    usual = rng.uniform(4, 9)
    years = [rng.gauss(1, 0.1) for _ in range(YEARS)]

    def hours(day: date) -> float:
        return rng.gauss(usual * years[day.year - 2020], 2) if _in(day, SILAGE) and day.weekday() < 6 else 0.0

    return _simulate(SILAGE, hours)


def bursts(rng: Random) -> Work:
    """Harvest in long days between spells of rain, of which one year has more than another."""
    usual = rng.uniform(8, 13)
    years = [(rng.gauss(1, 0.15), rng.uniform(0.1, 0.25)) for _ in range(YEARS)]
    wet = False

    def hours(day: date) -> float:
        nonlocal wet
        much, rain = years[day.year - 2020]
        wet = rng.random() < (0.7 if wet else rain)
        return rng.gauss(usual * much, 3) if _in(day, HARVEST) and not wet else 0.0

    return _simulate(HARVEST, hours)


def twice_a_year(rng: Random) -> Work:
    """Two seasons a year with another amount of work in each."""
    usual = {"grass": rng.uniform(5, 9), "maize": rng.uniform(8, 12)}
    wet = False

    def hours(day: date) -> float:
        nonlocal wet
        wet = rng.random() < (0.6 if wet else 0.2)
        season = _in(day, TWICE)
        return rng.gauss(usual[season], 2) if season and not wet else 0.0

    return _simulate(TWICE, hours)


def idle_winters(rng: Random) -> Work:
    """In season three days of five; outside it is started now and then."""
    usual = rng.uniform(5, 9)
    years = [rng.gauss(1, 0.15) for _ in range(YEARS)]

    def hours(day: date) -> float:
        if _in(day, SILAGE):
            return rng.gauss(usual * years[day.year - 2020], 2) if rng.random() < 0.6 else 0.0
        return rng.uniform(0.5, 3) if rng.random() < 0.06 else 0.0

    return _simulate(SILAGE, hours)


def growing(rng: Random) -> Work:
    """More customers every year."""
    usual, growth = rng.uniform(3, 6), rng.uniform(1.06, 1.18)

    def hours(day: date) -> float:
        if _in(day, SILAGE):
            return rng.gauss(usual * growth ** ((day - FIRST).days / 365), 2) if rng.random() < 0.6 else 0.0
        return rng.uniform(0.5, 3) if rng.random() < 0.06 else 0.0

    return _simulate(SILAGE, hours)


def by_the_weather(rng: Random) -> Work:
    """The season begins and ends some days beside its dates, and it rains in spells."""
    usual = rng.uniform(8, 12)
    years = [(rng.gauss(1, 0.15), round(rng.gauss(0, 6)), round(rng.gauss(0, 6))) for _ in range(YEARS)]
    wet = False

    def hours(day: date) -> float:
        nonlocal wet
        much, begins, ends = years[day.year - 2020]
        wet = rng.random() < (0.65 if wet else 0.2)
        first, last = date(day.year, 7, 10) + timedelta(days=begins), date(day.year, 9, 20) + timedelta(days=ends)
        return rng.gauss(usual * much, 2) if first <= day <= last and not wet else 0.0

    return _simulate(HARVEST, hours)


def all_year(rng: Random) -> Work:
    """A loader: no season is declared, more work in summer than in winter."""
    usual = rng.uniform(2, 6)
    years = [rng.gauss(1, 0.12) for _ in range(YEARS)]

    def hours(day: date) -> float:
        wave = 1 + 0.6 * sin((day.timetuple().tm_yday - 100) / 58.1)
        return rng.gauss(usual * years[day.year - 2020] * wave, 1.5) if day.weekday() < 6 and rng.random() < 0.85 else 0.0

    return _simulate({}, hours)


GENERATORS = (steady, bursts, twice_a_year, idle_winters, growing, by_the_weather, all_year)


def counts_of(work: Work) -> list[float]:
    """The meter at the beginning of each day."""
    counts = [0.0]
    for hours in work.hours:
        counts.append(counts[-1] + hours)
    return counts


def moment(day: int, hour: int = 0) -> datetime:
    """So many days after FIRST, at an hour of the day in UTC."""
    return datetime(FIRST.year, 1, 1, hour, tzinfo=UTC) + timedelta(days=day)


def reading_days(rng: Random, since: int, until: int, how: str) -> list[int]:
    """On which days somebody, or a box, reads the meter: `daily`, `weekly`, or as it comes."""
    if how != "as it comes":
        return list(range(since, until, 1 if how == "daily" else 7))
    days = []
    while since < until:
        days.append(since)
        since += rng.randint(3, 60)
    return days


def history_of(readings: list[tuple[datetime, float]], seasons: Mapping[str, SeasonDates], now: datetime) -> History:
    """A machine in UTC with one meter, `m`, of these values."""
    series = build_series([(at, round(value * TICKS), False) for at, value in readings])

    def start_of(day: date) -> datetime:
        return datetime(day.year, day.month, day.day, tzinfo=UTC)

    return History(Vocabulary(), now, now, now.date(), lambda at: at.date(), start_of, {"m": series}, seasons=seasons)


def outlook_of(readings: list[tuple[datetime, float]], seasons: Mapping[str, SeasonDates], now: datetime) -> Outlook:
    """What the readings of the meter `m` tell."""
    return Outlook(history_of(readings, seasons, now))
