"""What waits is judged again, once what it was judged beside has changed: one was accepted, or a meter was replaced.

Every answer has to be as if the change had been known at first: then the readings beside it would have been kept when they came, and
nobody would have been asked about them. What was withdrawn is judged again too, and before what waits: where what contradicted it is itself
withdrawn by now, or of another dial, nothing was ever against it.
"""

from collections.abc import Collection, Mapping, Sequence
from typing import NamedTuple

from fieldworthy.core.base.names import key as key_of
from fieldworthy.core.base.quantity import Unit
from fieldworthy.core.meter.again import fitting
from fieldworthy.core.meter.intake import FROM_THE_FUTURE
from fieldworthy.usecases.find_rulebook import FindWithin
from fieldworthy.usecases.keep_readings import SET_ASIDE, Intake, keep_locked
from fieldworthy.usecases.kept import MOST_ABOUT, Kept, Machine
from fieldworthy.usecases.sent_readings import SentReading, SentReadings
from fieldworthy.usecases.setting_aside import aside_key
from fieldworthy.usecases.swaps import swaps_of

MOST_TOLD_ANEW = 500
"""Of so many that still wait, the earliest ones, the reason is told anew; more would make everybody wait who sends of that machine."""


async def judge_again(
    kept: Kept, find: FindWithin, machine: Machine, meters: Collection[str], known: int, but: str | None = None
) -> Sequence[str]:
    """
    Keeps what waits of these meters (`names.key`) of a locked machine and fits by now, as if it had been sent again; the keys of those,
    the earliest reading first. What does not fit waits on, for the reason that there is now (see `MOST_TOLD_ANEW`).

    known: of the change, and so of what is kept; but: the one that is being settled itself. What came from a clock that was ahead is left:
    no other reading tells whether the time is right that it gave.
    """
    await _bring_back(kept, find, machine, meters, known)
    waiting = [waits for waits in await waiting_of(kept, machine, meters) if waits.key != but]
    if not waiting:
        return ()
    sent = SentReadings.of(waits.reading for waits in waiting)
    intake = await keep_locked(kept, find, sent, {machine.id: machine}, _as_it_is, known, MOST_TOLD_ANEW)
    return [waits.key for waits, outcome in zip(waiting, intake.outcomes, strict=True) if outcome != SET_ASIDE]


class Waiting(NamedTuple):
    """A reading that waits, as it was sent. key: what it is settled by."""

    key: str
    reading: SentReading


async def waiting_of(kept: Kept, machine: Machine, meters: Collection[str]) -> Sequence[Waiting]:
    """What waits of these meters (`names.key`) and may fit once something changes, the earliest first."""
    named = {name[:MOST_ABOUT] for name in meters}
    waiting = []
    for row in await kept.aside.open_of([machine.id]):
        reading = (row.machine, row.meter, row.at, row.value, row.unit)
        exact = aside_key(reading) == row.key  # a value that could not be kept as it was sent fits nowhere
        if exact and row.why != FROM_THE_FUTURE and key_of(row.meter)[:MOST_ABOUT] in named:
            waiting.append(Waiting(row.key, reading))
    return sorted(waiting, key=lambda waits: (waits.reading[2], waits.key))


async def _bring_back(kept: Kept, find: FindWithin, machine: Machine, meters: Collection[str], known: int) -> None:
    """Keeps again what was withdrawn and fits by now. What does not stays withdrawn, and nobody is asked about it once more."""
    named = {name[:MOST_ABOUT] for name in meters}
    rows = {m.key: m for (_, name), m in (await kept.readings.meters_of([machine.key])).items() if name[:MOST_ABOUT] in named}
    gone = await kept.readings.withdrawn(list(rows))
    if not gone:
        return
    vocabulary = (await find.within(kept.rulebooks, machine.rulebook)).book.vocabulary
    units: Mapping[str, Unit] = {
        rows[key].name: vocabulary.meters[rows[key].name].unit for key in gone if rows[key].name in vocabulary.meters
    }
    swaps = await swaps_of(kept, [machine.key], {(machine.key, name): own for name, own in units.items()})
    series = await kept.readings.series(list(gone))
    back: list[SentReading] = []
    for key, points in gone.items():
        name = rows[key].name
        if name in units:  # else the rulebook declares it no longer
            fit = fitting(points, series.get(key, ()), swaps.get((machine.key, name), ()), units[name])
            back += [(machine.id, name, *point) for point in fit]
    if back:
        await keep_locked(kept, find, SentReadings.of(back), {machine.id: machine}, _as_it_is, known, most=0)


def _as_it_is(intake: Intake) -> Intake:
    return intake
