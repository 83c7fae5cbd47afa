"""A meter's own unit never changes under what is kept.

A number that was told without a unit stands for its meter's own. So that none is ever read in another: while such numbers are kept, no
version of a rulebook counts a meter otherwise than the versions before it (`refuse_other_units`), and no machine goes over to a rulebook
that counts one otherwise (`clashes`). Both are asked when the rulebook or the machine is written, and never when readings are. A 0 is a 0
in every unit of one dimension, for these differ by a factor; an hour counter's 0 says nothing of hectares.
"""

import json
from collections.abc import AsyncIterator, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from fieldworthy.core.base.finding import Finding, pointer
from fieldworthy.core.base.names import key as key_of
from fieldworthy.core.base.quantity import Unit
from fieldworthy.core.rulebook.compare import own_units
from fieldworthy.core.rulebook.model import CheckedRulebook
from fieldworthy.core.rulebook.text import read_document
from fieldworthy.usecases.kept import MACHINE, Entry, Kept, Machine
from fieldworthy.usecases.open_work import WORK, Work, read_work
from fieldworthy.usecases.ports import Rulebooks, Version
from fieldworthy.usecases.refusals import MeterUnitChanged, shorten

Json = Mapping[str, Any]

_TELL_METERS = ("done", "occurrence", "meter-replacement")
_MOST_FINDINGS = 100
_PAGE = 200
_MACHINES = 500  # that are looked at together


@dataclass(frozen=True, slots=True)
class Declared:
    """A meter as the newest version that declares it has it. meter: its name there; by: `name@3`."""

    meter: str
    unit: Unit
    by: str


@dataclass(frozen=True, slots=True)
class Clash:
    """A meter would count otherwise than it did when a number of it was kept. what: that number, in words."""

    meter: str
    before: Declared
    what: str


@dataclass(frozen=True, slots=True)
class _Bare:
    """What is kept of a meter without a unit, in words; is_zero: all of it is 0."""

    what: str
    is_zero: bool = False

    def changes(self, old: Unit, new: Unit) -> bool:
        """Whether it would be another amount in the new unit."""
        return old != new and not (self.is_zero and old.dimension == new.dimension and old.offset == new.offset == 0)


async def units_by(kept: Rulebooks, reference: str, wanted: Collection[str]) -> Mapping[str, Declared]:
    """
    What the meters `wanted` (`names.key`) count by a reference that was resolved before: `name@3` is that version. A bare name is all its
    versions, for a machine goes through them; of each meter the newest that declares it.
    """
    name, _, number = reference.partition("@")
    found: dict[str, Declared] = {}
    if number:
        version = await kept.version(name, int(number))
        return {} if version is None else await _declared(kept, version, wanted)
    before: int | None = None
    while len(found) < len(wanted):
        page = await kept.versions(name, before, _PAGE)
        for version in page:
            found = {**await _declared(kept, version, wanted), **found}
            if len(found) == len(wanted):
                break
        if len(page) < _PAGE:
            break
        before = page[-1].version
    return found


async def _declared(kept: Rulebooks, version: Version, wanted: Collection[str]) -> Mapping[str, Declared]:
    published = await kept.published(version.name, version.version)
    assert published is not None  # versions are never removed
    by = f"{version.name}@{version.version}"
    units = own_units(json.loads(published.document))
    return {key: Declared(*units[key], by) for key in wanted if key in units}


# --- a version -------------------------------------------------------------------------------------------------------------------


async def refuse_other_units(kept: Rulebooks, book: CheckedRulebook, text: str) -> None:
    """
    For who publishes `book`, in the transaction that will keep it. text: the draft's, for the places.

    Raises MeterUnitChanged for a meter that an earlier version counted in another unit, where a machine that follows the name, or did, has
    numbers of it; and for one that is new, where a machine that will follow this version was kept by another rulebook that counted it in
    another unit, and has numbers of it.
    """
    units = own_units(book.document)
    before = await units_by(kept, book.name, units)
    changed = {key: Declared(name, unit, book.name) for key, (name, unit) in units.items() if key in before and before[key].unit != unit}
    wrong: list[tuple[str, tuple[str, str]]] = []
    if changed and kept.beside is not None:
        found = dict([item async for item in _of_those_kept(kept.beside, book.name, before, changed)])
        wrong = [(key, found[key]) for key in units if key in found]
    new = {key: unit for key, (_, unit) in units.items() if key not in before}
    if new and not wrong and kept.beside is not None:
        wrong = [item async for item in _of_followers(kept.beside, book.name, new)]
    if wrong:
        raise MeterUnitChanged([_placed(text, units[key][0], *words) for key, words in wrong[:_MOST_FINDINGS]])


async def _of_those_kept(
    kept: Kept, name: str, before: Mapping[str, Declared], now: Mapping[str, Declared]
) -> AsyncIterator[tuple[str, tuple[str, str]]]:
    """
    What is kept without a unit of meters that would count otherwise than by the versions so far, and is read by them: of machines that
    follow `name`; and of those that did, where nothing since tells what such a number stands for. Each meter once.
    """
    remembered = _Remembered(kept.rulebooks, now.keys())
    told: set[str] = set()
    after: str | None = None
    while True:
        page = await kept.machines.page(after, _MACHINES)
        gone = [machine.key for machine in page if machine.revision > 1 and machine.rulebook != name]
        states = await kept.entries.documents_ever(gone) if gone else {}
        readers: dict[int, Collection[str]] = {machine.key: now.keys() for machine in page if machine.rulebook == name}
        for key, documents in states.items():
            by = await _who_tells(_named_by(documents), now.keys(), remembered)
            if read := {meter for meter, reference in by.items() if reference == name}:
                readers[key] = read
        machines = {machine.key: machine for machine in page if machine.key in readers}
        what = await _kept_without_unit(kept, list(machines.values()), now.keys())
        for (key, meter), bare in what.items():
            if meter not in told and meter in readers[key] and bare.changes(before[meter].unit, now[meter].unit):
                told.add(meter)
                yield meter, _of_machine(machines[key], Clash(meter, before[meter], bare.what), now[meter].unit)
        followers = [machine.key for machine in page if machine.rulebook == name]
        for key, document in (await kept.entries.documents(followers)).items():
            body = json.loads(document.body)
            for meter, place in _bare_in(body):
                if meter in now and meter not in told and _value(body, place) != 0:
                    told.add(meter)
                    clash = Clash(meter, before[meter], f"its document said {'/'.join(place)} without a unit")
                    yield meter, _of_machine(machines[key], clash, now[meter].unit)
        for key, entries in (await kept.entries.open_of(followers, WORK) if followers else {}).items():
            for work in map(read_work, entries):
                for meter, old in (await remembered.by(work.rulebook)).items():
                    if meter not in told and old.unit != now[meter].unit:
                        told.add(meter)
                        yield meter, _of_machine(machines[key], _opened(meter, old, work), now[meter].unit)
        if len(page) < _MACHINES or len(told) == len(now):
            return
        after = page[-1].id


async def _who_tells(references: Sequence[str], wanted: Collection[str], remembered: "_Remembered") -> Mapping[str, str]:
    """Which of these references, the newest first, says what a meter's numbers stand for: the first that declares it."""
    found: dict[str, str] = {}
    for reference in references:
        for meter in await remembered.by(reference):
            if meter in wanted:
                found.setdefault(meter, reference)
    return found


async def _of_followers(kept: Kept, name: str, new: Mapping[str, Unit]) -> AsyncIterator[tuple[str, tuple[str, str]]]:
    """Of machines that came here from another rulebook: new meters that they have numbers of, in another unit."""
    now = {key: Declared(key, unit, name) for key, unit in new.items()}
    remembered = _Remembered(kept.rulebooks, new.keys())
    after: str | None = None
    found = 0
    while True:
        page = await kept.machines.page(after, _MACHINES, rulebook=name)
        moved = [machine for machine in page if machine.revision > 1]  # the others have never been anywhere else
        for machine, clash in await _of_many(kept, moved, name, now, remembered):
            found += 1
            yield clash.meter, _of_machine(machine, clash, new[clash.meter])
        if len(page) < _MACHINES or found >= _MOST_FINDINGS:
            return
        after = page[-1].id


class _Remembered:
    """What the meters `wanted` count by references, each looked up once."""

    def __init__(self, kept: Rulebooks, wanted: Collection[str]) -> None:
        self._kept = kept
        self._wanted = wanted
        self._by: dict[str, Mapping[str, Declared]] = {}

    async def by(self, reference: str) -> Mapping[str, Declared]:
        if reference not in self._by:
            self._by[reference] = await units_by(self._kept, reference, self._wanted)
        return self._by[reference]


async def _of_many(
    kept: Kept, machines: Sequence[Machine], name: str, now: Mapping[str, Declared], remembered: _Remembered
) -> Sequence[tuple[Machine, Clash]]:
    """
    As `clashes`, of many machines that follow `name`, where none of its versions has declared one of these meters so far. Each question is
    asked for all of them at once, for meanwhile nothing else is kept; and first those that leave the fewest for the next.
    """
    states = await kept.entries.documents_elsewhere([machine.key for machine in machines], name) if machines else {}
    if not states:
        return ()
    elsewhere = [machine for machine in machines if machine.key in states]
    before: dict[tuple[int, str], Declared] = {}
    for machine in elsewhere:
        for reference in _named_by(states[machine.key]):
            for meter, old in (await remembered.by(reference)).items():
                before.setdefault((machine.key, meter), old)
    other = {place: old for place, old in before.items() if old.unit != now[place[1]].unit}
    keys = {key for key, _ in other}
    what = await _kept_without_unit(kept, [machine for machine in elsewhere if machine.key in keys], {meter for _, meter in other})
    found = {
        place: Clash(place[1], old, what[place].what)
        for place, old in other.items()
        if place in what and what[place].changes(old.unit, now[place[1]].unit)
    }
    for key, entries in (await kept.entries.open_of([machine.key for machine in elsewhere], WORK)).items():
        for work in map(read_work, entries):
            for meter, old in (await remembered.by(work.rulebook)).items():
                if old.unit != now[meter].unit:
                    found.setdefault((key, meter), _opened(meter, old, work))
    return [(machine, found[machine.key, meter]) for machine in elsewhere for meter in sorted(now) if (machine.key, meter) in found]


def _of_machine(machine: Machine, clash: Clash, unit: Unit) -> tuple[str, str]:
    old = clash.before
    message = (
        f"`{old.meter}` would count {unit.name}, and of the machine `{shorten(machine.id)}` it counted {old.unit.name} by `{old.by}` when "
        f"{clash.what}"
    )
    return message, f"let it count {old.unit.name}, or declare a meter that counts {unit.name} under another name"


def _placed(text: str, name: str, message: str, mend: str) -> Finding:
    path = pointer("meters", name, "unit")
    document = read_document(text)
    line, column = (None, None) if isinstance(document, list) else document.place(path)
    return Finding(MeterUnitChanged.code, message, mend, path=path, line=line, column=column)


# --- a machine -------------------------------------------------------------------------------------------------------------------


async def check_move(kept: Kept, machine: Machine, before: Json, document: Json, book: CheckedRulebook) -> Sequence[Finding]:
    """
    What stands against a locked machine's new document because of units, with places in it. before: the one that stands; book: by which
    the new one is read.
    """
    reference: str = document["rulebook"]
    if reference == machine.rulebook:
        return ()
    earlier = await _references(kept, machine, before)
    what = {meter: bare for (_, meter), bare in (await _kept_without_unit(kept, [machine])).items()}
    here = {place: key for key, place in _bare_in(document)}
    now = await units_by(kept.rulebooks, reference, {*book.vocabulary.meters, *here.values(), *what})
    findings = []
    for clash in await clashes(kept, machine, earlier, now, what):
        old, new = clash.before, now[clash.meter]
        message = (
            f"`{new.meter}` counts {new.unit.name} by `{shorten(reference)}`, and counted {old.unit.name} by `{old.by}` when {clash.what}"
        )
        mend = f"name a rulebook in which `{new.meter}` counts {old.unit.name}; a meter that counts {new.unit.name} needs another name"
        findings.append(Finding("question.other_unit_kept", message, mend, path=pointer("rulebook")))
    # a number of the document itself that stood there before, and would be read in another unit now; 0 is 0 in any
    again = {place: key for key, place in _bare_in(before) if key in now and here.get(place) == key}
    again = {place: key for place, key in again.items() if _value(document, place) == _value(before, place) != 0}
    units = await _first_that_declare(kept.rulebooks, earlier, set(again.values()))
    for place, key in again.items():
        if key in units and units[key].unit != now[key].unit:
            message = f"`{now[key].meter}` counts {now[key].unit.name} now, and the same number stood here in {units[key].unit.name}"
            findings.append(Finding("question.unit_needed", message, "say it with its unit", path=pointer(*place)))
    return findings[:_MOST_FINDINGS]


async def clashes(
    kept: Kept, machine: Machine, earlier: Sequence[str], now: Mapping[str, Declared], what: Mapping[str, _Bare]
) -> Sequence[Clash]:
    """
    Meters that `now` counts otherwise than when a number of them was kept. earlier: the references that the machine was kept by, the newest
    first: the first that declares a meter says what its numbers stand for. what: see `_kept_without_unit`.
    """
    before = await _first_that_declare(kept.rulebooks, earlier, now.keys() & what.keys())
    found = {key: Clash(key, old, what[key].what) for key, old in before.items() if what[key].changes(old.unit, now[key].unit)}
    for work in map(read_work, await kept.entries.open(machine.key, WORK)):  # its record will be told in the units of its own version
        for key, old in (await units_by(kept.rulebooks, work.rulebook, now.keys())).items():
            if old.unit != now[key].unit:
                found.setdefault(key, _opened(key, old, work))
    return [found[key] for key in sorted(found)]


def _opened(meter: str, old: Declared, work: Work) -> Clash:
    return Clash(meter, old, f"the work `{shorten(work.id)}` was opened")


def _bare_in(document: Json) -> Iterable[tuple[str, tuple[str, ...]]]:
    """The meters of which a machine's document has numbers without a unit, and where."""
    for name, value in ((document.get("in_service") or {}).get("meters") or {}).items():
        if _bare(value):
            yield key_of(name), ("in_service", "meters", name)
    for name, told in (document.get("usage") or {}).items():
        if told.get("unit") is None:
            yield key_of(name), ("usage", name, "per_day")


def _value(document: Json, place: Sequence[str]) -> Any:
    value: Any = document
    for member in place:
        value = value.get(member) if isinstance(value, Mapping) else None
    return _number(value)


async def _references(kept: Kept, machine: Machine, newest: Json) -> Sequence[str]:
    """What the machine's documents called their rulebook, the newest first, each once. newest: the document that stands."""
    if machine.revision == 1:
        return [newest["rulebook"]]
    return _named_by(await kept.entries.history(machine.key, MACHINE, ""))


def _named_by(states: Sequence[Entry]) -> Sequence[str]:
    """The rulebooks that these states of a document name, the newest first, each once. states: the oldest first."""
    return list(dict.fromkeys(json.loads(state.body)["rulebook"] for state in reversed(states)))


async def _first_that_declare(kept: Rulebooks, references: Sequence[str], wanted: Collection[str]) -> Mapping[str, Declared]:
    found: dict[str, Declared] = {}
    for reference in references:
        missing = set(wanted) - found.keys()
        if not missing:
            break
        found |= await units_by(kept, reference, missing)
    return found


async def _kept_without_unit(
    kept: Kept, machines: Sequence[Machine], wanted: Collection[str] | None = None
) -> Mapping[tuple[int, str], _Bare]:
    """
    The machines' keys and meters (`names.key`) of which a number is kept that has no unit, and what it is. wanted: nothing else needs to be
    known than of these meters.
    """
    if not machines:
        return {}
    found: dict[tuple[int, str], _Bare] = {}

    def add(key: int, meter: str, bare: _Bare) -> None:
        if not bare.is_zero or found.get((key, meter), bare).is_zero:
            found[key, meter] = bare

    by_id = {machine.id: machine.key for machine in machines}
    for row in await kept.aside.open_of(by_id):  # who accepts it may leave it as it was sent
        if row.unit is None:
            add(by_id[row.machine], key_of(row.meter), _Bare("a reading was set aside without a unit", row.value == 0))
    for key, entries in (await kept.entries.told_of(by_id.values(), _TELL_METERS, '"meter')).items():
        for entry in entries:
            for name, is_zero in _bare_meters(entry):
                add(key, key_of(name), _Bare(f"the {_SPOKEN[entry.kind]} `{shorten(entry.id)}` was told without a unit", is_zero))
    rows = (await kept.readings.meters_of(by_id.values())).values()
    meters = {meter.key: (meter.machine, meter.name) for meter in rows if wanted is None or meter.name in wanted}
    some = await kept.readings.unnamed(meters, but_zero=True)
    for key in some:
        add(*meters[key], _Bare("readings were kept without a unit"))
    for key in await kept.readings.unnamed(meters.keys() - some):
        add(*meters[key], _Bare("readings of 0 were kept without a unit", is_zero=True))
    return found


_SPOKEN = {"done": "done record", "occurrence": "occurrence", "meter-replacement": "replaced meter"}


def _bare_meters(entry: Entry) -> Iterable[tuple[str, bool]]:
    """The meters of which a record has numbers without a unit, and whether these are 0."""
    body = json.loads(entry.body)
    if entry.kind == "meter-replacement":
        return [(body["meter"], False)] if body.get("unit") is None else []
    return [(name, _number(value) == 0) for name, value in (body.get("meters") or {}).items() if _bare(value)]


def _number(value: Any) -> Any:
    return value.get("value") if isinstance(value, Mapping) else value


def _bare(value: Any) -> bool:
    """Whether a value of a meter has no unit: a number, or an object without one."""
    return value.get("unit") is None if isinstance(value, Mapping) else not isinstance(value, str)
