"""Readings as they are sent, many at once: kept, the same as one that is kept, or set aside with why."""

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterable, Mapping, Sequence, Set
from dataclasses import dataclass
from typing import Any, TypeVar, cast

from fieldworthy.core.base.finding import nearest
from fieldworthy.core.base.names import key as key_of
from fieldworthy.core.base.vocabulary import Vocabulary
from fieldworthy.core.meter.intake import KEPT, SAME, Dial, Sent, Swap, Verdict, judge, just_so
from fieldworthy.core.rulebook.model import CheckedRulebook
from fieldworthy.usecases.aside_words import UNKNOWN_MACHINE, UNKNOWN_METER, unknown_machine, unknown_meter, words_of
from fieldworthy.usecases.find_rulebook import FindWithin
from fieldworthy.usecases.kept import Kept, Machine, known_after
from fieldworthy.usecases.kept_readings import DISMISSED, Meter, Span
from fieldworthy.usecases.meanwhile import meanwhile
from fieldworthy.usecases.news import tell_set_aside
from fieldworthy.usecases.sent_meters import RUN, Columns, Fresh, Glance, SentMeter, note_again
from fieldworthy.usecases.sent_readings import SentReadings, distinct
from fieldworthy.usecases.setting_aside import SettingAside, Told, aside_key
from fieldworthy.usecases.swaps import Swaps, swaps_in
from fieldworthy.usecases.tally import Tally
from fieldworthy.usecases.write_readings import WriteReadings, there

Made = TypeVar("Made")

SET_ASIDE = "set-aside"

_MOST_NEAR = 20
"""For so many unknown machines of one post near ids are looked up."""


@dataclass(frozen=True, slots=True)
class Intake:
    """What became of each reading: `kept`, `same` or `set-aside`, in their order; and more of those that were set aside."""

    outcomes: Sequence[str]
    aside: Sequence[Told]

    def count(self, tally: Tally) -> None:
        """Counts them, once they are committed."""
        same = self.outcomes.count(SAME)
        tally.took_in(len(self.outcomes) - same - len(self.aside), same, (told.why for told in self.aside))


@dataclass(frozen=True, slots=True)
class _Before:
    """What is sent again, by its place in the post. waiting: the keys of what waits; dismissed: the places of what was dismissed."""

    waiting: Mapping[int, str]
    dismissed: Set[int]


@dataclass(frozen=True, slots=True)
class _Around:
    """
    What the store has of what was sent. machines: by id, books: their rulebooks, by reference; meters: by the machine's key and the
    meter's name; replaced: what was told of replacements, by the machine's key; near: of the ids of which there is no machine, those that
    are like them.
    """

    machines: Mapping[str, Machine]
    books: Mapping[str, CheckedRulebook]
    meters: Mapping[tuple[int, str], Meter]
    replaced: Mapping[int, Sequence[str]]
    near: Mapping[str, tuple[str, ...]]


async def keep_readings(kept: Kept, find: FindWithin, sent: SentReadings, tell: Callable[[Intake], Made]) -> Made:
    """
    Keeps what can be kept; the rest is set aside. tell: makes the answer of it, before all of it is written, and asks the store nothing.

    The machines are locked until the transaction ends: whoever sends the same readings at the same moment waits, and finds them kept.
    """
    locked, _ = await meanwhile(kept.machines.lock(distinct(sent.machines)), sent.look_over)
    return await keep_locked(kept, find, sent, locked, tell)


async def keep_locked(
    kept: Kept,
    find: FindWithin,
    sent: SentReadings,
    locked: Mapping[str, Machine],
    tell: Callable[[Intake], Made],
    known: int | None = None,
    most: int | None = None,
) -> Made:
    """
    The same, of machines that are locked already. known: since when it is known, None: from now on; most: of so many it is told why
    they are set aside, None: of all.
    """
    now = await kept.moment()
    told = SettingAside(sent, now, most)
    around = await _around(kept, find, sent, locked)
    before, meters = await meanwhile(_sent_before(kept, locked, sent), lambda: _meters(around, told))
    swaps = swaps_in(around.replaced, {(m.machine.key, m.name): m.own for m in meters}) if around.replaced else {}
    outcomes = [KEPT] * len(sent)
    writing = WriteReadings(kept, sent, known_after(now, locked.values()) if known is None else known)
    closer: Sequence[SentMeter] = meters
    if sent.even and not before.dismissed:
        glance = Glance(sent, swaps, now)
        await writing.keep(glance.fresh(there(meters)))
        await writing.keep_new(list(glance.fresh(meter for meter in meters if meter.kept is None)))
        closer = await glance.rest(kept, outcomes)
    if closer:
        await writing.keep_new(await _judged_closely(kept, closer, told, outcomes, swaps, before.dismissed))
    for i in told.places():
        outcomes[i] = SET_ASIDE
    waiting = await told.keep(kept)
    if waiting:
        await tell_set_aside(kept, find, locked, waiting, now)
    fits = {key for i, key in before.waiting.items() if outcomes[i] != SET_ASIDE}
    await kept.aside.settle_meanwhile(fits, now if known is None else known)
    _, made = await meanwhile(writing.end(), lambda: tell(Intake(outcomes, sorted(told.told, key=lambda t: t.index))))
    return made


async def _sent_before(kept: Kept, locked: Mapping[str, Machine], sent: SentReadings) -> _Before:
    """
    What was set aside once (its machine was not known yet, its time still to come) waits no longer where it stands now; and what was
    dismissed stays so, whether it would fit by now or not.
    """
    marks = await kept.aside.marks(list(locked), *sent.span) if locked else ()
    if not marks:
        return _Before({}, frozenset())
    about = {(mark.machine, mark.at) for mark in marks}
    places = [i for i, place in enumerate(zip(sent.machines, sent.ats, strict=True)) if place in about]
    dismissed = {mark.key: mark.dismissed for mark in marks}
    keys = {i: key for i in places if (key := aside_key(sent[i])) in dismissed}
    return _Before(
        {i: key for i, key in keys.items() if not dismissed[key]},
        {i for i, key in keys.items() if dismissed[key]},
    )


async def _judged_closely(
    kept: Kept,
    meters: Sequence[SentMeter],
    told: SettingAside,
    outcomes: list[str],
    swaps: Swaps,
    dismissed: Set[int],
) -> list[Fresh]:
    """What is kept of these, judged beside what is kept there; notes the outcome of all else."""
    sent = told.sent
    fresh: list[Fresh] = []
    again: list[SentMeter] = []
    readings = [meter.readings(sent) for meter in meters]
    beside = await _kept_beside(kept, meters, readings)
    for meter, points in zip(meters, readings, strict=True):
        there = beside.get(meter.kept.key, ()) if meter.kept is not None else ()
        verdicts = _judged(meter, points, dismissed, there, swaps.get((meter.machine.key, meter.name), ()), told.now)
        if verdicts.count(SAME) == len(verdicts):
            again.append(meter)
        elif taken := points if verdicts.count(KEPT) == len(verdicts) else _sort_out(meter, points, verdicts, outcomes, told):
            fresh.append((meter, _in_columns(taken)))
    note_again(again, outcomes)
    return fresh


def _in_columns(taken: Sequence[Sent]) -> list[Columns]:
    """Readings that are kept, by their unit, oldest first."""
    by_unit: dict[str | None, list[Sent]] = {}
    for reading in sorted(taken, key=_moment):
        by_unit.setdefault(reading[2], []).append(reading)
    found: list[Columns] = []
    for unit, readings in by_unit.items():
        ats, values, _ = zip(*readings, strict=True)
        found.append((unit, ats, cast(Sequence[int], values)))  # what is kept has whole ticks
    return found


def _judged(
    meter: SentMeter, readings: Sequence[Sent], dismissed: Set[int], there: Sequence[Sent], swaps: Sequence[Swap], now: int
) -> Sequence[Verdict]:
    """The verdicts of a meter's readings. Those that were dismissed have no part in it, but where just that is kept it is the same."""
    gone = [i for i, place in enumerate(meter.places) if place in dismissed] if dismissed else ()
    if not gone:
        return judge(readings, there, swaps, meter.own, now)
    dial = Dial((), meter.own)  # of one moment, and so of one dial
    stands = set(dial.counted(there))
    as_sent = {point[0]: point for point in there}
    verdicts: dict[int, Verdict] = {}
    for i in gone:
        at = readings[i][0]
        same = at in as_sent and just_so(readings[i], as_sent[at], meter.own)
        verdicts[i] = SAME if same or not stands.isdisjoint(dial.counted([readings[i]])) else DISMISSED
    others = [i for i in range(len(readings)) if i not in verdicts]
    verdicts |= zip(others, judge([readings[i] for i in others], there, swaps, meter.own, now), strict=True)
    return [verdicts[i] for i in range(len(readings))]


def _sort_out(
    meter: SentMeter, readings: Sequence[Sent], verdicts: Sequence[Verdict], outcomes: list[str], told: SettingAside
) -> Sequence[Sent]:
    """Notes what is not kept; gives what is."""
    taken = []
    for i, reading, verdict in zip(meter.places, readings, verdicts, strict=True):
        if verdict == KEPT:
            taken.append(reading)
        elif verdict == DISMISSED:
            told.add_dismissed(i)
        elif isinstance(verdict, str):
            outcomes[i] = SAME
        elif told.full:
            told.leave(i)
        else:
            told.add(i, verdict.why, *words_of(verdict, reading, meter.own))
    return taken


async def _around(kept: Kept, find: FindWithin, sent: SentReadings, locked: Mapping[str, Machine]) -> _Around:
    books = {ref: (await find.within(kept.rulebooks, ref)).book for ref in {m.rulebook for m in locked.values()}}
    near: dict[str, tuple[str, ...]] = {}
    for id in dict.fromkeys(id for id, _ in sent.places if id not in locked):
        near[id] = tuple(await kept.machines.close_ids(id, 3)) if len(near) < _MOST_NEAR else ()
    return _Around(locked, books, *await kept.readings.meters_and_replacements([m.key for m in locked.values()]), near)


def _meters(around: _Around, told: SettingAside) -> list[SentMeter]:
    """What was sent, by meter; of machines and meters that there are not, it is set aside."""
    found: dict[tuple[int, str], SentMeter] = {}
    sent = told.sent
    keys = {name: key_of(name) for name in {name for _, name in sent.places}}
    for called, places in sent.places.items():
        id, name = called
        machine = around.machines.get(id)
        if machine is None:
            told.add_all(places, UNKNOWN_MACHINE, unknown_machine(id, around.near[id]))
            continue
        book = around.books[machine.rulebook]
        key = keys[name]
        declared = book.vocabulary.meters.get(key)
        if declared is None:
            told.add_all(places, UNKNOWN_METER, _unknown_meter(name, book.vocabulary, book.name))
            continue
        place = (machine.key, key)
        if (already := found.get(place)) is not None:  # its name was written in two ways
            already.places = sorted((*already.places, *places))
        else:
            found[place] = SentMeter(machine, key, declared.unit, book.name, around.meters.get(place), places)
    return list(found.values())


def _unknown_meter(name: str, vocabulary: Vocabulary, rulebook: str) -> tuple[str, str, dict[str, Any]]:
    known = tuple(m.name for m in vocabulary.meters.values())
    return unknown_meter(name, nearest(name, known), known, rulebook)


async def _kept_beside(kept: Kept, meters: Sequence[SentMeter], sent: Sequence[Sequence[Sent]]) -> Mapping[int, Sequence[Sent]]:
    """What is kept at, just before and just after what was sent, by the meter's key, oldest first. sent: of each of the meters.

    What is newer than all that is kept has its meter's last reading before it, and needs no look.
    """
    found: dict[int, Sequence[Sent]] = {}
    late: list[tuple[Sequence[Sent], int, list[Span]]] = []
    for meter, readings in zip(meters, sent, strict=True):
        last = meter.last
        if last is None or meter.kept is None:
            continue
        key = meter.kept.key
        found[key] = [last]
        if min([at for at, _, _ in readings]) <= last[0]:
            late.append((readings, key, [(key, *run) for run in _runs(map(_moment, readings), last[0])]))
    if not late:
        return found
    within = await kept.readings.within([span for _, _, spans in late for span in spans])
    lonely: list[Span] = []
    torn: list[int] = []
    for readings, key, spans in late:
        there = within.get(key, ())
        if readings == there:  # all of it once more, as it was
            found[key] = there
            continue
        torn.append(key)
        missing = sorted({reading[0] for reading in readings}.difference(map(_moment, there)))
        lonely += [span for span in spans if bisect_left(missing, span[1]) < bisect_right(missing, span[2])]
    beside = await kept.readings.beside(lonely)
    for key in torn:
        near = {p[0]: p for p in (*found[key], *within.get(key, ()), *beside.get(key, ()))}
        found[key] = [near[at] for at in sorted(near)]
    return found


def _moment(point: Sent) -> int:
    return point[0]


def _runs(moments: Iterable[int], until: int) -> list[tuple[int, int]]:
    """The first and the last of moments up to `until`, in stretches without a long gap."""
    runs: list[tuple[int, int]] = []
    first: int | None = None
    last = 0
    for at in sorted(moments):
        if at > until:
            break
        if first is None:
            first = at
        elif at - last > RUN:
            runs.append((first, last))
            first = at
        last = at
    if first is not None:
        runs.append((first, last))
    return runs
