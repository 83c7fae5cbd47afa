"""What waits is judged again, once what it was judged beside has changed: one was accepted, or a meter was replaced.

Every answer has to be as if the change had been known at first: then the readings beside it would have been kept when they came, and
nobody would have been asked about them.
"""

from collections.abc import Collection, Sequence

from fieldworthy.core.base.names import key as key_of
from fieldworthy.core.meter.intake import FROM_THE_FUTURE
from fieldworthy.usecases.find_rulebook import FindWithin
from fieldworthy.usecases.keep_readings import SET_ASIDE, keep_locked
from fieldworthy.usecases.kept import MOST_ABOUT, Kept, Machine
from fieldworthy.usecases.sent_readings import SentReading, SentReadings
from fieldworthy.usecases.setting_aside import aside_key

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
    named = {name[:MOST_ABOUT] for name in meters}
    waiting: list[tuple[int, str, SentReading]] = []
    for row in await kept.aside.open_of([machine.id]):
        reading = (row.machine, row.meter, row.at, row.value, row.unit)
        exact = aside_key(reading) == row.key  # a value that could not be kept as it was sent fits nowhere
        if exact and row.key != but and row.why != FROM_THE_FUTURE and key_of(row.meter)[:MOST_ABOUT] in named:
            waiting.append((row.at, row.key, reading))
    if not waiting:
        return ()
    waiting.sort(key=lambda each: each[:2])
    sent = SentReadings.of(reading for _, _, reading in waiting)
    intake = await keep_locked(kept, find, sent, {machine.id: machine}, known, MOST_TOLD_ANEW)
    return [key for (_, key, _), outcome in zip(waiting, intake.outcomes, strict=True) if outcome != SET_ASIDE]
