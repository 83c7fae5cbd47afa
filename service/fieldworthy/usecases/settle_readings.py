"""What was set aside is settled: accepted (as it is, as something else, as the first of a new dial) or dismissed; by whom and why.

Once: only what was dismissed, or kept meanwhile, can still be accepted; whoever accepts then says more than was said before.
"""

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any

from fieldworthy.core.base.micros import AHEAD, micros_text
from fieldworthy.core.base.names import key as key_of
from fieldworthy.core.base.quantity import Exact, Unit, from_ticks, ticks_text, to_ticks
from fieldworthy.core.meter.intake import EARLIEST, MOST, Dial, Swap
from fieldworthy.core.meter.replaced import TWICE, Noted, contradiction
from fieldworthy.usecases.aside_words import sent_number
from fieldworthy.usecases.find_rulebook import FindWithin
from fieldworthy.usecases.judge_again import judge_again
from fieldworthy.usecases.kept import Entry, Kept, Machine, next_known
from fieldworthy.usecases.kept_readings import ACCEPTED, DISMISSED, MEANWHILE, Meter, OfMeter, Point, SetAside
from fieldworthy.usecases.refusals import AsideSettled, AsideUnacceptable, AsideUnknown
from fieldworthy.usecases.replaced_meters import ACCEPTED_WITH, REPLACEMENT, noted_of, words_of
from fieldworthy.usecases.setting_aside import unit_name, with_earlier
from fieldworthy.usecases.swaps import moment_of, swap_of, swaps_of

MOST_TOLD = 100
"""So many withdrawn readings, and so many that were kept with an accepted one, are told one by one."""

_WITHOUT = (
    "accept this one without `replaced_meter`, which withdraws what contradicts it, and tell of the replacement at "
    "/v1/machines/ID/meter-replacements then: what was withdrawn and fits beside it is kept again"
)

_KEY = re.compile("[0-9a-f]{40}")


@dataclass(frozen=True, slots=True)
class Settlement:
    """How a reading is settled. read_as: {"value", "unit"}; replaced: {"at", "old_value", "new_value"}; both as they were sent."""

    deed: str
    by: str
    why: str
    read_as: Mapping[str, Any] | None = None
    replaced: Mapping[str, Any] | None = None

    def extra(self) -> dict[str, Any]:
        return {"as": self.read_as, "replaced_meter": self.replaced}


@dataclass(frozen=True, slots=True)
class _Place:
    """Where an accepted reading belongs. name: the meter's, in the key form; noted: what records say that it showed."""

    machine: Machine
    name: str
    own: Unit
    meter: Meter | None
    points: Sequence[Point]
    swaps: Sequence[Swap]
    noted: Sequence[Noted]


@dataclass(slots=True)
class _Outcome:
    """What an acceptance does. value, unit: what is kept; kept_already: it was, perhaps in another unit."""

    value: int
    unit: str | None
    withdrawn: list[Point] = field(default_factory=list)
    kept_already: bool = False


@dataclass(frozen=True, slots=True)
class _Accepted:
    """What an acceptance did. known: since when; withdrawn: as it is shown; also: the keys of what was kept with it."""

    known: int
    point: tuple[int, str | None]
    withdrawn: Sequence[Mapping[str, Any]]
    also: Sequence[str]

    def told(self) -> dict[str, Any]:
        return {
            "kept": self.point,
            "withdrawn": self.withdrawn[:MOST_TOLD],
            "withdrawn_in_all": len(self.withdrawn),
            "also_kept": self.also[:MOST_TOLD],
            "also_kept_in_all": len(self.also),
        }


async def settle(kept: Kept, find: FindWithin, key: str, settlement: Settlement) -> SetAside:
    """
    Settles one; the same settlement once more changes nothing and gives the same.

    Raises AsideUnknown, AsideSettled (another settlement stands), AsideUnacceptable.
    """
    found = await kept.aside.find(key) if _KEY.fullmatch(key) else None
    if found is None:
        raise AsideUnknown(key)
    machine = (await kept.machines.lock([found.machine])).get(found.machine)  # before the row: as everybody does who keeps readings
    found = await kept.aside.find(key, lock=True)
    assert found is not None  # none is ever removed
    details = json.loads(found.details)
    if found.settled is not None:
        if _told(found, details) == (settlement.deed, settlement.by, settlement.why, settlement.extra()):
            return found
        _refuse_settled(found, settlement)
        details = with_earlier(found, details)
    details["settlement"] = settlement.extra()
    if settlement.deed == ACCEPTED:
        if machine is None:
            raise AsideUnacceptable(f"there is no machine `{found.machine}`", f"put it at /v1/machines/{found.machine} first")
        accepted = await _accept(kept, find, machine, found, details["value"], settlement)
        known = accepted.known
        details["settlement"] |= accepted.told()
    else:
        known = await kept.moment()
    written = json.dumps(details, ensure_ascii=False)
    await kept.aside.settle(key, known, settlement.deed, settlement.by, settlement.why, written)
    return replace(found, settled=known, settled_as=settlement.deed, settled_by=settlement.by, settled_why=settlement.why, details=written)


def _refuse_settled(found: SetAside, settlement: Settlement) -> None:
    """Raises AsideSettled unless it can still be accepted, AsideUnacceptable where it can't be like that."""
    if settlement.deed != ACCEPTED or found.settled_as not in (DISMISSED, MEANWHILE):
        raise AsideSettled("kept" if found.settled_as == MEANWHILE else str(found.settled_as), found.settled_by)
    named = found.unit if settlement.read_as is None else settlement.read_as.get("unit")
    if found.settled_as == DISMISSED and named is None:  # the meter's own may be another by now: nothing held it for what was dismissed
        raise AsideUnacceptable("it was dismissed, and sent without a unit", "accept it with `as`, its value and its unit")


def _told(found: SetAside, details: Mapping[str, Any]) -> tuple[Any, ...]:
    extra = {k: v for k, v in details.get("settlement", {}).items() if k in ("as", "replaced_meter")}
    return found.settled_as, found.settled_by, found.settled_why, extra


async def _accept(kept: Kept, find: FindWithin, machine: Machine, found: SetAside, sent: int | float, settlement: Settlement) -> _Accepted:
    """Keeps it, and what waits and fits beside it."""
    place = await _place(kept, find, machine, found)
    now = await kept.moment()
    value, unit = _meant(found, sent, settlement, place.own, now)
    declared, swap = None, None
    if settlement.replaced is not None:
        said = {"meter": place.name, **settlement.replaced}
        swap = swap_of(said, place.own)
        assert swap is not None  # without a unit it is in the meter's own
        if swap.at > now + AHEAD:
            raise AsideUnacceptable(f"{micros_text(swap.at)} is still to come", "say when the meter was replaced, once it was")
        if swap not in place.swaps:  # the same, told of another reading or by itself, counts once
            declared = said
            place = replace(place, swaps=sorted((*place.swaps, swap)))
    outcome = _judged(place, found.at, value, unit, swap)
    known = await next_known(kept, [machine])
    if declared is not None:
        body = json.dumps(declared, ensure_ascii=False)
        entry = Entry(REPLACEMENT, ACCEPTED_WITH + found.key, known, moment_of(declared["at"]), place.name, body)
        await kept.entries.put(machine.key, [entry])
    await _keep(kept, place, found.at, outcome, known)
    also: Sequence[str] = ()
    if declared is not None or outcome.withdrawn or not outcome.kept_already:
        await kept.machines.touch([machine], known)
        also = await judge_again(kept, find, machine, [place.name], known, but=found.key)
    return _Accepted(known, (outcome.value, outcome.unit), [_shown(point, place.own) for point in outcome.withdrawn], also)


async def _place(kept: Kept, find: FindWithin, machine: Machine, found: SetAside) -> _Place:
    book = (await find.within(kept.rulebooks, machine.rulebook)).book
    name = key_of(found.meter)
    declared = book.vocabulary.meters.get(name)
    if declared is None:
        raise AsideUnacceptable(
            f"the rulebook `{book.name}` declares no meter `{found.meter}`", "publish a version that does, or dismiss the reading"
        )
    meter = (await kept.readings.meters_of([machine.key])).get((machine.key, name))
    points = () if meter is None else (await kept.readings.series([meter.key])).get(meter.key, ())
    swaps = await swaps_of(kept, [machine.key], {(machine.key, name): declared.unit})
    noted = (await noted_of(kept, machine, book)).get(name, ())
    return _Place(machine, name, declared.unit, meter, points, swaps.get((machine.key, name), ()), noted)


def _meant(found: SetAside, sent: int | float, settlement: Settlement, own: Unit, now: int) -> tuple[int, str | None]:
    """The value and the unit to keep."""
    value: Exact = to_ticks(sent)
    unit = found.unit
    if settlement.read_as is not None:
        value, unit = to_ticks(settlement.read_as["value"]), settlement.read_as.get("unit")
    if not isinstance(value, int) or not 0 <= value <= MOST or found.at < EARLIEST:
        mend = "dismiss it" if found.at < EARLIEST else "accept it with `as` and what it should be, or dismiss it"
        raise AsideUnacceptable(f"{sent_number(value)} at {micros_text(found.at)} is outside of what is kept", mend)
    if found.at > now + AHEAD:
        raise AsideUnacceptable(f"{micros_text(found.at)} is still to come", "accept it once that time has come, or dismiss it")
    if unit is not None and not Dial((), own).counted([(found.at, 0, unit)]):
        raise AsideUnacceptable(
            f"`{unit}` is no unit of this meter, which counts {own.many}", "accept it with `as` and a unit that fits, or dismiss it"
        )
    return value, None if unit is None else unit_name(unit)


def _judged(place: _Place, at: int, value: int, unit: str | None, replaced: Swap | None) -> _Outcome:
    """What contradicts an accepted reading: what is kept is withdrawn, what was declared has to be corrected first.

    replaced: it is the new dial's; then nothing is withdrawn, and the replacement, one of the place's, has to fit all that is kept.
    """
    dial = Dial(place.swaps, place.own)
    count = dial.counted([(at, value, unit)])[0][1]
    outcome = _Outcome(value, unit)
    for swap, (then, counted) in zip(place.swaps, dial.points, strict=True):
        if counted > count if then <= at else counted < count:
            side = f"the new dial began at {ticks_text(swap.new)}" if then <= at else f"the old dial ended at {ticks_text(swap.old)}"
            raise AsideUnacceptable(
                f"by the replacement of the meter at {micros_text(then)} {side} {place.own.name}", "correct the replacement first"
            )
    for point in place.points:
        fits = dial.counted([point])
        if not fits and point[0] == at:  # kept in a unit that no longer fits: its moment is taken all the same
            outcome.withdrawn.append(point)
        for then, counted in fits:
            if then == at and counted == count:
                outcome.kept_already, outcome.value, outcome.unit = True, point[1], point[2]
            elif then == at or (counted > count if then < at else counted < count):
                outcome.withdrawn.append(point)
    if replaced is not None:
        _fits(place, dial, outcome, replaced)
    return outcome


def _fits(place: _Place, dial: Dial, outcome: _Outcome, replaced: Swap) -> None:
    found = contradiction(replaced, dial, place.points, place.noted, new_since=replaced.at)
    if found is not None:
        _, message, mend = words_of(found, replaced, place.own, place.machine.id)
        if found.why == TWICE:
            mend = "accept it without `replaced_meter`, or correct that replacement first"
        elif any(point[0] == found.at for point in outcome.withdrawn):
            mend = f"if the reading of {micros_text(found.at)} is wrong, {_WITHOUT}"
        raise AsideUnacceptable(f"the replacement can't be: {message}", mend)
    line = sorted([*dial.counted(place.points), *dial.points])
    wrong = list(outcome.withdrawn[:1])
    wrong += [(b[0], 0, None) for a, b in pairwise(line) if b[1] < a[1]][:1]
    if wrong:
        at = micros_text(wrong[0][0])
        mend = "say when it was replaced, what the old dial showed last and what the new one showed first"
        if outcome.withdrawn:
            mend += f"; or, if the reading of {at} is wrong, {_WITHOUT}"
        raise AsideUnacceptable(f"with this replacement the meter would run backward at {at}", mend)


async def _keep(kept: Kept, place: _Place, at: int, outcome: _Outcome, known: int) -> None:
    meter = place.meter
    if meter is None:
        wanted = (place.machine.key, place.name)
        meter = (await kept.readings.add_meters([wanted]))[wanted]
    gone = {point[0] for point in outcome.withdrawn}
    if gone:
        await kept.readings.withdraw(meter.key, gone, known)
    new = (at, outcome.value, outcome.unit)
    if not outcome.kept_already:
        await kept.readings.keep([OfMeter(meter.key, outcome.unit, [at], [outcome.value])], known)
    last = max((p for p in (*place.points, new) if p is new or p[0] not in gone), key=_moment)
    await kept.readings.note_last([(meter.key, *last)])


def _moment(point: Point) -> int:
    return point[0]


def _shown(point: Point, own: Unit) -> dict[str, Any]:
    return {"value": from_ticks(point[1]), "unit": point[2] or own.name, "at": micros_text(point[0])}
