"""Readings of a telematics document: whose each is, which of that machine's meters it is, and then kept as any other.

A machine is looked for by what its header says: the PIN first, then the serial number; each as the sender's own mapping has it, then as a
machine's id or the `serial` in a machine's document. What is one machine's id and another's serial number tells neither. An equipment id is
the server's own and tells a machine only where the mapping names it. A meter is the one that the sender says an element is; else the one
that the machine's rulebook calls by the element's plain words (`operating hours`); nothing else is taken for it. What is told of an unknown
machine or meter is set aside, as it was named.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from fieldworthy.core.base.names import key as key_of
from fieldworthy.core.base.vocabulary import Meter
from fieldworthy.usecases.find_rulebook import FindWithin
from fieldworthy.usecases.keep_readings import Intake, keep_readings
from fieldworthy.usecases.kept import Kept
from fieldworthy.usecases.sent_readings import SentReading, SentReadings

NO_IDENTITY = "no-identity"
AMBIGUOUS = "machine-ambiguous"

COUNTS = ("loads", "bales", "cycles")
"""Units, each a dimension of its own, in which a bare count may be: whichever the meter has."""


@dataclass(frozen=True, slots=True)
class Header:
    """What a machine is called in a telematics document. All absent: it is not said."""

    pin: str | None = None
    serial: str | None = None
    equipment_id: str | None = None

    @property
    def numbers(self) -> tuple[str, ...]:
        """What tells a machine wherever it is, the best first."""
        return tuple(number for number in (self.pin, self.serial) if number is not None)

    @property
    def names(self) -> tuple[str, ...]:
        """All that it is called, the best first."""
        return (*self.numbers, *(() if self.equipment_id is None else (self.equipment_id,)))


@dataclass(frozen=True, slots=True)
class Element:
    """A counter of the standard. words: its name in plain words; value, units: its children; unit: where none is sent, None for a count."""

    name: str
    words: str
    value: str
    units: str | None = None
    unit: str | None = None


@dataclass(frozen=True, slots=True)
class Told:
    """One element. value, at: None where there is no reading, and then why. unit: ours, or as it was sent; None: a count.

    at: microseconds since 1970; value: millionths of the unit, rounded to a whole one (a telematics server writes doubles, as
    1250.1000000000001 for 1250.1).
    """

    element: Element
    header: Header
    value: int | None
    unit: str | None
    at: int | None
    why: str | None


@dataclass(frozen=True, slots=True)
class LeftOut:
    """An element that is no reading. machine: its id here, else what it was called, None where it was called nothing; called: as sent."""

    element: str
    machine: str | None
    why: str
    called: str | None


@dataclass(frozen=True, slots=True)
class TelematicsIntake:
    """
    What became of a document: the readings in their order, what became of each, and what was left out.

    called: machine and meter of each reading as the sender named them, whatever they are here.
    """

    sent: SentReadings
    elements: Sequence[str]
    intake: Intake
    left_out: Sequence[LeftOut]
    called: Sequence[tuple[str, str]]


@dataclass(frozen=True, slots=True)
class _Whose:
    """machine: the id of a kept machine, or the number by which none was found; None where it can't be told, and then why."""

    machine: str | None
    why: str = ""


async def keep_telematics(
    kept: Kept, find: FindWithin, told: Sequence[Told], machines: Mapping[str, str], meters: Mapping[str, str], machine: str | None = None
) -> TelematicsIntake:
    """
    Keeps the readings of a document.

    machines: PIN, serial number or equipment id -> a machine's id; meters: an element's name in small letters -> a meter: as the sender
    says. machine: the id of the one that all of it is about; then nothing else is looked at.
    """
    headers = dict.fromkeys(one.header for one in told)
    whose = {h: _Whose(machine) for h in headers} if machine is not None else await _whose(kept, headers, machines)
    declared = await _meters(kept, find, {w.machine for w in whose.values() if w.machine is not None})
    read: list[SentReading] = []
    elements: list[str] = []
    called: list[tuple[str, str]] = []
    left_out: list[LeftOut] = []
    for one in told:
        owner = whose[one.header]
        named = machine if machine is not None else _named(one.header, machines)
        if one.value is None or one.at is None:
            left_out.append(LeftOut(one.element.name, owner.machine or named, one.why or "no-value", named))
        elif owner.machine is None:
            left_out.append(LeftOut(one.element.name, named, owner.why, named))
        else:
            name, unit = _meter(one, declared[owner.machine], meters)
            read.append((owner.machine, name, one.at, one.value, unit))
            elements.append(one.element.name)
            called.append((named or owner.machine, meters.get(one.element.name.casefold(), one.element.name)))
    sent = SentReadings.of(read)
    return await keep_readings(kept, find, sent, lambda intake: TelematicsIntake(sent, elements, intake, left_out, called))


def _named(header: Header, machines: Mapping[str, str]) -> str | None:
    """What the sender itself calls the machine, by its mapping or as it says; None where it says nothing."""
    return next((machines[name] for name in header.names if name in machines), next(iter(header.names), None))


def _meter(told: Told, declared: Mapping[str, Meter], meters: Mapping[str, str]) -> tuple[str, str | None]:
    """The meter's name and the value's unit."""
    element = told.element
    said = meters.get(element.name.casefold())
    name = said if said is not None else element.words if key_of(element.words) in declared else element.name
    if told.unit is not None:
        return name, told.unit
    own = declared.get(key_of(name))
    return name, own.unit.name if own is not None and own.unit.name in COUNTS else COUNTS[0]


async def _meters(kept: Kept, find: FindWithin, ids: Collection[str]) -> Mapping[str, Mapping[str, Meter]]:
    """The meters that each machine's rulebook declares, by their key form; none for a machine that is not kept."""
    machines = await kept.machines.named(ids)
    books = {ref: (await find.within(kept.rulebooks, ref)).book for ref in {m.rulebook for m in machines.values()}}
    return {id: books[machines[id].rulebook].vocabulary.meters if id in machines else {} for id in ids}


async def _whose(kept: Kept, headers: Collection[Header], named: Mapping[str, str]) -> Mapping[Header, _Whose]:
    """Each header's machine."""
    found: dict[Header, _Whose] = {}
    sought: list[Header] = []
    for header in headers:
        said = next((named[name] for name in header.names if name in named), None)
        if said is not None:
            found[header] = _Whose(said)
        elif not header.numbers:
            found[header] = _Whose(None, NO_IDENTITY)
        else:
            sought.append(header)
    named_so = await kept.machines.named({number for header in sought for number in header.numbers})
    serials = await kept.machines.by_serial({number for header in sought for number in header.numbers})
    sure = {id for id in named_so if id in serials.get(id, ())}  # its id and its serial number are one: it is that machine
    return found | {header: _by_number(header, named_so, sure, serials) for header in sought}


def _by_number(header: Header, ids: Collection[str], sure: Collection[str], serials: Mapping[str, Sequence[str]]) -> _Whose:
    """A number may be the id of one machine and the serial number of another: then nobody can tell which is meant."""
    for number in header.numbers:
        if number in sure:
            return _Whose(number)
        meant = {*serials.get(number, ()), *([number] if number in ids else ())}
        if meant:
            return _Whose(meant.pop()) if len(meant) == 1 else _Whose(None, AMBIGUOUS)
    return _Whose(header.numbers[0])  # there is no such machine: what was read of it is set aside under this name
