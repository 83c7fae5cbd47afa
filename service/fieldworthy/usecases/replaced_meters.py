"""Replaced meters: one is declared only where the readings that are kept can stand beside it.

Else what was used would be counted twice, or not at all, and nothing in an answer would say so.
"""

import json
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote

from fieldworthy.core.answer.reader import Reader
from fieldworthy.core.base.finding import Finding
from fieldworthy.core.base.micros import micros_of, micros_text
from fieldworthy.core.base.names import key as key_of
from fieldworthy.core.base.quantity import Unit, ticks_text
from fieldworthy.core.meter import replaced
from fieldworthy.core.meter.intake import Dial, Sent, Swap
from fieldworthy.core.meter.noted import leeway
from fieldworthy.core.meter.replaced import Contradiction, Noted, contradiction
from fieldworthy.core.rulebook.model import CheckedRulebook
from fieldworthy.usecases.judge_again import waiting_of
from fieldworthy.usecases.kept import Entry, Kept, Machine
from fieldworthy.usecases.noted_meters import unit_of
from fieldworthy.usecases.old_history import Days
from fieldworthy.usecases.refusals import shorten
from fieldworthy.usecases.swaps import swap_of

Json = Mapping[str, Any]

REPLACEMENT = "meter-replacement"

ACCEPTED_WITH = "set-aside-"
"""How the id of a replacement begins that was told with an accepted reading; that one's key follows."""

_NOTE_METERS = {"done": "done record", "occurrence": "occurrence"}

_VALUES = "say when the meter was replaced, what the old dial showed last and what the new one showed first"


@dataclass(frozen=True, slots=True)
class _Told:
    """One that is told now. place: the pointer to it; swap: in the meter's own unit; former: as it stood, of the same meter."""

    place: str
    swap: Swap
    former: Swap | None


async def check_replacements(
    kept: Kept,
    machine: Machine,
    book: CheckedRulebook,
    before: Mapping[str, Any],
    fresh: Sequence[tuple[str, Json, str]],
    instead: Collection[str] = (),
) -> Sequence[Finding]:
    """
    What contradicts replacements that are told of a locked machine, with places.

    before: the bodies that stood under their ids (None: withdrawn); fresh: each id, body and place. Their names and units were read before.
    instead: the ids of those that give way to one that is told.
    """
    told: dict[str, list[_Told]] = {}
    for id, body, place in fresh:
        name = key_of(body["meter"])
        swap = swap_of(body, book.vocabulary.meters[name].unit)
        assert swap is not None
        stood = before.get(id)
        former = None
        if stood is not None and key_of(stood["meter"]) == name:
            former = swap_of(stood, book.vocabulary.meters[name].unit)
        told.setdefault(name, []).append(_Told(place, swap, former))
    beside = _standing(await kept.entries.of(machine.key, [REPLACEMENT]), {*(id for id, _, _ in fresh), *instead}, book)
    meters = {name: meter for (_, name), meter in (await kept.readings.meters_of([machine.key])).items() if name in told}
    series = await kept.readings.series([meter.key for meter in meters.values()])
    noted = await noted_of(kept, machine, book)
    waiting = await waiting_of(kept, machine, told)
    findings = []
    for name, each in told.items():
        own = book.vocabulary.meters[name].unit
        points = series.get(meters[name].key, ()) if name in meters else ()
        dial = Dial(sorted([*beside.get(name, ()), *(one.swap for one in each)]), own)
        aside = [(w.key, w.reading[2:]) for w in waiting if key_of(w.reading[1]) == name]
        formers = [one.former for one in each if one.former is not None]
        before_it = Dial(sorted([*beside.get(name, ()), *formers]), own) if formers else None
        for one in each:
            new_since = None if one.former is None else one.former.at  # what came after it was judged as the new dial's
            waits = [reading for _, reading in aside]
            found = contradiction(one.swap, dial, points, noted.get(name, ()), new_since, waits, before_it)
            if found is not None:
                member, message, mend = words_of(found, one.swap, own, machine.id, aside)
                findings.append(Finding("question.replacement_contradicts", message, mend, path=f"{one.place}/{member}"))
    return findings


async def accepted_alike(kept: Kept, machine: Machine, book: CheckedRulebook, fresh: Sequence[tuple[str, Json, str]]) -> Sequence[Entry]:
    """
    Replacements that were told with an accepted reading, and are told alike now by themselves: these give way, so that each counts once and
    stands under an id of the caller's own.
    """
    told: dict[tuple[str, Swap | None], str] = {}
    for id, body, _ in fresh:
        meter = book.vocabulary.meters.get(key_of(body["meter"]))
        if meter is not None:
            told.setdefault((key_of(body["meter"]), swap_of(body, meter.unit)), id)
    found = []
    for entry in await kept.entries.of(machine.key, [REPLACEMENT]):
        body = json.loads(entry.body)
        meter = book.vocabulary.meters.get(key_of(body["meter"]))
        if entry.id.startswith(ACCEPTED_WITH) and meter is not None:
            alike = told.get((key_of(body["meter"]), swap_of(body, meter.unit)))
            if alike is not None and alike != entry.id:
                found.append(entry)
    return found


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
    """What the machine's done records, occurrences and document say that meters showed, by the meter's name in the key form."""
    reader = Reader(book)
    found: dict[str, list[Noted]] = {}

    def note(meters: Json, at: int, whole_day: bool, by: str, beginning: bool = False) -> None:
        for name, value in meters.items():
            meter = book.vocabulary.meters.get(key_of(name))
            if meter is not None:
                faults = len(reader.findings)
                shown = reader.ticks(value, meter.unit, "")
                if len(reader.findings) == faults:  # else its unit fits the meter no longer: it is left out of every answer
                    each = Noted(at, shown, whole_day, by, leeway(unit_of(value, meter.unit), meter.unit), beginning)
                    found.setdefault(key_of(name), []).append(each)

    for entry in await kept.entries.of(machine.key, list(_NOTE_METERS)):
        body = json.loads(entry.body)
        if body.get("at") is not None or body.get("on") is not None:
            note(body.get("meters") or {}, entry.at, body.get("at") is None, f"the {_NOTE_METERS[entry.kind]} `{shorten(entry.id)}`")
    document = json.loads((await kept.entries.documents([machine.key]))[machine.key].body)
    start = document.get("in_service") or {}
    if start.get("at") is not None or start.get("on") is not None:
        at = micros_of(Days.of(document, book).when(start))
        note(start.get("meters") or {}, at, start.get("at") is None, "`in_service` of the machine's document", beginning=True)
    return found


def words_of(found: Contradiction, swap: Swap, own: Unit, machine: str, waiting: Sequence[tuple[str, Sent]] = ()) -> tuple[str, str, str]:
    """
    The member that is contradicted, what contradicts it, and the way out. own: the meter's unit; machine: its id; waiting: the keys of
    readings that were set aside, and when and what they showed.
    """
    when, unit = micros_text(found.at), own.name
    shown, old, new = (f"{ticks_text(ticks)} {unit}" for ticks in (found.shown, swap.old, swap.new))
    what = f"the reading of {shown} at {when}"
    if found.by is not None:
        what = f"the value of {shown} at {when}, of {found.by},"
    elif found.of_replacement:
        what = f"the replacement at {when}, when the dial in place showed {shown}"
    correct = _correct(found, swap, own, machine, waiting)
    values = f"{_VALUES}; {correct}"
    match found.why:
        case replaced.TWICE:
            return "at", f"the meter was replaced at {when} already", "correct that replacement, or withdraw it first"
        case replaced.OLD_SHOWED_MORE:
            return "old_value", f"{what} is before it, and above {old}, which the old dial showed last", values
        case replaced.NEW_SHOWED_LESS:
            return "new_value", f"{what} is after it, and below {new}, which the new dial showed first", values
        case replaced.AT_THAT_MOMENT:
            message = f"{what} is of that very moment, from which on the new dial counts, and that showed {new} first"
            return "at", message, f"where the old dial showed it, say a later `at`; {correct}"
        case replaced.TOO_FAST_BEFORE:
            return "old_value", f"{what} is before it, and from then on the old dial can't have counted on to {old}", values
        case replaced.TOO_FAST_AFTER:
            return "at", f"{what} is after it, and from {new} on the new dial can't have counted so much by then", values
        case replaced.OF_TWO_DIALS:
            assert found.beside is not None
            before = micros_text(found.beside[0])
            message = (
                f"{what} would be of one dial with that of {ticks_text(found.beside[1])} {unit} at {before}, and one dial can't show both"
            )
            return "at", message, f"say an `at` after {before} and before {when}, where that is when it was replaced; {correct}"
    mend = (
        f"say a later `at`; or, where the new dial showed it, send the {new} that it showed first as a reading of {micros_text(swap.at)} "
        "to /v1/readings, and tell this again, whether that is kept or set aside"
    )
    return "at", f"{what} is after it, and goes on from {old}, where the old dial ended: nothing says that the new one showed it", mend


def _correct(found: Contradiction, swap: Swap, own: Unit, machine: str, waiting: Sequence[tuple[str, Sent]]) -> str:
    """What to do where what contradicts is wrong itself."""
    if found.by is not None:
        return "if that value is wrong, correct it there first"
    if found.of_replacement:
        return "if that replacement is wrong, correct it first"
    when, dial = micros_text(found.at), Dial((), own)
    against = [
        (abs(at - found.at), key, shown, at)
        for key, sent in waiting
        if (sent[0] < swap.at) is (found.at < swap.at)
        for at, shown in dial.counted([sent])
        if (shown > found.shown if at < found.at else shown < found.shown if at > found.at else shown != found.shown)
    ]
    if against:
        _, key, shown, at = min(against)
        one = f"{ticks_text(shown)} {own.name} at {micros_text(at)}"
        return (
            f"if the reading of {when} is wrong, accept the one of {one}, which was set aside, at /v1/set-aside/{key}/accept, without "
            "`replaced_meter`: that withdraws what contradicts it; then tell this again, and what was withdrawn and fits is kept again"
        )
    return (
        f"if the reading of {when} is wrong, send the right one for that moment to /v1/readings and accept it at /v1/set-aside/ID/accept "
        f"first: its ID stands in that answer and in /v1/set-aside?machine={quote(machine, safe='')}"
    )
