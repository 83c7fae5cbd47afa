"""What is kept of one machine's meters, a page at a time."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from heapq import merge
from itertools import islice

from fieldworthy.core.base.finding import Finding, Refused, did_you_mean
from fieldworthy.core.base.names import key as key_of
from fieldworthy.core.base.vocabulary import Meter
from fieldworthy.usecases.as_of import refuse_ahead
from fieldworthy.usecases.ask_kept_due import version_at
from fieldworthy.usecases.find_rulebook import FindWithin
from fieldworthy.usecases.kept import THINNED, Entry, Kept, Machine
from fieldworthy.usecases.kept_readings import Meter as KeptMeter
from fieldworthy.usecases.kept_readings import PastReading
from fieldworthy.usecases.ports import Version
from fieldworthy.usecases.refusals import MachineUnknown, Refusal, shorten


@dataclass(frozen=True, slots=True)
class Asked:
    """Which readings. meter: its name; first: nothing earlier; until: nothing from then on; before: where the page before ended."""

    meter: str | None = None
    first: int | None = None
    until: int | None = None
    before: tuple[int, int] | None = None
    as_of: int | None = None


@dataclass(frozen=True, slots=True)
class KeptPage:
    """
    readings: with the meter's name and its unit; as_of: what they were asked as of; more: where to go on, None at the end.

    thinned: of those from before it some were thinned out; None: nothing from before it was asked for, or all are there.
    """

    readings: Sequence[tuple[str, str | None, PastReading]]
    as_of: int
    more: tuple[int, int] | None
    thinned: int | None = None


async def list_readings(kept: Kept, find: FindWithin, id: str, asked: Asked, limit: int) -> KeptPage:
    """The newest first. Raises MachineUnknown; QuestionDoesNotFit where `as_of` lies ahead; Refused for a meter that there is none of."""
    found = (await list_readings_of(kept, find, [id], asked, limit))[id]
    if isinstance(found, Exception):
        raise found
    return found


async def list_readings_of(
    kept: Kept, find: FindWithin, ids: Sequence[str], asked: Asked, limit: int
) -> Mapping[str, KeptPage | Refusal | Refused]:
    """The same of many machines, read together; of each its page, or what it is refused with."""
    moment = await kept.moment()
    machines = await kept.machines.named(ids)
    keys = [machine.key for machine in machines.values()]
    declared = await _declared(kept, find, list(machines.values()), asked.as_of)
    meters: dict[int, dict[int, KeptMeter]] = {key: {} for key in keys}
    for (owner, _), meter in (await kept.readings.meters_of(keys)).items():
        meters[owner][meter.key] = meter
    pages: dict[str, KeptPage | Refusal | Refused] = {}
    wanted: dict[str, dict[int, KeptMeter]] = {}
    for id in ids:
        try:
            if id not in machines:
                raise MachineUnknown(id, await kept.machines.close_ids(id, 3))
            machine = machines[id]
            refuse_ahead(asked.as_of, moment, machine.known)
            wanted[id] = _meters(asked.meter, meters[machine.key], declared[machine.key])
        except (Refusal, Refused) as refusal:
            pages[id] = refusal
    every = [key for some in wanted.values() for key in some]
    newest = await kept.readings.newest_of_each(every, limit + 1, asked.before, asked.first, asked.until, asked.as_of) if every else {}
    cut = await kept.entries.of_all(keys, [THINNED])
    for id, some in wanted.items():
        machine = machines[id]
        rows = merge(*(newest.get(key, ()) for key in some), key=lambda r: (r.at, r.meter), reverse=True)
        pages[id] = _page(machine, list(islice(rows, limit + 1)), some, declared[machine.key], cut.get(machine.key, ()), asked, limit)
    return pages


def _meters(name: str | None, meters: dict[int, KeptMeter], declared: Mapping[str, Meter]) -> dict[int, KeptMeter]:
    """Those that are asked for. Raises Refused for one that there is none of."""
    if name is None:
        return meters
    wanted = key_of(name)
    found = {key: meter for key, meter in meters.items() if meter.name == wanted}
    if not found and wanted not in declared:
        mend = did_you_mean(name, (m.name for m in declared.values()), "name a meter of the machine's rulebook")
        raise Refused([Finding("request.parameter", f"the machine has no meter `{shorten(name)}`", mend)])
    return found


def _page(
    machine: Machine,
    found: Sequence[PastReading],
    meters: Mapping[int, KeptMeter],
    declared: Mapping[str, Meter],
    cuts: Sequence[Entry],
    asked: Asked,
    limit: int,
) -> KeptPage:
    """A machine's page of the readings that were found, one more of them than it shows where there are more."""
    shown = []
    for reading in found[:limit]:
        name = meters[reading.meter].name
        own = declared.get(name)
        unit = reading.unit or (None if own is None else own.unit.name)
        shown.append((name if own is None else own.name, unit, reading))
    last = found[limit - 1] if len(found) > limit > 0 else None
    cut = next((entry.at for entry in cuts), None)
    thinned = None if cut is None or (asked.first is not None and asked.first >= cut) else cut
    more = None if last is None else (last.at, last.meter)
    return KeptPage(shown, machine.known if asked.as_of is None else asked.as_of, more, thinned)


async def _declared(kept: Kept, find: FindWithin, machines: Sequence[Machine], as_of: int | None) -> Mapping[int, Mapping[str, Meter]]:
    """
    By machine, the meters of the rulebook by which it was kept at that moment: what was told without a unit is told in that one's.
    """
    documents = {} if as_of is None else await kept.entries.documents([machine.key for machine in machines], as_of)
    versions: dict[str, Version | Refusal] = {}
    books: dict[str, Mapping[str, Meter]] = {}
    found = {}
    for machine in machines:
        reference = machine.rulebook
        document = documents.get(machine.key)
        if document is not None:
            named = json.loads(document.body)["rulebook"]
            if named not in versions:
                versions[named] = await version_at(kept, named, as_of)
            version = versions[named]
            if not isinstance(version, Refusal):
                reference = f"{version.name}@{version.version}"
        if reference not in books:
            books[reference] = (await find.within(kept.rulebooks, reference)).book.vocabulary.meters
        found[machine.key] = books[reference]
    return found
