"""Retention: old readings thinned out, and no due date lost.

Of each day of the machine's site the first and the last reading of a meter stay, and every reading of a day on which anything was told of
the machine: a record, an occurrence, an edge of a working condition, a replaced meter, a deferral, a date of its document. Between two
readings a count lies on a line, and what an answer asks a count for is one of those instants, or an edge of a day or a season. So
standings, due points and due dates are the same as before, at every later moment. A day whose values ran backward, or came in several
units, stays whole; so does a machine of which a record says no time at all: such a record is placed by the readings around its values.

What can change: the date that is expected from past use, by little. It is drawn from stretches between readings, of a day at least, and
where one ends hangs on which readings there are. What is asked about a moment before the cut (`now` or `as_of`) is answered from
what stayed, and says so (`thinned_before`). And a record that is told only afterwards, of an old day and without its meters, is put on the
line between that day's first reading and its last; the same goes where the site's time zone, or the hour at which its day begins, is
changed afterwards.

Thinning out is a change of its machine as any other: known since a moment of its own, behind which everything is answered from what
stayed. So a moment that is settled stays so, and standings that are kept ready are computed anew.
"""

import json
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractAsyncContextManager
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from itertools import groupby, pairwise
from typing import Any, Protocol
from zoneinfo import ZoneInfo

from fieldworthy.core.base.calendar import local_days
from fieldworthy.core.base.micros import DAY, at_micros
from fieldworthy.usecases.audit import COMMAND_LINE, Actor
from fieldworthy.usecases.kept import HOME, MACHINE, THINNED, Entry, Kept, next_known
from fieldworthy.usecases.kept_readings import Point

ANSWERS_DAYS = 7
"""For so many days the answer to a request with an `Idempotency-Key` is given again."""

_PAGE = 200
_DAY = timedelta(days=1)

DayOf = Callable[[datetime], date]


@dataclass(frozen=True, slots=True)
class Retained:
    """machines: looked at; kept, dropped: of their readings from before the cut; answers: to repeated requests, forgotten."""

    machines: int
    kept: int
    dropped: int
    answers: int


class Thinning(Protocol):
    """One transaction in which readings may go."""

    @property
    def kept(self) -> Kept: ...

    async def states(self, machine: int) -> Sequence[Entry]:
        """Every state of all that was ever told of a machine, superseded and withdrawn ones and its documents included."""

    async def drop(self, meter: int, moments: Collection[int]) -> None:
        """These readings of a meter are kept no longer."""


class ThinningStore(Protocol):
    """Where readings are kept. Its blocks raise `ports.StoreUnavailable`."""

    def thin(self, organisation: int, actor: Actor) -> AbstractAsyncContextManager[Thinning]: ...

    async def organisations(self) -> Sequence[int]:
        """Of which something may be kept."""


async def retain(store: ThinningStore, months: int, organisation: int = HOME, actor: Actor = COMMAND_LINE) -> Retained:
    """
    Thins out what is older than so many months, a machine a transaction; forgets old answers. May be broken off and begun again.

    Raises StoreUnavailable.
    """
    async with store.thin(organisation, actor) as thinning:
        moment = await thinning.kept.moment()
        answers = await thinning.kept.answers.forget(moment - ANSWERS_DAYS * DAY)
        thinning.kept.trail.note("retention", None, moment, None, {"older_than_months": months, "answers_forgotten": answers})
    before = months_before(at_micros(moment), months)
    machines = kept = dropped = 0
    after: str | None = None
    while True:
        async with store.thin(organisation, actor) as thinning:
            page = [machine.id for machine in await thinning.kept.machines.page(after, _PAGE)]
        for id in page:
            async with store.thin(organisation, actor) as thinning:
                stay, gone = await _thin_out(thinning, id, before)
            machines, kept, dropped = machines + 1, kept + stay, dropped + gone
        if len(page) < _PAGE:
            return Retained(machines, kept, dropped, answers)
        after = page[-1]


async def retain_all(store: ThinningStore, months: int) -> Retained:
    """The same of every organisation, one after the other; what was done of all of them. Raises StoreUnavailable."""
    done = [await retain(store, months, each) for each in await store.organisations()]
    return Retained(
        sum(each.machines for each in done),
        sum(each.kept for each in done),
        sum(each.dropped for each in done),
        sum(each.answers for each in done),
    )


def months_before(moment: datetime, months: int) -> datetime:
    """The same day and time so many months before; the last day of a shorter month."""
    count = moment.year * 12 + moment.month - 1 - months
    year, month = divmod(count, 12)
    if year < 1:
        return datetime(1, 1, 1, tzinfo=UTC)
    following = date(year + month // 11, (month + 1) % 12 + 1, 1) if year < 9999 or month < 11 else date.max
    return moment.replace(year=year, month=month + 1, day=min(moment.day, (following - _DAY).day))


async def _thin_out(thinning: Thinning, id: str, before: datetime) -> tuple[int, int]:
    """How many old readings of one machine stay, and how many are gone."""
    machine = (await thinning.kept.machines.lock([id])).get(id)
    if machine is None:
        return 0, 0
    last = (before - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)
    meters = [m.key for m in (await thinning.kept.readings.meters_of([machine.key])).values()]
    series = await thinning.kept.readings.series(meters, until=last - 1) if meters else {}
    if not any(len(points) > 2 for points in series.values()):
        return sum(map(len, series.values())), 0
    spoken = hanging_on(await thinning.states(machine.key))
    kept = dropped = 0
    for meter, points in series.items():
        gone = [] if spoken is None else spare(points, spoken, before)
        if gone:
            await thinning.drop(meter, gone)
        kept, dropped = kept + len(points) - len(gone), dropped + len(gone)
    if dropped:
        known = await next_known(thinning.kept, [machine])
        there = (await thinning.kept.entries.newest(machine.key, THINNED, [""])).get("")
        until = last if there is None else max(last, there.at)
        await thinning.kept.entries.put(machine.key, [Entry(THINNED, "", known, until, "", "{}")])
        await thinning.kept.machines.touch([machine], known)
    return kept, dropped


@dataclass(frozen=True, slots=True)
class Spoken:
    """The days that something was told of, as each kind of day of the site has them: there are several where its zone was changed."""

    days: Sequence[tuple[DayOf, frozenset[date]]]


def hanging_on(states: Iterable[Entry]) -> Spoken | None:
    """Which days readings must stay of, by all that was ever told; None: of all days."""
    zones: set[tuple[str, str]] = set()
    moments: list[datetime] = []
    days: set[date] = set()
    for state in states:
        if state.kind == THINNED:
            continue
        body = json.loads(state.body)
        moments.append(at_micros(state.at))
        if body is None:
            continue
        if state.kind == MACHINE:
            zones.add((body.get("timezone") or "UTC", body.get("day_starts") or ""))
        elif state.kind == "done" and body.get("at") is None and body.get("on") is None:
            return None
        for text in _texts(body):
            told = _told(text)
            if isinstance(told, datetime):
                moments.append(told)
            elif told is not None:
                days.update((told - _DAY, told, told + _DAY) if date.min < told < date.max else (told,))
    found = []
    for name, starts in sorted(zones) or [("UTC", "")]:
        day_of = _day_of(name, starts)
        if day_of is None:
            return None
        found.append((day_of, frozenset(days | {day_of(moment) for moment in moments})))
    return Spoken(found)


def spare(points: Sequence[Point], spoken: Spoken, before: datetime) -> list[int]:
    """The moments of the readings of one meter (oldest first) that nothing hangs on, of the days that ended before a moment."""
    gone: set[int] | None = None
    for day_of, held in spoken.days:
        cut = day_of(before)
        inner: set[int] = set()
        for day, group in groupby(points, key=lambda p: day_of(at_micros(p[0]))):
            if day >= cut:
                break
            own = list(group)
            if len(own) > 2 and day not in held and _plain(own):
                inner.update(at for at, _, _ in own[1:-1])
        gone = inner if gone is None else gone & inner
    return sorted(gone or ())


def _plain(points: Sequence[Point]) -> bool:
    """Whether they came in one unit, and none is below an earlier one."""
    return all(a[2] == b[2] and a[1] <= b[1] for a, b in pairwise(points))


def _day_of(name: str, starts: str) -> DayOf | None:
    """The days of a site; None where its zone can't be read."""
    try:
        return local_days(ZoneInfo(name), time.fromisoformat(starts) if starts else time(0))
    except (ValueError, OSError, KeyError):
        return None


def _texts(value: Any) -> Iterator[str]:
    match value:
        case str():
            yield value
        case Mapping():
            for item in value.values():
                yield from _texts(item)
        case list():
            for item in value:
                yield from _texts(item)


def _told(text: str) -> datetime | date | None:
    """The instant or the day that a text is; None for any other text."""
    if not 8 <= len(text) <= 40 or not text[:4].isdigit():
        return None
    try:
        if len(text) <= 10:
            return date.fromisoformat(text)
        moment = datetime.fromisoformat(text.upper())
        return moment.astimezone(UTC) if moment.tzinfo is not None else None
    except (ValueError, OverflowError):
        return None
