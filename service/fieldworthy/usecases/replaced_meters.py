"""Replaced meters: one is declared only where the readings that are kept can stand beside it.

Else what was used would be counted twice, or not at all, and nothing in an answer would say so.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from fieldworthy.core.answer.reader import Reader
from fieldworthy.core.base.finding import Finding
from fieldworthy.core.base.micros import micros_text
from fieldworthy.core.base.names import key as key_of
from fieldworthy.core.base.quantity import Unit, ticks_text
from fieldworthy.core.meter import replaced
from fieldworthy.core.meter.intake import Dial, Swap
from fieldworthy.core.meter.replaced import Contradiction, Noted, contradiction
from fieldworthy.core.rulebook.model import CheckedRulebook
from fieldworthy.usecases.keep_readings import moment_of, swap_of
from fieldworthy.usecases.kept import Entry, Kept, Machine
from fieldworthy.usecases.refusals import shorten

Json = Mapping[str, Any]

REPLACEMENT = "meter-replacement"

_NOTE_METERS = {"done": "done record", "occurrence": "occurrence"}

_CORRECT_READING = "if that reading is wrong, send the right one for its moment and accept it at /v1/set-aside first"
_CORRECT_RECORD = "if that value is wrong, correct the record first"
_VALUES = f"say when the meter was replaced, what the old dial showed last and what the new one showed first; {_CORRECT_READING}"


@dataclass(frozen=True, slots=True)
class _Told:
    """One that is told now. place: the pointer to it; swap: in the meter's own unit; new_since: see `contradiction`."""

    place: str
    swap: Swap
    new_since: int | None


async def check_replacements(
    kept: Kept, machine: Machine, book: CheckedRulebook, before: Mapping[str, Any], fresh: Sequence[tuple[str, Json, str]]
) -> Sequence[Finding]:
    """
    What contradicts replacements that are told of a locked machine, with places.

    before: the bodies that stood under their ids (None: withdrawn); fresh: each id, body and place. Their names and units were read before.
    """
    told: dict[str, list[_Told]] = {}
    for id, body, place in fresh:
        name = key_of(body["meter"])
        swap = swap_of(body, book.vocabulary.meters[name].unit)
        assert swap is not None
        former = before.get(id)
        new_since = None
        if former is not None and key_of(former["meter"]) == name:  # a correction: what came after it was judged as the new dial's
            new_since = moment_of(former["at"])
        told.setdefault(name, []).append(_Told(place, swap, new_since))
    beside = _standing(await kept.entries.of(machine.key, [REPLACEMENT]), {id for id, _, _ in fresh}, book)
    meters = {name: meter for (_, name), meter in (await kept.readings.meters_of([machine.key])).items() if name in told}
    series = await kept.readings.series([meter.key for meter in meters.values()])
    noted = await noted_of(kept, machine, book)
    findings = []
    for name, each in told.items():
        own = book.vocabulary.meters[name].unit
        points = series.get(meters[name].key, ()) if name in meters else ()
        dial = Dial(sorted([*beside.get(name, ()), *(one.swap for one in each)]), own)
        for one in each:
            found = contradiction(one.swap, dial, points, noted.get(name, ()), one.new_since)
            if found is not None:
                member, message, mend = words_of(found, one.swap, own)
                findings.append(Finding("question.replacement_contradicts", message, mend, path=f"{one.place}/{member}"))
    return findings


def _standing(entries: Sequence[Entry], told: set[str], book: CheckedRulebook) -> Mapping[str, list[Swap]]:
    """The replacements that stand beside those that are told, by the meter's name in the key form."""
    found: dict[str, list[Swap]] = {}
    for entry in entries:
        body = json.loads(entry.body)
        meter = book.vocabulary.meters.get(key_of(body["meter"]))
        swap = None if meter is None or entry.id in told else swap_of(body, meter.unit)
        if swap is not None:
            found.setdefault(key_of(body["meter"]), []).append(swap)
    return found


async def noted_of(kept: Kept, machine: Machine, book: CheckedRulebook) -> Mapping[str, list[Noted]]:
    """What the machine's done records and occurrences say that meters showed, by the meter's name in the key form."""
    reader = Reader(book)
    found: dict[str, list[Noted]] = {}
    for entry in await kept.entries.of(machine.key, list(_NOTE_METERS)):
        body = json.loads(entry.body)
        if body.get("at") is None and body.get("on") is None:
            continue
        for name, value in (body.get("meters") or {}).items():
            meter = book.vocabulary.meters.get(key_of(name))
            if meter is not None:
                faults = len(reader.findings)
                shown = reader.ticks(value, meter.unit, "")
                if len(reader.findings) == faults:  # else its unit fits the meter no longer: it is left out of every answer
                    by = f"the {_NOTE_METERS[entry.kind]} `{shorten(entry.id)}`"
                    found.setdefault(key_of(name), []).append(Noted(entry.at, shown, body.get("at") is None, by))
    return found


def words_of(found: Contradiction, swap: Swap, own: Unit) -> tuple[str, str, str]:
    """The member that is contradicted, what contradicts it, and the way out. own: the meter's unit."""
    when, unit = micros_text(found.at), own.name
    shown, old, new = (f"{ticks_text(ticks)} {unit}" for ticks in (found.shown, swap.old, swap.new))
    what = f"the reading of {shown} at {when}"
    if found.by is not None:
        what = f"the value of {shown} at {when}, of {found.by},"
    elif found.of_replacement:
        what = f"the replacement at {when}, when the dial in place showed {shown}"
    match found.why:
        case replaced.TWICE:
            return "at", f"the meter was replaced at {when} already", "correct that replacement, or withdraw it first"
        case replaced.OLD_SHOWED_MORE:
            return "old_value", f"{what} is before it, and above {old}, which the old dial showed last", _VALUES
        case replaced.NEW_SHOWED_LESS:
            return "new_value", f"{what} is after it, and below {new}, which the new dial showed first", _VALUES
        case replaced.AT_THAT_MOMENT:
            mend = f"where the old dial showed it, say a later `at`; {_CORRECT_READING if found.by is None else _CORRECT_RECORD}"
            return "at", f"{what} is of that very moment, from which on the new dial counts, and that showed {new} first", mend
        case replaced.TOO_FAST_BEFORE:
            return "old_value", f"{what} is before it, and from then on the old dial can't have counted on to {old}", _VALUES
        case replaced.TOO_FAST_AFTER:
            return "at", f"{what} is after it, and from {new} on the new dial can't have counted so much by then", _VALUES
    mend = (
        "say a later `at`; or, where the new dial showed it, send what that showed first as a reading of `at`: where that is kept, tell "
        "this again, and where it is set aside, accept it at /v1/set-aside with `replaced_meter`"
    )
    return "at", f"{what} is after it, and goes on from {old}, where the old dial ended: nothing says that the new one showed it", mend
