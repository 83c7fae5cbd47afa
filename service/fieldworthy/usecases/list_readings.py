"""What is kept of one machine's meters, a page at a time."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from fieldworthy.core.base.finding import Finding, Refused, did_you_mean
from fieldworthy.core.base.names import key as key_of
from fieldworthy.core.base.vocabulary import Meter
from fieldworthy.usecases.as_of import refuse_ahead
from fieldworthy.usecases.ask_kept_due import version_at
from fieldworthy.usecases.find_rulebook import FindWithin
from fieldworthy.usecases.kept import THINNED, Kept, Machine
from fieldworthy.usecases.kept_readings import PastReading
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
    machine = await kept.machines.find(id)
    if machine is None:
        raise MachineUnknown(id, await kept.machines.close_ids(id, 3))
    refuse_ahead(asked.as_of, await kept.moment(), machine.known)
    declared = await _declared(kept, find, machine, asked.as_of)
    meters = {meter.key: meter for meter in (await kept.readings.meters_of([machine.key])).values()}
    if asked.meter is not None:
        wanted = key_of(asked.meter)
        meters = {key: meter for key, meter in meters.items() if meter.name == wanted}
        if not meters and wanted not in declared:
            mend = did_you_mean(asked.meter, (m.name for m in declared.values()), "name a meter of the machine's rulebook")
            raise Refused([Finding("request.parameter", f"the machine has no meter `{shorten(asked.meter)}`", mend)])
    found = await kept.readings.page(meters, limit + 1, asked.before, asked.first, asked.until, asked.as_of)
    shown = []
    for reading in found[:limit]:
        name = meters[reading.meter].name
        own = declared.get(name)
        unit = reading.unit or (None if own is None else own.unit.name)
        shown.append((name if own is None else own.name, unit, reading))
    last = found[limit - 1] if len(found) > limit else None
    cut = (await kept.entries.newest(machine.key, THINNED, [""])).get("")
    thinned = None if cut is None or (asked.first is not None and asked.first >= cut.at) else cut.at
    more = None if last is None else (last.at, last.meter)
    return KeptPage(shown, machine.known if asked.as_of is None else asked.as_of, more, thinned)


async def _declared(kept: Kept, find: FindWithin, machine: Machine, as_of: int | None) -> Mapping[str, Meter]:
    """The meters of the rulebook by which the machine was kept at that moment: what was told without a unit is told in that one's."""
    reference = machine.rulebook
    document = None if as_of is None else (await kept.entries.documents([machine.key], as_of)).get(machine.key)
    if document is not None:
        version = await version_at(kept, json.loads(document.body)["rulebook"], as_of)
        if not isinstance(version, Refusal):
            reference = f"{version.name}@{version.version}"
    return (await find.within(kept.rulebooks, reference)).book.vocabulary.meters
